"""Wire tags: true to size, read back by OpenCV from the printed page."""

from __future__ import annotations

import shutil
import subprocess

import cv2
import numpy as np
import pytest

from mapper.errors import MapperError
from mapper.routes import Lead
from mapper.sheets import Line, TagStock, Text, wire_tag_sheets, wire_tags_pdf
from mapper.sheets.lettering import text_width_mm

DPI = 200


def lead(name: str) -> Lead:
    return Lead(name, "thermocouple", "D01", "X1", [[0, 0], [100, 0]])


def pages_of(tmp_path, pdf: bytes) -> list[np.ndarray]:
    """The pages as a label printer of 200 dots per inch sees them, by poppler's pdftoppm."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed, so the PDF can't be read back")
    (tmp_path / "t.pdf").write_bytes(pdf)
    subprocess.run(
        [tool, "-r", str(DPI), "-gray", "-png", "t.pdf", "page"], cwd=tmp_path, check=True
    )
    return [
        cv2.imread(str(page), cv2.IMREAD_GRAYSCALE) for page in sorted(tmp_path.glob("page*.png"))
    ]


def read_at(page: np.ndarray, low_left_mm, wide_mm: float, high_mm: float) -> str:
    """The code within one label, by OpenCV's own reader; "" for none."""
    px = DPI / 25.4
    left, low = (round(v * px) for v in low_left_mm)
    cut = page[page.shape[0] - low - round(high_mm * px) : page.shape[0] - low]
    cut = cut[:, left : left + round(wide_mm * px)]
    # a camera sees a tag larger than the dots of its printer
    return cv2.QRCodeDetector().detectAndDecode(cv2.resize(cut, None, fx=2, fy=2))[0]


def test_every_tag_of_a_sheet_is_read_back_as_its_lead(tmp_path):
    names = ["Z01-H", "Z01-T", "зона 7 é", "A rather long name of one lead, 40 letters"[:40], "7"]
    stock = TagStock(width_mm=48, height_mm=24, columns=3, gap_across_mm=3, gap_down_mm=2)
    (page,) = pages_of(tmp_path, wire_tags_pdf([lead(name) for name in names], stock, True))
    read = []
    for number in range(2 * len(names)):
        row, column = divmod(number, 3)
        # worked by hand: 3 labels and 2 gaps of 150 mm stand in the middle of 210 mm (ISO 216)
        corner = (30 + column * 51, 297 - 12 - 24 - row * 26)
        read.append(read_at(page, corner, 48, 24))
    assert read == [name for name in names for _ in range(2)]


def test_on_a_roll_each_page_is_one_label_of_its_size(tmp_path):
    stock = TagStock(width_mm=40, height_mm=12, paper="")
    pages = pages_of(tmp_path, wire_tags_pdf([lead("Z01-H"), lead("Z02-H")], stock))
    assert [read_at(page, (0, 0), 40, 12) for page in pages] == ["Z01-H", "Z02-H"]
    assert pages[0].shape == pytest.approx((12 * DPI / 25.4, 40 * DPI / 25.4), abs=1.01)


def test_each_end_has_its_own_tag_and_the_whole_id_stands_on_it():
    names = ["Z01-H", "W" * 30]
    (sheet,) = wire_tag_sheets([lead(name) for name in names], TagStock(), both_ends=True)
    words = [item.text for item in sheet.items if isinstance(item, Text)]
    assert words.count("drop end") == words.count("exit end") == 2
    assert words.count("Z01-H") == 2
    assert "".join(word for word in words if set(word) == {"W"}) == "W" * 60
    # large: capitals of about 7 of 10 parts of the font size, common practice, no source
    assert min(i.size_mm for i in sheet.items if isinstance(i, Text) and i.text == "Z01-H") > 5


@pytest.mark.parametrize(
    ("wide", "high"), [(45.0, 22.0), (25.0, 11.5), (100.0, 60.0), (90.0, 14.0)]
)
@pytest.mark.parametrize("both_ends", [False, True])
def test_nothing_of_a_tag_leaves_its_label(wide, high, both_ends):
    stock = TagStock(width_mm=wide, height_mm=high, paper="")
    for sheet in wire_tag_sheets([lead("Z01-H"), lead("Z23")], stock, both_ends):
        for item in sheet.items:
            if isinstance(item, Line):
                x, y = np.array(item.points_mm).T
            else:
                x = np.array([0, text_width_mm(item.text, item.size_mm, item.bold)]) + item.x_mm
                y = np.array([-0.22, 0.75]) * item.size_mm + item.y_mm
            assert x.min() > 0.5 and x.max() < wide - 0.5
            assert y.min() > 0.3 and y.max() < high - 0.3


@pytest.mark.parametrize(
    ("names", "stock", "told"),
    [
        ([], TagStock(), "no lead"),
        (["a"], TagStock(columns=5), "do not fit on A4"),
        (["a"], TagStock(columns=0), "1 or more"),
        (["a"], TagStock(gap_down_mm=-1), "below 0"),
        (["a"], TagStock(left_mm=60), "do not fit"),
        (["a"], TagStock(paper="A7"), "A4, A3 or Letter"),
        (["a"], TagStock(width_mm=float("nan")), "at most"),
        (["a"], TagStock(width_mm=12, height_mm=30), "quarter"),
        (["x" * 64], TagStock(width_mm=40, height_mm=12, paper=""), "at least 17 mm high"),
    ],
)
def test_stock_that_can_not_be_printed_is_refused_in_plain_words(names, stock, told):
    with pytest.raises(MapperError, match=told):
        wire_tag_sheets([lead(name) for name in names], stock)
