"""The stage of each photo, guessed from the time it was taken."""

from __future__ import annotations

import json
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.photos import Photo, guess_stages, load_photo

START = datetime(2024, 3, 8, 8, 0)


def taken(*minutes: float | None) -> list[Photo]:
    """Photos taken so many minutes after eight; None is a photo without a time."""
    pixels = np.zeros((16, 16, 3), np.uint8)
    return [
        Photo(
            pixels,
            f"{i}",
            "",
            None if at is None else START + timedelta(minutes=at),
            None,
            None,
            16,
            16,
        )
        for i, at in enumerate(minutes)
    ]


@pytest.mark.parametrize(
    ("minutes", "stages"),
    [
        ([], []),
        ([0], ["before"]),
        ([0, 5, 19], ["before"] * 3),
        ([0, 100], ["before", "during 1"]),
        ([0, 100, 110], ["before", "during 1", "during 1"]),
        ([0, 100, 200], ["before", "during 1", "cleared"]),
        ([0, 100, 110, 200, 300], ["before", "during 1", "during 1", "during 2", "cleared"]),
        ([0, 20, 40, 61], ["before", "before", "before", "during 1"]),
        ([200, 0, 100], ["cleared", "before", "during 1"]),
        ([0, None, 100, None, 200], ["before", "before", "during 1", "during 1", "cleared"]),
        ([None, None, None], ["before", "during 1", "cleared"]),
        ([None], ["before"]),
    ],
)
def test_photos_close_in_time_are_one_round(minutes, stages):
    assert guess_stages(taken(*minutes)) == stages


@given(st.lists(st.integers(0, 2000), max_size=12), st.randoms())
def test_the_order_of_the_files_does_not_matter(minutes, random):
    photos = taken(*minutes)
    stage_of = dict(zip([p.name for p in photos], guess_stages(photos), strict=True))
    random.shuffle(photos)
    assert guess_stages(photos) == [stage_of[p.name] for p in photos]


@given(st.lists(st.none() | st.integers(0, 2000), max_size=12))
def test_stages_are_always_words_of_the_trade(minutes):
    stages = guess_stages(taken(*minutes))
    assert len(stages) == len(minutes)
    for stage in stages:
        assert stage in ("before", "cleared") or stage.removeprefix("during ").isdigit()


@pytest.mark.parametrize("number", [1, 2, 3])
def test_the_stages_of_true_jobs_are_found(shared_plates, number):
    folder = shared_plates / f"plate{number}"
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    words = {"before": "before", "during": "during 1", "clear": "cleared"}
    photos = [load_photo(folder / photo["file"]) for photo in truth["photos"]]
    assert guess_stages(photos) == [words[photo["stage"]] for photo in truth["photos"]]
