"""Pan and zoom of a 50-megapixel photo; run by hand:

    python -m tests.benchmarks.canvas_big

A made-up photo of 8160 x 6120 on a page with nothing but the canvas, in headless Chromium
without a graphics card. Measured: the time until the photo is first shown sharp, the time between
frames while it is panned with the mouse, zoomed with the wheel and pinched with two fingers, and
how many messages went to Python meanwhile (there should be none).
"""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import sync_playwright

from tests.browser import CHROMIUM_ARGS, CanvasDriver, chromium_path, page_of, running_server

APP = Path(__file__).parents[1] / "canvas_app.py"
FRAMES = """
() => {
  window.frames_ms = [];
  let last = performance.now();
  const tick = (now) => {
    window.frames_ms.push(now - last);
    last = now;
    requestAnimationFrame(tick);
  };
  requestAnimationFrame(tick);
}
"""


def made_up() -> np.ndarray:
    """A noisy ground with lines, (6120, 8160, 3)."""
    noise = np.random.default_rng(1).integers(120, 200, (612, 816, 3), np.uint8)
    picture = cv2.resize(noise, (8160, 6120), interpolation=cv2.INTER_LINEAR)
    for k in range(0, 8160, 240):
        cv2.line(picture, (k, 0), (8160 - k, 6119), (60, 60, 160), 14, cv2.LINE_AA)
    return picture


def main() -> None:
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        photo = Path(name) / "photo.jpg"
        cv2.imwrite(str(photo), made_up())
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGS)
        environment = {"CANVAS_PHOTO": str(photo)}
        with (
            running_server(Path(name) / "s", script=APP, environment=environment) as address,
            page_of(browser, address, has_touch=True) as page,
        ):
            sent: list[int] = []
            page.on("websocket", lambda ws: ws.on("framesent", lambda _: sent.append(1)))
            began = time.perf_counter()
            page.reload()
            canvas = CanvasDriver(page)
            canvas.wait_tiles()
            print(f"sharp after a reload of the page: {time.perf_counter() - began:.1f} s")
            page.wait_for_timeout(1000)
            box = canvas.root.bounding_box()
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            fingers = page.context.new_cdp_session(page)

            def wheel() -> None:
                for step in (-160,) * 12 + (160,) * 12:
                    page.mouse.wheel(0, step)

            def pan() -> None:
                page.mouse.move(x + 200, y + 150)
                page.mouse.down(button="middle")
                for k in range(40):
                    page.mouse.move(x + 200 - 10 * k, y + 150 - 8 * k)
                page.mouse.up(button="middle")

            def touch(kind: str, *apart: float) -> None:
                points = [{"x": x + a, "y": y, "id": i} for i, a in enumerate(apart)]
                fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

            def pinch() -> None:
                touch("touchStart", -40, 40)
                for k in range(30):
                    touch("touchMove", -40 - 4 * k, 40 + 4 * k)
                touch("touchEnd")

            before = len(sent)
            page.evaluate(FRAMES)
            for words, act in (("wheel", wheel), ("pan", pan), ("pinch", pinch)):
                page.evaluate("() => { window.frames_ms = []; }")
                act()
                taken = page.evaluate("() => window.frames_ms")
                median, late = np.quantile(taken, [0.5, 0.95])
                print(
                    f"{words:<6} frames {len(taken):4d}  median {median:4.0f}  p95 {late:4.0f} ms"
                )
            print(f"messages to Python meanwhile {len(sent) - before}")
        browser.close()


if __name__ == "__main__":
    main()
