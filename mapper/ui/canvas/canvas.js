// One photo canvas: two layers in the component's root, the view, and the talk with Python.
function element(kind, className, text) {
  const made = document.createElement(kind);
  made.className = className;
  if (text) made.textContent = text;
  return made;
}

const NEAR = 1.5; // times the scale of the whole photo: from there a place is looked at

class PhotoCanvas {
  constructor(host) {
    this.root = host.querySelector(".root");
    this.root.tabIndex = 0;
    this.root.setAttribute("role", "application");
    this.root.setAttribute("aria-label", "Photo: arrows move, plus and minus zoom, Enter clicks in the middle");
    this.low = element("canvas", "layer");
    this.top = element("canvas", "layer top");
    this.hintBar = element("div", "hint");
    this.hintBar.setAttribute("aria-live", "polite");
    this.empty = element("div", "empty");
    this.tools = element("div", "tools");
    this.root.append(this.low, this.top, this.empty, this.hintBar, this.tools);
    this.keys = new Keys(this);
    this.button("+", "Zoom in (+)", () => this.zoomBy(1.4));
    this.button("−", "Zoom out (−)", () => this.zoomBy(1 / 1.4));
    this.button("Whole", "Whole photo (0)", () => this.fit());
    this.button("Turn", "Turn a quarter (R)", () => this.turn());
    this.loupeButton = this.button("Loupe", "Loupe (L)", () => this.toggleLoupe());
    this.hideButton = this.button("Hide", "Hide the drawing (H)", () => this.toggleHidden());
    this.largeButton = this.button("Large", "Fill the window (E)", () => this.toggleLarge());
    this.button("?", "Keys", () => this.toggleHelp());
    this.size = { w: 0, h: 0 };
    this.scene = { lines: [], markers: [], handles: [], keys: [], tool: "look", token: "" };
    this.state = { pending: [], hot: null, drag: null, pointer: null, snap: null, preview: null, hidden: false, keyboard: false, touch: false,
      touched: null, covered: [] };
    this.photo = null;
    this.view = null;
    this.aim = null;
    this.loupe = false;
    this.ahead = new LinesAhead(this);
    this.panes = new Panes(this);
    this.pointers = new Pointers(this);
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(this.root);
    this.grow = () => { this.setHeight(); this.resize(); };
    window.addEventListener("resize", this.grow);
    // A place asked for elsewhere may come late: a hand that goes on with the photo keeps its view.
    this.handOn = false;
    this.elsewhere = (event) => {
      const here = event.type === "keydown" ? this.pointers.listens(event) : event.composedPath().includes(this.root);
      if (!here) this.handOn = false;
    };
    for (const name of ["click", "keydown"]) window.addEventListener(name, this.elsewhere, true);
    // What stands above the photo may come later, or wrap: the photo ends where the window does.
    this.above = new ResizeObserver(() => { if (this.scene.height === "window") this.setHeight(); });
    const block = this.scroller()?.querySelector("[data-testid=stMainBlockContainer]");
    if (block) this.above.observe(block);
    STORE.active ??= this;
  }

  setHeight() { // a number of css pixels, or as much as the window leaves
    const wanted = this.scene.height;
    if (this.large) return;
    if (!wanted || wanted === "window") {
      const scrolled = this.root.closest("[data-testid=stMain]") ?? this.scroller();
      const above = this.root.getBoundingClientRect().top + (scrolled ? scrolled.scrollTop : 0);
      this.root.style.height = Math.max(420, Math.min(1400, window.innerHeight - above - 14)) + "px";
    } else this.root.style.height = wanted + "px";
  }

  scroller() { // the page's scrolling box, seen from inside the shadow root
    return this.root.getRootNode().host?.closest("[data-testid=stMain]");
  }

  button(text, title, action) {
    const made = element("button", "tool", text);
    made.type = "button";
    made.title = title;
    made.setAttribute("aria-label", title);
    made.addEventListener("click", () => { action(); this.root.focus({ preventScroll: true }); });
    this.tools.append(made);
    return made;
  }

