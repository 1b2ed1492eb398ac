// Small panes beside the photo: other photos at the same place of the plate, turned to the same
// side and as large. They follow the view in the browser; a press on one goes to that photo.
const PANES_SHOWN = 3, STRIP_PART = 0.34, STRIP_MOST = 400;
const QUIET = { pending: [], hot: null, drag: null, pointer: null, snap: null, preview: null, covered: [] };
const NO_LINES = { lineOf: () => null };

class Panes {
  constructor(canvas) {
    this.canvas = canvas;
    this.box = element("div", "panes");
    this.spots = Array.from({ length: PANES_SHOWN }, () => this.made());
    canvas.root.append(this.box);
    this.given = [];
    this.stale = true;
  }

  made() {
    const root = element("button", "pane");
    const [layer, name, mark] = [element("canvas", ""), element("span", "name"), element("i", "mark")];
    root.type = "button";
    root.append(layer, name, mark);
    root.addEventListener("click", () => {
      const shown = this.spots.find((one) => one.root === root)?.shown;
      if (shown) this.canvas.report({ type: "select", kind: "pane", id: shown.id });
    });
    this.box.append(root);
    return { root, layer, name, mark, shown: null, view: null };
  }

  update(given) {
    this.given = given ?? [];
    this.stale = true;
    this.box.hidden = !this.given.length;
  }

  width() { // of the strip, css pixels
    return this.given.length ? Math.round(Math.min(STRIP_MOST, this.canvas.root.clientWidth * STRIP_PART)) : 0;
  }

  draw() { // returns the tiles that are missing
    if (!this.stale || !this.given.length || !this.canvas.view) return [];
    this.stale = false;
    const { scene, view, size, dpr } = this.canvas;
    const found = [];
    for (const pane of this.given) {
      if (found.length === PANES_SHOWN) break;
      const there = samePlace(view, scene.frames, pane.frames, pane.photo, scene.depths);
      if (there) found.push([pane, there]);
    }
    this.box.dataset.shown = found.length;
    this.box.classList.toggle("none", !found.length);
    let missing = [];
    this.spots.forEach((spot, i) => {
      [spot.shown, spot.view] = found[i] ?? [null, null];
      spot.root.hidden = i >= Math.max(1, found.length);
      const h = Math.floor((size.h - 8 * (found.length + 1)) / Math.max(1, found.length));
      spot.root.style.height = Math.max(60, h) + "px";
      spot.name.textContent = spot.shown ? spot.shown.name : "No other fitted photo shows this place";
      if (!spot.shown) { spot.layer.width = spot.layer.height = 0; return; }
      spot.root.title = "Work on this photo: " + spot.shown.name;
      const box = { w: spot.root.clientWidth, h: spot.root.clientHeight };
      if (!box.w || !box.h) return;
      spot.size = box;
      spot.layer.width = Math.round(box.w * dpr);
      spot.layer.height = Math.round(box.h * dpr);
      const ctx = spot.layer.getContext("2d", { alpha: false });
      ctx.fillStyle = "#1d262c";
      ctx.fillRect(0, 0, spot.layer.width, spot.layer.height);
      missing = missing.concat(drawPhoto(ctx, spot.shown.photo, spot.view, dpr, box.w / 2, box.h / 2, box.w, box.h));
      ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
      const drawn = { ...scene, lines: spot.shown.lines, markers: [], handles: [], tail: null, token: "" };
      drawScene(ctx, drawn, { ...QUIET, hidden: this.canvas.state.hidden }, spot.view, box, true, NO_LINES);
      spot.root.dataset.view = JSON.stringify([spot.view.scale, spot.view.cx, spot.view.cy, spot.view.q]);
    });
    return missing;
  }

  point() { // the place under the pointer, in every pane
    const { scene, state } = this.canvas;
    for (const { mark, shown, view, size } of this.spots) {
      const on = shown && size && state.pointer && state.pointer.every(Number.isFinite);
      mark.hidden = !on;
      if (!on) continue;
      const [x, y] = placeOn(scene.frames, shown.frames, scene.depths, ...state.pointer);
      const [sx, sy] = toScreen(view, size, x, y);
      mark.style.transform = `translate(${sx}px, ${sy}px)`;
    }
  }
}
