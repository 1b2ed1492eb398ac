"""Votes on a crossing: worked odds, and a contradiction never gives an answer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.trace import Vote, count_votes

VOTES = st.lists(
    st.builds(
        Vote,
        st.sampled_from(["a", "b", None]),
        st.floats(0, 1),
        st.sampled_from(["photo", "height"]),
    ),
    max_size=7,
)


def test_independent_witnesses_multiply_their_odds():
    """Bayes, worked by hand: odds 9 and 9 make 81, so 81/82."""
    found = count_votes([Vote("a", 0.9, "photo"), Vote("a", 0.9, "height")])
    assert found.top == "a"
    assert found.confidence == pytest.approx(81 / 82)


def test_photos_of_one_place_count_for_less_than_independent_ones():
    """Kish 1965: n equally correlated readings are worth n / (1 + (n - 1) r); r = 0.6 here.

    Three photos of odds 9: 9 ** (3 / 2.2) = 20.0, so 20.0 / 21.0, where 729 / 730 were wrong.
    """
    found = count_votes([Vote("b", 0.9)] * 3)
    assert found.confidence == pytest.approx(20.0 / 21.0, abs=1e-3)


def test_a_weak_photo_does_not_talk_a_sure_one_down():
    assert count_votes([Vote("a", 0.97), Vote("a", 0.6)]).confidence >= 0.97 - 1e-9


def test_one_photo_alone_is_never_certain():
    assert not count_votes([Vote("a", 1.0)]).certain
    assert not count_votes([Vote("a", 1.0), Vote(None, 1.0)]).certain
    assert count_votes([Vote("a", 0.99), Vote("a", 0.99)]).certain


@given(VOTES, st.floats(0, 1), st.floats(0, 1), st.randoms())
def test_a_contradiction_gives_no_answer_however_sure_one_side_is(votes, sure, other, shuffler):
    votes = [*votes, Vote("a", sure), Vote("b", other)]
    shuffler.shuffle(votes)
    found = count_votes(votes)
    assert found.contradicted
    assert found.top is None and not found.certain


@given(VOTES)
def test_an_answer_is_one_that_a_witness_gave(votes):
    found = count_votes(votes)
    named = {vote.top for vote in votes} - {None}
    assert (found.top in named) if len(named) == 1 else found.top is None
    assert len(found.for_a) + len(found.for_b) + len(found.silent) == len(votes)
    assert 0.0 <= found.confidence <= 1.0


@given(VOTES, st.sampled_from(["a", "b"]))
def test_swapping_the_leads_swaps_the_answer(votes, side):
    swap = {"a": "b", "b": "a", None: None}
    turned = [Vote(swap[v.top], v.confidence, v.kind) for v in votes]
    assert count_votes(turned).top == swap[count_votes(votes).top]
    assert len(count_votes(turned).against(swap[side])) == len(count_votes(votes).against(side))
