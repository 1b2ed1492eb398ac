// Mouse, pen, fingers and keys. A press becomes a click, a drag of something, or a pan.
const CLICK_SLOP = 4, FINGER_SLOP = 10, HOLD_MS = 380;

class Pointers {
  constructor(canvas) {
    this.canvas = canvas;
    this.down = new Map(); // pointer id -> last place
    this.press = null;
    this.pinch = null;
    this.space = false;
    const at = canvas.top;
    const listen = (name, how, options) => at.addEventListener(name, how.bind(this), options);
    listen("pointerdown", this.onDown);
    listen("pointermove", this.onMove);
    listen("pointerup", this.onUp);
    listen("pointercancel", this.onCancel);
    listen("pointerleave", this.onLeave);
    listen("wheel", this.onWheel, { passive: false });
    listen("contextmenu", (event) => event.preventDefault());
    // Keys work wherever the focus is, as long as nobody is typing or choosing something.
    this.keyDown = (event) => { if (this.listens(event)) this.onKey(event); };
    this.keyUp = (event) => { if (event.key === " ") this.space = false; };
    window.addEventListener("keydown", this.keyDown, true);
    window.addEventListener("keyup", this.keyUp, true);
    listen("pointerenter", () => { STORE.active = canvas; });
  }

  close() {
    window.removeEventListener("keydown", this.keyDown, true);
    window.removeEventListener("keyup", this.keyUp, true);
    if (STORE.active === this.canvas) STORE.active = null;
  }

  listens(event) {
    const on = event.composedPath()[0];
    if (on === this.canvas.root) return true;
    if (on instanceof Element && on.closest("input, textarea, select, [contenteditable], [role=dialog], [role=listbox], [role=combobox], [role=slider], [role=tab], [role=radio]")) return false;
    if (on instanceof Element && on.closest("button, a") && (event.key === "Enter" || event.key === " ")) return false;
    return STORE.active === this.canvas && this.canvas.root.isConnected;
  }

