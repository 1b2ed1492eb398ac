"""What is worked out once per photo, so that later traces are quick.

A `Ground` holds the photo and, for each width of lead, one scaled picture with its line
elements. A layer is made when first asked for and then kept; it
may be asked for from several threads.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements, line_elements, to_lab
from mapper.trace.model import TraceError

__all__ = [
    "LAYERS",
    "Ground",
    "Layer",
    "as_ground",
    "layer_for_width",
    "layer_scale",
    "prepare",
    "quick_layer_for",
]

LAYERS = 8  # leads of 3 px (layer 0) to about 50 px (layer 7), half an octave apart
PREPARED_PX = 6_200_000  # layers up to this size are made by `prepare`, finer ones when needed
NEARLY = 0.6  # of the width that a layer is made for
MIN_SIDE_PX = 8
LOOKS = 256  # places looked at that are kept in mind


@dataclass(frozen=True, eq=False)
class Layer:
    """One scaled picture. `scale`: its pixels per photo pixel."""

    scale: float
    lab: np.ndarray
    elements: Elements

    def from_photo(self, xy_px: np.ndarray) -> np.ndarray:
        return (np.asarray(xy_px, float) + 0.5) * self.scale - 0.5

    def to_photo(self, xy: np.ndarray) -> np.ndarray:
        return (np.asarray(xy, float) + 0.5) / self.scale - 0.5


@dataclass(frozen=True, eq=False)
class Ground:
    """One photo, ready for tracing. Read it from as many threads as you like."""

    image_bgr: np.ndarray
    _layers: dict[int, Layer] = field(default_factory=dict, repr=False)
    _looks: OrderedDict[tuple, Any] = field(default_factory=OrderedDict, repr=False)
    _lock: threading.RLock = field(default_factory=threading.RLock, repr=False)

    @property
    def width_px(self) -> int:
        return self.image_bgr.shape[1]

    @property
    def height_px(self) -> int:
        return self.image_bgr.shape[0]

    def layer(self, number: int) -> Layer:
        """The layer for leads of about `NOMINAL_WIDTH_PX / layer_scale(number)` photo pixels."""
        found = self._layers.get(number)
        if found is None:
            with self._lock:
                found = self._layers.get(number)
                if found is None:
                    found = self._layers[number] = _make_layer(self.image_bgr, number)
        return found

    def held_bytes(self) -> int:
        """Memory of the picture and of the layers made so far."""
        layers = list(self._layers.values())  # another thread may be adding one
        arrays = [v for layer in layers for v in (layer.lab, *vars(layer.elements).values())]
        return self.image_bgr.nbytes + sum(a.nbytes for a in arrays)

    def remembered(self, name: tuple, make: Callable[[], Any]) -> Any:
        """What `make` gives for `name`, kept a while: a next line starts at the last click."""
        with self._lock:
            if name in self._looks:
                self._looks.move_to_end(name)
                return self._looks[name]
        found = make()
        with self._lock:
            self._looks[name] = found
            while len(self._looks) > LOOKS:
                self._looks.popitem(last=False)
        return found


def layer_scale(number: int) -> float:
    return 2.0 ** (-number / 2)


def quick_layer_for(ground: Ground, width_px: float) -> int:
    """The layer for leads of that width, but none that is still to be made if one that is ready
    shows them nearly as well: a fine layer of a large photo takes seconds.
    """
    size = ground.width_px * ground.height_px
    ready = next(n for n in range(LAYERS) if n == LAYERS - 1 or _is_prepared(size, n))
    wanted = layer_for_width(width_px)
    nearly = width_px * layer_scale(ready) >= NEARLY * NOMINAL_WIDTH_PX
    return max(wanted, ready) if nearly else wanted


def _is_prepared(size_px: int, number: int) -> bool:
    return size_px * layer_scale(number) ** 2 <= PREPARED_PX


def layer_for_width(width_px: float) -> int:
    return int(np.clip(round(2 * np.log2(max(width_px, 1.0) / NOMINAL_WIDTH_PX)), 0, LAYERS - 1))


def prepare(image_bgr: np.ndarray) -> Ground:
    """Make the evidence of `image_bgr` (H, W, 3) uint8 ready. Raises TraceError."""
    ground = Ground(_checked_image(image_bgr))
    size = ground.width_px * ground.height_px
    for number in range(LAYERS):
        if _is_prepared(size, number):
            ground.layer(number)
    return ground


def as_ground(image_or_ground: np.ndarray | Ground) -> Ground:
    if isinstance(image_or_ground, Ground):
        return image_or_ground
    return Ground(_checked_image(image_or_ground))


def _checked_image(image: object) -> np.ndarray:
    if not isinstance(image, np.ndarray) or image.dtype != np.uint8 or image.ndim not in (2, 3):
        raise TraceError("This is not a picture with 8 bits per colour; load it as a photo first.")
    if image.ndim == 2:
        image = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
    if image.shape[2] != 3:
        raise TraceError("The picture must have three colours (blue, green, red).")
    if min(image.shape[:2]) < MIN_SIDE_PX:
        raise TraceError("The picture is too small to trace anything; use the full photo.")
    return image


def scaled(image_bgr: np.ndarray, number: int) -> np.ndarray:
    """`image_bgr` at the scale of layer `number`, pixel centres kept at (x + 0.5) scale - 0.5."""
    if number == 0:
        return image_bgr
    scale = layer_scale(number)
    height, width = image_bgr.shape[:2]
    size = max(int(np.ceil(width * scale)), 1), max(int(np.ceil(height * scale)), 1)
    if number % 2 == 0 and width % (1 << number // 2) == 0 and height % (1 << number // 2) == 0:
        return cv2.resize(image_bgr, size, interpolation=cv2.INTER_AREA)
    # INTER_AREA would stretch to whole pixels; halve while it divides, then warp exactly.
    work, done = image_bgr, 1.0
    while done / 2 >= scale * 1.0001 and work.shape[0] % 2 == 0 and work.shape[1] % 2 == 0:
        work = cv2.resize(work, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        done /= 2
    rest = scale / done
    if rest < 0.6:
        work = cv2.GaussianBlur(work, (0, 0), 0.35 / rest)
    to_work = np.array([[1 / rest, 0, 0.5 / rest - 0.5], [0, 1 / rest, 0.5 / rest - 0.5]])
    return cv2.warpAffine(
        work,
        to_work,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def _make_layer(image_bgr: np.ndarray, number: int) -> Layer:
    lab = to_lab(scaled(image_bgr, number))
    return Layer(layer_scale(number), lab, line_elements(lab))