  // ---- what Python sent
  update(component) {
    const data = component.data;
    const log = logOf(data.key);
    if (this.log !== log) { this.log?.disconnect(); this.log = log; }
    log.connect((operations) => component.setStateValue("ops", operations));
    log.acknowledge(data.ack || {});
    const before = this.scene, viewBefore = this.view, photoBefore = this.photo;
    this.scene = { ...data, token: data.photo ? data.photo.token : "" };
    this.state.preview = null;
    if (!this.state.drag) this.state.dragged = null;
    this.state.pending = log.pending;
    if (before.height !== data.height) this.setHeight();
    this.photo = data.photo;
    this.empty.hidden = !!data.photo;
    this.empty.textContent = data.empty;
    this.hintBar.textContent = data.hint;
    this.hintBar.classList.toggle("alert", data.alert);
    this.hintBar.hidden = !data.hint || !data.photo;
    this.tools.hidden = !data.photo;
    this.keys.update(data);
    this.panes.update(this.photo ? data.panes : []);
    if (this.photo && (!photoBefore || before.place !== data.place || before.token !== this.scene.token)) {
      this.state.snap = null;
      const carried = photoBefore && viewBefore && before.frames && data.frames && before.place !== data.place
        ? samePlace(viewBefore, before.frames, data.frames, data.photo, data.depths) : null;
      this.view = carried ?? this.keptView(data.place);
    }
    if (!this.photo) this.view = null;
    this.resize();
    if (this.photo?.token !== photoBefore?.token) this.handOn = false;
    this.jump(data.lookAt);
    this.pointAnew();
    this.ahead.settle();
    this.redraw(this.view !== viewBefore || this.photo?.token !== photoBefore?.token);
  }

  pointAnew() { // what lies under the pointer may be another thing now
    const at = this.state.pointer ?? this.state.touched;
    if (!at || !this.view || this.state.drag) return;
    const hit = this.hit(...toScreen(this.view, this.size, ...at), this.state.touch);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
  }

  jump(to) {
    if (!to || !this.view || !this.size.w || STORE.jumped.get(this.scene.key) === to.id) return;
    STORE.jumped.set(this.scene.key, to.id);
    if (to.asked && this.handOn) return;
    let { x, y, span } = to;
    let tall = 0;
    if (to.box) {
      const [x0, y0, x1, y1] = to.box;
      [x, y, span, tall] = [(x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) * 1.2, (y1 - y0) * 1.2];
      if (this.view.q % 2) [span, tall] = [tall, span];
    }
    if (!Number.isFinite(x + y)) return;
    let scale = this.view.scale;
    if (span > 0 || tall > 0) scale = Math.min(this.size.w / (span || 1), this.size.h / (tall || span * this.size.h / this.size.w || 1));
    this.setView(kept({ ...this.view, cx: x, cy: y, scale: Math.min(40, scale) }, this.photo));
  }

  // ---- view
  keptView(place) {
    const known = STORE.views.get(place);
    if (known) return known;
    try {
      const v = JSON.parse(sessionStorage.getItem("plate-wire-mapper view " + place));
      if (v && v.scale > 0 && Number.isFinite(v.cx + v.cy) && TURNS[v.q]) return kept(v, this.photo);
    } catch { /* none kept */ }
    return null; // fitted as soon as the size is known
  }

  setView(view) {
    this.view = view;
    this.handOn = true;
    const place = this.scene.place;
    STORE.views.set(place, view);
    clearTimeout(this.keeping);
    this.keeping = setTimeout(() => {
      try { sessionStorage.setItem("plate-wire-mapper view " + place, JSON.stringify(view)); } catch { /* full */ }
    }, 150);
    this.redraw(true);
  }

  zoomBy(factor) {
    const at = this.state.pointer && !this.state.keyboard
      ? toScreen(this.view, this.size, ...this.state.pointer) : [this.size.w / 2, this.size.h / 2];
    this.setView(zoomed(this.view, this.size, factor, at[0], at[1], this.photo));
  }

