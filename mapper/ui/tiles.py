"""Opened photos: tiles for the canvas, pixels and prepared ground for the tracer.

A photo that a page shows is opened once per process and gets a random token; the browser
fetches its tiles under that token, so that nobody without the token can read the photo.
What is heavy (pixels, reduced pictures, tiles, the tracer's ground) is made when first asked
for and let go again by age and size; the token stays valid, the next request makes it anew.

Photo frame: pixels of the upright photo, x right, y down, (0, 0) the centre of the first pixel.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from mapper.errors import MapperError

__all__ = ["SHELF", "TILE_PX", "OpenPhoto", "PhotoShelf", "UnknownPhoto", "open_photo"]

TILE_PX = 512
JPEG_QUALITY = 88
HELD_BYTES = 1_200_000_000  # pixels, reduced pictures and grounds of about ten 12-megapixel photos
UNUSED_SECONDS = 1800.0  # a photo nobody looked at for half an hour is let go
TOKENS = 2000  # opened photos that are remembered at all
TILES_PER_PHOTO = 400  # encoded tiles kept, about 40 kB each
TRACES_PER_PHOTO = 50

Place = tuple[float, float]
Loader = Callable[[], np.ndarray]
DragAnswer = Callable[[str, float, float], dict[str, Any]]


class UnknownPhoto(MapperError):
    """The token belongs to no opened photo (any more)."""


@dataclass(frozen=True)
class OpenPhoto:
    """What the canvas needs to show a photo: its token and its size in pixels."""

    token: str
    width_px: int
    height_px: int

    @property
    def levels(self) -> int:
        """Number of reduced pictures: level 0 is full size, each further one half of it."""
        return level_count(self.width_px, self.height_px)


def level_count(width_px: int, height_px: int) -> int:
    """Levels until the whole photo fits one tile."""
    longest, count = max(width_px, height_px), 1
    while longest > TILE_PX:
        longest, count = (longest + 1) // 2, count + 1
    return count


class _Held:
    """One opened photo with whatever has been made of it so far."""

    def __init__(self, photo: OpenPhoto, load: Loader) -> None:
        self.photo = photo
        self.load = load
        self.lock = threading.RLock()
        self.ground_lock = threading.Lock()  # preparing takes seconds; tiles must not wait for it
        self.used_at = time.monotonic()
        self.pyramid: list[np.ndarray] = []
        self.tiles: OrderedDict[tuple[int, int, int], bytes] = OrderedDict()
        self.ground: Any = None
        self.ground_bytes = 0
        self.preparing = False
        self.tracing: dict[tuple[float, ...], threading.Lock] = {}
        self.traces: OrderedDict[tuple[float, ...], Any] = OrderedDict()
        self.drag: DragAnswer | None = None

    def level(self, index: int) -> np.ndarray:
        with self.lock:
            if not self.pyramid:
                self.pyramid = [self.load()]
            while len(self.pyramid) <= index:
                above = self.pyramid[-1]
                height, width = above.shape[:2]
                half = ((width + 1) // 2, (height + 1) // 2)
                self.pyramid.append(cv2.resize(above, half, interpolation=cv2.INTER_AREA))
            return self.pyramid[index]

    def held_bytes(self) -> int:
        return (
            sum(level.nbytes for level in self.pyramid)
            + sum(len(tile) for tile in self.tiles.values())
            + self.ground_bytes
        )

    def let_go(self) -> None:
        with self.lock:
            self.pyramid, self.ground, self.ground_bytes = [], None, 0
            self.tiles.clear()
            self.traces.clear()


class PhotoShelf:
    """The process-wide store of opened photos. All methods may be called from any thread."""

    def __init__(
        self, held_bytes: int = HELD_BYTES, unused_seconds: float = UNUSED_SECONDS
    ) -> None:
        self._held_bytes = held_bytes
        self._unused_seconds = unused_seconds
        self._lock = threading.Lock()
        self._by_token: OrderedDict[str, _Held] = OrderedDict()
        self._token_of: dict[str, str] = {}

    def open(self, key: str, load: Loader, size_px: tuple[int, int] | None = None) -> OpenPhoto:
        """Open a photo, or find it already open.

        Parameters
        ----------
        key : what the photo is known by, e.g. the hash of its content; never sent to the browser.
        load : makes the upright pixels, BGR uint8 (H, W, 3); called late and perhaps again.
        size_px : (width, height) where known; otherwise the photo is loaded at once.
        """
        with self._lock:
            token = self._token_of.get(key)
            if token is not None and token in self._by_token:
                held = self._by_token[token]
                held.load = load
                held.used_at = time.monotonic()
                self._by_token.move_to_end(token)
                return held.photo
        pixels = None
        if size_px is None:
            pixels = load()
            size_px = (pixels.shape[1], pixels.shape[0])
        photo = OpenPhoto(secrets.token_urlsafe(18), int(size_px[0]), int(size_px[1]))
        held = _Held(photo, load)
        if pixels is not None:
            held.pyramid = [pixels]
        with self._lock:
            if key in self._token_of and self._token_of[key] in self._by_token:
                return self._by_token[self._token_of[key]].photo
            self._by_token[photo.token] = held
            self._token_of[key] = photo.token
            while len(self._by_token) > TOKENS:
                gone, _ = self._by_token.popitem(last=False)
                self._token_of = {k: t for k, t in self._token_of.items() if t != gone}
        self._make_room(held)
        return photo

    def pixels(self, token: str) -> np.ndarray:
        """Upright pixels of full size, BGR uint8 (H, W, 3). Raises UnknownPhoto."""
        held = self._use(token)
        pixels = held.level(0)
        self._make_room(held)
        return pixels

    def tile(self, token: str, level: int, column: int, row: int) -> bytes:
        """One tile as JPEG. Raises UnknownPhoto, also for a tile outside the photo."""
        held = self._use(token)
        if not 0 <= level < held.photo.levels or column < 0 or row < 0:
            raise UnknownPhoto("There is no such part of the photo.")
        name = (level, column, row)
        with held.lock:
            if name in held.tiles:
                held.tiles.move_to_end(name)
                return held.tiles[name]
        picture = held.level(level)
        part = picture[row * TILE_PX : (row + 1) * TILE_PX, column * TILE_PX :][:, :TILE_PX]
        if part.size == 0:
            raise UnknownPhoto("There is no such part of the photo.")
        done, encoded = cv2.imencode(".jpg", part, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        if not done:
            raise UnknownPhoto("This part of the photo can't be shown.")
        data = encoded.tobytes()
        with held.lock:
            held.tiles[name] = data
            while len(held.tiles) > TILES_PER_PHOTO:
                held.tiles.popitem(last=False)
        self._make_room(held)
        return data

    def ground(self, token: str) -> Any:
        """The tracer's ground of a photo, prepared on first use. Raises UnknownPhoto."""
        from mapper.trace import prepare

        held = self._use(token)
        with held.ground_lock:
            ground = held.ground
            if ground is None:
                ground = held.ground = prepare(held.level(0))
        held.ground_bytes = ground.held_bytes()  # it grows while it is used
        self._make_room(held)
        return ground

    def ready_ground(self, token: str) -> Any | None:
        """The ground if it is prepared; otherwise None, and a thread starts preparing it."""
        held = self._use(token)
        if held.ground is not None:
            return held.ground
        self.warm(token)
        return None

    def traced(self, token: str, start: Place, end: Place) -> Any:
        """`trace_between` on a photo; the last results are kept.

        While the pointer rests, the browser asks for the line that a click would make; the
        click then finds it here. Who asks for a line that is being traced waits for it.
        """
        from mapper.trace import trace_between

        held = self._use(token)
        name = tuple(round(float(v), 1) for v in (*start, *end))
        with held.lock:
            lock = held.tracing.setdefault(name, threading.Lock())
        with lock:
            with held.lock:
                found = held.traces.get(name)
            if found is None:
                found = trace_between(self.ground(token), start, end)
                with held.lock:
                    held.traces[name] = found
                    while len(held.traces) > TRACES_PER_PHOTO:
                        held.traces.popitem(last=False)
        with held.lock:
            held.tracing.pop(name, None)
        return found

    def set_drag(self, token: str, answer: DragAnswer | None) -> None:
        """Say what a handle dragged on a photo would do: called with its id and place (px)."""
        self._use(token).drag = answer

    def dragged(self, token: str, name: str, x_px: float, y_px: float) -> dict[str, Any]:
        """The answer of the page that shows a photo; {} when it has none."""
        answer = self._use(token).drag
        return {} if answer is None else answer(name, x_px, y_px)

    def warm(self, token: str, try_on: tuple[Place, Place] | None = None) -> None:
        """Prepare the ground in a thread, so that the first click need not wait.

        `try_on`: a line to trace then, since the first trace of all makes more of the ground.
        """
        held = self._use(token)
        with self._lock:
            if held.ground is not None or held.preparing:
                return
            held.preparing = True

        def work() -> None:
            try:
                self.ground(token)
                if try_on is not None:
                    self.traced(token, *try_on)
            except (MapperError, ValueError, OSError):
                pass  # the click that needs it will tell the user
            finally:
                held.preparing = False

        # Not a daemon: a process that ended in the middle of OpenCV's work would abort.
        threading.Thread(target=work, name="prepare ground").start()

    def _use(self, token: str) -> _Held:
        with self._lock:
            held = self._by_token.get(token)
            if held is None:
                raise UnknownPhoto("This photo is no longer open; reload the page.")
            held.used_at = time.monotonic()
            self._by_token.move_to_end(token)
            return held

    def _make_room(self, keep: _Held) -> None:
        """Let go of what is old, then of the least used, until the budget holds."""
        now = time.monotonic()
        with self._lock:
            oldest_first = [held for held in self._by_token.values() if held is not keep]
        for held in oldest_first:
            if now - held.used_at > self._unused_seconds:
                held.let_go()
        total = keep.held_bytes() + sum(held.held_bytes() for held in oldest_first)
        for held in oldest_first:
            if total <= self._held_bytes:
                return
            total -= held.held_bytes()
            held.let_go()


SHELF = PhotoShelf()


def open_photo(key: str, load: Loader, size_px: tuple[int, int] | None = None) -> OpenPhoto:
    """Open a photo on the process-wide shelf; see `PhotoShelf.open`."""
    return SHELF.open(key, load, size_px)
