"""A scripted person takes a plate of 24 leads from empty to planned through the real pages.

    python -m tests.benchmarks.whole_plate [--plates FOLDER] [--plate plate2] [--leads 24]
        [--crossings 500] [--traced] [--store FOLDER] [--shots FOLDER]

The person takes in the plate file, adds the photos, fits all, clicks each lead on the cleared
overview at its two ends and draws by hand over what is wrong there, then on the other photos over
what the first does not show; what no photo shows is marked unseen. Then the person looks along
the leads that may lie free, and answers by keys what is asked for after that. The truth serves
as eyes only (`plate_eyes`). The plan is replayed on the truth. Counted: clicks, drags and keys; an
upload counts as one.
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

from mapper.records import Job, JobStore, TracedLead
from mapper.routes import Crossing, RouteMap, route_map_to_mapping
from mapper.ui.along_places import Along, along_of
from mapper.ui.findings import Findings
from tests.benchmarks.plate_eyes import Eyes, Run, against_truth
from tests.browser import (
    CHROMIUM_ARGS,
    CanvasDriver,
    chromium_path,
    go,
    page_of,
    running_server,
    seen,
    settled,
)
from tests.full_job import full_job
from tests.truth import lead_id, true_plate, truth_of

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"
WINDOW = {"width": 1366, "height": 768}
MOST_STROKES = 10  # on one lead and photo, before a person gives it up
CLOSE = 1.2  # css px per photo px at which leads side by side can be told apart
STROKE_CLOSE = 2.2  # the same, to draw by hand
ENOUGH = 0.8  # of these will do where the photo is that large already
HAND_PX = 1.0  # css px (sigma) by which a hand strays from the lead it draws along
GUESS_OFF_MM = 1.5  # how far a run that nobody sees is guessed beside where it lies
ALONG_ASKS = re.compile(r"^(?:Does anything lie on|How far may) (.+?)(?: be lifted)?\?$")
ALONG_ENDS = re.compile(
    "No look brings another lead out now|All that looks along leads|No open place of two leads"
)
ANSWER_KEYS = {"a": "1", "b": "2", "apart": "3", None: "4"}
LOOK_MS = 500  # a person looks before answering


class Person:
    """The scripted person: acts through the page, and counts what was done."""

    def __init__(self, page: Any, store: JobStore, truth: dict, shots: Path | None) -> None:
        self.page, self.store, self.truth, self.shots = page, store, truth, shots
        self.acts: Counter[str] = Counter()
        self.eyes = Eyes(truth)
        self.order: list[str] = []  # photos, as they are looked at
        self.notes: Counter[str] = Counter()  # what the app said against a stroke
        self.rng = np.random.default_rng(0)  # how a hand shakes

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
        """Trace every lead on one photo; then look at all of them on the other photos."""
        others = [one["file"] for one in self.truth["photos"] if one["file"] != photo_name]
        self.order = [photo_name, *reversed(others)]  # the later, the less plastic is left
        self.walk("Leads", "trace")
        self._show(photo_name)
        wires = next(one for one in self.truth["photos"] if one["file"] == photo_name)["wires"]
        names = [lead_id(wire["id"]) for wire in wires][:count]
        begun = {lead.id for lead in self.job.leads}
        results: dict[str, dict[str, Any]] = {}
        for number, name in enumerate(names, start=1):
            if name not in begun:
                results[name] = self._trace(photo_name, name)
                print(results[name], flush=True)
            if number in (1, 12):
                self.shot(f"leads {number}")
        for other in self.order[1:]:
            todo = [name for name in names if self._wrong(name, other)]
            if todo:
                self._show(other)
            for name in todo:
                self._pick(name)
                self._mend(name, other)
        self._show(photo_name)
        for name in names:
            runs = self.eyes.leads[name].unseen_drawn_seen(self._lead(name))
            if runs:
                self._pick(name)
            for run in runs:
                self._draw_unseen(name, photo_name, run)
        for name in names:
            lead, eyes = self._lead(name), self.eyes.leads[name]
            results.setdefault(name, {"lead": name}).update(
                wrong=sum(len(self._wrong(name, photo)) for photo in self.order),
                guessed=len(eyes.unseen_drawn_seen(lead)),
                astray=eyes.astray(lead),
            )
        print(self.notes, flush=True)
        return list(results.values())

    def _show(self, photo_name: str) -> None:
        """Have the canvas show that photo."""
        entry = next(one for one in self.job.photos if one.name == photo_name)
        canvas = CanvasDriver(self.page)
        self.page.keyboard.press("0")
        self.acts["trace"] += 1
        for _ in self.job.photos:
            if self.page.url.find(entry.sha256) >= 0:
                break
            self.page.keyboard.press("p")
            self.acts["trace"] += 1
            canvas.wait_acknowledged()
            self.page.wait_for_timeout(300)
        canvas.wait_tiles()

    def _pick(self, name: str) -> None:
        self.page.get_by_role("button", name=f"{name}:").click()
        self.page.locator(f'button.lead.on[title^="{name}:"]').wait_for()
        self.acts["trace"] += 1
        self.page.wait_for_timeout(250)

    def _trace(self, photo: str, name: str) -> dict[str, Any]:
        page, eyes = self.page, self.eyes.leads[name]
        began, before = time.monotonic(), sum(self.acts.values())
        self._pick(name)
        canvas = CanvasDriver(page)
        seen = np.flatnonzero(eyes.visible[photo])
        for at in (seen[0], seen[-1]):
            self._close_to(canvas, eyes.on[photo][[at]])
            canvas.click(*eyes.on[photo][at])
            self.acts["trace"] += 1
            canvas.wait_acknowledged()
        if not self._lead(name).finished:
            page.keyboard.press("f")
            self.acts["trace"] += 1
            canvas.wait_acknowledged()
        wrong = self._wrong(name, photo)
        strokes = self._mend(name, photo)
        return {
            "lead": name,
            "wrong at first": len(wrong),
            "strokes": strokes,
            "wrong here": len(self._wrong(name, photo)),
            "finished": self._lead(name).finished,
            "acts": sum(self.acts.values()) - before,
            "seconds": round(time.monotonic() - began, 1),
        }

    def _mend(self, name: str, photo: str) -> int:
        """Draw over what is wrong on a photo; a place that stays wrong is left after one try."""
        tried: list[Run] = []
        while len(tried) < MOST_STROKES:
            runs = self._wrong(name, photo)
            runs = [run for run in runs if not any(run.within(one) for one in tried)]
            if not runs:
                break
            self._draw(name, photo, runs[0])
            tried.append(runs[0])
        return len(tried)

    def _draw(self, name: str, photo: str, run: Run) -> None:
        """Draw over a run that is wrong, from where the line is right to where it is again."""
        eyes = self.eyes.leads[name]
        off, _ = self._off(name, photo)
        self._stroke(eyes.ends_on_line(run, off), eyes.on[photo], 0.0)

    def _wrong(self, name: str, photo: str) -> list[Run]:
        before = self.order[: self.order.index(photo)]
        return self.eyes.leads[name].wrong(photo, *self._off(name, photo), before)

    def _off(self, name: str, photo: str) -> tuple[np.ndarray, np.ndarray]:
        """How far the line as it is shown on a photo is off the lead, and where it is as seen."""
        job, lead = self.job, self._lead(name)
        entry = next(one for one in job.photos if one.name == photo)
        fit, places, seen = job.fits[entry.sha256], [], []
        for one in lead.stretches:
            if one.photo == entry.sha256 and one.points_px is not None:
                px = np.array(one.points_px, float)
            else:
                mm = np.array(one.points_mm, float)
                depth = job.plate.lead_depth_mm(mm) if one.depth_mm is None else one.depth_mm
                px = fit.photo_from_plate(mm, np.asarray(depth, float))
            places.append(px)
            seen += [one.seen] * len(px)
        return self.eyes.leads[name].off_on(photo, np.concatenate(places), np.array(seen[1:]))

    def _draw_unseen(self, name: str, photo: str, run: Run) -> None:
        """A run that no photo shows: drawn along what hides it, then marked unseen."""
        eyes = self.eyes.leads[name]
        line = eyes.on[photo].copy()
        px_per_mm = float(
            np.hypot(*np.diff(line[[run.first, run.last]], axis=0)[0]) / max(eyes.long_mm(run), 1)
        )
        off = GUESS_OFF_MM * px_per_mm * self.rng.choice([-1.0, 1.0])
        stroke = self._stroke(run, line, off)
        self.page.mouse.move(*CanvasDriver(self.page).screen(*stroke[len(stroke) // 2]))
        self.page.keyboard.press("u")
        self.acts["trace"] += 2
        CanvasDriver(self.page).wait_acknowledged()

    def _stroke(self, run: Run, line: np.ndarray, aside_px: float) -> np.ndarray:
        """Draw by hand along a run of a line on the photo shown; the places drawn, px."""
        page, canvas = self.page, CanvasDriver(self.page)
        way = line[run.first : run.last + 1]
        self._close_to(canvas, way, STROKE_CLOSE)
        scale = canvas.view()[0]
        at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
        s = np.linspace(0, at[-1], max(int(at[-1] * scale / 6), 8))
        way = np.column_stack([np.interp(s, at, way[:, k]) for k in (0, 1)])
        along = np.gradient(way, axis=0)
        normal = np.column_stack([-along[:, 1], along[:, 0]])
        normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
        wobble = np.convolve(self.rng.normal(0, 1, len(s) + 8), np.ones(9) / 3, "valid")
        bulge = aside_px * np.sin(np.pi * np.linspace(0, 1, len(s)))
        way = way + normal * (HAND_PX * wobble / scale + bulge)[:, None]
        page.keyboard.down("Shift")
        page.mouse.move(*canvas.screen(*way[0]))
        page.mouse.down()
        box, view = canvas.root.bounding_box(), canvas.view()
        for place in way[1:]:
            page.mouse.move(*canvas.screen_in(view, box, *place))
        page.mouse.up()
        page.keyboard.up("Shift")
        self.acts["trace"] += 1
        canvas.wait_acknowledged()
        alert = canvas.root.locator(".hint.alert")
        if alert.count() and alert.is_visible():
            self.notes[alert.inner_text()] += 1
        return way

    def _close_to(self, canvas: CanvasDriver, wanted: np.ndarray, close: float = CLOSE) -> None:
        """Zoom in until leads that lie side by side can be told apart at some places of the
        photo (N, 2) px, all of them in sight; unless that is so already."""
        if canvas.view()[0] >= ENOUGH * close and self._clear(canvas, wanted):
            return
        if canvas.view()[0] >= ENOUGH * close:
            self._to_middle(canvas, wanted)  # near enough: only pushed aside
            if self._clear(canvas, wanted):
                return
        self.page.keyboard.press("0")
        self.page.wait_for_timeout(150)
        self.acts["trace"] += 2  # the key, and turning the wheel
        pushed = 0
        for _ in range(30):
            if canvas.view()[0] >= close:
                break
            self.page.mouse.move(*canvas.screen(*((wanted.min(0) + wanted.max(0)) / 2)))
            self.page.mouse.wheel(0, -160)
            self.page.wait_for_timeout(50)
            if self._clear(canvas, wanted):
                continue
            if pushed < 2:
                self._to_middle(canvas, wanted)
                pushed += 1
            if not self._clear(canvas, wanted):
                self.page.mouse.wheel(0, 160)
                self.page.wait_for_timeout(50)
                break
        self.page.wait_for_timeout(100)
        if not self._clear(canvas, wanted):
            self._to_middle(canvas, wanted)

    def _to_middle(self, canvas: CanvasDriver, wanted: np.ndarray) -> None:
        """Push the photo until the places lie in the middle of what is free of keys."""
        box = canvas.root.bounding_box()
        middle = box["x"] + (box["width"] - 80) / 2, box["y"] + (box["height"] - 20) / 2
        x, y = canvas.screen(*((wanted.min(0) + wanted.max(0)) / 2))
        if abs(x - middle[0]) + abs(y - middle[1]) < 8:
            return
        self.page.mouse.move(*middle)
        self.page.keyboard.down(" ")
        self.page.mouse.down()
        self.page.mouse.move(2 * middle[0] - x, 2 * middle[1] - y, steps=3)
        self.page.mouse.up()
        self.page.keyboard.up(" ")
        self.acts["trace"] += 1
        self.page.wait_for_timeout(80)

    def _clear(self, canvas: CanvasDriver, places: np.ndarray) -> bool:
        """Whether the places of the photo (px) lie in sight and not under a key or a button."""
        box, view = canvas.root.bounding_box(), canvas.view()
        at = np.array([canvas.screen_in(view, box, *one) for one in places])
        at -= (box["x"], box["y"])
        return bool((at > (30, 60)).all() and (at < (box["width"] - 80, box["height"] - 70)).all())

    def _lead(self, name: str) -> TracedLead:
        return next(one for one in self.job.leads if one.id == name)

    # ---- crossings

    def questions(self) -> dict[str, Any]:
        """How many questions there are, per kind; with the truth's."""
        findings = Findings(self.job)
        found, asked = findings.meetings, findings.asked.now
        kinds = Counter(one.kind for one in found)
        of_truth = sum(not one["self"] for one in self.truth["crossings"])
        return {
            **kinds,
            "asked now": f"{len(findings.asked_now)} places of {len(asked.leads)} leads",
            "of a lead with itself": sum(m.a == m.b for m in found),
            "true crossings of two leads": of_truth,
        }

    def look_along_all(self) -> list[dict[str, Any]]:
        """Look along the leads that may lie free, in turn, as long as the page asks."""
        page, looked = self.page, []
        self.walk("Crossings", "along")
        page.get_by_text("One lead all along").click()
        self.acts["along"] += 1
        heading = page.get_by_role("heading", name=ALONG_ASKS)
        heading.or_(page.get_by_text(ALONG_ENDS)).first.wait_for()
        settled(page)
        while heading.count():
            looked.append(self._look_along(heading.inner_text()))
            print(looked[-1], flush=True)
            if len(looked) in (1, 3):
                self.shot(f"along {len(looked)}")
        self.shot("along, all")
        return looked

    def _look_along(self, asked: str) -> dict[str, Any]:
        """Say that nothing lies on the lead that the page asks about, or that something does; where
        it is asked how far it may be lifted, mark the first place where something does."""
        page, job = self.page, self.job
        name = ALONG_ASKS.match(asked)[1]
        began, before = time.monotonic(), sum(self.acts.values())
        found = Findings(job)
        along, drawn = along_of(found, name), found.traced.leads_by_id[name]
        hidden = self.eyes.marks(along, drawn)
        free = len(along.places) if not hidden else 0
        if along.to_lift and hidden:
            free = len(along.free_of(hidden[:1]))
            self._mark(along, hidden[0])
        page.wait_for_timeout(LOOK_MS * (1 + len(along.parts)))
        seen(page)
        page.keyboard.press("1" if free else "2")
        self.acts["along"] += 1
        heading = page.get_by_role("heading", name=asked, exact=True)
        heading.wait_for(state="detached")
        settled(page)
        offered = Findings(self.job).offered
        return {
            "looked along": name,
            "places": len(along.places),
            "answered": free,
            "acts": sum(self.acts.values()) - before,
            "seconds": round(time.monotonic() - began, 1),
            "offered": [step.wire for step in offered.steps],
        }

    def _mark(self, along: Along, number: int) -> None:
        """Mark a place where something lies on the lead."""
        words = f"{number} {along.other(along.places[number - 1])}"
        self.page.get_by_role("button", name=words, exact=True).first.click()
        self.acts["along"] += 1
        settled(self.page)

    def judge_all(self, most: int) -> Counter[str]:
        page, said = self.page, Counter()
        page.get_by_text("One place", exact=True).click()
        self.acts["judge"] += 1
        page.get_by_text(re.compile(r"^Now \(")).first.wait_for()
        settled(page)
        passed: set[str] = set()
        self.shot("crossing")
        while sum(said.values()) < most and Findings(self.job).asked_now:
            desk = page.locator(".st-key-desk")
            if not desk.count():
                break
            text = desk.inner_text()
            meeting = self._meeting(text)
            if meeting is None or _key(meeting) in passed:
                break
            answer = ANSWER_KEYS[self.eyes.answer(meeting)]
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

    # ---- plan

    def read_plan(self) -> dict[str, Any]:
        self.walk("Pull plan", "plan")
        self.page.wait_for_timeout(1000)
        self.shot("plan")
        plan = Findings(self.job).offered
        return {
            "status": plan.status,
            "steps": [f"{one.action} {one.wire}" for one in plan.steps],
            "left": len(plan.left),
            **against_truth(self.truth, self.eyes, plan.steps),
        }


