// The layer above the photo: lines, markers, handles, what is not yet acknowledged, the loupe.
const TOUCH_RING = 20; // css pixels
const FONT = "600 12px system-ui, sans-serif";

// A path in several strokes, a dark or light rim first and the line in it last.
function stroked(ctx, ...strokes) {
  for (const [style, width] of strokes) {
    ctx.strokeStyle = style;
    ctx.lineWidth = width;
    ctx.stroke();
  }
}

function screenPoints(line, view, size) {
  const [a, b, c, d] = TURNS[view.q], s = view.scale, pts = line.pts;
  const out = new Float32Array(pts.length);
  for (let i = 0; i < pts.length; i += 2) {
    const dx = (pts[i] - view.cx) * s, dy = (pts[i + 1] - view.cy) * s;
    out[i] = a * dx + b * dy + size.w / 2;
    out[i + 1] = c * dx + d * dy + size.h / 2;
  }
  return out;
}

function outside(points, size, margin = 40) {
  let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
  for (let i = 0; i < points.length; i += 2) {
    x0 = Math.min(x0, points[i]); x1 = Math.max(x1, points[i]);
    y0 = Math.min(y0, points[i + 1]); y1 = Math.max(y1, points[i + 1]);
  }
  return x1 < -margin || y1 < -margin || x0 > size.w + margin || y0 > size.h + margin;
}

function strokeLine(ctx, points, line, hot) {
  if (points.length < 4) return;
  ctx.beginPath();
  ctx.moveTo(points[0], points[1]);
  for (let i = 2; i < points.length; i += 2) ctx.lineTo(points[i], points[i + 1]);
  if (line.closed) ctx.closePath();
  ctx.lineJoin = "round";
  ctx.lineCap = line.dash.length ? "butt" : "round";
  const width = line.width + (hot ? 3 : 0);
  ctx.globalAlpha = line.alpha;
  if (line.halo) {
    ctx.setLineDash([]);
    ctx.strokeStyle = "rgba(10,16,20,.62)";
    ctx.lineWidth = width + 2.4;
    ctx.stroke();
  }
  const dots = line.dash.length === 2 && line.dash[0] <= 1;
  if (dots) ctx.lineCap = "round";
  ctx.setLineDash(line.dash);
  ctx.strokeStyle = line.color;
  ctx.lineWidth = dots ? width + 0.6 : width;
  ctx.stroke();
  ctx.setLineDash([]);
  ctx.globalAlpha = 1;
}

function placeTag(ctx, text, points, size, color, taken) {
  const inside = [];
  for (let i = 0; i < points.length; i += 2) {
    const x = points[i], y = points[i + 1];
    if (x > 8 && y > 12 && x < size.w - 8 && y < size.h - 12) inside.push(i);
  }
  if (!inside.length) return;
  const w = ctx.measureText(text).width + 10, h = 18;
  for (const part of [0.5, 0.25, 0.75, 0.1, 0.9, 0.38, 0.62]) {
    const i = inside[Math.min(inside.length - 1, Math.floor(part * inside.length))];
    const box = [points[i] + 8, points[i + 1] - h - 6, w, h];
    if (drawTag(ctx, text, box, size, color, taken)) return;
  }
}

function drawTag(ctx, text, box, size, color, taken) {
  box[0] = Math.min(size.w - box[2] - 2, Math.max(2, box[0]));
  box[1] = Math.min(size.h - box[3] - 2, Math.max(2, box[1]));
  const [x, y, w, h] = box;
  if (taken.some(([a, b, c, d]) => x < a + c && a < x + w && y < b + d && b < y + h)) return false;
  taken.push(box);
  ctx.fillStyle = "rgba(255,255,255,.93)";
  ctx.fillRect(x, y, w, h);
  ctx.fillStyle = color;
  ctx.fillRect(x, y, 4, h);
  ctx.fillStyle = "#10181d";
  ctx.fillText(text, x + 7, y + 13);
  return true;
}

