"""The local server: the pages, and the routes that hand photo tiles to the canvas.

Only this machine can reach it (127.0.0.1), requests for another host name are refused, and a
photo can be read only under the random token it was opened with.

`serve(...)` is what the command line calls. `build_app(...)` makes the application for any
ASGI server. The pages ask `settings()` for the store folder they work on.
"""

from __future__ import annotations

import gc
import os
import socket
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import streamlit
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from mapper.errors import MapperError
from mapper.records import default_store_folder, shared_places
from mapper.ui.tiles import SHELF, UnknownPhoto

__all__ = [
    "HOSTS",
    "SERVER_OPTIONS",
    "UiSettings",
    "app_parts",
    "build_app",
    "free_port",
    "serve",
    "settings",
    "settle_memory",
]

HOSTS = ["127.0.0.1", "localhost"]
FIRST_PORT = 8501
MOST_REACH_PX = 200.0
MOST_ID = 200
MAIN_SCRIPT = Path(__file__).with_name("main.py")

# Held here as well as in .streamlit/config.toml: an installed tool is started from any folder.
SERVER_OPTIONS: dict[str, Any] = {
    "server.address": "127.0.0.1",
    "server.allowedHosts": HOSTS,
    "server.enableCORS": True,
    "server.enableXsrfProtection": True,
    "server.enableStaticServing": False,
    "server.maxUploadSize": 200,
    "server.headless": True,
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": False,
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "runner.magicEnabled": False,
    "theme.base": "light",
    "theme.primaryColor": "#0b4f5c",
    "theme.backgroundColor": "#ffffff",
    "theme.secondaryBackgroundColor": "#eef2f3",
    "theme.textColor": "#15212b",
    "theme.baseFontSize": 16,
}


@dataclass(frozen=True)
class UiSettings:
    """What the pages work on."""

    store_folder: Path
    demo: bool = False
    database: str | None = None  # URL of a shared database, None for the folder's own
    photos: str | None = None  # URL of a shared place for the originals


_settings: UiSettings | None = None  # one application per process, as in Streamlit itself


def settings() -> UiSettings:
    """Settings of the running application; defaults when a page is run without one."""
    return _settings or UiSettings(default_store_folder())


def _tile(request: Request) -> Response:
    """One tile of an opened photo as JPEG."""
    at = request.path_params
    try:
        data = SHELF.tile(at["token"], at["level"], at["column"], at["row"])
    except MapperError:
        return Response(status_code=404)
    return Response(
        data,
        media_type="image/jpeg",
        headers={
            "Cache-Control": "private, max-age=86400, immutable",
            "Cross-Origin-Resource-Policy": "same-origin",
            "X-Content-Type-Options": "nosniff",
        },
    )


_PREVIEW_HEADERS = {"Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin"}


def _numbers(request: Request, *names: str) -> list[float] | None:
    """Numbers of the query; None when one is missing or no pixel of any photo."""
    try:
        values = [float(request.query_params[name]) for name in names]
    except (KeyError, ValueError):
        return None
    return values if all(abs(value) < 1e6 for value in values) else None


def _preview(
    request: Request, names: tuple[str, ...], answer: Callable[[str, Any, list[float]], Any]
) -> Response:
    """What a click would do, for a pointer that rests: {} as long as there is no answer."""
    values = _numbers(request, *names)
    if values is None:
        return JSONResponse({}, status_code=400, headers=_PREVIEW_HEADERS)
    token = request.path_params["token"]
    found: Any = {}
    try:
        ground = SHELF.ready_ground(token)
        if ground is not None:  # else it is being prepared in a thread; a preview can wait
            found = answer(token, ground, values)
    except UnknownPhoto:
        return JSONResponse({}, status_code=404, headers=_PREVIEW_HEADERS)
    except MapperError:  # outside the photo
        found = {}
    return JSONResponse(found, headers=_PREVIEW_HEADERS)


def _snap(request: Request) -> Response:
    """The nearest point on a wire to a place: {"x", "y", "width"}, or {} for none."""

    def answer(token: str, ground: Any, values: list[float]) -> dict[str, float]:
        from mapper.trace import snap_to_wire

        x, y, reach = values
        found = snap_to_wire(ground, (x, y), min(max(reach, 0.0), MOST_REACH_PX))
        if found is None:
            return {}
        (snapped_x, snapped_y), width = found
        return {"x": float(snapped_x), "y": float(snapped_y), "width": float(width)}

    return _preview(request, ("x", "y", "reach"), answer)


