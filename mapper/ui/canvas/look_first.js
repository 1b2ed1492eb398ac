// An answer that was given before its place can have been seen is held back, by the browser's own
// clock: of a key pressed twice on a slow laptop, the second must not answer the next place unseen.
const SAID_MS = 4000;
const asked = () => document.querySelector(".st-key-desk [data-place]")?.dataset.place;

class LookFirst {
  constructor(host) {
    this.root = host.querySelector(".root");
    this.refused = (event) => this.refuse(event);
    for (const type of ["keydown", "click"]) window.addEventListener(type, this.refused, true);
  }

  update({ place, keys, least_look_ms }) {
    this.keys = keys;
    this.leastLookMs = least_look_ms;
    if (place === this.place) return;
    this.place = place;
    this.shownAt = Infinity;
    this.whenDrawn(place);
  }

  whenDrawn(place) { // its words and all pictures stand on the screen
    requestAnimationFrame(() => {
      if (place !== this.place || !this.root.isConnected) return;
      const pictures = [...document.querySelectorAll("[data-testid=stMain] img")];
      if (asked() !== place || !pictures.every((one) => one.complete)) return this.whenDrawn(place);
      requestAnimationFrame((now) => {
        if (place !== this.place) return;
        this.shownAt = now;
        setTimeout(() => { this.root.dataset.seen = place; }, this.leastLookMs);
      });
    });
  }

  refuse(event) {
    const key = event.type === "keydown";
    if (key && (!this.keys.includes(event.key) || event.ctrlKey || event.metaKey || event.altKey)) return;
    if (!key && !event.target.closest?.("[class*=st-key-answer-]")) return;
    const there = asked();
    if (there === undefined || typing(event.target)) return;
    const seen = there === this.place && event.timeStamp >= this.shownAt + this.leastLookMs;
    if (seen && !event.repeat) {
      this.root.textContent = "";
      return;
    }
    event.stopImmediatePropagation();
    event.preventDefault();
    this.root.textContent = "That answer came before this place was on the screen, so it was not taken.";
    clearTimeout(this.saidFor);
    this.saidFor = setTimeout(() => { this.root.textContent = ""; }, SAID_MS);
  }

  close() {
    for (const type of ["keydown", "click"]) window.removeEventListener(type, this.refused, true);
  }
}

function typing(target) {
  const words = target.tagName === "INPUT" && !["radio", "checkbox", "button"].includes(target.type);
  return words || target.isContentEditable || target.tagName === "TEXTAREA";
}

const GUARDS = new WeakMap();

export default function (component) {
  const host = component.parentElement;
  if (!GUARDS.has(host)) GUARDS.set(host, new LookFirst(host));
  GUARDS.get(host).update(component.data);
  return () => {
    GUARDS.get(host)?.close();
    GUARDS.delete(host);
  };
}
