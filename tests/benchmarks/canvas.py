"""Click to snapped line on the leads page, on a photo of 12 megapixels; run by hand:

    python -m tests.benchmarks.canvas [--clicks 40] [--plate plate1]

A rendered plate photo is scaled up to 4000 x 3000 and put into a job with all other leads
traced. In headless Chromium, a lead is clicked along; the time runs from the release of the
mouse button to the frame that shows the line ("line shown": the traced line, drawn from the
server's answer before the page has run), and to the frame after Python has saved and
acknowledged the click ("saved"). "At once": the click follows the
move of the pointer immediately. "Resting": the pointer rests a third of a second first, as a
person's does, so that the line may have been traced already; "button held": no rest, but the
button stays down for 80 ms, as in a person's click (common experience, no source).
Beside it, in the same run: the tracer alone (no browser, no page), and a plain
Streamlit button of a page with nothing else.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from playwright.sync_api import sync_playwright

from mapper.fit import PhotoFit
from mapper.records import JobStore, PhotoEntry, fit_changes
from mapper.trace import prepare, trace_between
from tests.browser import CHROMIUM_ARGS, CanvasDriver, chromium_path, page_of, running_server
from tests.conftest import REPO
from tests.full_job import full_job, true_fit
from tests.truth import truth_of

SCALE = 5 / 3  # 2400 x 1800 to 4000 x 3000
BUTTON_PAGE = """
import streamlit as st
st.session_state.n = st.session_state.get("n", 0)
if st.button("count"):
    st.session_state.n += 1
st.text(f"count {st.session_state.n}")
"""
# Times in the browser: from the release of the button until the line of the click is drawn, and
# until nothing is pending any more.
STOPWATCH = """
(root) => {
  window.shown = []; window.saved = [];
  let shownFrom = 0, savedFrom = 0;
  window.addEventListener("pointerup", () => { shownFrom = savedFrom = performance.now(); }, true);
  new MutationObserver(() => {
    if (root.dataset.waiting === "0" && shownFrom) {
      const from = shownFrom; shownFrom = 0;
      requestAnimationFrame(() => window.shown.push(performance.now() - from));
    }
    if (root.dataset.pending === "0" && savedFrom) {
      const from = savedFrom; savedFrom = 0;
      requestAnimationFrame(() => window.saved.push(performance.now() - from));
    }
  }).observe(root, { attributes: true, attributeFilter: ["data-waiting", "data-pending"] });
}
"""
BUTTON_STOPWATCH = """
async (count) => {
  const button = () => document.querySelector("[data-testid=stButton] button");
  while (!button()) await new Promise(requestAnimationFrame);
  const taken = [];
  const text = () => document.querySelector("[data-testid=stText]")?.innerText;
  for (let i = 0; i < count; i++) {
    const before = text(), start = performance.now();
    document.querySelector("[data-testid=stButton] button").click();
    while (text() === before) await new Promise(requestAnimationFrame);
    taken.push(performance.now() - start);
    await new Promise((done) => setTimeout(done, 60));
  }
  return taken;
}
"""


def bigger_fit(photo: dict[str, Any]) -> PhotoFit:
    """The true fit of the photo scaled up (pixel centres at whole numbers)."""
    lens = np.array(photo["K"], float)
    lens[:2] *= SCALE
    lens[:2, 2] += (SCALE - 1) / 2
    return true_fit({**photo, "K": lens}, 4000, 3000)


def make_job(folder: Path, plate: Path, lead_id: str) -> tuple[str, dict[str, Any], np.ndarray]:
    """A job with one more photo, of 12 megapixels; returns its id, the truth and the pixels."""
    store = JobStore(folder)
    job_id = full_job(store, plate, missing=(lead_id,))
    photo = [one for one in truth_of(plate)["photos"] if one["stage"] == "clear"][0]
    small = cv2.imread(str(plate / photo["file"]))
    pixels = cv2.resize(small, (4000, 3000), interpolation=cv2.INTER_CUBIC)
    data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    sha256 = store.add_photo(data, ".jpg")
    entry = PhotoEntry(sha256, "12 megapixels.jpg", "rebuilt", None, 26.0, 4000, 3000)
    job = store.edit(job_id, "Add a photo", {f"photo/{sha256}": entry.to_mapping()})
    store.edit(job_id, "Fit it", fit_changes(job, sha256, bigger_fit(photo)))
    store.close()
    return job_id, photo, pixels


def places_along(photo: dict[str, Any], lead_id: str, count: int) -> np.ndarray:
    """(count, 2) px on the lead in the big photo, to and fro along its visible part."""
    wire = next(w for w in photo["wires"] if "Z" + w["id"][1:].replace("_", "-") == lead_id)
    points = np.array(wire["polyline_px"])[np.array(wire["visible"], bool)]
    inside = (points > 5).all(axis=1) & (points < [2394, 1794]).all(axis=1)
    points = points[inside]
    chosen = np.linspace(0, len(points) - 1, count).round().astype(int)
    return (points[chosen] + 0.5) * SCALE - 0.5


def line(name: str, taken_ms: list[float]) -> None:
    quantiles = np.quantile(taken_ms, [0.5, 0.95])
    print(
        f"{name:<44} n {len(taken_ms):3d}  median {quantiles[0]:6.0f}  p95 {quantiles[1]:6.0f} ms"
    )


def cpu_seconds(process_id: int) -> float:
    """Processor time that a process has used (Linux): told apart from waiting for others."""
    parts = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def server_process(store_folder: Path) -> int:
    """Process id of the server that works on a store."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                command = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if b"mapper.ui.server" in command and str(store_folder).encode() in command:
                return int(entry.name)
    raise RuntimeError("no server is running")


