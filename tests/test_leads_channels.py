"""Progress per channel, and which leads run in one: on a plate small enough to count by hand."""

from __future__ import annotations

import pytest

from mapper.plate import Plate
from mapper.records import Job, Stretch, TracedLead
from mapper.ui import leads_channels as channels
from tests.test_leads_tracing import PLATE


def lead(id: str, drop: str, *parts: Stretch, finished: bool = True) -> TracedLead:
    kind = "heater" if id.endswith("H") else "thermocouple"
    return TracedLead(id, kind, drop, "X1" if finished else None, parts, 2.0, None, finished)


def run(*points_mm: tuple[float, float], seen: bool = True) -> Stretch:
    return Stretch(points_mm, seen)


# Z01-H is buried for 60 of the 240 mm that it runs in C2; Z02-H is drawn down C3 only.
Z01_H = lead(
    "Z01-H",
    "D01",
    run((60, 150), (60, 60), (180, 60)),
    run((180, 60), (240, 60), seen=False),
    run((240, 60), (300, 60)),
)
Z02_H = lead("Z02-H", "D02", run((180, 150), (180, 75)), finished=False)
# It leaves D02, crosses Z01-H at (150, 60), and is back in C2 along its lower half.
Z02_T = lead("Z02-T", "D02", run((180, 150), (180, 66), (150, 66), (150, 54), (300, 54)))


def job(*leads: TracedLead, judged: str | None = None) -> Job:
    entries: dict = {"plate": PLATE.to_mapping()}
    entries |= {f"lead/{one.id}": one.to_mapping() for one in leads}
    if judged:
        entries["judged/1"] = {"a": "Z01-H", "b": "Z02-T", "x": 150, "y": 60, "top": judged}
    return Job.from_mapping(entries)


def test_progress_of_each_channel_is_what_a_count_by_hand_gives() -> None:
    rows = {one.channel: one for one in channels.progress(job(Z01_H, Z02_H))}
    assert (rows["C1"].leads, rows["C1"].traced) == (1, 1)
    assert rows["C1"].seen_share == 1.0
    assert (rows["C3"].leads, rows["C3"].traced) == (1, 0)
    assert (rows["C2"].leads, rows["C2"].traced) == (1, 1)
    # C2 with its round end: 240 mm along it and the last 9 mm of C1, of which 60 mm are buried.
    assert rows["C2"].drawn_mm == pytest.approx(249)
    assert rows["C2"].seen_mm == pytest.approx(189)


def test_the_last_row_counts_leads_that_nobody_has_begun() -> None:
    *_, whole = channels.progress(job(Z01_H, Z02_H))
    assert whole.channel is None
    assert (whole.leads, whole.traced) == (4, 1)  # two drops with two leads each
    assert whole.drawn_mm == pytest.approx(90 + 240 + 75)
    assert whole.seen_mm == pytest.approx(90 + 180 + 75)


def test_a_judged_meeting_counts_in_its_channel_and_in_all() -> None:
    for judged in (None, "a"):
        rows = {one.channel: one for one in channels.progress(job(Z01_H, Z02_T, judged=judged))}
        assert rows["C1"].meetings == 0
        assert rows["C2"].meetings == rows[None].meetings > 0
        assert rows["C2"].judged == rows[None].judged == (1 if judged else 0)


def test_nothing_drawn_has_no_share_that_was_seen() -> None:
    rows = channels.progress(job())
    assert all(one.seen_share is None and one.traced == 0 for one in rows)
    assert rows[-1].leads == 4


def test_a_lead_that_only_passes_over_a_channel_does_not_run_in_it() -> None:
    c2 = PLATE.channels[1]
    across = lead("Z02-H", "D02", run((180, 150), (180, 20)))
    assert channels.inside_mm(c2, across)[0] == pytest.approx(c2.width_mm)
    assert not channels.runs_in(c2, across)
    assert channels.runs_in(c2, Z02_T)


def test_one_channel_shown_hides_the_leads_of_the_others() -> None:
    three = job(Z01_H, Z02_H, Z02_T)
    assert channels.hidden_outside(three, "C1") == {"Z02-H", "Z02-T"}
    assert channels.hidden_outside(three, "C3") == {"Z01-H"}
    assert channels.hidden_outside(three, None) == frozenset()
    assert channels.hidden_outside(three, "a channel that was") == frozenset()


def test_a_short_channel_is_run_in_by_what_fills_most_of_it() -> None:
    mapping = PLATE.to_mapping()
    mapping["channels"].append(
        {"id": "C4", "points": [[180, 60], [180, 50]], "width": 14, "depth": 15}
    )
    short = Plate.from_mapping(mapping).channels[3]
    assert channels.runs_in(short, lead("Z02-H", "D02", run((180, 60), (180, 50))))
    assert not channels.runs_in(short, lead("Z02-H", "D02", run((180, 100), (180, 70))))


def test_a_place_in_a_channel_or_just_beside_it_means_that_channel() -> None:
    for channel in PLATE.channels:
        (x0, y0), (x1, y1) = channel.points_mm[:2]
        inside = (x0 + (x1 - x0) / 4, y0 + (y1 - y0) / 4)  # no other channel joins there
        assert channels.channel_at(PLATE, inside) == channel.id
    c2 = PLATE.channels[1]
    (x0, y), (x1, _) = c2.points_mm[:2]
    assert channels.channel_at(PLATE, ((x0 + x1) / 2, y - 0.9 * c2.width_mm)) == c2.id
    assert channels.channel_at(PLATE, ((x0 + x1) / 2, y - 1.6 * c2.width_mm)) is None
