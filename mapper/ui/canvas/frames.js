// Where photo pixels lie on the plate. Frames are {planes, lens}: a 3x3 for each depth, from the
// pixels of a lens without distortion to mm, and the lens [cx, cy, focal, k1], by which the
// photo's own pixels differ from those.
const LENS_STEPS = 25, LENS_CLOSE = 1e-9;

function applied(m, x, y) {
  const w = m[6] * x + m[7] * y + m[8];
  return [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w];
}

function inverted(m) {
  const [a, b, c, d, e, f, g, h, i] = m;
  return [e * i - f * h, c * h - b * i, b * f - c * e, f * g - d * i, a * i - c * g,
    c * d - a * f, d * h - e * g, b * g - a * h, a * e - b * d];
}

function mmOf(frames, k, px, py) { // the lens's bend is taken out by steps, as in the fit
  const [cx, cy, focal, k1] = frames.lens, dx = (px - cx) / focal, dy = (py - cy) / focal;
  let x = dx, y = dy;
  for (let i = 0; i < LENS_STEPS; i++) {
    const bend = 1 + k1 * (x * x + y * y), ex = dx - x * bend, ey = dy - y * bend;
    x += ex;
    y += ey;
    if (Math.abs(ex) + Math.abs(ey) < LENS_CLOSE) break;
  }
  return applied(frames.planes[k], x * focal + cx, y * focal + cy);
}

function pixelOf(frames, k, x, y) {
  const [cx, cy, focal, k1] = frames.lens;
  const [px, py] = applied(inverted(frames.planes[k]), x, y);
  const dx = (px - cx) / focal, dy = (py - cy) / focal, bend = 1 + k1 * (dx * dx + dy * dy);
  return [cx + dx * bend * focal, cy + dy * bend * focal];
}

// The plate's x direction and size where a view is: how one mm to the right looks on the screen.
function mmOnScreen(view, frames, k) {
  const at = mmOf(frames, k, view.cx, view.cy);
  const p = pixelOf(frames, k, at[0], at[1]), r = pixelOf(frames, k, at[0] + 1, at[1]);
  const u = pixelOf(frames, k, at[0], at[1] + 1);
  const area = Math.abs((r[0] - p[0]) * (u[1] - p[1]) - (r[1] - p[1]) * (u[0] - p[0]));
  const [a, b, c, d] = TURNS[view.q];
  const dx = r[0] - p[0], dy = r[1] - p[1];
  return { mm: at, pxPerMm: Math.sqrt(area), right: [a * dx + b * dy, c * dx + d * dy] };
}

// Quarter turns that bring the plate's x to the right, as it is drawn; 0 where nothing is known.
function uprightTurns(frames, photo) {
  if (!frames) return 0;
  const at = { scale: 1, cx: photo.width / 2, cy: photo.height / 2 };
  const rightOf = (q) => mmOnScreen({ ...at, q }, frames, 0).right[0];
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
  let k = 0, mm = mmOf(frames, 0, px, py);
  for (let i = 0; i < 2; i++) { // deeper down it lies a little further on
    k = depthAt(depths, mm[0], mm[1]);
    if (!frames.planes[k]) k = 0;
    mm = mmOf(frames, k, px, py);
  }
  return { k, mm };
}

// The pixel of another photo that shows the same place at the depth where leads lie.
function placeOn(frames, nextFrames, depths, px, py) {
  const { k, mm } = placeOfPixel(frames, depths, px, py);
  return pixelOf(nextFrames, nextFrames.planes[k] ? k : 0, mm[0], mm[1]);
}

// The view of another photo that shows the same place of the plate as `view` does.
function samePlace(view, frames, nextFrames, nextPhoto, depths) {
  const { k } = placeOfPixel(frames, depths, view.cx, view.cy), next = nextFrames.planes[k] ? k : 0;
  const old = mmOnScreen(view, frames, k);
  const [cx, cy] = pixelOf(nextFrames, next, old.mm[0], old.mm[1]);
  if (!Number.isFinite(cx + cy) || cx < 0 || cy < 0 || cx >= nextPhoto.width || cy >= nextPhoto.height) {
    return null;
  }
  let best = null;
  for (let q = 0; q < 4; q++) {
    const there = mmOnScreen({ scale: 1, cx, cy, q }, nextFrames, next);
    const along = there.right[0] * old.right[0] + there.right[1] * old.right[1];
    if (!best || along > best.along) best = { along, q, pxPerMm: there.pxPerMm };
  }
  const scale = view.scale * old.pxPerMm / best.pxPerMm;
  return Number.isFinite(scale) && scale > 0 ? { scale, cx, cy, q: best.q } : null;
}
