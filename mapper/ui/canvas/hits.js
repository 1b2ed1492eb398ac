// What lies under a place of the screen: a handle, a marker that can be clicked, a line.
const REACH = { mouse: { handle: 13, marker: 13, line: 8 }, touch: { handle: 30, marker: 30, line: 22 } };

function hitSpot(canvas, items, kind, sx, sy, most) {
  let best = null;
  for (const item of items) {
    const [x, y] = toScreen(canvas.view, canvas.size, item.x, item.y);
    const ring = kind === "marker" && item.radius != null ? item.radius * canvas.view.scale : 0;
    const far = Math.max(0, Math.hypot(sx - x, sy - y) - ring);
    if (far <= most && (!best || far < best.far)) best = { far, kind, id: item.id };
  }
  return best;
}

function hitLine(canvas, sx, sy, most, own) { // `own`: a line that can be dragged comes first
  let best = null;
  if (canvas.state.hidden) return best;
  for (const line of canvas.scene.lines) {
    if (!line.pick && !line.drag) continue;
    const [far, ...at] = nearestPoint(screenPoints(line, canvas.view, canvas.size), sx, sy);
    const mine = own && line.drag;
    if (far > most || (best && (best.mine > mine || (best.mine === mine && far >= best.far)))) continue;
    best = { far, kind: "line", id: line.id, drag: line.drag, pick: line.pick, mine, at };
  }
  return best;
}

function hitAt(canvas, sx, sy, touch, own = false) {
  const reach = touch ? REACH.touch : REACH.mouse, { handles, markers } = canvas.scene;
  return hitSpot(canvas, handles, "handle", sx, sy, reach.handle)
    ?? hitSpot(canvas, markers.filter((one) => one.pick), "marker", sx, sy, reach.marker)
    ?? hitLine(canvas, sx, sy, reach.line, own);
}

// What a key of the page is about: a handle lies on the end of a run, and it is the run that is
// meant, unless the key is about the handle.
function hitOfKey(canvas, key, sx, sy, touch) {
  const found = hitAt(canvas, sx, sy, touch, true);
  if (key === "Delete" || found?.kind !== "handle") return found;
  const line = hitLine(canvas, sx, sy, (touch ? REACH.touch : REACH.mouse).handle, true);
  return line?.mine ? line : found;
}
