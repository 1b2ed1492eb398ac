// Where photo pixels lie on the screen. A view is {scale, cx, cy, q}: css pixels per photo
// pixel, the photo pixel in the middle of the canvas, and quarter turns clockwise.
const TURNS = [[1, 0, 0, 1], [0, -1, 1, 0], [-1, 0, 0, -1], [0, 1, -1, 0]];
const STORE = (globalThis.plateWireMapperCanvas ??= {
  views: new Map(), logs: new Map(), tiles: new Map(), jumped: new Map(), loading: 0, turn: 0,
});

function toScreen(view, size, x, y) {
  const [a, b, c, d] = TURNS[view.q];
  const dx = (x - view.cx) * view.scale, dy = (y - view.cy) * view.scale;
  return [a * dx + b * dy + size.w / 2, c * dx + d * dy + size.h / 2];
}

function toPhoto(view, size, sx, sy) {
  const [a, b, c, d] = TURNS[view.q];
  const dx = (sx - size.w / 2) / view.scale, dy = (sy - size.h / 2) / view.scale;
  return [a * dx + c * dy + view.cx, b * dx + d * dy + view.cy];
}

function fitView(photo, size, q = 0) {
  const [w, h] = q % 2 ? [photo.height, photo.width] : [photo.width, photo.height];
  const scale = Math.min(size.w / w, size.h / h) || 1;
  return { scale, cx: (photo.width - 1) / 2, cy: (photo.height - 1) / 2, q };
}

function zoomed(view, size, factor, sx, sy, photo) {
  const [x, y] = toPhoto(view, size, sx, sy);
  const least = fitView(photo, size, view.q).scale * 0.5;
  const scale = Math.min(40, Math.max(least, view.scale * factor));
  const moved = { ...view, scale };
  const [nx, ny] = toPhoto(moved, size, sx, sy);
  return kept({ ...moved, cx: view.cx + x - nx, cy: view.cy + y - ny }, photo);
}

function panned(view, dx, dy, photo) {
  const [a, b, c, d] = TURNS[view.q];
  const cx = view.cx - (a * dx + c * dy) / view.scale, cy = view.cy - (b * dx + d * dy) / view.scale;
  return kept({ ...view, cx, cy }, photo);
}

function kept(view, photo) { // the middle of the canvas stays on the photo
  const clamp = (v, high) => Math.min(high, Math.max(0, v));
  return { ...view, cx: clamp(view.cx, photo.width - 1), cy: clamp(view.cy, photo.height - 1) };
}

function nearestPoint(points, x, y) { // points: flat screen coordinates; [distance, x, y]
  let best = [Infinity, NaN, NaN];
  for (let i = 0; i + 3 < points.length; i += 2) {
    const ax = points[i], ay = points[i + 1], dx = points[i + 2] - ax, dy = points[i + 3] - ay;
    const t = Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1)));
    const far = Math.hypot(x - ax - t * dx, y - ay - t * dy);
    if (far < best[0]) best = [far, ax + t * dx, ay + t * dy];
  }
  return best;
}

function nearestOnLine(points, x, y) { return nearestPoint(points, x, y)[0]; }
