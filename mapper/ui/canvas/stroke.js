// A stroke along a lead: the way of the mouse, pen or finger while it is down.
const STROKE_STEP = 2; // css pixels between its places
const STROKE_MOST = 4000; // as many places as Python reads

class Stroke {
  constructor(canvas) {
    this.canvas = canvas;
    this.drop();
  }

  drawsWith(shift) {
    const { scene } = this.canvas;
    return scene.tool === "draw" || (shift && scene.draws);
  }

  add(sx, sy) {
    this.last = [sx, sy];
    this.way.push(...toPhoto(this.canvas.view, this.canvas.size, sx, sy));
  }

  to(press, sx, sy) {
    if (!this.way.length) this.add(press.x, press.y);
    if (Math.hypot(sx - this.last[0], sy - this.last[1]) >= STROKE_STEP) this.add(sx, sy);
    this.canvas.state.pointer = toPhoto(this.canvas.view, this.canvas.size, sx, sy);
    this.canvas.loupe.aim = press.touch ? [sx, sy] : null; // a finger hides what it draws on
    this.canvas.redraw();
  }

  done(sx, sy) {
    if (!this.way.length) return;
    this.add(sx, sy);
    let points = this.way;
    while (points.length > 2 * STROKE_MOST) { // every other place, and the last
      const kept = points.slice(-2);
      points = points.filter((_, i) => i % 4 < 2 && i < points.length - 2).concat(kept);
    }
    this.canvas.report({ type: "stroke", points });
  }

  drop() { this.way = this.canvas.state.way = []; } // x, y, x, y ... in photo pixels
}