  place(event) {
    const box = this.canvas.top.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  onDown(event) {
    const canvas = this.canvas;
    if (!canvas.photo) return;
    event.preventDefault();
    canvas.root.focus({ preventScroll: true });
    canvas.state.keyboard = false;
    canvas.drag.leave();
    try { canvas.top.setPointerCapture(event.pointerId); } catch { /* already gone */ }
    const [x, y] = this.place(event);
    this.down.set(event.pointerId, [x, y]);
    if (this.down.size === 2) {
      this.stopPress();
      this.pinch = this.pair();
      return;
    }
    if (this.down.size > 2) return;
    const touch = event.pointerType === "touch";
    canvas.state.touch = touch;
    const free = this.space || event.button === 1 || event.button === 2;
    const draws = !free && event.button === 0 && canvas.stroke.drawsWith(event.shiftKey);
    const held = !free && canvas.scene.tool !== "draw"; // a line or a handle can be meant
    this.press = { id: event.pointerId, x, y, lastX: x, lastY: y, touch, shift: event.shiftKey, draws,
      button: event.button, moved: false, aim: false, free, hit: held ? hitAt(canvas, x, y, touch) : null,
      // in a bundle half a pixel decides which line is nearest: a drag is about the own one
      grip: held ? hitAt(canvas, x, y, touch, true) : null };
    if (!free && !draws && !this.press.hit && event.button === 0 && !event.shiftKey) canvas.pressAt(x, y);
    if (touch && !draws) {
      this.press.timer = setTimeout(() => {
        if (!this.press || this.press.moved || canvas.scene.tool === "look") return;
        this.press.aim = true;
        canvas.pointAt(this.press.lastX, this.press.lastY, true);
      }, HOLD_MS);
    }
  }

  stopPress() {
    if (this.press) clearTimeout(this.press.timer);
    this.press = null;
    this.canvas.state.drag = null;
    if (!this.canvas.state.pending.length) this.canvas.drag.end();
    this.canvas.loupe.aim = null;
    this.canvas.stroke.drop();
    this.canvas.redraw();
  }

  pair() {
    const [[ax, ay], [bx, by]] = [...this.down.values()];
    return { x: (ax + bx) / 2, y: (ay + by) / 2, apart: Math.hypot(ax - bx, ay - by) };
  }

  onMove(event) {
    const canvas = this.canvas;
    if (!canvas.photo) return;
    const [x, y] = this.place(event);
    if (this.down.has(event.pointerId)) this.down.set(event.pointerId, [x, y]);
    if (this.pinch && this.down.size >= 2) {
      const now = this.pair();
      let view = panned(canvas.view, now.x - this.pinch.x, now.y - this.pinch.y, canvas.photo);
      view = zoomed(view, canvas.size, now.apart / (this.pinch.apart || 1), now.x, now.y, canvas.photo);
      canvas.setView(view);
      this.pinch = now;
      return;
    }
    const press = this.press;
    if (!press || press.id !== event.pointerId) {
      if (event.pointerType === "touch") return;
      if (event.movementX || event.movementY) canvas.state.keyboard = false; // not when the page moved
      canvas.pointAt(x, y, false);
      return;
    }
    const slop = press.touch ? FINGER_SLOP : CLICK_SLOP;
    if (!press.moved && Math.hypot(x - press.x, y - press.y) > slop) press.moved = true;
    if (press.aim) canvas.pointAt(x, y, true);
    else if (press.moved && press.draws) canvas.stroke.to(press, x, y);
    else if (press.moved) {
      const can = press.grip && (press.grip.kind === "handle" || press.grip.drag);
      if (can) canvas.drag.to(press.grip, x, y, press.touch);
      else canvas.setView(panned(canvas.view, x - press.lastX, y - press.lastY, canvas.photo));
    }
    press.lastX = x;
    press.lastY = y;
  }

  onUp(event) {
    const canvas = this.canvas, press = this.press;
    const known = this.down.delete(event.pointerId);
    if (this.pinch) {
      if (this.down.size < 2) this.pinch = null;
      if (this.down.size === 1) { // the finger that stays goes on panning
        const [id, [x, y]] = [...this.down][0];
        this.press = { id, x, y, lastX: x, lastY: y, touch: true, moved: true, hit: null, grip: null };
      }
      return;
    }
    if (!known || !press || press.id !== event.pointerId) return;
    const [x, y] = this.place(event);
    const dragged = press.moved && !press.aim && press.grip && canvas.state.drag;
    if (dragged) canvas.drag.drop(press.grip, x, y);
    else if (press.moved && press.draws) canvas.stroke.done(x, y);
    else if (press.aim) canvas.click(x, y, null, press.shift);
    else if (!press.moved && press.button === 0 && !press.free && canvas.scene.tool !== "draw") {
      canvas.click(press.x, press.y, press.hit, press.shift);
    }
    this.stopPress();
    if (press.touch) canvas.touched(press.draws ? press.x : x, press.draws ? press.y : y);
    else canvas.pointAt(x, y, false);
  }

  onCancel(event) {
    this.down.delete(event.pointerId);
    this.pinch = null;
    this.stopPress();
  }

  onLeave(event) {
    if (!this.press && event.pointerType !== "touch") this.canvas.pointAway();
  }

  onWheel(event) {
    if (!this.canvas.photo) return;
    event.preventDefault();
    const canvas = this.canvas, [x, y] = this.place(event);
    const step = event.deltaMode === 1 ? event.deltaY * 24 : event.deltaY;
    const rate = event.ctrlKey ? 0.01 : 0.0016;
    const factor = Math.exp(-Math.max(-300, Math.min(300, step)) * rate);
    canvas.setView(zoomed(canvas.view, canvas.size, factor, x, y, canvas.photo));
    canvas.pointAt(x, y, false);
  }

  onKey(event) {
    const canvas = this.canvas;
    if (!canvas.photo || event.altKey) return;
    const key = event.key, low = key.toLowerCase();
    const command = event.ctrlKey || event.metaKey;
    let used = true;
    if (command) {
      if (!canvas.scene.undo) return;
      if (low === "z") canvas.report({ type: event.shiftKey ? "redo" : "undo" });
      else if (low === "y") canvas.report({ type: "redo" });
      else return;
    } else if (canvas.scene.keys.some(([name]) => name === low || name === key)) {
      canvas.pageKey(canvas.scene.keys.find(([name]) => name === low || name === key)[0]);
    } else if (key === "+" || key === "=") canvas.zoomBy(1.4);
    else if (key === "-" || key === "_") canvas.zoomBy(1 / 1.4);
    else if (key === "0") canvas.fit();
    else if (low === "r") canvas.turn();
    else if (low === "l") canvas.tools.toggleLoupe();
    else if (low === "h") canvas.tools.toggleHidden();
    else if (low === "e") canvas.tools.toggleLarge();
    else if (key === "?") canvas.keys.toggleHelp();
    else if (key.startsWith("Arrow")) {
      const far = (canvas.drag.carried ? 12 : 60) * (event.shiftKey ? 4 : 1);
      const [dx, dy] = { ArrowLeft: [far, 0], ArrowRight: [-far, 0], ArrowUp: [0, far], ArrowDown: [0, -far] }[key];
      canvas.state.keyboard = true;
      canvas.root.focus({ preventScroll: true }); // so that Enter is the photo's, not a button's
      canvas.setView(panned(canvas.view, dx, dy, canvas.photo));
      canvas.drag.follow();
    } else if (low === "m") {
      canvas.root.focus({ preventScroll: true });
      canvas.drag.carry();
    } else if (key === "Enter") {
      if (canvas.drag.carried) canvas.drag.put();
      else canvas.clickMiddle(event.shiftKey);
    }
    else if (key === "Delete" || key === "Backspace") canvas.removeHandle();
    else if (key === " ") this.space = true;
    else if (key === "Escape" && canvas.drag.leave()) used = true;
    else if (key === "Escape" && (this.press || !canvas.keys.help.hidden || canvas.tools.large)) {
      if (!this.press && canvas.keys.help.hidden) canvas.tools.toggleLarge(false);
      this.stopPress();
      canvas.keys.toggleHelp(false);
    }
    else used = false;
    if (used) {
      event.preventDefault();
      event.stopPropagation();
    } else if (!command && key.length === 1) event.stopPropagation(); // not the page's own keys
  }
}
