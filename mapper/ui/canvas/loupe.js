// The loupe: the place under the pointer or the finger, larger, beside it.
class Loupe {
  constructor(canvas) {
    this.canvas = canvas;
    this.on = false;
    this.aim = null; // the place that a finger or a drag is about to take, css pixels
  }

  toggle() {
    this.on = !this.on;
    this.canvas.redraw();
    return this.on;
  }

  at() {
    const { state, view, size } = this.canvas;
    return this.aim ?? (this.on && state.pointer ? toScreen(view, size, ...state.pointer) : null);
  }

  draw(ctx) { // returns the tiles that are missing
    const at = this.at();
    if (!at) return [];
    const [sx, sy] = at, { size, dpr, view, photo, scene, state, ahead } = this.canvas;
    const r = Math.max(50, Math.min(95, size.h / 4 - 14));
    const left = sx > 2 * r + 40 ? sx - r - 30 : sx + r + 30;
    const my = Math.min(size.h - r - 4, Math.max(r + 4, sy - r - 10));
    const mx = Math.min(size.w - r - 4, Math.max(r + 4, left));
    const [px, py] = toPhoto(view, size, sx, sy);
    const near = { scale: Math.min(40, Math.max(view.scale * 3, 2)), cx: px, cy: py, q: view.q };
    ctx.save();
    ctx.beginPath();
    ctx.arc(mx, my, r, 0, 7);
    ctx.clip();
    ctx.fillStyle = "#1d262c";
    ctx.fillRect(mx - r, my - r, 2 * r, 2 * r);
    const missing = drawPhoto(ctx, photo, near, dpr, mx, my, 2 * r, 2 * r);
    ctx.setTransform(dpr, 0, 0, dpr, (mx - r) * dpr, (my - r) * dpr);
    drawScene(ctx, scene, { ...state, pointer: null }, near, { w: 2 * r, h: 2 * r }, false, ahead);
    drawCross(ctx, r, r, 18);
    ctx.restore();
    ctx.beginPath();
    ctx.arc(mx, my, r, 0, 7);
    stroked(ctx, ["#ffffff", 3], ["#10181d", 1]);
    return missing;
  }
}
