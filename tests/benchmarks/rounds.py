"""A plate taken apart round by round: look, pull what is offered, look again.

    python -m tests.benchmarks.rounds [--store FOLDER] [--plate plate2] [--stray 0.3] [--rounds 12]

The rest of what `whole_plate` begins, without the browser: its job (`--store`), or the true lines
with some stray (mm, one sigma, smooth over nine points). In each round a person is asked about the
leads that may lie free, as the page asks, pulls what the plan then offers, and looks once more
from straight above: what lay under a lead that is out is in sight now, and is drawn, as is what
was drawn beside its lead. Plastic counts as melted from the second round on. Loops of the drawn
line that the lead does not run are drawn over first. Where nothing comes out, the person says how
far leads lie free from their exits, does the lifts that are offered, and looks again; where there
are none, single places are answered that the photos show. Each step is judged by the truth
(`plate_eyes.against_truth`). Ends when no round moves anything any more.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from mapper.pulling import Freed, Step
from mapper.records import (
    Job,
    JobStore,
    Stretch,
    TracedLead,
    judgements_changes,
    lead_changes,
    tick_changes,
)
from mapper.records.changes import Changes
from mapper.ui.along_places import along_of, changes_of, leads_asked
from mapper.ui.asked import HIDDEN, hidden_changes
from mapper.ui.findings import Findings
from tests.benchmarks.plate_eyes import NEAR, Eyes, LeadEyes, against_truth
from tests.full_job import full_job
from tests.test_log_records import with_changes
from tests.truth import lead_id, truth_of

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"
SMOOTHED = 9  # points over which a stray is smoothed
LOOP_ENDS_MM = 0.5
TURNS_BACK_MM = 6.0  # of its lead, along the drawn line


def strayed(points: np.ndarray, sigma_mm: float, rng: np.random.Generator) -> np.ndarray:
    noise = rng.normal(0, sigma_mm, (len(points) + SMOOTHED - 1, 2))
    kernel = np.ones(SMOOTHED) / np.sqrt(SMOOTHED)
    off = np.column_stack([np.convolve(noise[:, k], kernel, "valid") for k in (0, 1)])
    return points + off


def lying(eyes: Eyes, job: Job) -> dict[str, np.ndarray]:
    """Per lead, the vertices that still lie in the plate: not those of leads that are out, nor
    what was lifted."""
    teardown = job.teardown
    found = {}
    for name, lead in eyes.leads.items():
        found[name] = np.full(len(lead.mm), name not in teardown.out)
    for one in teardown.done:
        if isinstance(one, Freed) and one.wire in found:
            drawn = teardown.route_map.leads_by_id[one.wire]
            place = drawn.point_at_mm(np.array([one.down_to_mm]))
            found[one.wire][int(cKDTree(eyes.leads[one.wire].mm).query(place)[1][0]) :] = False
    return found


def from_above(eyes: Eyes) -> dict[str, np.ndarray]:
    """Per lead, the vertices that nothing which remains lies over, seen from straight above."""
    shown = {}
    for name, lead in eyes.leads.items():
        hidden = np.zeros(len(lead.mm), bool)
        for other in eyes.leads.values():
            left = eyes.lies[other.id]
            if other.id == name or not left.any():
                continue
            near = cKDTree(other.mm[left]).query_ball_point(lead.mm, other.diameter_mm / 2)
            z_mm = other.z_mm[left]
            over = [any(z_mm[k] > z for k in ks) for ks, z in zip(near, lead.z_mm, strict=True)]
            hidden |= np.array(over)
        shown[name] = lead.inside & ~hidden
    return shown


def stretches_of(points: np.ndarray, seen: np.ndarray) -> tuple[Stretch, ...]:
    """A route (N, 2) with one entry per segment, as stretches that were seen or not."""
    ends = [0, *(np.flatnonzero(np.diff(seen.astype(int))) + 1).tolist(), len(seen)]
    return tuple(
        Stretch(tuple(map(tuple, points[a : b + 1].tolist())), seen=bool(seen[a]))
        for a, b in zip(ends[:-1], ends[1:], strict=True)
    )


def redrawn(
    lead: TracedLead, eyes: LeadEyes, shown: np.ndarray, stray_mm: float, rng: np.random.Generator
) -> TracedLead | None:
    """The lead with those of its runs drawn anew that nobody had seen, or that lie beside the
    lead, and that are in sight now; None without any. A line that turns back on its way is drawn
    anew as a whole."""
    points, seen = lead.points_mm, np.array(lead.seen, bool)
    in_sight = eyes.filled(shown | ~eyes.inside)
    places, states, new = [points[:1]], [], False
    at = eyes.along(points)[1]
    if (np.maximum.accumulate(eyes.s_mm[at]) - eyes.s_mm[at]).max() > TURNS_BACK_MM:
        line, sight = strayed(eyes.mm[eyes.inside], stray_mm, rng), in_sight[eyes.inside]
        return replace(lead, stretches=stretches_of(line, sight[1:] & sight[:-1]))
    off_mm = eyes.along((points[1:] + points[:-1]) / 2)[0]
    right = seen & (off_mm <= NEAR * eyes.diameter_mm)
    ends = [0, *(np.flatnonzero(np.diff(right.astype(int))) + 1).tolist(), len(seen)]
    for a, b in zip(ends[:-1], ends[1:], strict=True):
        first, last = sorted(at[[a, b]].tolist())
        sight = in_sight[first : last + 1]
        if right[a] or last - first < 2 or not sight.any():
            places.append(points[a + 1 : b + 1])
            states += seen[a:b].tolist()
            continue
        new = True
        line = strayed(eyes.mm[first : last + 1], stray_mm, rng)
        if a == 0:
            places = [line[:1]]
        places.append(np.vstack([line[1:-1], points[b : b + 1] if b < len(seen) else line[-1:]]))
        states += (sight[1:] & sight[:-1]).tolist()
    if not new:
        return None
    return replace(lead, stretches=stretches_of(np.vstack(places), np.array(states)))


def without_loops(job: Job, own: set[str]) -> Job:
    """Loops that are drawn and not there are drawn over; `own`: leads that do cross themselves."""
    for lead in job.leads:
        found = job.route_map(provisional=False).found
        loops = [m for m in found if m.a == m.b == lead.id and m.kind == "crossing"]
        if not loops or lead.id in own:
            continue
        low = min(one.a_span_mm[0] for one in loops) - LOOP_ENDS_MM
        high = max(one.b_span_mm[1] for one in loops) + LOOP_ENDS_MM
        points, seen = lead.points_mm, np.array(lead.seen, bool)
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        kept = np.flatnonzero((arc < low) | (arc > high))
        states = np.array([bool(seen[a:b].all()) for a, b in zip(kept[:-1], kept[1:], strict=True)])
        new = replace(lead, stretches=stretches_of(points[kept], states))
        job = with_changes(job, lead_changes(new))
    return job


def said_no_more(job: Job) -> Changes:
    """Take back what was said to lie under something; judgements stay."""
    changes: Changes = {}
    for one in job.judged:
        if HIDDEN in one.extra:
            left = {key: value for key, value in one.extra.items() if key != HIDDEN}
            kept = None if one.top is None else replace(one, extra=left).to_mapping()
            changes[f"judged/{one.id}"] = kept
    return changes


def looked(job: Job, eyes: Eyes, count: Counter[str]) -> Job:
    """Look along the leads that are asked about, until the page asks no more."""
    while True:
        found = Findings(job)
        asked = leads_asked(found)
        if not asked:
            return job
        along, drawn = along_of(found, asked[0]), found.traced.leads_by_id[asked[0]]
        marked = eyes.marks(along, drawn)
        if along.to_lift:
            marked = marked[:1]
        free = [(along.places[n - 1], None) for n in along.free_of(marked)]
        hidden = [(along.places[n - 1], None) for n in marked]
        count["lift looks" if along.to_lift else "looks"] += 1
        lies_on = sorted({along.other(place) for place, _ in hidden})
        print(f"  {along.lead}: {len(free)} free; hidden with {lies_on}", flush=True)
        changes: Changes = {}
        if along.to_lift or not hidden:
            count["places answered"] += len(free)
            changes = changes_of(job, along, free, "")
            changes |= hidden_changes(found, along.lead, hidden, "")
        else:
            anywhere = [(one, None) for one in along.places]
            changes = hidden_changes(found, along.lead, anywhere, "", somewhere=True)
        job = with_changes(job, changes)


def told_one_by_one(job: Job, eyes: Eyes, count: Counter[str], own: bool) -> Job:
    """Answer open places one by one, as far as the photos show them: those where a lead meets
    itself (`own`), or all others."""
    for meeting in Findings(job).open_meetings:
        top = eyes.answer(meeting) if (meeting.a == meeting.b) == own else None
        if top is not None:
            count["one by one"] += 1
            job = with_changes(job, judgements_changes(job, [(meeting, None)], top, ""))
    return job


def taken_apart(job: Job, truth: dict[str, Any], chosen: argparse.Namespace) -> None:
    eyes, rng = Eyes(truth), np.random.default_rng(3)
    steps: list[Step] = []
    freed: dict[int, int] = {}
    total: Counter[str] = Counter()
    for number in range(1, chosen.rounds + 1):
        count: Counter[str] = Counter()
        job = told_one_by_one(looked(job, eyes, count), eyes, count, own=True)
        found = Findings(job)
        if not found.steps_now:
            job = told_one_by_one(job, eyes, count, own=False)
            found = Findings(job)
        now = found.steps_now
        for step in now:
            job = with_changes(job, tick_changes(job, step.action, step.wire, step.past))
            freed[len(steps)] = int(np.argmin(lying(eyes, job)[step.wire]))
            steps.append(step)
        total += count
        said = against_truth(truth, eyes, steps, freed)
        out = {step.wire for step in steps if step.action == "pull"}
        print(
            f"round {number}: {dict(count)}; {[f'{one.action} {one.wire}' for one in now]}; "
            f"{len(out)} of {len(eyes.leads)} out, {found.offered.status}; {said}",
            flush=True,
        )
        if (not now and number > 1) or len(out) == len(eyes.leads):
            break
        eyes.lies = lying(eyes, job)
        for name, shown in from_above(eyes).items():
            eyes.leads[name].visible["from above"] = shown
        # a new photo: what was said to lie under something is looked at again
        job = with_changes(job, said_no_more(job))
        for lead in job.leads:
            if lead.id not in out:
                shown = eyes.leads[lead.id].visible["from above"]
                new = redrawn(lead, eyes.leads[lead.id], shown, chosen.stray, rng)
                job = job if new is None else with_changes(job, lead_changes(new))
    print(f"in all {dict(total)}, {len(steps)} steps")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", default=os.environ.get("MAPPER_PLATES", str(DEFAULT)))
    parser.add_argument("--plate", default="plate2")
    parser.add_argument("--store", type=Path, help="folder with the job of `whole_plate`")
    parser.add_argument("--stray", type=float, default=0.3, help="mm")
    parser.add_argument("--rounds", type=int, default=30)
    chosen = parser.parse_args()
    folder = Path(chosen.plates) / chosen.plate
    truth = truth_of(folder)
    with tempfile.TemporaryDirectory() as fresh:
        store = JobStore(chosen.store or Path(fresh))
        if chosen.store is None:
            full_job(store, folder, open_every=1)
        job = store.job(store.jobs()[0].id)
        job = with_changes(job, {f"judged/{name}": None for name in job.names("judged")})
        store.close()
    if chosen.store is None:
        rng = np.random.default_rng(1)
        for lead in job.leads:
            points = strayed(lead.points_mm, chosen.stray, rng)
            one = stretches_of(points, np.ones(len(points) - 1, bool))
            job = with_changes(job, lead_changes(replace(lead, stretches=one)))
    own = {lead_id(one["a"]) for one in truth["crossings"] if one["self"]}
    taken_apart(without_loops(job, own), truth, chosen)


if __name__ == "__main__":
    main()
