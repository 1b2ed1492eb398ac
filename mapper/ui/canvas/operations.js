// What the user did and Python has not yet acknowledged. Kept in the session storage too, so
// that a reload in the middle loses nothing. One message is under way at a time: more would
// only interrupt the run of the page that is dealing with the first.
const RESEND_FIRST_MS = 2500, RESEND_MOST_MS = 20000;

class OperationLog {
  constructor(key) {
    this.name = "plate-wire-mapper ops " + key;
    this.client = crypto.getRandomValues(new Uint32Array(4)).join("-");
    this.number = 0;
    this.pending = this.restored();
    this.send = null;
    this.wait = RESEND_FIRST_MS;
    this.timer = 0;
    this.held = 0; // the timer, while it only waits for the first line
  }

  restored() {
    try {
      const kept = JSON.parse(sessionStorage.getItem(this.name) || "[]");
      return Array.isArray(kept) ? kept.filter((op) => op && op.client && op.seq) : [];
    } catch { return []; }
  }

  keep() {
    try { sessionStorage.setItem(this.name, JSON.stringify(this.pending)); } catch { /* full */ }
  }

  connect(send) {
    this.send = send;
    if (this.pending.length && !this.timer) this.flush();
  }

  disconnect() {
    clearTimeout(this.timer);
    this.timer = this.held = 0;
    this.send = null;
  }

  // `hold`: ms that the operation may wait for `release` before it is sent.
  add(operation, hold = 0) {
    this.pending.push({ ...operation, client: this.client, seq: ++this.number });
    this.keep();
    if (this.timer && (hold || !this.held)) return;
    if (hold) this.held = this.timer = setTimeout(() => this.flush(), hold);
    else this.flush();
  }

  release() {
    if (this.held) this.flush();
  }

  flush() {
    clearTimeout(this.timer);
    this.timer = this.held = 0;
    if (!this.pending.length || !this.send) return;
    this.send(this.pending.slice());
    this.timer = setTimeout(() => {
      this.wait = Math.min(RESEND_MOST_MS, this.wait * 2);
      this.flush();
    }, this.wait);
  }

  acknowledge(last) {
    const before = this.pending.length;
    this.pending = this.pending.filter((op) => !(op.seq <= (last[op.client] || 0)));
    const done = before - this.pending.length;
    if (!done) return;
    this.keep();
    this.wait = RESEND_FIRST_MS;
    clearTimeout(this.timer);
    this.timer = 0;
    this.flush(); // what came meanwhile, or what Python left for its next run
  }
}

function logOf(key) {
  if (!STORE.logs.has(key)) STORE.logs.set(key, new OperationLog(key));
  return STORE.logs.get(key);
}
