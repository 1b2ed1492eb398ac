"""A buried run is offered again when a newer photo has its place in it, and not before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mapper.fit import PhotoFit
from mapper.records import Job, PhotoEntry, Stretch, TracedLead
from mapper.ui.leads_again import left_unseen, second_looks
from tests.test_leads_tracing import PLATE, camera, fitted

OLD, NEW, LATER = "0" * 64, "1" * 64, "2" * 64
STAGES = {OLD: "before", NEW: "during 1", LATER: "cleared"}
SEEN = Stretch(((60, 138), (60, 60), (120, 60)), True, OLD)
BURIED = Stretch(((120, 60), (180, 60)), False)
REST = Stretch(((180, 60), (300, 60)), True, OLD)


def job(*parts: Stretch, fits: dict[str, PhotoFit], stages: dict[str, str] = STAGES) -> Job:
    lead = TracedLead("Z01-H", "heater", "D01", "X1", parts, 2.0, None, True)
    entries: dict = {"plate": PLATE.to_mapping(), "lead/Z01-H": lead.to_mapping()}
    for sha256, stage in stages.items():
        entries[f"photo/{sha256}"] = PhotoEntry(sha256, f"{stage}.jpg", stage).to_mapping()
    for sha256, fit in fits.items():
        entries[f"fit/{sha256}"] = {"fit": fit.to_dict(), "clicks": []}
    return Job.from_mapping(entries)


@pytest.fixture
def fit() -> PhotoFit:
    return fitted()


def away(fit: PhotoFit) -> PhotoFit:
    """A close-up that looks at another part of the plate."""
    centre = (fit.camera.centre_px[0] + 3000.0, fit.camera.centre_px[1])
    return replace(fit, camera=replace(camera(), centre_px=centre))


def test_nothing_is_offered_while_no_newer_photo_is_fitted(fit: PhotoFit) -> None:
    assert second_looks(job(SEEN, BURIED, REST, fits={OLD: fit})) == ()


def test_a_buried_run_is_offered_on_the_newest_photo_that_has_it(fit: PhotoFit) -> None:
    (look,) = second_looks(job(SEEN, BURIED, REST, fits={OLD: fit, NEW: fit, LATER: fit}))
    assert (look.lead, look.index, look.photo) == ("Z01-H", 1, LATER)
    assert look.length_mm == pytest.approx(60)
    (look,) = second_looks(job(SEEN, BURIED, REST, fits={OLD: fit, NEW: fit, LATER: away(fit)}))
    assert look.photo == NEW


def test_a_run_drawn_again_on_the_newest_photo_is_offered_no_more(fit: PhotoFit) -> None:
    fits = {OLD: fit, NEW: fit, LATER: fit}
    assert second_looks(job(SEEN, replace(BURIED, photo=LATER), REST, fits=fits)) == ()
    assert second_looks(job(SEEN, replace(BURIED, seen=True), REST, fits=fits)) == ()
    beside = replace(REST, photo=LATER)  # who drew that went on to the newest photo, and saw
    assert second_looks(job(SEEN, BURIED, beside, fits=fits)) == ()


def test_a_doubtful_fit_and_a_rebuilt_plate_offer_nothing(fit: PhotoFit) -> None:
    doubtful = replace(fit, verdict="doubtful", reasons=("for the test",))
    assert second_looks(job(SEEN, BURIED, REST, fits={OLD: fit, LATER: doubtful})) == ()
    stages = {OLD: "before", LATER: "rebuilt"}
    rebuilt = job(SEEN, BURIED, REST, fits={OLD: fit, LATER: fit}, stages=stages)
    assert second_looks(rebuilt) == ()


def test_a_run_of_a_few_millimetres_is_not_worth_the_walk(fit: PhotoFit) -> None:
    short = Stretch(((120, 60), (123, 60)), False)
    assert second_looks(job(SEEN, short, REST, fits={OLD: fit, LATER: fit})) == ()


def test_a_run_that_somebody_left_unseen_is_offered_again_on_a_newer_photo_only(
    fit: PhotoFit,
) -> None:
    with_new = {OLD: fit, NEW: fit}
    before = job(SEEN, BURIED, REST, fits=with_new)
    (look,) = second_looks(before)
    lead = left_unseen(before.leads[0], look)
    assert lead.stretches[1].seen is False
    lead = TracedLead.from_mapping(lead.to_mapping())  # as the archive keeps it
    assert second_looks(job(*lead.stretches, fits=with_new)) == ()
    (again,) = second_looks(job(*lead.stretches, fits={**with_new, LATER: fit}))
    assert again.photo == LATER