  fit() { this.setView(fitView(this.photo, this.size, this.view.q)); }

  turn() { this.setView({ ...this.view, q: (this.view.q + 1) % 4 }); }

  toggleLoupe() {
    this.loupe = !this.loupe;
    this.loupeButton.setAttribute("aria-pressed", this.loupe);
    this.redraw();
  }

  toggleHidden() {
    this.state.hidden = !this.state.hidden;
    this.hideButton.textContent = this.state.hidden ? "Show" : "Hide";
    this.hideButton.setAttribute("aria-pressed", this.state.hidden);
    this.redraw();
  }

  toggleHelp(on = this.keys.help.hidden) { this.keys.help.hidden = !on; }

  toggleLarge(on = !this.large) { // over all of the window, for small screens; and back
    this.large = on;
    this.root.classList.toggle("large", on);
    this.root.style.height = "";
    this.largeButton.textContent = on ? "Small" : "Large";
    this.largeButton.setAttribute("aria-pressed", on);
    this.setHeight();
    this.resize();
  }

  resize() {
    const strip = this.panes.width();
    this.root.style.setProperty("--strip", strip + "px");
    const w = this.root.clientWidth - strip, h = this.root.clientHeight, dpr = window.devicePixelRatio || 1;
    const changed = w !== this.size.w || h !== this.size.h || dpr !== this.dpr;
    this.size = { w, h };
    this.dpr = dpr;
    if (changed && w && h) {
      for (const layer of [this.low, this.top]) {
        layer.width = Math.round(w * dpr);
        layer.height = Math.round(h * dpr);
      }
      this.keys.fold();
    }
    this.state.covered = this.coveredBoxes();
    if (this.photo && !this.view && w && h) this.view = fitView(this.photo, this.size);
    if (changed && this.view) this.jump(this.scene.lookAt);
    this.redraw(changed); // the photo itself is costly to draw without a graphics card
  }

  coveredBoxes() { // [x, y, w, h] of what lies above the photo, where no tag could be read
    const over = [this.hintBar, this.tools, ...this.keys.bar.children];
    return over.filter((one) => one.offsetHeight).map((one) => {
      const inBar = one.parentElement === this.keys.bar ? this.keys.bar : { offsetLeft: 0, offsetTop: 0 };
      return [inBar.offsetLeft + one.offsetLeft, inBar.offsetTop + one.offsetTop, one.offsetWidth, one.offsetHeight];
    });
  }

  // ---- what the user does
  report(operation) {
    this.state.preview = null;
    const made = { ...operation, photo: this.scene.token };
    this.log.add(made, this.ahead.holds(made));
    this.state.pending = this.log.pending;
    this.ahead.follow();
    this.root.dataset.pending = this.log.pending.length; // at once: "0" means nothing is waiting
    this.root.dataset.waiting = this.ahead.waiting() || "due"; // until it is drawn
    this.redraw();
  }

  hit(sx, sy, touch, own = false) { // `own`: a line that can be dragged comes before all others
    const reach = touch ? REACH.touch : REACH.mouse;
    const nearest = (items, kind, most) => {
      let best = null;
      for (const item of items) {
        const [x, y] = toScreen(this.view, this.size, item.x, item.y);
        const ring = kind === "marker" && item.radius != null ? item.radius * this.view.scale : 0;
        const far = Math.max(0, Math.hypot(sx - x, sy - y) - ring);
        if (far <= most && (!best || far < best.far)) best = { far, kind, id: item.id };
      }
      return best;
    };
    const handle = nearest(this.scene.handles, "handle", reach.handle);
    if (handle) return handle;
    const marker = nearest(this.scene.markers.filter((m) => m.pick), "marker", reach.marker);
    if (marker) return marker;
    let best = null;
    if (this.state.hidden) return best;
    for (const line of this.scene.lines) {
      if (!line.pick && !line.drag) continue;
      const far = nearestOnLine(screenPoints(line, this.view, this.size), sx, sy);
      const mine = own && line.drag;
      if (far > reach.line || (best && (best.mine > mine || (best.mine === mine && far >= best.far)))) continue;
      best = { far, kind: "line", id: line.id, drag: line.drag, pick: line.pick, mine };
    }
    return best;
  }