function drawMarker(ctx, marker, view, size, hot) {
  const [x, y] = toScreen(view, size, marker.x, marker.y);
  const r = marker.radius == null ? marker.size : Math.max(2, marker.radius * view.scale);
  if (x < -r || y < -r || x > size.w + r || y > size.h + r) return null;
  const path = () => {
    ctx.beginPath();
    if (marker.shape === "cross") {
      ctx.moveTo(x - r, y); ctx.lineTo(x + r, y); ctx.moveTo(x, y - r); ctx.lineTo(x, y + r);
    } else if (marker.shape === "square") ctx.rect(x - r, y - r, 2 * r, 2 * r);
    else ctx.arc(x, y, r, 0, 7);
  };
  path();
  if (marker.shape === "dot") {
    ctx.fillStyle = marker.color;
    ctx.fill();
    ctx.strokeStyle = "rgba(10,16,20,.8)";
    ctx.lineWidth = 1.5;
    ctx.stroke();
  } else {
    stroked(ctx, ["rgba(10,16,20,.62)", hot ? 7 : 4.5], [marker.color, hot ? 4 : 2.2]);
  }
  if (marker.strong) {
    ctx.beginPath();
    ctx.arc(x, y, r + 7, 0, 7);
    stroked(ctx, ["rgba(10,16,20,.62)", 6], ["#ffffff", 3]);
  }
  return [x + r * 0.75 + 2, y - r * 0.75 - 16];
}

function drawHandle(ctx, handle, view, size, hot, touch) {
  const [x, y] = toScreen(view, size, handle.x, handle.y);
  const r = handle.selected || hot ? 8 : 6;
  if (touch) { // as large as a finger in a glove may be off; what lies under it stays in sight
    ctx.beginPath();
    ctx.arc(x, y, TOUCH_RING, 0, 7);
    stroked(ctx, ["rgba(10,16,20,.8)", 5], [handle.color, 2.5]);
  }
  ctx.beginPath();
  ctx.rect(x - r, y - r, 2 * r, 2 * r);
  ctx.fillStyle = handle.color;
  ctx.fill();
  ctx.strokeStyle = "#10181d";
  ctx.lineWidth = handle.selected || hot ? 3 : 2;
  ctx.stroke();
  return [x + r + 3, y - r - 14];
}

function drawDot(ctx, view, size, px, py) { // a click that Python has not answered yet
  const [x, y] = toScreen(view, size, px, py);
  ctx.beginPath();
  ctx.arc(x, y, 6, 0, 7);
  ctx.fillStyle = "#ffffff";
  ctx.fill();
  ctx.strokeStyle = "#10181d";
  ctx.lineWidth = 2;
  ctx.stroke();
}

function drawThread(ctx, view, size, points) {
  ctx.beginPath();
  points.forEach(([px, py], i) => {
    const [x, y] = toScreen(view, size, px, py);
    if (i) ctx.lineTo(x, y); else ctx.moveTo(x, y);
  });
  ctx.setLineDash([]);
  ctx.strokeStyle = "rgba(10,16,20,.7)";
  ctx.lineWidth = 3;
  ctx.stroke();
  ctx.setLineDash([5, 5]);
  ctx.strokeStyle = "#ffffff";
  ctx.lineWidth = 1.6;
  ctx.stroke();
  ctx.setLineDash([]);
}

