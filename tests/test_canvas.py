"""The Python side of the canvas: operations, tiles, styles and the server's settings."""

from __future__ import annotations

import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit import config
from streamlit.web.server.app_discovery import discover_asgi_app

from mapper.errors import MapperError
from mapper.ui import server
from mapper.ui.canvas import OKABE_ITO, component, lead_style, shapes, take_operations
from mapper.ui.canvas.component import read_operation
from mapper.ui.tiles import TILE_PX, PhotoShelf, UnknownPhoto, level_count
from tests.conftest import REPO


def sent(number: int, client: str = "tab", **more: object) -> dict[str, object]:
    return {"client": client, "seq": number, "type": "point", "x": 1.5, "y": 2.0, **more}


@pytest.fixture
def inbox(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """What the browser has sent, instead of a running session."""
    ops: list[object] = []
    monkeypatch.setattr(component, "_inbox", lambda key: ops)
    monkeypatch.setattr(component, "_ACKNOWLEDGED", component._Acknowledged())
    return ops


def test_every_click_is_taken_once_and_in_order(inbox: list[object]) -> None:
    inbox += [sent(1), sent(2)]
    assert [op.uid for op in take_operations("fit")] == ["tab-1", "tab-2"]
    inbox.append(sent(3))  # the browser sends the whole list until it is acknowledged
    assert [op.uid for op in take_operations("fit")] == ["tab-3"]
    assert component.acknowledgement("fit") == {"tab": 3}


def test_a_reloaded_page_does_not_bring_the_same_click_twice(inbox: list[object]) -> None:
    inbox += [sent(1, "before the reload")]
    list(take_operations("fit"))
    inbox[:] = [sent(1, "before the reload"), sent(1, "after the reload")]
    assert [op.uid for op in take_operations("fit")] == ["after the reload-1"]


def test_an_interrupted_run_leaves_its_click_for_the_next_run(inbox: list[object]) -> None:
    class Interrupt(BaseException):  # as Streamlit does when the page is run anew
        pass

    inbox += [sent(1), sent(2)]
    with pytest.raises(Interrupt):
        for _ in take_operations("fit"):
            raise Interrupt
    assert [op.uid for op in take_operations("fit")] == ["tab-1", "tab-2"]


def test_a_page_may_leave_the_rest_for_its_next_run(inbox: list[object]) -> None:
    inbox += [sent(1), sent(2), sent(3)]
    done = []
    for op in take_operations("fit"):
        if done:
            break
        done.append(op.uid)
    assert done == ["tab-1"]
    assert [op.uid for op in take_operations("fit")] == ["tab-2", "tab-3"]


def test_each_operation_says_on_which_photo_it_was_done(inbox: list[object]) -> None:
    inbox += [sent(1, photo="first"), sent(2, photo="second", id='<b>"it\'s"</b>')]
    taken = list(take_operations("fit"))
    assert [op.photo for op in taken] == ["first", "second"]
    assert taken[1].id == '<b>"it\'s"</b>'
    assert (taken[0].x_px, taken[0].y_px) == (1.5, 2.0)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(JUNK | st.dictionaries(st.sampled_from(sorted(sent(1))), JUNK))
def test_what_is_no_operation_is_passed_over(junk: object) -> None:
    read = read_operation(junk)
    if read is not None:
        operation, client, number = read
        assert operation.uid == f"{client}-{number}"
        assert operation.type in component._TYPES


@pytest.mark.parametrize(
    "broken",
    [
        {"x": float("nan")},
        {"y": None},
        {"seq": 0},
        {"seq": True},
        {"client": ""},
        {"client": "c" * 65},
        {"type": "format the disk"},
    ],
)
def test_a_malformed_click_is_passed_over(broken: dict[str, object]) -> None:
    assert read_operation({**sent(1), **broken}) is None


def test_points_that_are_no_numbers_are_not_drawn() -> None:
    assert shapes.flat([(1, 2), (np.nan, 3), (4.26, 5)]) == [1, 2, 4.25, 5]
    assert shapes.spot_message(shapes.Marker("m", float("nan"), 1)) is None


# ---- tiles


def picture(width: int = 1300, height: int = 700) -> np.ndarray:
    made = np.zeros((height, width, 3), np.uint8)
    made[:, :, 2] = np.linspace(0, 255, width).astype(np.uint8)
    made[:, :, 0] = np.linspace(0, 255, height).astype(np.uint8)[:, None]
    return made


def test_tiles_put_together_give_the_photo() -> None:
    shelf, photo = PhotoShelf(), picture()
    opened = shelf.open("key", lambda: photo)
    rows = []
    for row in range(2):
        tiles = [shelf.tile(opened.token, 0, column, row) for column in range(3)]
        decoded = [cv2.imdecode(np.frombuffer(tile, np.uint8), cv2.IMREAD_COLOR) for tile in tiles]
        assert decoded[0].shape[1] == TILE_PX
        rows.append(np.hstack(decoded))
    whole = np.vstack(rows)
    assert whole.shape == photo.shape
    assert np.abs(whole.astype(int) - photo).mean() < 3


def test_the_last_level_fits_one_tile() -> None:
    # a 50-megapixel photo of a phone, worked by hand: 8160 / 2^4 = 510
    assert level_count(8160, 6120) == 5
    assert level_count(512, 100) == 1
    assert level_count(513, 100) == 2
    shelf = PhotoShelf()
    opened = shelf.open("key", picture)
    last = shelf.tile(opened.token, opened.levels - 1, 0, 0)
    shape = cv2.imdecode(np.frombuffer(last, np.uint8), cv2.IMREAD_COLOR).shape
    assert shape == (175, 325, 3)


@pytest.mark.parametrize("where", [(0, 3, 0), (0, 0, 2), (9, 0, 0), (-1, 0, 0), (0, -1, 0)])
def test_a_tile_outside_the_photo_is_refused(where: tuple[int, int, int]) -> None:
    shelf = PhotoShelf()
    opened = shelf.open("key", picture)
    with pytest.raises(UnknownPhoto):
        shelf.tile(opened.token, *where)


def test_a_photo_is_read_only_under_its_token() -> None:
    shelf = PhotoShelf()
    opened = shelf.open("key", picture)
    assert shelf.open("key", picture).token == opened.token
    assert shelf.open("another", picture).token != opened.token
    with pytest.raises(UnknownPhoto):
        shelf.tile("key", 0, 0, 0)


def test_photos_used_longest_ago_are_let_go_and_made_anew_when_asked_for() -> None:
    loads: list[str] = []

    def loader(name: str):
        def load() -> np.ndarray:
            loads.append(name)
            return picture()

        return load

    one_photo = picture().nbytes * 1.6  # with its reduced pictures
    shelf = PhotoShelf(held_bytes=int(one_photo))
    first = shelf.open("first", loader("first"))
    second = shelf.open("second", loader("second"))
    shelf.pixels(second.token)
    assert loads == ["first", "second"]
    shelf.pixels(first.token)
    assert loads == ["first", "second", "first"]


def test_a_photo_nobody_looks_at_is_let_go_after_a_while() -> None:
    shelf = PhotoShelf(unused_seconds=-1.0)
    loads: list[int] = []
    opened = shelf.open("first", lambda: loads.append(1) or picture())
    shelf.open("second", picture)
    shelf.pixels(opened.token)
    assert len(loads) == 2


# ---- looks


def luminance(color: str) -> float:
    """Relative luminance, WCAG 2.1."""
    channels = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_a_line_is_traced_while_others_look_at_the_same_photo() -> None:
    pixels = np.full((240, 320, 3), 120, np.uint8)
    shelf = PhotoShelf()
    token = shelf.open("a", lambda: pixels).token
    ground = shelf.ground(token)

    def look(first: int) -> None:
        for place in range(first, first + 4000):
            ground.remembered((place,), list)

    with ThreadPoolExecutor(3) as others:
        looking = [others.submit(look, 10_000 * k) for k in range(3)]
        while not all(one.done() for one in looking):
            assert shelf.ground(token) is ground
        for one in looking:
            one.result()


def test_lead_colours_are_those_of_the_published_palette() -> None:
    # Okabe and Ito, "Color Universal Design", 2008: the eight colours, here without black
    published = {
        (230, 159, 0),
        (86, 180, 233),
        (0, 158, 115),
        (240, 228, 66),
        (0, 114, 178),
        (213, 94, 0),
        (204, 121, 167),
    }
    ours = {tuple(int(color[i : i + 2], 16) for i in (1, 3, 5)) for color in OKABE_ITO}
    assert ours == published


def test_both_leads_of_a_drop_share_the_colour_and_differ_in_the_dash() -> None:
    heater, thermocouple = lead_style(3, "heater"), lead_style(3, "thermocouple")
    assert heater.color == thermocouple.color
    assert heater.dash != thermocouple.dash
    assert lead_style(4, "heater").color != heater.color


# ---- server


def test_settings_of_the_installed_tool_and_of_the_start_script_agree() -> None:
    written = tomllib.loads((REPO / ".streamlit" / "config.toml").read_text())
    flat = {f"{part}.{name}": v for part, names in written.items() for name, v in names.items()}
    assert flat == server.SERVER_OPTIONS


def test_every_setting_is_one_that_streamlit_knows() -> None:
    assert set(server.SERVER_OPTIONS) <= set(config._config_options_template)


def test_the_page_is_reachable_from_this_machine_only() -> None:
    assert server.SERVER_OPTIONS["server.address"] == "127.0.0.1"
    assert server.SERVER_OPTIONS["server.enableCORS"] is True
    assert server.SERVER_OPTIONS["server.enableXsrfProtection"] is True


def test_streamlit_finds_the_application_in_the_start_script() -> None:
    assert discover_asgi_app(REPO / "app.py").app_name == "app"


def test_a_taken_port_is_named() -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(MapperError, match=str(port)):
            server.free_port(port)


def test_no_operation_is_changed_after_it_was_read() -> None:
    operation = read_operation(sent(1))[0]
    assert replace(operation, x_px=3.0) != operation
