// What opens lies at the end of the page, far from its button by the Tab key: its first field takes
// the keys when it opens, and again when it was drawn anew and nothing has them.
const FRAMES = 120; // the field may be drawn a little later than this

function focusFirst(host, frames) {
  const field = document.querySelector("[data-testid=stPopoverBody] input");
  const lost = [document.body, null].includes(document.activeElement);
  const fresh = !host.dataset.opened;
  if (field && (fresh || lost)) {
    host.dataset.opened = "yes";
    field.focus();
    field.select();
  } else if (!field && frames > 0) {
    requestAnimationFrame(() => host.isConnected && focusFirst(host, frames - 1));
  }
}

export default function (component) {
  const host = component.parentElement.querySelector(".root");
  if (host.dataset.drawn === component.data.drawn) return;
  host.dataset.drawn = component.data.drawn;
  requestAnimationFrame(() => focusFirst(host, FRAMES));
}