// Everything above the photo. `scene` is what Python sent, `state` what only the browser knows:
// {pending, hot, drag, pointer, snap, hidden, keyboard, covered}; `ahead` has the lines that Python has not sent.
function drawScene(ctx, scene, state, view, size, withTags, ahead) {
  const taken = withTags ? [...state.covered] : [], tags = []; // tags keep clear of the buttons
  ctx.font = FONT;
  if (!state.hidden) {
    for (const line of state.dragged?.lines ?? scene.lines) {
      const points = screenPoints(line, view, size);
      if (outside(points, size)) continue;
      strokeLine(ctx, points, line, state.hot === "line " + line.id);
      if (line.tag && withTags) tags.push([line, points]);
    }
  }
  const spots = [];
  for (const marker of scene.markers) {
    if (state.hidden && !marker.strong) continue;
    const at = drawMarker(ctx, marker, view, size, state.hot === "marker " + marker.id);
    if (at && marker.tag) spots.push([marker, at]);
  }
  const moved = new Map(), removed = new Set(), dots = [];
  for (const op of state.pending) {
    if (op.photo !== scene.token) continue;
    if (op.type === "move") moved.set(op.id, op);
    else if (op.type === "remove") removed.add(op.id);
    else if (op.type === "point" || op.type === "insert") dots.push(op);
  }
  let thread = scene.tail ? [scene.tail] : [];
  for (const op of dots) {
    if (op.type !== "point") continue;
    const line = ahead.lineOf(op);
    if (!line) { thread.push([op.x, op.y]); continue; }
    strokeLine(ctx, screenPoints({ pts: line.points }, view, size), scene.stroke, false);
    thread = [line.end];
  }
  const strokes = state.pending.filter((op) => op.type === "stroke" && op.photo === scene.token).map((op) => op.points);
  for (const pts of state.way?.length ? [...strokes, state.way] : strokes) {
    strokeLine(ctx, screenPoints({ pts }, view, size), scene.stroke, false);
  }
  if (state.preview && !state.drag) {
    const points = screenPoints({ pts: state.preview }, view, size);
    strokeLine(ctx, points, { width: 2, color: "#ffffff", dash: [7, 4], alpha: 0.95, halo: true }, false);
  } else if (state.pointer && thread.length && scene.tool !== "look" && !state.drag) {
    thread.push(state.snap ?? state.pointer);
  }
  if (thread.length > 1) drawThread(ctx, view, size, thread);
  for (const handle of scene.handles) {
    if (removed.has(handle.id)) continue;
    const at = state.drag?.id === handle.id ? state.drag : moved.get(handle.id) ?? handle;
    if (at !== handle) drawThread(ctx, view, size, [[handle.x, handle.y], [at.x, at.y]]);
    const spot = drawHandle(ctx, { ...handle, x: at.x, y: at.y }, view, size,
      state.hot === "handle " + handle.id, state.touch);
    const tag = state.dragged?.tags[handle.id] ?? handle.tag;
    if (tag) spots.push([{ ...handle, tag }, spot]);
  }
  if (state.drag?.kind === "line") drawDot(ctx, view, size, state.drag.x, state.drag.y);
  for (const op of dots) {
    const [x, y] = ahead.lineOf(op)?.end ?? [op.x, op.y];
    drawDot(ctx, view, size, x, y);
  }
  if (withTags) {
    const tag = (text, x, y, color) => drawTag(
      ctx, text, [x, y, ctx.measureText(text).width + 10, 18], size, color, taken);
    for (const [item, [x, y]] of spots) tag(item.tag, x, y, item.color);
    tags.reverse(); // the line on top is the one that is worked on: its tag finds room first
    for (const [line, points] of tags) placeTag(ctx, line.tag, points, size, line.color, taken);
  }
  if (state.snap && scene.tool !== "look") {
    const [x, y] = toScreen(view, size, state.snap[0], state.snap[1]);
    ctx.beginPath();
    ctx.arc(x, y, Math.max(5, state.snap[2] * view.scale / 2 + 3), 0, 7);
    stroked(ctx, ["rgba(10,16,20,.8)", 4], ["#ffffff", 1.8]);
  }
}

function drawCross(ctx, x, y, r = 14) {
  ctx.beginPath();
  ctx.moveTo(x - r, y); ctx.lineTo(x - 3, y); ctx.moveTo(x + 3, y); ctx.lineTo(x + r, y);
  ctx.moveTo(x, y - r); ctx.lineTo(x, y - 3); ctx.moveTo(x, y + 3); ctx.lineTo(x, y + r);
  stroked(ctx, ["#10181d", 4], ["#ffffff", 1.6]);
}
