// The page's own keys as buttons in the photo, and the list of all keys behind "?".
const VIEW_KEYS = [
  ["wheel, pinch, + −", "zoom"], ["drag, arrows, space + drag", "move the photo"],
  ["0", "whole plate, then whole photo"], ["R", "turn a quarter"], ["L", "loupe"], ["H", "hide all lines"],
  ["E", "fill the window with the photo, and back"], ["Enter", "click in the middle"],
  ["M", "take up the point or line in the middle; arrows carry it, Enter puts it down"],
  ["Delete", "remove the point under the pointer"],
  ["hold a finger still", "loupe, then lift to place"], ["?", "this list"], ["Esc", "close it"],
];
const UNDO_KEYS = [["Ctrl + Z", "undo, without end"], ["Ctrl + Y", "redo"]];

const LOW = 620; // css pixels: on a photo lower than that one row of keys is enough

function keyWord(name) { return name.length === 1 ? name.toUpperCase() : name; }

class Keys {
  constructor(canvas) {
    this.canvas = canvas;
    this.bar = element("div", "keys");
    this.more = element("button", "key more");
    this.more.type = "button";
    this.more.addEventListener("click", () => { this.open = !this.open; this.fold(); });
    this.help = element("div", "help");
    this.help.hidden = true;
    canvas.root.append(this.bar, this.help);
  }

  update({ keys, keyList, undo }) {
    const wanted = JSON.stringify([keys, keyList, undo]);
    if (this.shown === wanted) return;
    this.shown = wanted;
    this.bar.replaceChildren(this.more, ...keys.map(([name, word]) => {
      const made = element("button", "key");
      made.type = "button";
      made.append(element("kbd", "", keyWord(name)), element("span", "", word));
      made.addEventListener("click", () => { this.canvas.pageKey(name); this.canvas.root.focus({ preventScroll: true }); });
      return made;
    }));
    const own = (keyList.length ? keyList : keys).map(([name, word]) => [keyWord(name), word]);
    this.help.replaceChildren(...own.concat(undo ? UNDO_KEYS : [], VIEW_KEYS).map(([name, does]) => {
      const row = element("div", "");
      row.append(element("b", "", name), element("span", "", does));
      return row;
    }));
    this.fold();
  }

  toggleHelp(on = this.help.hidden) { this.help.hidden = !on; }

  fold() { // more rows would hide the photo: the rest opens with a press
    const { bar, more } = this;
    bar.classList.remove("folded");
    more.hidden = true;
    const row = bar.querySelector(".key:not(.more)")?.offsetHeight ?? 0;
    const rows = this.canvas.root.clientHeight < LOW ? 1 : 2, most = rows * (row + 5) - 5;
    bar.style.setProperty("--rows", most + "px");
    if (bar.scrollHeight <= most + 4) return;
    more.hidden = false;
    more.textContent = this.open ? "Fewer" : "More …";
    more.setAttribute("aria-expanded", !!this.open);
    bar.classList.toggle("folded", !this.open);
  }
}