def _key(meeting: Crossing) -> str:
    return f"{meeting.a} {meeting.b} {meeting.x_mm:.2f} {meeting.y_mm:.2f}"


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
    print(f"questions: {person.questions()}")
    looked = person.look_along_all()
    mark("look along")
    said = person.judge_all(chosen.crossings)
    mark("judge")
    plan = person.read_plan()
    mark("plan")
    count = max(len(leads), 1)
    print(
        f"leads {count}: wrong stretches at first "
        f"{sum(r.get('wrong at first', 0) for r in leads)}, strokes on the first photo "
        f"{sum(r.get('strokes', 0) for r in leads)}; in the end wrong "
        f"{sum(r['wrong'] for r in leads)}, drawn as seen where nobody saw "
        f"{sum(r['guessed'] for r in leads)}, astray {sum(r['astray'] for r in leads)}"
    )
    print(
        f"looked along {len(looked)} leads: {sum(one['answered'] for one in looked)} places "
        f"answered by {sum(one['acts'] for one in looked)} clicks and keys"
    )
    left = Findings(person.job)
    print(
        f"crossings: {dict(said)}; still open {len(left.open_meetings)}, of these asked now "
        f"{len(left.asked_now)}"
    )
    print(f"plan: {plan}")
    total = sum(person.acts.values())
    print(
        f"clicks and keys: {dict(person.acts)}, {total} in all, {total / count:.1f} a lead; "
        f"{marks[-1][1] - marks[0][1]:.0f} s"
    )


if __name__ == "__main__":
    main()
