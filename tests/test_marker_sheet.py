"""The printable sheet of markers: true to size, read back by OpenCV, cautions on it."""

from __future__ import annotations

import shutil
import subprocess

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.cli import main
from mapper.errors import MapperError
from mapper.fit.markers import find_markers
from mapper.sheets import Line, Text
from mapper.sheets.marker_sheet import marker_sheet_pdf, marker_sheets, read_marker_ids

DPI = 200


def printed(tmp_path, pdf: bytes) -> list[np.ndarray]:
    """The pages as a printer would see them, by poppler's pdftoppm; grey, DPI per inch."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed, so the PDF can't be read back")
    (tmp_path / "m.pdf").write_bytes(pdf)
    subprocess.run(
        [tool, "-r", str(DPI), "-gray", "-png", "m.pdf", "page"], cwd=tmp_path, check=True
    )
    pages = sorted(tmp_path.glob("page*.png"))
    return [cv2.imread(str(page), cv2.IMREAD_GRAYSCALE) for page in pages]


@pytest.mark.parametrize(
    ("side_mm", "paper", "ids"),
    [(30.0, "A4", "0-11,49"), (12.0, "Letter", "0-49"), (70.0, "A3", "3,17")],
)
def test_opencv_finds_every_printed_marker_with_its_number_and_size(tmp_path, side_mm, paper, ids):
    wanted = read_marker_ids(ids)
    # OpenCV's own detector with its own settings, not the project's
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    found: list[int] = []
    for page in printed(tmp_path, marker_sheet_pdf(side_mm, wanted, paper)):
        corners, numbers, _ = detector.detectMarkers(page)
        found += np.ravel(numbers).tolist()
        for marker in find_markers(page):
            side = np.hypot(*(marker.corners_px - np.roll(marker.corners_px, 1, axis=0)).T)
            # poppler puts edges on whole pixels
            np.testing.assert_allclose(side * 25.4 / DPI, side_mm, atol=25.4 / DPI)
            upper_left, upper_right = marker.corners_px[:2]
            assert upper_right[0] > upper_left[0]  # printed upright
    assert sorted(found) == sorted(wanted)


def test_the_bar_is_100_mm_on_paper(tmp_path):
    (page,) = printed(tmp_path, marker_sheet_pdf(30.0, (0,), "A4"))
    assert page.shape == (round(297 * DPI / 25.4), round(210 * DPI / 25.4))  # ISO 216
    foot = page[-round(30 * DPI / 25.4) :]
    widest = max(np.flatnonzero(row < 128).size for row in foot)
    assert widest * 25.4 / DPI == pytest.approx(100, abs=0.6)  # with the round ends of the line


def test_every_sheet_says_how_to_check_the_size_and_that_paper_burns():
    for scene in marker_sheets(60.0, tuple(range(12)), "A4"):
        words = " ".join(item.text for item in scene.items if isinstance(item, Text))
        assert "Measure this: 100 mm" in words and "print at 100 %" in words
        assert "Paper burns" in words and "local codes" in words
        assert "DICT_4X4_50" in words and "60 mm" in words


@settings(max_examples=15, deadline=None)
@given(
    st.floats(8, 130),
    st.lists(st.integers(0, 49), min_size=1, max_size=8, unique=True),
    st.sampled_from(["A4", "A3", "Letter"]),
)
def test_nothing_is_printed_off_the_paper_and_no_marker_is_lost(side_mm, ids, paper):
    scenes = marker_sheets(side_mm, ids, paper)
    squares = 0
    for scene in scenes:
        for item in scene.items:
            if isinstance(item, Line):
                x, y = np.array(item.points_mm).T
                assert x.min() > 4 and x.max() < scene.width_mm - 4
                assert y.min() > 4 and y.max() < scene.height_mm - 4
                squares += (
                    item.fill == "#000000"
                    and len(item.points_mm) == 4
                    and (abs(np.ptp(x) - side_mm) < 1e-6)
                )
    assert squares == len(ids)


@pytest.mark.parametrize(
    ("side_mm", "ids", "paper", "told"),
    [
        (30, (), "A4", "No marker"),
        (30, (1, 1), "A4", "twice"),
        (30, (50,), "A4", "0 to 49"),
        (3, (1,), "A4", "from 8 to 150"),
        (float("nan"), (1,), "A4", "from 8 to 150"),
        (30, (1,), "A7", "A4, A3 or Letter"),
    ],
)
def test_what_can_not_be_printed_is_refused_in_plain_words(side_mm, ids, paper, told):
    with pytest.raises(MapperError, match=told):
        marker_sheets(side_mm, ids, paper)


def test_numbers_are_read_as_people_write_them():
    assert read_marker_ids(" 0 - 3, 7;12 ") == (0, 1, 2, 3, 7, 12)
    with pytest.raises(MapperError, match="backwards"):
        read_marker_ids("7-3")


@given(st.text(max_size=12) | st.text("0123456789-, ;", max_size=12))
def test_any_text_of_numbers_is_read_or_refused(text):
    try:
        ids = read_marker_ids(text)
    except MapperError as error:
        assert str(error).endswith(".")
    else:
        assert all(one >= 0 for one in ids)


def test_the_command_writes_the_sheet_and_never_over_a_file(tmp_path, capsys):
    file = tmp_path / "markers.pdf"
    call = ["markers", str(file), "--side", "25", "--ids", "0-3"]
    assert main(call) == 0
    assert file.read_bytes().startswith(b"%PDF")
    assert "Paper burns" in capsys.readouterr().out
    assert main(call) == 2
    assert "is there already" in capsys.readouterr().err
    assert main([*call, "--force"]) == 0
