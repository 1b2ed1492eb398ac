"""A page with nothing but the canvas, for the browser tests: clicks become numbered handles."""

import os
import threading
from pathlib import Path

import cv2
import numpy as np
import streamlit as st

from mapper.ui.canvas import Handle, Line, Marker, photo_canvas, take_operations
from mapper.ui.tiles import SHELF, open_photo


def checkered() -> np.ndarray:
    """A made-up photo, 1600 x 1200, with a grid to see places by."""
    picture = np.full((1200, 1600, 3), 190, np.uint8)
    picture[::100] = 90
    picture[:, ::100] = 90
    return picture


def load() -> np.ndarray:
    named = os.environ.get("CANVAS_PHOTO")
    return cv2.imread(named) if named else checkered()


@st.cache_resource
def kept(name: str) -> tuple[dict[str, tuple[float, float]], list[str]]:
    """Points and log of one test; like a job, they outlive the session."""
    return {}, []


st.set_page_config(layout="wide")
points, log = kept(st.query_params.get("keep", ""))
tool = st.query_params.get("tool", "point")
opened = open_photo("test photo", load)
if tool == "trace":
    SHELF.ground(opened.token)
    gate = Path(os.environ["CANVAS_GATE"])  # a page that is not done before the test says so
    while points and not gate.exists():
        threading.Event().wait(0.05)
for op in take_operations("canvas"):
    log.append(f"{op.type}:{op.id or op.key or ''}")
    if op.type == "point":
        points[op.uid] = (op.x_px, op.y_px)
    elif op.type == "move" and op.id in points:
        points[op.id] = (op.x_px, op.y_px)
    elif op.type == "remove":
        points.pop(op.id, None)

beside = [Line("d", [(200, 216), (800, 276), (1400, 216)], drag=True)] if tool == "look" else []
odd = '<b>"it\'s"</b>'
photo_canvas(
    "canvas",
    opened,
    tool=tool,
    lines=[
        Line("a", [(200, 200), (800, 260), (1400, 200)], tag=odd, pick=tool == "look"),
        Line("b", [(200, 900), (1400, 950)], color="#E69F00", dash=(12, 5), tag="Z02-T", drag=True),
        Line("c", [(200, 1000), (1400, 1050)], color="#009E73", dash=(1, 7), tag="unseen"),
        *beside,
    ],
    markers=[
        Marker("D01", 300, 600, radius_px=60, tag="D01", pick=tool == "look"),
        Marker("D02", 1300, 600, radius_px=60, tag="D02", strong=True),
    ],
    handles=[Handle(uid, x, y, tag=str(i)) for i, (uid, (x, y)) in enumerate(points.items(), 1)],
    tail=list(points.values())[-1] if points else None,
    hint="Click the places.",
    keys={"u": "unseen", "n": "next"},
    height=600,
)
threading.Event().wait(float(os.environ.get("CANVAS_BUSY_SECONDS", "0")))  # a slow page
st.text(f"points {len(points)}")
st.text("log " + " ".join(log))
