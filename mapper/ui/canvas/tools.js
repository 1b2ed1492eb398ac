// The column of buttons on the photo: the view, the loupe, hide, large.
class Tools {
  constructor(canvas) {
    this.canvas = canvas;
    this.large = false;
    this.box = element("div", "tools");
    canvas.root.append(this.box);
    this.button("+", "Zoom in (+)", () => canvas.zoomBy(1.4));
    this.button("−", "Zoom out (−)", () => canvas.zoomBy(1 / 1.4));
    this.button("Whole", "Whole plate, then whole photo (0)", () => canvas.fit());
    this.button("Turn", "Turn a quarter (R)", () => canvas.turn());
    this.loupeButton = this.button("Loupe", "Loupe (L)", () => this.toggleLoupe());
    this.hideButton = this.button("Hide", "Hide all lines (H)", () => this.toggleHidden());
    this.largeButton = this.button("Large", "Fill the window (E)", () => this.toggleLarge());
    this.button("?", "Keys", () => canvas.keys.toggleHelp());
  }

  button(text, title, action) {
    const made = element("button", "tool", text);
    made.type = "button";
    made.title = title;
    made.setAttribute("aria-label", title);
    made.addEventListener("click", () => { action(); this.canvas.root.focus({ preventScroll: true }); });
    this.box.append(made);
    return made;
  }

  toggleLoupe() { this.loupeButton.setAttribute("aria-pressed", this.canvas.loupe.toggle()); }

  toggleHidden() {
    const { state } = this.canvas;
    state.hidden = !state.hidden;
    this.hideButton.textContent = state.hidden ? "Show" : "Hide";
    this.hideButton.setAttribute("aria-pressed", state.hidden);
    this.canvas.redraw();
  }

  toggleLarge(on = !this.large) { // over all of the window, for small screens; and back
    const { root } = this.canvas;
    this.large = on;
    root.classList.toggle("large", on);
    root.style.height = "";
    this.largeButton.textContent = on ? "Small" : "Large";
    this.largeButton.setAttribute("aria-pressed", on);
    this.canvas.setHeight();
    this.canvas.resize();
  }
}
