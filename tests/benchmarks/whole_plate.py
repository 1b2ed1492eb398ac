"""A scripted person takes a plate of 24 leads from empty to planned through the real pages.

    python -m tests.benchmarks.whole_plate [--plates FOLDER] [--plate plate2] [--leads 24]
        [--crossings 500] [--traced] [--store FOLDER] [--shots FOLDER]

The person takes in the plate file, adds the photos, fits all, clicks each lead on the cleared
overview at its two ends and, while it is wrong, drags the line to the true place in the middle
of the first wrong stretch (at most six times). Crossings are answered by their keys, from the
truth; where the traced leads meet and the true ones do not, the person can't tell. Then the plan
is read and replayed on the true routes. Counted: clicks, drags and keys; an upload counts as one.
With `--traced` photos, fits and leads are put into the job as the truth has them, and the person
begins with the crossings: so the desk and the plan are measured without the tracer's errors.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import TimeoutError, sync_playwright
from scipy.spatial import cKDTree

from mapper.pulling import Step, check_order
from mapper.records import Job, JobStore, TracedLead
from mapper.routes import Crossing, Judged, RouteMap, route_map_to_mapping
from mapper.ui.findings import Findings
from tests.benchmarks.trace_score import Task, score
from tests.benchmarks.trace_truth import _width_px
from tests.browser import (
    CHROMIUM_ARGS,
    CanvasDriver,
    chromium_path,
    go,
    page_of,
    running_server,
    settled,
)
from tests.full_job import full_job
from tests.truth import lead_id, true_leads, true_plate, truth_of

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"
WINDOW = {"width": 1366, "height": 768}
MOST_EXTRA = 6
NEAR_MM = 8.0  # a meeting of traced leads this near a true crossing of the pair is that crossing
CLOSE = 1.2  # css px per photo px at which leads side by side can be told apart
LOOK_MS = 500  # a person looks before answering


class Person:
    """The scripted person: acts through the page, and counts what was done."""

    def __init__(self, page: Any, store: JobStore, truth: dict, shots: Path | None) -> None:
        self.page, self.store, self.truth, self.shots = page, store, truth, shots
        self.acts: Counter[str] = Counter()
        self.wires = {lead_id(wire["id"]): wire for wire in truth["wires"]}

    @property
    def job(self) -> Job:
        return self.store.job(self.store.jobs()[0].id)

    def button(self, name: str, part: str, **options: Any) -> None:
        self.page.get_by_role("button", name=name, **options).first.click()
        self.acts[part] += 1
        settled(self.page)

    def walk(self, name: str, part: str) -> None:
        go(self.page, name)
        self.acts[part] += 1

    def shot(self, name: str) -> None:
        if self.shots is not None:
            self.page.wait_for_timeout(800)
            self.page.screenshot(path=self.shots / f"{name}.png")

    # ---- from empty to fitted

    def set_up(self, folder: Path) -> None:
        page = self.page
        plate = RouteMap(true_plate(self.truth), (), ())
        data = json.dumps(route_map_to_mapping(plate)).encode()
        page.get_by_text("Take in a job pack or a route map").click()
        file = {"name": "plate.json", "mimeType": "application/json", "buffer": data}
        page.locator('input[type="file"]').first.set_input_files(file)
        self.acts["set up"] += 2
        self.button("Make a job from it", "set up")
        page.locator(".st-key-jobbar").wait_for()
        self.walk("Photos", "set up")
        photos = [str(folder / photo["file"]) for photo in self.truth["photos"]]
        page.locator('input[type="file"]').first.set_input_files(photos)
        self.acts["set up"] += 1
        page.get_by_text(f"Added {len(photos)} photos").wait_for()
        settled(page)
        self.walk("Fit", "set up")
        self.button("Fit all", "set up")
        page.get_by_role("button", name=re.compile("All photos are fitted|to do")).wait_for()
        settled(page)
        self.shot("fit")

    # ---- leads

    def trace_all(self, photo_name: str, count: int) -> list[dict[str, Any]]:
        page = self.page
        self.walk("Leads", "trace")
        photo = next(one for one in self.truth["photos"] if one["file"] == photo_name)
        self._show(photo_name)
        results = []
        begun = {lead.id for lead in self.job.leads}
        for wire in photo["wires"][:count]:
            if lead_id(wire["id"]) in begun:
                continue
            results.append(self._trace(photo, wire))
            print(results[-1], flush=True)
            if len(results) in (1, 12):
                self.shot(f"leads {len(results)}")
        page.wait_for_timeout(300)
        return results

    def _show(self, photo_name: str) -> None:
        """Have the canvas show that photo."""
        entry = next(one for one in self.job.photos if one.name == photo_name)
        canvas = CanvasDriver(self.page)
        for _ in self.job.photos:
            if self.page.url.find(entry.sha256) >= 0 or self._shown(photo_name):
                break
            self.page.keyboard.press("p")
            self.acts["trace"] += 1
            self.page.wait_for_timeout(1500)
            settled(self.page)
        canvas.wait_tiles()

    def _shown(self, photo_name: str) -> bool:
        """Whether the page says that this photo is the one shown."""
        chosen = self.page.locator('[data-testid="stMain"]').inner_text()
        box = self.page.locator('[data-baseweb="select"]').all_inner_texts()
        return any(photo_name in one for one in box) or (not box and photo_name in chosen)

    def _trace(self, photo: dict, wire: dict) -> dict[str, Any]:
        page, name = self.page, lead_id(wire["id"])
        began, before = time.monotonic(), sum(self.acts.values())
        page.get_by_role("button", name=f"{name}:").click()
        page.locator(f'button.lead.on[title^="{name}:"]').wait_for()
        self.acts["trace"] += 1
        page.wait_for_timeout(250)
        canvas = CanvasDriver(page)
        task = self._task(photo, wire)
        for at in (0, -1):
            self._close_to(canvas, task.points_px[at])
            canvas.click(*task.points_px[at])
            self.acts["trace"] += 1
            canvas.wait_acknowledged()
        if not self._lead(name).finished:
            page.keyboard.press("f")
            self.acts["trace"] += 1
            canvas.wait_acknowledged()
        first = result = score(self._line(name, photo), task)
        wrong = self._wrong(name, photo, task)
        extra, tried = 0, set()
        while not result.right and extra < MOST_EXTRA and result.wrong_at not in tried:
            tried.add(result.wrong_at)
            line, place = self._line(name, photo), task.points_px[result.wrong_at]
            start = _nearest(line, place)
            self._close_to(canvas, place, start)
            canvas.drag(tuple(start), tuple(place))
            canvas.wait_acknowledged()
            self.acts["trace"] += 1
            extra += 1
            result = score(self._line(name, photo), task)
        return {
            "lead": name,
            "right at once": bool(first.right),
            "right": bool(result.right),
            "extra": extra,
            "wrong at first": wrong,
            "wrong": self._wrong(name, photo, task),
            "within": round(result.within, 3),
            "finished": self._lead(name).finished,
            "acts": sum(self.acts.values()) - before,
            "seconds": round(time.monotonic() - began, 1),
        }

    def _close_to(
        self, canvas: CanvasDriver, place: np.ndarray, start: np.ndarray | None = None
    ) -> None:
        """Zoom in until leads that lie side by side can be told apart, unless they can already.

        `start`: where a drag to `place` begins; it stays in sight, however far off it is.
        """
        wanted = [place] if start is None else [place, start]
        if canvas.view()[0] >= CLOSE and self._clear(canvas, wanted):
            return
        self.page.keyboard.press("0")
        self.acts["trace"] += 1
        self.page.wait_for_timeout(250)
        self.page.mouse.move(*canvas.screen(*np.mean(wanted, 0)))
        self.acts["trace"] += 1  # turning the wheel
        for _ in range(20):
            if canvas.view()[0] >= CLOSE:
                break
            self.page.mouse.wheel(0, -200)
            self.page.wait_for_timeout(60)
            if start is not None and not self._clear(canvas, wanted):
                self.page.mouse.wheel(0, 200)
                break
        self.page.wait_for_timeout(150)
        if not self._clear(canvas, wanted):  # under the keys or the buttons: push the photo aside
            box = canvas.root.bounding_box()
            middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            x, y = canvas.screen(*np.mean(wanted, 0))
            self.page.mouse.move(*middle)
            self.page.keyboard.down(" ")
            self.page.mouse.down()
            self.page.mouse.move(2 * middle[0] - x, 2 * middle[1] - y, steps=4)
            self.page.mouse.up()
            self.page.keyboard.up(" ")
            self.acts["trace"] += 1
            self.page.wait_for_timeout(150)

    def _clear(self, canvas: CanvasDriver, places: list[np.ndarray]) -> bool:
        """Whether the places of the photo (px) lie in sight and not under a key or a button."""
        box = canvas.root.bounding_box()
        at = np.array([canvas.screen(*one) for one in places]) - (box["x"], box["y"])
        return bool((at > (30, 60)).all() and (at < (box["width"] - 110, box["height"] - 80)).all())

    def _lead(self, name: str) -> TracedLead:
        return next(one for one in self.job.leads if one.id == name)

    def _task(self, photo: dict, wire: dict) -> Task:
        """The lead from its first to its last visible place inside the plate."""
        points, line = np.array(self.wires[lead_id(wire["id"])]["points"]), wire["polyline_px"]
        width, height = self.truth["plate"]["width"], self.truth["plate"]["height"]
        inside = (points[:, :2] >= -1).all(1) & (points[:, :2] <= (width + 1, height + 1)).all(1)
        seen = np.array(wire["visible"], bool)
        at = np.flatnonzero(seen & inside)
        part = slice(at[0], at[-1] + 1)
        breadth = _width_px(self.truth, photo, wire["id"])[part]
        return Task(lead_id(wire["id"]), np.array(line)[part], seen[part], breadth)

    def _line(self, name: str, photo: dict) -> np.ndarray:
        """The traced line (N, 2) px on the photo."""
        job = self.job
        entry = next(one for one in job.photos if one.name == photo["file"])
        fit, pieces = job.fits[entry.sha256], []
        for one in self._lead(name).stretches:
            if one.photo == entry.sha256 and one.points_px is not None:
                pieces.append(np.array(one.points_px, float))
            else:
                mm = np.array(one.points_mm, float)
                depth = job.plate.lead_depth_mm(mm) if one.depth_mm is None else one.depth_mm
                pieces.append(fit.photo_from_plate(mm, np.asarray(depth, float)))
        return np.concatenate(pieces)

    def _wrong(self, name: str, photo: dict, task: Task) -> int:
        """Number of visible stretches of the lead that the line misses by more than its width."""
        line = self._line(name, photo)
        at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        s = np.linspace(0, at[-1], max(int(at[-1]), 2))
        dense = np.stack([np.interp(s, at, line[:, k]) for k in (0, 1)], 1)
        off = cKDTree(dense).query(task.points_px)[0]
        bad = task.visible & (off > task.width_px)
        return int(bad[0]) + int((bad[1:] & ~bad[:-1]).sum())

    # ---- crossings

    def judge_all(self, most: int) -> Counter[str]:
        self.walk("Crossings", "judge")
        page, said = self.page, Counter()
        passed: set[str] = set()
        self.shot("crossing")
        while sum(said.values()) < most:
            desk = page.locator(".st-key-desk")
            if not desk.count():
                break
            text = desk.inner_text()
            meeting = self._meeting(text)
            if meeting is None or _key(meeting) in passed:
                break
            answer = self._true_answer(meeting)
            if answer == "4":
                passed.add(_key(meeting))
            page.wait_for_timeout(LOOK_MS)
            said[{"1": "a", "2": "b", "3": "apart", "4": "can't tell"}[answer]] += 1
            self._press_until_next(answer, text)
            settled(page)
            if sum(said.values()) == 30:
                self.shot("crossing 30")
        return said

    def _press_until_next(self, key: str, text: str) -> None:
        """Answer by key; a key that comes before the place was long enough in sight counts for
        nothing, and a person then presses again.
        """
        place = re.search(r"at \(.*?\) mm", text)[0]
        shown = text[: text.index(place) + len(place)]
        for last in (False, False, False, True):
            self.page.keyboard.press(key)
            self.acts["judge"] += 1
            try:
                self.page.wait_for_function(
                    "(old) => !(document.querySelector('.st-key-desk')?.innerText || '')"
                    ".startsWith(old)",
                    arg=shown,
                    timeout=8000,
                )
            except TimeoutError:
                if last:
                    raise
            else:
                return

    def _meeting(self, text: str) -> Crossing | None:
        x, y = (float(v) for v in re.search(r"at \((-?\d+), (-?\d+)\) mm", text).groups())
        found = [
            one
            for one in Findings(self.job).open_meetings
            if f"{one.x_mm:.0f}" == f"{x:.0f}"
            and f"{one.y_mm:.0f}" == f"{y:.0f}"
            and one.a in text.split("\n")[0]
            and one.b in text.split("\n")[0]
        ]
        return found[0] if found else None

    def _true_answer(self, meeting: Crossing) -> str:
        """The key of the answer that the truth gives; "4" where the true leads do not meet so."""
        near = [
            (np.hypot(c["x"] - meeting.x_mm, c["y"] - meeting.y_mm), lead_id(c["over"]))
            for c in self.truth["crossings"]
            if {lead_id(c["a"]), lead_id(c["b"])} == {meeting.a, meeting.b} and not c["self"]
        ]
        near = [one for one in near if one[0] < NEAR_MM]
        if len({over for _, over in near}) == 1:
            return "1" if near[0][1] == meeting.a else "2"
        if near or meeting.kind == "crossing":
            return "4"
        place = np.array([meeting.x_mm, meeting.y_mm])
        pair = [self.wires[name] for name in (meeting.a, meeting.b)]
        a, b = (np.array(wire["points"]) for wire in pair)
        a = a[np.hypot(*(a[:, :2] - place).T) < 15.0]
        if not len(a):
            return "4"
        away, nearest = cKDTree(b[:, :2]).query(a[:, :2])
        stacked = away < 0.45 * (pair[0]["diameter"] + pair[1]["diameter"])
        if not stacked.any():
            return "3"
        higher = (a[:, 2] - b[nearest, 2])[stacked] > 0
        return "1" if higher.all() else "2" if not higher.any() else "4"

    # ---- plan

    def read_plan(self) -> dict[str, Any]:
        self.walk("Pull plan", "plan")
        self.page.wait_for_timeout(1000)
        self.shot("plan")
        found = Findings(self.job)
        plan = found.offered
        true_map = self._true_map()
        steps = [step for one in plan.steps if (step := self._on_truth(one)) is not None]
        harmed = check_order(true_map, steps)
        return {
            "status": plan.status,
            "steps": len(plan.steps),
            "pulls": sum(one.action == "pull" for one in plan.steps),
            "replayed on the truth": len(steps),
            "false-safe": len(harmed),
            "over": sorted({f"{one.wire} under {one.over}" for one in harmed})
            if harmed and hasattr(harmed[0], "over")
            else [str(one) for one in harmed[:5]],
        }

    def _true_map(self) -> RouteMap:
        leads = true_leads(self.truth, diameters=False)
        judged = tuple(
            Judged(
                lead_id(c["a"]),
                lead_id(c["b"]),
                c["x"],
                c["y"],
                "a" if c["over"] == c["a"] else "b",
            )
            for c in self.truth["crossings"]
            if not c["self"]
        )
        return RouteMap(true_plate(self.truth), leads, judged)

    def _on_truth(self, step: Step) -> Step | None:
        """A step as it is done on the true routes: a peel goes past the nearest true crossing."""
        if step.action == "pull":
            return step
        near = [
            (np.hypot(c.x_mm - step.past[0], c.y_mm - step.past[1]), (c.x_mm, c.y_mm))
            for c in self._true_map().crossings
            if step.wire in (c.a, c.b)
        ]
        if not near or min(near)[0] > NEAR_MM:
            return None
        return Step("peel", step.wire, min(near)[1])


def _key(meeting: Crossing) -> str:
    return f"{meeting.a} {meeting.b} {meeting.x_mm:.2f} {meeting.y_mm:.2f}"


def _nearest(line: np.ndarray, place: np.ndarray) -> np.ndarray:
    """The place on a line (N, 2) nearest to a point, not at its ends."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    s = np.linspace(0.02, 0.98, 1500) * at[-1]
    dense = np.stack([np.interp(s, at, line[:, k]) for k in (0, 1)], 1)
    return dense[np.argmin(np.hypot(*(dense - place).T))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", default=os.environ.get("MAPPER_PLATES", str(DEFAULT)))
    parser.add_argument("--plate", default="plate2")
    parser.add_argument("--photo", default="04_clear_overview.jpg", help="where leads are traced")
    parser.add_argument("--leads", type=int, default=1000)
    parser.add_argument("--traced", action="store_true", help="true leads, traced beforehand")
    parser.add_argument("--crossings", type=int, default=1000)
    parser.add_argument("--shots", type=Path, help="folder for screenshots")
    parser.add_argument("--store", type=Path, help="folder with the job, or to keep it in")
    chosen = parser.parse_args()
    folder = Path(chosen.plates) / chosen.plate
    if chosen.shots is not None:
        chosen.shots.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as fresh, sync_playwright() as playwright:
        place = chosen.store or Path(fresh)
        store = JobStore(place)
        started = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGS)
        with (
            running_server(place) as address,
            page_of(started, address, viewport=WINDOW) as page,
        ):
            page.set_default_timeout(600_000)  # the fits of a busy machine
            person = Person(page, store, truth_of(folder), chosen.shots)
            _work(person, folder, chosen)
        started.close()
        store.close()


