"""Python side of the photo canvas.

The canvas shows a photo (tiles fetched by the browser under the photo's token) with lines,
markers and draggable handles above it, and reports what the user does as *operations*. An
operation stays in the browser, with a number, until Python has acknowledged it; so no click is
lost while the page is busy, and none is applied twice. Pan and zoom never reach Python.

Use, on any page or in a fragment: first take what the user did, then draw::

    for op in take_operations("fit"):                 # each is acknowledged after its turn
        if op.type == "point":
            clicks.append((op.uid, op.x_px, op.y_px))
        elif op.type == "move":
            clicks = [(u, op.x_px, op.y_px) if u == op.id else (u, x, y) for u, x, y in clicks]
        elif op.type == "remove":
            clicks = [click for click in clicks if click[0] != op.id]

    photo_canvas(
        "fit",
        photo=open_photo(record.sha256, load_pixels),  # mapper.ui.tiles.open_photo
        lines=[Line("outline", outline_px, color="#56B4E9", width=2, closed=True)],
        markers=[Marker("D01", x_px, y_px, tag="D01")],
        handles=[Handle(uid, x, y, tag=str(i + 1)) for i, (uid, x, y) in enumerate(clicks)],
        tool="point",
        hint="Click on the centre of bore D01.",
        height=640,
    )

Leave the loop with `break` only at the beginning of a turn: that operation, and those after it,
stay for the next run (which the browser asks for as soon as it has the answer to the others).

An operation whose turn raises an `Exception` is acknowledged as well (it would fail for ever);
catch `MapperError` in the loop and show its sentence. An interrupted run (Streamlit starts the
script anew) leaves its operation unacknowledged, so pass `op.uid` on to whatever stores the
edit and let it ignore a uid it knows.

Tools
-----
look    pan and zoom only; lines and markers with `pick=True` can be clicked.
point   a click on free ground is an operation `point` (fit clicks, drawing a channel).
trace   as `point`, but the line from `tail` follows the wire: the browser asks the route
        `/photo/<token>/trace` for it and draws it before Python has dealt with the click.
draw    a drag is an operation `stroke`, whatever lies under it; two fingers, the wheel, the
        space bar or another button move the photo. With `draws=True` a drag with Shift is a
        stroke in the other tools, too.

Handles can be dragged with every tool (`move`), removed with Delete (`remove`) and clicked
(`select`). A line with `pick=True` can be clicked (`select`); with `drag=True` it can be
grabbed anywhere to put a new point there (`insert`). Clicks elsewhere in the tool `look` do
nothing.

Operations
----------
`type` is one of
  point   (x_px, y_px)               a click on free ground
  select  (id, kind, x_px, y_px)     a click on a handle, marker or line
  move    (id, x_px, y_px)           a handle was dragged there
  insert  (id, x_px, y_px)           a line was grabbed and dragged there
  remove  (id)                       Delete on the selected or pointed-at handle
  stroke  (points_px)                the way of a drag with the tool `draw`, or with Shift
  key     (key, x_px, y_px, id)      one of the page's `keys`; id: the line, marker or handle
                                     under the pointer, if any (a line with `drag` before others,
                                     and before its handles, but for Delete); while the view is
                                     moved by keys, the middle is meant instead of the pointer;
                                     x_px, y_px None without either; near_px: the middle of the
                                     view, where less than the whole photo is looked at
  undo, redo                         Ctrl+Z and Ctrl+Y (only with `undo=True`)
All places are photo pixels (x right, y down). Ids are any text; they are only ever drawn as
text.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

import streamlit as st

from mapper.ui.canvas.shapes import (
    Depth,
    Frames,
    Handle,
    Line,
    Marker,
    Pane,
    box_message,
    flat,
    frames_message,
    line_message,
    pane_message,
    sheet_message,
    spot_message,
)
from mapper.ui.tiles import OpenPhoto

__all__ = [
    "Operation",
    "acknowledgement",
    "photo_canvas",
    "take_operations",
]

Tool = Literal["look", "point", "trace", "draw"]

MOST_STROKE_POINTS = 4000  # the browser thins a longer one


@dataclass(frozen=True)
class Operation:
    """One thing the user did; see the module's text. `uid` is unique for ever.

    `photo` is the token of the photo that was shown ("" for a blank sheet): after a change of
    photos the last clicks may still belong to the one before.
    """

    uid: str
    type: str
    x_px: float | None = None
    y_px: float | None = None
    id: str | None = None
    kind: str | None = None
    key: str | None = None
    shift: bool = False
    photo: str = ""
    near_px: tuple[float, float] | None = None
    points_px: tuple[tuple[float, float], ...] = ()


class _Acknowledged:
    """Highest number dealt with, per browser tab; for the whole process, so that a reloaded
    page (a new session) doesn't bring the same clicks twice."""

    LIMIT = 5000

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._last: OrderedDict[str, int] = OrderedDict()

    def last(self, client: str) -> int:
        with self._lock:
            return self._last.get(client, 0)

    def note(self, client: str, number: int) -> None:
        with self._lock:
            self._last[client] = max(number, self._last.get(client, 0))
            self._last.move_to_end(client)
            while len(self._last) > self.LIMIT:
                self._last.popitem(last=False)