def _trace(request: Request) -> Response:
    """The line that the tracer would draw between two places: {"points": [x0, y0, ...]}."""

    def answer(token: str, ground: Any, values: list[float]) -> dict[str, list[float]]:
        trace = SHELF.traced(token, tuple(values[:2]), tuple(values[2:]))
        return {"points": [round(float(v), 1) for v in trace.points.ravel()]}

    return _preview(request, ("x0", "y0", "x1", "y1"), answer)


def _drag(request: Request) -> Response:
    """What a handle dragged to a place would do, as the page that shows the photo says."""
    values = _numbers(request, "x", "y")
    name = request.query_params.get("id", "")
    if values is None or not 0 < len(name) <= MOST_ID:
        return JSONResponse({}, status_code=400, headers=_PREVIEW_HEADERS)
    try:
        found = SHELF.dragged(request.path_params["token"], name, *values)
    except UnknownPhoto:
        return JSONResponse({}, status_code=404, headers=_PREVIEW_HEADERS)
    except MapperError:
        found = {}
    return JSONResponse(found, headers=_PREVIEW_HEADERS)


def app_parts(
    store_folder: str | Path | None = None, demo: bool = False, script: str | Path = MAIN_SCRIPT
) -> dict[str, Any]:
    """Arguments of `streamlit.App` for the tool; also sets what `settings()` returns.

    `app.py` spells `App(**app_parts())` out, since `streamlit run` looks for that call.
    """
    global _settings
    folder = default_store_folder() if store_folder is None else Path(store_folder)
    # The demo stays on this machine, whatever archive the shop shares.
    database, photos = (None, None) if demo else shared_places()
    _settings = UiSettings(folder, demo, database, photos)
    return {
        "script_path": Path(script),
        "routes": [
            Route("/photo/{token}/{level:int}/{column:int}/{row:int}", _tile, methods=["GET"]),
            Route("/photo/{token}/snap", _snap, methods=["GET"]),
            Route("/photo/{token}/trace", _trace, methods=["GET"]),
            Route("/photo/{token}/drag", _drag, methods=["GET"]),
        ],
        "middleware": [Middleware(TrustedHostMiddleware, allowed_hosts=HOSTS)],
    }


def build_app(
    store_folder: str | Path | None = None, demo: bool = False, script: str | Path = MAIN_SCRIPT
) -> streamlit.App:
    """The whole application as an ASGI app (pages, photo routes, host check first)."""
    return streamlit.App(**app_parts(store_folder, demo, script))


@cache
def settle_memory() -> None:
    """Set aside what the programs' own modules hold, once for the process.

    Streamlit searches all memory for garbage after every run of a page, and nothing else can
    run meanwhile; the modules, most of what it would look through, are never garbage.
    """
    gc.collect()
    gc.freeze()


def free_port(wanted: int | None = None) -> int:
    """`wanted` if it is free, or the first free port from 8501 on.

    Raises MapperError when the wanted port is taken.
    """
    for port in range(FIRST_PORT, FIRST_PORT + 50) if wanted is None else (wanted,):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            if os.name != "nt":  # on Windows this option would share a port that is in use
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((SERVER_OPTIONS["server.address"], port))
            except (OSError, OverflowError):
                continue
            return port
    if wanted is None:
        raise MapperError("No free port was found; close another program that serves pages.")
    raise MapperError(f"Port {wanted} is taken; choose another one or leave the port out.")


def _open_when_ready(address: str, path: str) -> None:
    """Open the browser once the server answers; give up quietly after half a minute."""
    for _ in range(120):
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                webbrowser.open(f"{address}/{path}")
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)


def serve(
    store_folder: str | Path | None = None,
    port: int | None = None,
    demo: bool = False,
    open_browser: bool = True,
    script: str | Path = MAIN_SCRIPT,
    path: str = "",
) -> None:
    """Start the application on this machine and stay until it is stopped.

    `path` is what the browser opens, below the address ("leads?job=...").
    Raises MapperError when the port is taken.
    """
    chosen = free_port(port)
    app = build_app(store_folder, demo, script)
    if open_browser:
        address = f"http://{SERVER_OPTIONS['server.address']}:{chosen}"
        threading.Thread(target=_open_when_ready, args=(address, path), daemon=True).start()
    app.run(config={**SERVER_OPTIONS, "server.port": chosen})
