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

function applied(m, x, y) {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
}

function inverted(m) {
  const [a, b, c, d, e, f, g, h, i] = m;
  return [e * i - f * h, c * h - b * i, b * f - c * e, f * g - d * i, a * i - c * g,
    c * d - a * f, d * h - e * g, b * g - a * h, a * e - b * d];
}

// The plate's x direction and size there: how one mm to the right looks on the screen.
function mmOnScreen(view, frame) {
  const back = inverted(frame);
  const at = applied(frame, view.cx, view.cy);
  const p = applied(back, at[0], at[1]), r = applied(back, at[0] + 1, at[1]);
  const u = applied(back, at[0], at[1] + 1);
  const area = Math.abs((r[0] - p[0]) * (u[1] - p[1]) - (r[1] - p[1]) * (u[0] - p[0]));
  const [a, b, c, d] = TURNS[view.q];
  const dx = r[0] - p[0], dy = r[1] - p[1];
  return { mm: at, pxPerMm: Math.sqrt(area), right: [a * dx + b * dy, c * dx + d * dy] };
}

// Quarter turns that bring the plate's x to the right, as it is drawn; 0 where nothing is known.
function uprightTurns(frames, photo) {
  if (!frames?.length) return 0;
  const at = { scale: 1, cx: photo.width / 2, cy: photo.height / 2 };
  const rightOf = (q) => mmOnScreen({ ...at, q }, frames[0]).right[0];
  return [0, 1, 2, 3].reduce((best, q) => (rightOf(q) > rightOf(best) ? q : best), 0);
}

// How deep leads lie at a place of the plate: the number of the frame that is true there. 0 is
// the face; `depths` has the channels and pockets, with the frame for each.
function depthAt(depths, x, y) {
  for (const { pts, half, k } of depths ?? []) if (nearestOnLine(pts, x, y) <= half) return k;
  return 0;
}

// The frame to use where a pixel lies, and the place on the plate in mm.
function placeOfPixel(frames, depths, px, py) {
  let k = 0, mm = applied(frames[0], px, py);
  for (let i = 0; i < 2; i++) { // deeper down it lies a little further on
    k = depthAt(depths, mm[0], mm[1]);
    mm = applied(frames[k] ?? frames[0], px, py);
  }
  return { k: frames[k] ? k : 0, mm };
}

// The pixel of another photo that shows the same place at the depth where leads lie.
function placeOn(frames, nextFrames, depths, px, py) {
  const { k, mm } = placeOfPixel(frames, depths, px, py);
  return applied(inverted(nextFrames[k] ?? nextFrames[0]), mm[0], mm[1]);
}

// The view of another photo that shows the same place of the plate as `view` does.
function samePlace(view, frames, nextFrames, nextPhoto, depths) {
  const { k } = placeOfPixel(frames, depths, view.cx, view.cy);
  const frame = frames[k], nextFrame = nextFrames[k] ?? nextFrames[0];
  const old = mmOnScreen(view, frame);
  const [cx, cy] = applied(inverted(nextFrame), old.mm[0], old.mm[1]);
  if (!Number.isFinite(cx + cy) || cx < 0 || cy < 0 || cx >= nextPhoto.width || cy >= nextPhoto.height) {
    return null;
  }
  let best = null;
  for (let q = 0; q < 4; q++) {
    const next = mmOnScreen({ scale: 1, cx, cy, q }, nextFrame);
    const along = next.right[0] * old.right[0] + next.right[1] * old.right[1];
    if (!best || along > best.along) best = { along, q, pxPerMm: next.pxPerMm };
  }
  const scale = view.scale * old.pxPerMm / best.pxPerMm;
  return Number.isFinite(scale) && scale > 0 ? { scale, cx, cy, q: best.q } : null;
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
