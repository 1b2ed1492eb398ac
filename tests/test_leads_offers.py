"""Leads that are offered without a click: only certain ones, and a person answers each."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from mapper.records import Job, TracedLead
from mapper.trace import prepare
from mapper.ui import leads_offers as offers
from mapper.ui.leads_sight import Sight
from tests.test_leads_tracing import PLATE, fitted, off_route_mm, photo, sight, sight_of

__all__ = ["sight"]  # the fixture


def job(*leads: TracedLead) -> Job:
    entries = {"plate": PLATE.to_mapping()}
    return Job.from_mapping(entries | {f"lead/{one.id}": one.to_mapping() for one in leads})


def searched(job: Job, sight: Sight, image: np.ndarray) -> offers.Search:
    search = offers.Search(job, sight, lambda: prepare(image))
    search.wait()
    return search


@pytest.fixture(scope="module")
def found(sight: Sight) -> offers.Search:
    return searched(job(), sight, photo(fitted()))


def test_a_lead_in_full_sight_is_offered_from_its_drop_to_the_exit(found: offers.Search) -> None:
    ((_, offer, may_be),) = offers.open_offers(found, job())
    assert (offer.drop, offer.exit) == ("D01", "X1")
    assert [one.id for one in may_be] == ["Z01-H", "Z01-T"]


def test_an_accepted_offer_is_a_lead_and_undo_offers_it_again(
    found: offers.Search, sight: Sight
) -> None:
    ((number, offer, (which, *_)),) = offers.open_offers(found, job())
    lead = offers.accepted(offer, which, sight)
    assert (lead.id, lead.finished, lead.exit) == ("Z01-H", True, "X1")
    seen = lead.points_mm[:-1][np.array(lead.seen)]
    # design.md section 7: points in channels, depth known, 95th percentile <= 0.7 mm
    assert np.quantile(off_route_mm(seen), 0.95) < 0.7
    found.accepted[number] = lead.id
    assert offers.open_offers(found, job(lead)) == []
    assert [one for one, _, _ in offers.open_offers(found, job())] == [number]  # taken back
    found.accepted.clear()


def test_a_refused_offer_is_not_shown_again_until_it_is_taken_back(found: offers.Search) -> None:
    ((_, offer, _),) = offers.open_offers(found, job())
    found.refused.append((offer, 3))
    assert offers.open_offers(found, job()) == []
    found.refused.pop()
    assert len(offers.open_offers(found, job())) == 1


def test_a_lead_that_is_drawn_already_is_not_offered_under_another_name(
    found: offers.Search, sight: Sight
) -> None:
    ((_, offer, (_, other)),) = offers.open_offers(found, job())
    drawn = job(offers.accepted(offer, other, sight))  # Z01-H is still missing
    assert searched(drawn, sight, photo(fitted())).offers == ()


def test_a_lead_under_plastic_is_not_offered() -> None:
    image = photo(fitted(), (100, 160))
    search = searched(job(), sight_of(image, fitted()), image)
    assert search.offers == ()
    assert search.error == ""


def test_a_stopped_search_offers_nothing(sight: Sight) -> None:
    stopped = threading.Event()
    search = offers.Search(job(), sight, lambda: stopped.wait(60))
    search.stop()
    stopped.set()
    search.wait()
    assert search.offers == ()
    assert search.error == "Stopped."
