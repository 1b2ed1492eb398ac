// The list of leads, drop by drop: a button per lead, an eye per drop. Same talk with Python as
// the canvas: operations kept until acknowledged.
const SIGNS = { traced: "✓", unfinished: "…", missing: "○" };
const WORDS = { traced: "traced", unfinished: "not finished", missing: "not traced" };

class LeadList {
  constructor(host) {
    this.root = host.querySelector(".root");
    this.top = element("div", "top");
    this.rows = element("div", "rows");
    this.root.append(this.top, this.rows);
    this.onResize = () => this.fit();
    window.addEventListener("resize", this.onResize);
  }

  update(component) {
    const data = component.data;
    this.log = logOf(data.key);
    this.log.connect((operations) => component.setStateValue("ops", operations));
    this.log.acknowledge(data.ack || {});
    this.fit();
    const shown = JSON.stringify([data.groups, data.buttons, data.summary]);
    if (shown === this.shown) return;
    this.shown = shown;
    const held = this.root.getRootNode().activeElement?.dataset?.name;
    this.top.replaceChildren(element("div", "summary", data.summary), ...data.buttons.map(([name, word, on]) =>
      this.button("wide" + (on ? " on" : ""), name, word, { type: "key", key: name })));
    const scrolled = this.rows.scrollTop;
    this.rows.replaceChildren(...data.groups.map((group) => this.row(group)));
    const again = held && [...this.root.querySelectorAll("button")].find((b) => b.dataset.name === held);
    again?.focus({ preventScroll: true });
    this.fit();
    this.rows.scrollTop = scrolled;
    this.root.querySelector(".lead.on")?.scrollIntoView({ block: "nearest" });
  }

  fit() { // as tall as the window leaves, so that the list scrolls and the page does not
    const main = this.root.getRootNode().host?.closest("[data-testid=stMain]");
    const above = this.rows.getBoundingClientRect().top + (main ? main.scrollTop : 0);
    this.rows.style.maxHeight = Math.max(300, window.innerHeight - above - 14) + "px";
  }

  button(className, name, text, operation) {
    const made = element("button", className, text);
    made.type = "button";
    made.dataset.name = name;
    made.addEventListener("click", () => this.log.add(operation));
    return made;
  }

  row(group) {
    const row = element("div", "row" + (group.hidden ? " dim" : ""));
    row.append(element("span", "drop", group.name));
    for (const lead of group.leads) {
      const one = this.button("lead " + lead.state + (lead.selected ? " on" : "") + (lead.pale ? " pale" : "")
        + (lead.word.length > 3 ? " named" : ""), "lead " + lead.id, "",
        { type: "select", kind: "lead", id: lead.id });
      one.title = lead.id + ": " + WORDS[lead.state];
      one.setAttribute("aria-label", one.title);
      one.setAttribute("aria-pressed", lead.selected);
      one.append(element("b", "", lead.word), element("i", "", SIGNS[lead.state]));
      const line = element("u", "");
      line.style.borderTopColor = lead.color;
      line.style.borderTopStyle = lead.dashed ? "dashed" : "solid";
      one.append(line);
      row.append(one);
    }
    const eye = this.button("eye", "hide " + group.name, group.hidden ? "show" : "hide",
      { type: "key", key: "hide", id: group.name });
    eye.setAttribute("aria-label", (group.hidden ? "Show" : "Hide") + " the leads of " + group.name);
    row.append(eye);
    return row;
  }

  close() {
    this.log?.disconnect();
    window.removeEventListener("resize", this.onResize);
  }
}

const LISTS = new WeakMap();

export default function (component) {
  const host = component.parentElement;
  if (!LISTS.has(host)) LISTS.set(host, new LeadList(host));
  LISTS.get(host).update(component);
  return () => {
    LISTS.get(host)?.close();
    LISTS.delete(host);
  };
}
