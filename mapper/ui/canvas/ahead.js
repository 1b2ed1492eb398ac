// What a click does, shown before Python has dealt with it. While the pointer rests, the server
// is asked for the place on the wire and for the line to it; a click draws that line at once, or
// as soon as it is there, and the next click goes on from its end. Python finds the same line
// ready, so nothing is traced twice, and what it sends back takes the place of the line here.
const SAME_PLACE = 3; // css pixels: a hand moves that much between pointing and pressing
const QUESTIONS_KEPT = 40;
const HOLD_MOST_MS = 250; // a click waits that long for its line before it goes to Python

const clickName = (op) => op.client + " " + op.seq;

class LinesAhead {
  constructor(canvas) {
    this.canvas = canvas;
    this.questions = new Map();
    this.lines = new Map(); // click -> {points, from, end}
    this.asked = null; // the line last asked for where the pointer is
    this.placeAsked = this.lineAsked = this.following = false;
  }

  get scene() { return this.canvas.scene; }

  close() { clearTimeout(this.resting); }

  // ---- clicks that Python has not answered yet
  clicks() {
    const token = this.scene.token;
    return this.canvas.state.pending.filter((op) => op.type === "point" && op.photo === token);
  }

  lineOf(op) { return this.lines.get(clickName(op)); }

  waiting() { // clicks that still have no line on the screen
    return this.scene.tool === "trace" ? this.clicks().filter((op) => !this.lineOf(op)).length : 0;
  }

  // Where the next line starts; null while that is not known.
  tail() {
    let at = this.scene.tail;
    for (const op of this.canvas.state.pending) {
      at = op.type === "point" && op.photo === this.scene.token ? this.lineOf(op)?.end : null;
      if (!at) return null;
    }
    return at;
  }

  settle() { // Python has answered: its own lines are on the screen
    const names = new Set(this.canvas.state.pending.map(clickName));
    for (const name of this.lines.keys()) if (!names.has(name)) this.lines.delete(name);
    this.follow();
  }

  // A click was made: its line at once where it is known, else as soon as it is.
  follow() {
    if (this.following || this.scene.tool !== "trace") return;
    this.following = true;
    this.followed().finally(() => { this.following = false; });
  }

  async followed() {
    for (;;) {
      let from = this.scene.tail, op = null;
      for (const one of this.canvas.state.pending) {
        const known = this.lineOf(one);
        if (known) { from = known.end; continue; }
        if (one.type === "point" && one.photo === this.scene.token && !one.shift) op = one;
        break;
      }
      if (!op || !from) break;
      const question = this.question(from, [op.x, op.y]);
      if (!question.done) await question.answer;
      if (!question.points) break;
      const end = question.points.slice(-2);
      this.lines.set(clickName(op), { points: question.points, from, end });
      this.canvas.redraw();
    }
    this.canvas.log?.release();
  }

  holds(op) { // whether a new click should wait a moment for its line
    if (op.type !== "point" || op.shift || this.scene.tool !== "trace" || !this.scene.tail) return 0;
    return HOLD_MOST_MS;
  }

  // ---- questions
  question(from, to) {
    const name = [this.scene.token, ...from, ...to].join(" ");
    let found = this.questions.get(name);
    if (found) return found;
    found = { token: this.scene.token, from, to, points: null, done: false };
    const [x0, y0] = from, [x1, y1] = to;
    found.answer = this.ask("trace", { x0, y0, x1, y1 }).then((answer) => {
      found.points = answer.points ?? null;
      found.done = true;
      if (!found.points) this.questions.delete(name); // there may be an answer later
      return found;
    });
    this.questions.set(name, found);
    for (const old of this.questions.keys()) {
      if (this.questions.size <= QUESTIONS_KEPT) break;
      this.questions.delete(old);
    }
    return found;
  }

  async ask(what, values) { // {} where there is no answer: it is a help only
    try {
      const answer = await fetch(`/photo/${this.scene.token}/${what}?` + new URLSearchParams(values));
      return answer.ok ? await answer.json() : {};
    } catch { return {}; }
  }

  // ---- while the pointer rests: first the place on the wire, then the line to it; one question
  // at a time, and about the newest place only
  pointed(hit) {
    const { scene, canvas } = this, at = canvas.state.pointer;
    const [x, y] = at ? this.asAsked(...at) : [];
    if (!hit && canvas.state.preview && at && (x !== at[0] || y !== at[1])) return; // a tremor
    canvas.state.preview = null;
    clearTimeout(this.resting);
    if (!(scene.snap > 0) || !scene.token || scene.tool === "look" || hit) { canvas.state.snap = null; return; }
    this.resting = setTimeout(() => this.askPlace(), 25);
  }

  pressed() { // the button goes down: the line can be under way before it comes up again
    clearTimeout(this.resting);
    this.lineAsked = false;
    this.askLine();
  }

  away() {
    clearTimeout(this.resting);
    this.canvas.state.snap = this.canvas.state.preview = null;
  }

  // A click close to the place that a line was just asked for means that line: it is the one on
  // show, and Python has it ready, or is at it.
  asAsked(x, y) {
    const asked = this.asked, tail = this.tail();
    if (!asked || !tail || asked.token !== this.scene.token) return [x, y];
    if (asked.from[0] !== tail[0] || asked.from[1] !== tail[1]) return [x, y];
    const far = Math.hypot(x - asked.to[0], y - asked.to[1]) * this.canvas.view.scale;
    return far <= SAME_PLACE ? asked.to : [x, y];
  }

  async askPlace() {
    const { scene, canvas } = this, at = canvas.state.pointer;
    if (!at || this.waiting()) return; // the server has better things to do just now
    this.resting = setTimeout(() => this.askLine(), 30);
    if (this.placeAsked) return;
    this.placeAsked = true;
    const found = await this.ask("snap", { x: at[0], y: at[1], reach: scene.snap });
    this.placeAsked = false;
    const now = canvas.state.pointer;
    const far = now ? Math.hypot(found.x - now[0], found.y - now[1]) : Infinity;
    canvas.state.snap = far <= scene.snap * 1.5 && this.scene.token === scene.token ? [found.x, found.y, found.width] : null;
    canvas.redraw();
    if (now && now !== at) this.askPlace();
  }

  async askLine() {
    const { scene, canvas } = this, at = canvas.state.pointer, tail = this.tail();
    if (!tail || scene.tool !== "trace" || !at || this.lineAsked) return;
    const scale = canvas.view.scale;
    if (Math.hypot(at[0] - tail[0], at[1] - tail[1]) * scale < REACH.mouse.handle) return; // still on the last point
    if (this.asked && this.asAsked(...at) === this.asked.to) { // asked before
      canvas.state.preview = this.asked.points;
      canvas.redraw();
      return;
    }
    this.lineAsked = true;
    const asked = this.asked = this.question(tail, at);
    if (!asked.done) await asked.answer;
    this.lineAsked = false;
    const from = this.tail(), now = canvas.state.pointer;
    const same = this.scene.token === asked.token && from?.[0] === tail[0] && from?.[1] === tail[1];
    const still = now && Math.hypot(now[0] - at[0], now[1] - at[1]) * canvas.view.scale <= SAME_PLACE;
    if (same && asked.points && still) {
      canvas.state.preview = asked.points;
      canvas.redraw();
    } else if (now && !still) this.resting = setTimeout(() => this.askLine(), 70);
  }
}