def _work(person: Person, folder: Path, chosen: argparse.Namespace) -> None:
    marks = [("start", time.monotonic())]

    def mark(name: str) -> None:
        marks.append((name, time.monotonic()))
        print(f"{name}: {marks[-1][1] - marks[-2][1]:.0f} s", flush=True)

    if chosen.traced:
        full_job(person.store, folder, open_every=1)
    if person.store.jobs():  # begun before: go on with it, what is done is not counted
        person.page.goto(f"{person.page.url}?job={person.job.id}")
        settled(person.page)
        print("goes on with the job in the store; its clicks so far are not counted")
    else:
        person.set_up(folder)
    fits = {one.name: person.job.fits.get(one.sha256) for one in person.job.photos}
    print({name: None if fit is None else fit.verdict for name, fit in fits.items()})
    mark("set up")
    leads = person.trace_all(chosen.photo, chosen.leads)
    mark("trace")
    said = person.judge_all(chosen.crossings)
    mark("judge")
    plan = person.read_plan()
    mark("plan")
    count = max(len(leads), 1)
    print(
        f"leads {count}: right with two clicks {sum(r['right at once'] for r in leads)}, in the "
        f"end {sum(r['right'] for r in leads)}; extra {sum(r['extra'] for r in leads)} "
        f"({sum(r['extra'] for r in leads) / count:.2f} a lead); wrong stretches at first "
        f"{sum(r['wrong at first'] for r in leads)}, in the end {sum(r['wrong'] for r in leads)}"
    )
    print(f"crossings: {dict(said)}; still open {len(Findings(person.job).open_meetings)}")
    print(f"plan: {plan}")
    total = sum(person.acts.values())
    print(
        f"clicks and keys: {dict(person.acts)}, {total} in all, {total / count:.1f} a lead; "
        f"{marks[-1][1] - marks[0][1]:.0f} s"
    )


if __name__ == "__main__":
    main()
