"""Photos of one job adjusted together, and the gain checked.

`links` finds what two overlapping photos share on bare steel, `chain` adjusts all cameras at once.
Whether the joint answer is better is asked from what neither answer used: features of the drawing
left out of both; where it is not, the photo keeps its own fit.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from mapper.fit.api import fit_photo
from mapper.fit.camera import Camera, likely_focal_px
from mapper.fit.chain import Link, adjust_together, joined
from mapper.fit.errors import FitFailed
from mapper.fit.face import FaceEdges, face_edges
from mapper.fit.face_view import shown_places
from mapper.fit.features import grey_of
from mapper.fit.hints import FitHints
from mapper.fit.links import Steel, shared_points, steel_of
from mapper.fit.markers import (
    MarkersSeen,
    marker_names,
    marker_points,
    markers_of,
    markers_used,
    misses_mm,
)
from mapper.fit.refine import Prior, by_feature, polish
from mapper.fit.result import PHOTO_ALONE, PhotoFit
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["fit_through", "fit_together"]

LEAST_OVERLAP = 0.06  # of the smaller photo's picture of the plate
MOST_NEIGHBOURS = 4  # with which a photo is linked; bounds the time for a large job
MOST_WORKERS = 4  # each holds the scale space of one photo, some 200 MB
TICK_SECONDS = 0.2  # how often the caller is told, and may stop
FOCAL_SHARE = 0.05
FOCAL_SHARE_UNKNOWN = 0.15
LEAST_LEFT_OUT = 8
NO_WORSE = 1.02  # two numbers of the same size differ by this from the sampling of edges alone

THROUGH_DOUBTFUL = (
    "It was fitted through a photo that is doubtful itself: settle that one first, then fit this "
    "one again."
)
NOT_THROUGH = (
    "No photo that is fitted shows enough of the same steel: take one that overlaps this one by "
    "half, or click four corners, bores or holes."
)


@dataclass(frozen=True, eq=False)
class _One:
    """A photo of the job as this module looks at it; `marked` are the markers that it rests on."""

    photo: Photo
    grey: np.ndarray
    fit: PhotoFit
    marked: MarkersSeen


def fit_together(
    photos: Sequence[Photo],
    fits: Sequence[PhotoFit],
    plate: Plate,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[PhotoFit, ...]:
    """The fits of photos of one plate after all chains of overlapping photos are adjusted.

    A photo gets the joint answer when features of the drawing that were left out of both lie no
    worse under it than under its own fit. Where a photo shows too few features to tell, it keeps
    its own fit if that rests on any; one that rested on another photo alone gets the joint answer
    when a link of many patches holds it, or links to two photos. Doubts that the neighbours raise
    stay in either case. Photos that share nothing with others come back as they were.

    `progress` is called in this thread, several times a second while photos are looked at, with
    the steps done and their number; what it raises stops the work.
    """
    edges = face_edges(plate)
    pairs = _pairs(fits, plate)
    linked = sorted({n for pair in pairs for n in pair})
    told = _Told(progress, 5 * len(linked) + len(pairs))
    greys = [grey_of(photo.pixels_bgr) for photo in photos]
    ones = [
        _One(photo, grey, fit, _markers_held(grey, fit, plate))
        for photo, grey, fit in zip(photos, greys, fits, strict=True)
    ]
    steels: dict[int, Steel] = dict(
        zip(
            linked,
            _on_all_cores(lambda n: steel_of(ones[n].grey, fits[n], plate), linked, told),
            strict=True,
        )
    )
    shared = _on_all_cores(
        lambda pair: shared_points(steels[pair[0]], steels[pair[1]], plate), pairs, told
    )
    links = [Link(*pair, *px) for pair, px in zip(pairs, shared, strict=True) if px is not None]
    if not links:
        return tuple(fits)
    joint = adjust_together(fits, links)
    better = _better(ones, links, edges, told)
    out = []
    for n, (one, new, gain) in enumerate(zip(ones, joint, better, strict=True)):
        if gain is None:  # the drawing does not say: only what rests on photos alone may move
            gain = one.fit.method == PHOTO_ALONE and joined(n, joint, links)
        if gain and new.camera is not one.fit.camera:
            out.append(_with_residuals(new, one, edges))
        else:
            out.append(replace(one.fit, verdict=new.verdict, reasons=new.reasons))
    return tuple(out)


class _Told:
    """Counts the steps done and tells the caller."""

    def __init__(self, progress: Callable[[int, int], None], of: int) -> None:
        self._progress, self._of, self._done = progress, of, 0

    def add(self, steps: int) -> None:
        self._done += steps
        self._progress(min(self._done, self._of), self._of)


def _on_all_cores(work: Callable[[Any], Any], items: Iterable[Any], told: _Told) -> list[Any]:
    """What `work` gives for each item, in their order; OpenCV and numpy work outside the lock."""
    pool = ThreadPoolExecutor(min(os.cpu_count() or 1, MOST_WORKERS))
    try:
        futures = [pool.submit(work, item) for item in items]
        left = set(futures)
        while left:
            done, left = wait(left, TICK_SECONDS, FIRST_COMPLETED)
            told.add(len(done))
        return [future.result() for future in futures]
    finally:
        pool.shutdown(cancel_futures=True)


def fit_through(photo: Photo, plate: Plate, fitted: Sequence[tuple[Photo, PhotoFit]]) -> PhotoFit:
    """A photo fitted through others of the same plate: good ones first, then doubtful ones.

    What a doubtful photo carries is doubtful, however well it lies on the edges: a photo that
    was put one bore too far would carry its neighbours along. Raises FitFailed as `fit_photo`.
    """
    for verdict in ("good", "doubtful"):
        some = tuple((other, fit) for other, fit in fitted if fit.verdict == verdict)
        if not some:
            continue
        try:
            fit = fit_photo(photo, plate, FitHints(fitted=some))
        except FitFailed:
            continue
        return fit if verdict == "good" else fit.doubted(THROUGH_DOUBTFUL)
    raise FitFailed(NOT_THROUGH)


# --- what is looked at ----------------------------------------------------------------------


def _pairs(fits: Sequence[PhotoFit], plate: Plate) -> list[tuple[int, int]]:
    """Pairs of photos that overlap; of each photo those with the few that it shares most with."""
    shown = [shown_places(fit, plate) for fit in fits]
    shared: dict[tuple[int, int], float] = {}
    for i, j in combinations(range(len(fits)), 2):
        least = min(shown[i].sum(), shown[j].sum())
        share = (shown[i] & shown[j]).sum() / least if least else 0.0
        if share >= LEAST_OVERLAP:
            shared[i, j] = share
    chosen = set()
    for n in range(len(fits)):
        own = sorted((pair for pair in shared if n in pair), key=lambda pair: -shared[pair])
        chosen.update(own[:MOST_NEIGHBOURS])
    return sorted(chosen)


def _markers_held(grey: np.ndarray, fit: PhotoFit, plate: Plate) -> MarkersSeen:
    """The printed markers that a fit rests on, found in its photo again."""
    used = markers_used(fit)
    return markers_of(tuple(m for m in plate.markers if m.id in used), grey)


# --- is it better? --------------------------------------------------------------------------


def _better(
    ones: Sequence[_One], links: Sequence[Link], edges: FaceEdges, told: _Told
) -> list[bool | None]:
    """For every photo, whether features left out of both answers lie no worse under the joint.

    None where too few are seen to tell.

    Half of the features that a photo shows are left out, all photos are adjusted again, and the
    left-out half is looked at under both answers; then the other half.
    """
    alone: list[list[np.ndarray]] = [[] for _ in ones]
    linked: list[list[np.ndarray]] = [[] for _ in ones]
    held = sorted({n for link in links for n in (link.first, link.second)})
    halves = [(n, half) for half in (0, 1) for n in held]
    parts = _on_all_cores(lambda one: _half(ones[one[0]], edges, one[1]), halves, told)
    for half in (0, 1):
        mine = {n: part for (n, h), part in zip(halves, parts, strict=True) if h == half}
        fits = [mine[n][0] if n in mine else one.fit for n, one in enumerate(ones)]
        again = adjust_together(fits, links)

        def misses(n: int, mine=mine, again=again, half=half) -> tuple[np.ndarray, ...] | None:
            part, out = mine[n]
            if part.method == PHOTO_ALONE:  # it rests on none, so all are left out, once
                out = np.full(len(edges.names), half == 0)
            if not out.any():
                return None
            return tuple(
                np.where(out, feature_misses(ones[n].grey, camera, edges), np.nan)
                for camera in (part.camera, again[n].camera)
            )

        for n, found in zip(held, _on_all_cores(misses, held, told), strict=True):
            if found is not None:
                alone[n].append(found[0])
                linked[n].append(found[1])
    return [
        _no_worse(np.concatenate(a), np.concatenate(b)) if a else None
        for a, b in zip(alone, linked, strict=True)
    ]


def _half(one: _One, edges: FaceEdges, half: int) -> tuple[PhotoFit, np.ndarray]:
    """The fit with half of the features it shows left out, and which (F,) those are."""
    fit, out = one.fit, np.zeros(len(edges.names), bool)
    if fit.method == PHOTO_ALONE:
        return fit, out
    out[np.flatnonzero(np.isfinite(feature_misses(one.grey, fit.camera, edges)))[half::2]] = True
    share = FOCAL_SHARE if one.photo.focal_px else FOCAL_SHARE_UNKNOWN
    prior = Prior(likely_focal_px(one.photo), share)
    held = marker_points(fit.camera, one.marked) if one.marked.ids else None
    try:
        polished = polish(
            one.grey, fit.camera, edges, prior, reaches_px=(2.0,), leave_out=out, held=held
        )
    except FitFailed:
        return fit, np.zeros_like(out)
    return replace(fit, camera=polished.camera, covariance=polished.covariance), out


def _no_worse(alone: np.ndarray, linked: np.ndarray) -> bool | None:
    """Whether left-out features lie as near under the joint answer, by truncated mean squares.

    None where too few are seen to tell.

    A feature that only one answer meets counts for the other as missed by the most that any is:
    among those met alone a wrong answer looks right, as chance puts some edges near.
    """
    met = np.isfinite(alone) | np.isfinite(linked)
    if met.sum() < LEAST_LEFT_OUT:
        return None
    most = np.nanmax([alone[met], linked[met]])
    rms = [
        np.sqrt(np.mean(np.square(np.nan_to_num(one[met], nan=most)))) for one in (alone, linked)
    ]
    return bool(rms[1] <= NO_WORSE * rms[0])


def feature_misses(grey: np.ndarray, camera: Camera, edges: FaceEdges) -> np.ndarray:
    """Miss (F,) in mm of every feature of the drawing under a camera; nan where not seen."""
    misses, _ = by_feature(grey, camera, edges, 1.0)
    return misses


def _with_residuals(fit: PhotoFit, one: _One, edges: FaceEdges) -> PhotoFit:
    """The fit with the misses of the round features that it shows, and of its markers."""
    misses = feature_misses(one.grey, fit.camera, edges)
    index = [
        f
        for f in range(len(edges.names))
        if edges.feature_kind[f] in (1, 2) and np.isfinite(misses[f])
    ]
    names = tuple(edges.names[f] for f in index) + marker_names(one.marked)
    if not names:
        return fit
    residuals = np.append(misses[index], misses_mm(fit.camera, one.marked))
    return replace(fit, residuals_mm=residuals, residual_points=names)