  pointAt(sx, sy, aim) {
    this.state.touched = null;
    this.state.pointer = toPhoto(this.view, this.size, sx, sy);
    this.aim = aim ? [sx, sy] : null;
    const hit = aim ? null : this.hit(sx, sy, false);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
    this.top.style.cursor = hit ? "pointer" : this.scene.tool === "look" ? "grab" : "crosshair";
    this.ahead.pointed(hit);
    this.redraw();
  }

  pointAway() {
    this.state.pointer = this.state.hot = this.aim = null;
    this.ahead.away();
    this.redraw();
  }

  touched(sx, sy) { // a finger leaves no pointer; the next key means the place where it was lifted
    const hit = this.hit(sx, sy, true, true);
    this.state.pointer = null;
    this.state.touched = toPhoto(this.view, this.size, sx, sy);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
    this.redraw();
  }

  dragTo(hit, sx, sy, touch) {
    const [x, y] = toPhoto(this.view, this.size, sx, sy);
    this.state.drag = { ...hit, x, y };
    this.state.pointer = [x, y];
    this.aim = touch || hit.kind === "handle" ? [sx, sy] : null;
    if (this.scene.dragPreview && hit.kind === "handle") this.askDrag();
    this.redraw();
  }

  // While a handle is dragged: one question at a time, and always about the newest place.
  async askDrag() {
    if (this.dragAsked) return;
    const { id, x, y } = this.state.drag, token = this.scene.token;
    this.dragAsked = true;
    const found = await this.ahead.ask("drag", { id, x, y });
    this.dragAsked = false;
    if (this.scene.token !== token || !found.lines) return;
    const drag = this.state.drag;
    if (!drag && !this.state.pending.length) return; // too late: Python has answered for good
    this.state.dragged = found;
    this.hintBar.textContent = found.text;
    this.hintBar.hidden = false;
    this.root.dataset.dragged = found.text;
    this.redraw();
    if (drag && (drag.x !== x || drag.y !== y)) this.askDrag();
  }

  endDrag() { // let go without a change: what Python sent holds again
    if (!this.state.dragged) return;
    this.state.dragged = null;
    this.hintBar.textContent = this.scene.hint;
    this.hintBar.hidden = !this.scene.hint;
  }

  dropAt(hit, sx, sy) {
    const [x, y] = toPhoto(this.view, this.size, sx, sy);
    this.report({ type: hit.kind === "handle" ? "move" : "insert", id: hit.id, x, y });
  }

  click(sx, sy, hit, shift) {
    this.handOn = true;
    const [x, y] = this.ahead.asAsked(...toPhoto(this.view, this.size, sx, sy));
    if (hit && (hit.kind !== "line" || hit.pick)) this.report({ type: "select", id: hit.id, kind: hit.kind, x, y });
    else if (this.scene.tool !== "look") this.report({ type: "point", x, y, shift });
  }

  pressAt(sx, sy) {
    this.state.pointer = toPhoto(this.view, this.size, sx, sy);
    this.ahead.pressed();
  }

  clickMiddle(shift) {
    const [sx, sy] = [this.size.w / 2, this.size.h / 2];
    this.click(sx, sy, this.hit(sx, sy, false), shift);
  }

  removeHandle() {
    const hot = this.state.hot?.startsWith("handle ") ? this.state.hot.slice(7) : null;
    const id = hot ?? this.scene.handles.find((h) => h.selected)?.id;
    if (id != null) this.report({ type: "remove", id });
    return id != null;
  }