_ACKNOWLEDGED = _Acknowledged()
_JS_PARTS = tuple(
    f"{name}.js"
    for name in (
        *(
            "geometry",
            "frames",
            "operations",
            "tiles",
            "drawing",
            "views",
            "hits",
            "loupe",
            "drag",
            "stroke",
        ),
        *("pointer", "ahead", "elements", "panes", "tools", "keys"),
        "canvas",
    )
)
_TYPES = {"point", "select", "move", "insert", "remove", "stroke", "key", "undo", "redo"}


def _asset(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


_mount = st.components.v2.component(
    "plate_wire_mapper_canvas",
    html='<div class="root"></div>',
    css=_asset("canvas.css"),
    js="\n".join(_asset(name) for name in _JS_PARTS),
)


def _inbox(key: str) -> list[Any]:
    """What the browser has sent and not yet dropped."""
    state = st.session_state.get(key)
    sent = state.get("ops") if isinstance(state, Mapping) else None
    return sent if isinstance(sent, list) else []


def _number(value: Any) -> float | None:
    ok = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if ok else None


def _place(value: Any) -> tuple[float, float] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    x, y = map(_number, value)
    return None if x is None or y is None else (x, y)


def _way(value: Any) -> tuple[tuple[float, float], ...]:
    """Points of a stroke sent as [x, y, x, y, ...]; empty if malformed."""
    if not isinstance(value, list) or len(value) % 2 or len(value) > 2 * MOST_STROKE_POINTS:
        return ()
    numbers = [_number(one) for one in value]
    if None in numbers:
        return ()
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def read_operation(sent: Any) -> tuple[Operation, str, int] | None:
    """One operation as sent by the browser, with its client and number; None if malformed."""
    if not isinstance(sent, Mapping):
        return None
    client, number, kind = sent.get("client"), sent.get("seq"), sent.get("type")
    if not (isinstance(client, str) and 0 < len(client) <= 64):
        return None
    if not isinstance(number, int) or isinstance(number, bool) or number < 1:
        return None
    if kind not in _TYPES:
        return None
    x, y = _number(sent.get("x")), _number(sent.get("y"))
    if kind in {"point", "move", "insert"} and (x is None or y is None):
        return None
    way = _way(sent.get("points")) if kind == "stroke" else ()
    if kind == "stroke" and len(way) < 2:
        return None
    operation = Operation(
        uid=f"{client}-{number}",
        type=kind,
        x_px=x,
        y_px=y,
        id=_text(sent.get("id")),
        kind=_text(sent.get("kind")),
        key=_text(sent.get("key")),
        shift=sent.get("shift") is True,
        photo=_text(sent.get("photo")) or "",
        near_px=_place(sent.get("near")),
        points_px=way,
    )
    return operation, client, number


def take_operations(key: str) -> Iterator[Operation]:
    """Yield, in order, what the user did on canvas `key` and nobody has dealt with yet.

    Each operation is acknowledged when the loop comes back for the next one, or when its turn
    raised an `Exception`. Call it before `photo_canvas` of the same key, so that the answer is
    drawn in the same run.
    """
    for sent in list(_inbox(key)):
        read = read_operation(sent)
        if read is None:
            continue
        operation, client, number = read
        if number <= _ACKNOWLEDGED.last(client):
            continue
        try:
            yield operation
        except Exception:
            _ACKNOWLEDGED.note(client, number)
            raise
        _ACKNOWLEDGED.note(client, number)


def acknowledgement(key: str) -> dict[str, int]:
    """Numbers to hand back for every tab that still has something in the inbox."""
    clients = {sent.get("client") for sent in _inbox(key) if isinstance(sent, Mapping)}
    return {c: _ACKNOWLEDGED.last(c) for c in sorted(c for c in clients if isinstance(c, str))}


def photo_canvas(
    key: str,
    photo: OpenPhoto | None,
    *,
    lines: Sequence[Line] = (),
    markers: Sequence[Marker] = (),
    handles: Sequence[Handle] = (),
    tool: Tool = "look",
    blank_px: tuple[int, int] | None = None,
    height: int | Literal["window"] = 640,
    room_below_px: int = 0,
    hint: str = "",
    alert: bool = False,
    keys: Mapping[str, str] | None = None,
    key_list: Mapping[str, str] | None = None,
    undo: bool = False,
    snap_reach_px: float = 0.0,
    tail: tuple[float, float] | None = None,
    stroke: Line | None = None,
    place: str = "",
    home_px: Any = None,
    frames: Frames | None = None,
    depths: Sequence[Depth] = (),
    panes: Sequence[Pane] = (),
    look_at: Mapping[str, Any] | None = None,
    empty: str = "No photo yet. Add photos first.",
    drag_preview: bool = False,
    draws: bool = False,
) -> list[Operation]:
    """Draw the canvas and return operations that came in since `take_operations` (mostly none).

    Parameters
    ----------
    height : css pixels, or "window" for what is left of the window below the canvas's top, less
        `room_below_px`.
    photo : opened with `mapper.ui.tiles.open_photo`; None for a blank sheet of `blank_px`
        (width, height), or for the sentence `empty` where that is None too.
    hint : one sentence on what to do next, shown in the canvas; with `alert`, as a warning.
    keys : the page's own keys and their words, e.g. {"u": "unseen"}; shown as buttons in the
        canvas, reported as operation `key`. Taken by the canvas itself: + - 0 r l h e m ? space,
        arrows, Enter, Escape, and Delete while it points at a handle.
    key_list : all keys that the page ever has, for the list behind "?"; `keys` if left out.
    snap_reach_px : > 0 shows, under the pointer, the point on a wire that a click would snap to.
    tail : where the line to the next point starts (tool `trace` or `point`), photo pixels.
    stroke : how a line to a click is drawn until Python has sent the true one (its points don't
        matter); tool `trace` only.
    place : name under which the browser keeps the view; the photo's token if left out.
    home_px : (N, 2) what is looked at first, the plate's outline say, turned as it is drawn where
        `frames` are given; else the whole photo.
    frames : photo pixels to plate mm, on the face and at the depths that `depths` names; where
        they are given for one photo and the next, the view stays at the same place of the plate
        when the photo is changed.
    panes : other photos, of which the first three that show the place are drawn beside.
    draws : a drag with Shift is an operation `stroke`.
    drag_preview : while a handle is dragged, ask `SHELF.dragged` what it would do and show that.
    look_at : {"id": any text, "x": px, "y": px, "span": px wide} jumps there once per id, or
        {"id": ..., "box": [x0, y0, x1, y1]}; with "asked": true not if, since the last press
        elsewhere on the page, a hand has moved the view or clicked on the photo.
    """
    sheet = None
    if photo is not None:
        sheet = sheet_message(photo)
    elif blank_px is not None:
        sheet = {"token": "", "width": int(blank_px[0]), "height": int(blank_px[1]), "levels": 1}
    data = {
        "key": key,
        "photo": sheet,
        "place": place or (photo.token if photo is not None else key),
        "home": box_message(home_px),
        "frames": None if frames is None else frames_message(frames),
        "depths": [
            {"pts": flat(one.points_mm), "half": one.half_mm, "k": one.frame} for one in depths
        ],
        "panes": [pane_message(one) for one in panes],
        "tool": tool,
        "height": height,
        "below": room_below_px,
        "lines": [line_message(line) for line in lines],
        "markers": [spot for spot in map(spot_message, markers) if spot is not None],
        "handles": [spot for spot in map(spot_message, handles) if spot is not None],
        "tail": None if tail is None else [float(tail[0]), float(tail[1])],
        "stroke": line_message(stroke or Line("ahead", [], width=4.0)),
        "hint": hint,
        "alert": alert,
        "empty": empty,
        "keys": [[name, word] for name, word in (keys or {}).items()],
        "keyList": [[name, word] for name, word in (key_list or {}).items()],
        "undo": undo,
        "snap": float(snap_reach_px),
        "lookAt": dict(look_at) if look_at else None,
        "dragPreview": drag_preview,
        "draws": draws,
        "ack": acknowledgement(key),
    }
    _mount(key=key, data=data, on_ops_change=_noted)
    return [
        read[0]
        for read in map(read_operation, _inbox(key))
        if read is not None and read[2] > _ACKNOWLEDGED.last(read[1])
    ]


def _noted() -> None:
    """Streamlit keeps a state value only for a name with a callback; nothing else to do."""
