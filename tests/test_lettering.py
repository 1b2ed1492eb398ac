"""Letters on paper: none vanishes, none shows as an empty box without a word."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from mapper.sheets import Scene, Text, scenes_to_pdf
from mapper.sheets import lettering as faces
from mapper.sheets.lettering import lost_letters, runs, text_width_mm, wrapped

POLISH, CHINESE = "Strefa górna, wężyk Łódź", "热流道温度"


@pytest.fixture
def no_other_typeface(monkeypatch):
    """A computer without any typeface but the sheets' own."""
    monkeypatch.setattr(faces, "face_for", lambda letter: None)
    faces._face_of.cache_clear()
    yield
    faces._face_of.cache_clear()


def pdf_of(text: str, wide: float = 210.0) -> bytes:
    return scenes_to_pdf([Scene(wide, 297.0, text, (Text(20, 200, text, 4.0),))])


def words_in(pdf: bytes, tmp_path) -> str:
    """The text of a PDF as poppler's pdftotext reads it back."""
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext (poppler-utils) is not installed, so the PDF can't be read back")
    (tmp_path / "t.pdf").write_bytes(pdf)
    got = subprocess.run([tool, str(tmp_path / "t.pdf"), "-"], check=True, capture_output=True)
    return got.stdout.decode()


def test_polish_prints_in_the_sheets_own_typeface(tmp_path):
    assert lost_letters(POLISH) == ""
    assert [name for name, _ in runs(POLISH)] == ["Sheet"]
    assert POLISH in words_in(pdf_of(POLISH), tmp_path)


def test_chinese_prints_in_a_typeface_of_this_computer(tmp_path):
    if lost_letters(CHINESE):
        pytest.skip("no TrueType face with Chinese letters is installed here")
    assert CHINESE in words_in(pdf_of(f"Z01 {CHINESE} H"), tmp_path)
    assert [part for _, part in runs(f"Z01 {CHINESE} H")] == ["Z01 ", CHINESE, " H"]
    assert text_width_mm(CHINESE, 4.0) == pytest.approx(5 * 4.0, rel=0.1)  # square letters


def test_letters_that_nothing_prints_show_as_a_question_mark_and_the_page_says_so(
    no_other_typeface, tmp_path
):
    assert lost_letters(f"Z01 {CHINESE}") == CHINESE
    said = words_in(pdf_of(f"Z01 {CHINESE[:2]}"), tmp_path)
    assert "Z01 ??" in said
    assert "? stands for letters that no typeface on this computer has (U+70ED, U+6D41)." in said
    assert "no typeface" not in words_in(pdf_of("Z01 ??"), tmp_path)  # a real question mark


def test_private_letters_are_in_no_typeface():
    assert runs("\ue000") == [("Sheet", "?")]


def test_a_name_longer_than_its_line_is_broken_and_nothing_of_it_lost():
    name = "Zone_07_lower_left_cavity_with_no_space_at_all"
    lines = wrapped(f"Pull {name} out", 30, 3.2)
    assert "".join(lines).replace(" ", "") == f"Pull{name}out"
    assert all(text_width_mm(line, 3.2) <= 30 for line in lines)
