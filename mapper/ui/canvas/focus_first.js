// What opens lies at the end of the page, far from its button by the Tab key: its first field takes
// the keys when it opens, and again when what had them was taken away to be drawn anew. When that
// happens is for the page to say, not for a clock: a slow laptop may take seconds.
const PANEL = "[data-testid=stPopoverBody]";

class FocusFirst {
  constructor() {
    this.given = null; // the field that got the keys here; null before it opened
    this.untouched = true;
    this.had = null; // what of the panel had the keys last
    this.taken = (event) => { this.had = event.target.closest?.(PANEL) ? event.target : null; };
    this.redrawn = new MutationObserver(() => this.look());
    this.touched = (event) => { this.untouched &&= event.target !== this.given; };
    document.addEventListener("focusin", this.taken, true);
    document.addEventListener("input", this.touched, true);
    const watched = { childList: true, subtree: true, attributeFilter: ["value"] };
    this.redrawn.observe(document.body, watched);
    this.look();
  }

  look() {
    const lost = [document.body, null].includes(document.activeElement);
    const gone = lost && this.had !== null && !this.had.isConnected;
    if (this.given === null || gone) this.give();
    // It is filled after it was drawn, which would leave the cursor behind what is to be typed over.
    else if (this.untouched && document.activeElement === this.given) this.given.select();
  }

  give() {
    const field = document.querySelector(`${PANEL} input`);
    if (!field) return;
    this.given = field;
    const chosen = document.activeElement?.matches(`${PANEL} input`); // someone was faster
    this.untouched = !chosen;
    if (chosen) return;
    field.focus();
    field.select();
  }

  close() {
    this.redrawn.disconnect();
    document.removeEventListener("focusin", this.taken, true);
    document.removeEventListener("input", this.touched, true);
  }
}

const AT = new WeakMap();

export default function (component) {
  const host = component.parentElement;
  if (!AT.has(host)) AT.set(host, new FocusFirst());
  return () => {
    AT.get(host)?.close();
    AT.delete(host);
  };
}