def clicked(
    page: Any, canvas: CanvasDriver, places: np.ndarray, rest_ms: int, held_ms: int = 0
) -> tuple[list[float], list[float]]:
    """Click places in turn, each answered before the next; ms until shown and until saved."""
    page.evaluate("() => { window.shown = []; window.saved = []; }")
    for place in places:
        x, y = canvas.screen(*place)
        page.mouse.move(x, y)
        if rest_ms:
            page.wait_for_timeout(rest_ms)
        page.mouse.down()
        if held_ms:
            page.wait_for_timeout(held_ms)
        page.mouse.up()
        page.wait_for_timeout(30)
        canvas.wait_acknowledged()
        page.wait_for_timeout(60)
    return page.evaluate("() => [window.shown, window.saved]")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clicks", type=int, default=24)
    parser.add_argument("--plate", default="plate1")
    parser.add_argument("--lead", default="Z01-H")
    options = parser.parse_args()
    shared = Path(os.environ.get("MAPPER_PLATES", REPO.parent / "shared" / "plates"))
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        job_id, photo, pixels = make_job(folder / "job", shared / options.plate, options.lead)
        places = places_along(photo, options.lead, options.clicks + 1)
        ground = prepare(pixels)
        trace_between(ground, places[0], places[1])
        taken, worked = [], []
        for start, end in zip(places[:-1], places[1:], strict=True):
            began, busy = time.perf_counter(), time.process_time()
            trace_between(ground, start, end)
            taken.append((time.perf_counter() - began) * 1e3)
            worked.append((time.process_time() - busy) * 1e3)
        line("tracer alone", taken)
        line("  of that, processor time", worked)
        del ground
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGS)
        with running_server(folder / "job") as address:
            for words, rest_ms, held_ms in (
                ("at once", 0, 0),
                ("button held 80 ms", 0, 80),
                ("rest 330 ms, held 80 ms", 330, 80),
            ):
                page_address = f"{address}/leads?job={job_id}&lead={options.lead}"
                with page_of(browser, page_address) as page:
                    canvas = CanvasDriver(page)
                    canvas.wait_tiles()
                    page.get_by_role("button", name="Whole photo (0)").click()
                    page.wait_for_timeout(200)
                    page.evaluate(STOPWATCH, canvas.root.element_handle())
                    clicked(page, canvas, places[:2], 0)
                    page.wait_for_timeout(6000)  # until all that is made once has been made
                    server = server_process(folder / "job")
                    busy = cpu_seconds(server)
                    shown, saved = clicked(page, canvas, places[2:], rest_ms, held_ms)
                    line(f"line shown, {words}", shown)
                    line("  saved", saved)
                    busy_ms = 1e3 * (cpu_seconds(server) - busy) / len(saved)
                    print(f"  processor time of the server per click {busy_ms:.0f} ms")
                    JobStore(folder / "job").edit(
                        job_id, "Start anew", {f"lead/{options.lead}": None}
                    )
        script = folder / "button.py"
        script.write_text(BUTTON_PAGE)
        with (
            running_server(folder / "none", script=script) as address,
            page_of(browser, address) as page,
        ):
            line("plain Streamlit button", page.evaluate(BUTTON_STOPWATCH, 30))
        browser.close()


if __name__ == "__main__":
    main()