  pageKey(key) {
    this.handOn = false;
    if (key === "Delete" && this.removeHandle()) return;
    const { touch } = this.state, at = this.state.pointer ?? this.state.touched, view = this.view;
    const hit = at ? this.hit(...toScreen(view, this.size, ...at), touch, true) : null;
    const near = view.scale > NEAR * fitView(this.photo, this.size, view.q).scale;
    this.report({ type: "key", key, kind: hit?.kind, id: hit?.id, x: at?.[0], y: at?.[1],
      near: near ? [view.cx, view.cy] : null });
  }

  // ---- drawing
  redraw(photoToo = false) {
    this.stale = this.stale || photoToo;
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => { this.frame = 0; this.draw(); });
  }

  draw() {
    const { low, top, size, dpr, view, photo } = this;
    if (!size.w || !size.h) return;
    let missing = [];
    if (this.stale) {
      this.stale = false;
      const ctx = low.getContext("2d", { alpha: false });
      ctx.setTransform(1, 0, 0, 1, 0, 0);
      ctx.fillStyle = "#1d262c";
      ctx.fillRect(0, 0, low.width, low.height);
      if (photo && view) missing = drawPhoto(ctx, photo, view, dpr, size.w / 2, size.h / 2, size.w, size.h);
      this.root.dataset.missing = missing.length;
      this.panes.stale = true;
    }
    missing = missing.concat(this.panes.draw());
    this.panes.point();
    const ctx = top.getContext("2d");
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, top.width, top.height);
    if (photo && view) {
      ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
      drawScene(ctx, this.scene, this.state, view, size, true, this.ahead);
      if (this.state.keyboard && this.scene.tool !== "look") drawCross(ctx, size.w / 2, size.h / 2);
      if (this.state.touched && this.state.hot?.startsWith("line ")) drawCross(ctx, ...toScreen(view, size, ...this.state.touched));
      missing = missing.concat(this.drawLoupe(ctx));
      this.root.dataset.view = JSON.stringify([view.scale, view.cx, view.cy, view.q]);
    }
    this.root.dataset.pending = this.state.pending.length;
    this.root.dataset.waiting = this.ahead.waiting(); // clicks whose line is not drawn yet
    this.root.dataset.token = this.scene.token;
    if (missing.length) loadTiles(missing, () => this.redraw(true));
  }

  drawLoupe(ctx) {
    const on = this.aim ?? (this.loupe && this.state.pointer ? toScreen(this.view, this.size, ...this.state.pointer) : null);
    if (!on) return [];
    const [sx, sy] = on, { size, dpr, view } = this;
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
    const missing = drawPhoto(ctx, this.photo, near, dpr, mx, my, 2 * r, 2 * r);
    ctx.setTransform(dpr, 0, 0, dpr, (mx - r) * dpr, (my - r) * dpr);
    drawScene(ctx, this.scene, { ...this.state, pointer: null }, near, { w: 2 * r, h: 2 * r }, false, this.ahead);
    drawCross(ctx, r, r, 18);
    ctx.restore();
    ctx.beginPath();
    ctx.arc(mx, my, r, 0, 7);
    ctx.strokeStyle = "#ffffff";
    ctx.lineWidth = 3;
    ctx.stroke();
    ctx.strokeStyle = "#10181d";
    ctx.lineWidth = 1;
    ctx.stroke();
    return missing;
  }

  close() {
    this.log?.disconnect();
    this.watch.disconnect();
    this.above.disconnect();
    this.pointers.close();
    window.removeEventListener("resize", this.grow);
    for (const name of ["click", "keydown"]) window.removeEventListener(name, this.elsewhere, true);
    cancelAnimationFrame(this.frame);
    clearTimeout(this.keeping);
    this.ahead.close();
  }
}

const OPEN = new WeakMap();

export default function (component) {
  const host = component.parentElement;
  if (!OPEN.has(host)) OPEN.set(host, new PhotoCanvas(host));
  OPEN.get(host).update(component);
  return () => {
    OPEN.get(host)?.close();
    OPEN.delete(host);
  };
}
