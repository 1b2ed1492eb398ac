// One photo canvas: two layers in the component's root, the view, and the talk with Python.
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
    this.root.append(this.low, this.top, this.empty, this.hintBar);
    this.tools = new Tools(this);
    this.keys = new Keys(this);
    this.size = { w: 0, h: 0 };
    this.scene = { lines: [], markers: [], handles: [], keys: [], tool: "look", token: "" };
    this.state = { pending: [], hot: null, drag: null, pointer: null, snap: null, preview: null, hidden: false, keyboard: false,
      touch: matchMedia("(pointer: coarse)").matches, touched: null, covered: [] };
    this.photo = null;
    this.view = null;
    this.loupe = new Loupe(this);
    this.drag = new Drag(this);
    this.stroke = new Stroke(this);
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
    if (this.tools.large) return;
    if (!wanted || wanted === "window") {
      const scrolled = this.root.closest("[data-testid=stMain]") ?? this.scroller();
      const above = this.root.getBoundingClientRect().top + (scrolled ? scrolled.scrollTop : 0);
      this.root.style.height = Math.max(420, Math.min(1400, window.innerHeight - above - 14 - (this.scene.below || 0))) + "px";
    } else this.root.style.height = wanted + "px";
  }

  scroller() { // the page's scrolling box, seen from inside the shadow root
    return this.root.getRootNode().host?.closest("[data-testid=stMain]");
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
    this.tools.box.hidden = !data.photo;
    this.keys.update(data);
    this.panes.update(this.photo ? data.panes : []);
    if (this.photo && (!photoBefore || before.place !== data.place || before.token !== this.scene.token)) {
      this.state.snap = null;
      const carried = photoBefore && viewBefore && before.frames && data.frames && before.place !== data.place
        ? samePlace(viewBefore, before.frames, data.frames, data.photo, data.depths) : null;
      this.view = carried ?? keptView(data.place, this.photo);
    }
    if (!this.photo) this.view = null;
    this.resize();
    if (this.photo?.token !== photoBefore?.token) {
      this.handOn = false;
      this.drag.leave();
      this.takeKeys();
    }
    this.jump(data.lookAt);
    this.pointAnew();
    this.ahead.settle();
    this.redraw(this.view !== viewBefore || this.photo?.token !== photoBefore?.token);
  }

  pointAnew() { // what lies under the pointer may be another thing now
    const at = this.state.pointer ?? this.state.touched;
    if (!at || !this.view || this.state.drag) return;
    const hit = hitAt(this, ...toScreen(this.view, this.size, ...at), this.state.touch);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
  }

  jump(to) {
    if (!to || !this.view || !this.size.w || STORE.jumped.get(this.scene.key) === to.id) return;
    STORE.jumped.set(this.scene.key, to.id);
    if (to.asked && this.handOn) return;
    const view = viewOf(to, this.view, this.size, this.clear(), this.photo);
    if (view) this.setView(view);
    this.takeKeys();
  }

  takeKeys() { // a box where the photo or a place was chosen would go on taking them as text
    const at = document.activeElement;
    if (at?.getAttribute("role") !== "combobox" || at.getAttribute("aria-expanded") === "true") return;
    this.root.focus({ preventScroll: true });
  }

  clear() {
    const { hintBar, tools, keys, root } = this;
    return clearPart(this.size, {
      hint: hintBar.hidden ? 0 : hintBar.offsetTop + hintBar.offsetHeight,
      tools: this.size.w - tools.box.offsetLeft,
      keys: keys.bar.offsetHeight ? root.clientHeight - keys.bar.offsetTop : 0,
    });
  }

  // ---- view
  setView(view) {
    this.view = view;
    this.handOn = true;
    clearTimeout(this.keeping);
    this.keeping = keepView(this.scene.place, view);
    this.redraw(true);
  }

  zoomBy(factor) {
    const at = this.state.pointer && !this.state.keyboard
      ? toScreen(this.view, this.size, ...this.state.pointer) : [this.size.w / 2, this.size.h / 2];
    this.setView(zoomed(this.view, this.size, factor, at[0], at[1], this.photo));
  }

  homeView() { // what is looked at first: the plate, turned as it is drawn
    const { photo, size, scene } = this, { home, frames } = scene;
    const whole = fitView(photo, size, home ? uprightTurns(frames, photo) : 0);
    if (!home) return whole;
    const box = [0, 1, 2, 3].map((i) => Math.min(Math.max(0, home[i]), i % 2 ? photo.height : photo.width));
    return viewOf({ box }, whole, size, this.clear(), photo) ?? whole;
  }

  fit() { // the plate; the whole photo when the plate is what is shown, or nothing is known of it
    const { view } = this, home = this.homeView();
    const shown = Math.abs(view.scale - home.scale) < 1e-6 && Math.hypot(view.cx - home.cx, view.cy - home.cy) < 0.01;
    this.setView(shown || !this.scene.home ? fitView(this.photo, this.size, view.q) : home);
  }

  turn() { this.setView({ ...this.view, q: (this.view.q + 1) % 4 }); }

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
    if (this.photo && w && h && (!this.view || (changed && this.view === this.home))) {
      this.view = this.home = this.homeView(); // and again for another size, until a hand moves it
    }
    if (changed && this.view) this.jump(this.scene.lookAt);
    this.redraw(changed); // the photo itself is costly to draw without a graphics card
  }

  coveredBoxes() { // [x, y, w, h] of what lies above the photo, where no tag could be read
    const over = [this.hintBar, this.tools.box, ...this.keys.bar.children];
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

  pointAt(sx, sy, aim) {
    this.state.touched = null;
    this.state.pointer = toPhoto(this.view, this.size, sx, sy);
    this.loupe.aim = aim ? [sx, sy] : null;
    const hit = aim ? null : hitAt(this, sx, sy, false);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
    this.top.style.cursor = hit ? "pointer" : this.scene.tool === "look" ? "grab" : "crosshair";
    this.ahead.pointed(hit);
    this.redraw();
  }

  pointAway() {
    this.state.pointer = this.state.hot = this.loupe.aim = null;
    this.ahead.away();
    this.redraw();
  }

  touched(sx, sy) { // a finger leaves no pointer; the next key means the place where it was lifted
    const hit = hitAt(this, sx, sy, true, true);
    this.state.pointer = null;
    this.state.touched = toPhoto(this.view, this.size, sx, sy);
    this.state.hot = hit ? hit.kind + " " + hit.id : null;
    this.redraw();
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
    this.click(sx, sy, hitAt(this, sx, sy, false), shift);
  }

  removeHandle() {
    const hot = this.state.hot?.startsWith("handle ") ? this.state.hot.slice(7) : null;
    const id = hot ?? this.scene.handles.find((h) => h.selected)?.id;
    if (id != null) this.report({ type: "remove", id });
    return id != null;
  }

  pageKey(key) {
    this.handOn = false;
    this.drag.leave();
    if (key === "Delete" && this.removeHandle()) return;
    const { touch, keyboard } = this.state, { view, size } = this;
    const middle = () => toPhoto(view, size, size.w / 2, size.h / 2); // where the cross of the keys is
    const at = keyboard ? middle() : this.state.pointer ?? this.state.touched;
    const hit = at ? hitOfKey(this, key, ...toScreen(view, size, ...at), touch) : null;
    const near = view.scale > NEAR * fitView(this.photo, size, view.q).scale;
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
      if (this.state.keyboard) drawCross(ctx, size.w / 2, size.h / 2);
      if (this.state.touched && this.state.hot?.startsWith("line ")) drawCross(ctx, ...toScreen(view, size, ...this.state.touched));
      missing = missing.concat(this.loupe.draw(ctx));
      this.root.dataset.view = JSON.stringify([view.scale, view.cx, view.cy, view.q]);
    }
    this.root.dataset.pending = this.state.pending.length;
    this.root.dataset.waiting = this.ahead.waiting(); // clicks whose line is not drawn yet
    this.root.dataset.token = this.scene.token;
    if (missing.length) loadTiles(missing, () => this.redraw(true));
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
