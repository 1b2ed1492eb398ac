"""Guess the stage of each photo from the times they were taken."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from mapper.photos.model import Photo

__all__ = ["guess_stages"]

SAME_ROUND = timedelta(minutes=20)  # photos closer than this belong to one look at the plate


def guess_stages(photos: Sequence[Photo]) -> list[str]:
    """Return a stage per photo, in the order given: a proposal that a person corrects.

    Photos at most 20 minutes after one another form a round. The first round is "before"; of
    three and more rounds the last is "cleared"; those between are "during 1", "during 2", ...
    A photo without a time joins the round of the photo before it in the list; when no photo
    has a time, each is a round of its own, in the order given.
    """
    rounds = _rounds(photos)
    last = max(rounds, default=0)
    return [
        "before" if number == 0 else "cleared" if number == last >= 2 else f"during {number}"
        for number in rounds
    ]


def _rounds(photos: Sequence[Photo]) -> list[int]:
    if all(photo.taken_at is None for photo in photos):
        return list(range(len(photos)))
    times = sorted({photo.taken_at for photo in photos if photo.taken_at is not None})
    numbers = {times[0]: 0}
    for earlier, later in zip(times, times[1:], strict=False):
        numbers[later] = numbers[earlier] + (later - earlier > SAME_ROUND)
    rounds: list[int] = []
    for photo in photos:
        if photo.taken_at is not None:
            rounds.append(numbers[photo.taken_at])
        else:
            rounds.append(rounds[-1] if rounds else 0)
    return rounds
