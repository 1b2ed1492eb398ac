// A handle or a place on a line that is being taken elsewhere, by hand or by keys.
const KEY_REACH = 45; // css pixels: arrows bring the middle no nearer than half a step

class Drag {
  constructor(canvas) {
    this.canvas = canvas;
    this.carried = null; // taken up by a key: it follows the middle of the canvas
  }

  to(hit, sx, sy, touch) {
    const { state, view, size, scene, loupe } = this.canvas;
    const [x, y] = toPhoto(view, size, sx, sy);
    state.drag = { ...hit, x, y };
    state.pointer = [x, y];
    loupe.aim = touch || hit.kind === "handle" ? [sx, sy] : null;
    if (scene.dragPreview && hit.kind === "handle") this.ask();
    this.canvas.redraw();
  }

  // One question at a time, and always about the newest place.
  async ask() {
    if (this.asked) return;
    const { state, scene, ahead, hintBar, root } = this.canvas;
    const { id, x, y } = state.drag, token = scene.token;
    this.asked = true;
    const found = await ahead.ask("drag", { id, x, y });
    this.asked = false;
    if (this.canvas.scene.token !== token || !found.lines) return;
    const drag = state.drag;
    if (!drag && !state.pending.length) return; // too late: Python has answered for good
    state.dragged = found;
    hintBar.textContent = found.text;
    hintBar.hidden = false;
    root.dataset.dragged = found.text;
    this.canvas.redraw();
    if (drag && (drag.x !== x || drag.y !== y)) this.ask();
  }

  end() { // let go without a change: what Python sent holds again
    const { state, scene, hintBar } = this.canvas;
    if (!state.dragged) return;
    state.dragged = null;
    hintBar.textContent = scene.hint;
    hintBar.hidden = !scene.hint;
  }

  drop(hit, sx, sy) {
    const [x, y] = toPhoto(this.canvas.view, this.canvas.size, sx, sy);
    this.canvas.report({ type: hit.kind === "handle" ? "move" : "insert", id: hit.id, x, y });
  }

  // ---- by keys: M takes up what lies in the middle, arrows carry it, Enter or M puts it down
  middle() { return [this.canvas.size.w / 2, this.canvas.size.h / 2]; }

  carry() {
    const { state } = this.canvas;
    if (this.carried) { this.put(); return; }
    const { handles } = this.canvas.scene, at = this.middle();
    const hit = hitSpot(this.canvas, handles, "handle", ...at, KEY_REACH) ?? hitLine(this.canvas, ...at, KEY_REACH, true);
    if (hit?.kind !== "handle" && !hit?.drag) return;
    const spot = handles.find((one) => hit.kind === "handle" && one.id === hit.id);
    const [x, y] = spot ? [spot.x, spot.y] : toPhoto(this.canvas.view, this.canvas.size, ...hit.at);
    this.canvas.setView(kept({ ...this.canvas.view, cx: x, cy: y }, this.canvas.photo));
    this.carried = hit;
    state.keyboard = true;
    this.follow();
  }

  follow() { // the view was moved by a key
    if (!this.carried) return;
    this.to(this.carried, ...this.middle(), true);
  }

  put() {
    const hit = this.carried;
    this.leave();
    this.drop(hit, ...this.middle());
  }

  leave() { // what is carried goes back to where it was
    if (!this.carried) return false;
    this.carried = this.canvas.state.drag = this.canvas.state.pointer = this.canvas.loupe.aim = null;
    this.end();
    this.canvas.redraw();
    return true;
  }
}
