// Where a canvas looks: the view of each place, kept over reruns and reloads, and the view that
// a place asked for by Python gets.
const NEAR = 1.5; // times the scale of the whole photo: from there a place is looked at
const viewName = (place) => "plate-wire-mapper view " + place;

function keptView(place, photo) { // null: fitted as soon as the size is known
  const known = STORE.views.get(place);
  if (known) return known;
  try {
    const v = JSON.parse(sessionStorage.getItem(viewName(place)));
    if (v && v.scale > 0 && Number.isFinite(v.cx + v.cy) && TURNS[v.q]) return kept(v, photo);
  } catch { /* none kept */ }
  return null;
}

function keepView(place, view) { // returns the timer that writes it down
  STORE.views.set(place, view);
  return setTimeout(() => {
    try { sessionStorage.setItem(viewName(place), JSON.stringify(view)); } catch { /* full */ }
  }, 150);
}

// The part of the canvas that nothing covers, [left, top, right, bottom] css pixels: below the
// hint, above the keys, left of the buttons.
function clearPart(size, { hint, tools, keys }) {
  const high = Math.max(0, hint), low = Math.max(0, keys);
  const most = size.h / 2; // on a very low canvas half of it is used all the same
  return high + low > most ? [0, 0, size.w - tools, size.h] : [0, high, size.w - tools, size.h - low];
}

// The view that shows the box or the place `to`, in the clear part of the canvas; null if `to`
// names no place.
function viewOf(to, view, size, clear, photo) {
  let { x, y, span } = to;
  let tall = 0;
  if (to.box) {
    const [x0, y0, x1, y1] = to.box;
    [x, y, span, tall] = [(x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) * 1.1, (y1 - y0) * 1.1];
    if (view.q % 2) [span, tall] = [tall, span];
  }
  if (!Number.isFinite(x + y)) return null;
  const [left, top, right, bottom] = clear, w = right - left, h = bottom - top;
  let scale = view.scale;
  if (span > 0 || tall > 0) scale = Math.min(w / (span || 1), h / (tall || span * h / w || 1));
  const there = { ...view, cx: x, cy: y, scale: Math.min(40, scale) };
  // the middle of the clear part, not of the canvas
  return panned(there, (left + right - size.w) / 2, (top + bottom - size.h) / 2, photo);
}
