"""The record of a response test: all of it on paper, readable without colour, never "safe"."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from mapper.bench.corrections import corrected_zones, correction_words
from mapper.bench.response import judge_rises
from mapper.records import JobStore
from mapper.sheets import Line, RecordedLog, ResponseRecord, Text, response_sheet
from mapper.ui.findings import Findings
from mapper.ui.handover import handover_of
from mapper.ui.response_record import kept_logs, record_files, rises_csv
from tests.rendered import faults_of

MADE_AT = datetime(2026, 3, 1, 14, 30)
NAMES = ["Z01", "Z02", "Z03", "Z04"]
# Z01 and Z02 exchanged, Z03 reversed, Z04 dead
RISES = np.array([[0.3, 21, 1, 0.4], [19, 0.5, 1, 0.3], [1, 1, -22, 0.6], [0.1, 0.1, 0.2, 0.1]])
HASH = "0123456789abcdef" * 4
RECORD = ResponseRecord(
    2,
    (
        RecordedLog("bench test.csv", HASH, "2026-03-01 10:20", "A. Person"),
        RecordedLog("typed by hand"),
    ),
    ("Zone Z01: thermocouple of Z02 taken.",),
)


def words(scenes) -> str:
    return " ".join(item.text for page in scenes for item in page.items if isinstance(item, Text))


def many(zones: int, name: str = "Z{:03d}"):
    rises = np.eye(zones) * 20 + np.random.default_rng(1).normal(0, 0.1, (zones, zones))
    names = [name.format(n) for n in range(1, zones + 1)]
    return judge_rises(names, names, rises, 0.1)


def test_the_record_holds_faults_corrections_who_when_and_the_log_with_its_hash():
    said = words(response_sheet(judge_rises(NAMES, NAMES, RISES), RECORD, "invented", MADE_AT))
    for text in (
        "Z01 and Z02 are swapped",
        "two legs are reversed",
        "Z04",
        "bench test.csv, put in 2026-03-01 10:20, by A. Person",
        HASH,
        "typed by hand, by nobody named",
        "SHA-256 of the log: not kept",
        "Zone Z01: thermocouple of Z02 taken.",
        "To be tested again",
        "SENSOR OF Z02",
        "own sensor, FALLS",
        "Tested by, date",
        "Licensed electrician, date",
    ):
        assert text in said
    for rise in ("21.0", "19.0", "-22.0"):
        assert rise in said.split()


def test_every_page_has_its_number_and_cautions_and_none_says_that_anything_is_safe():
    pages = response_sheet(many(96), RECORD, "invented", MADE_AT)
    assert len(pages) > 2
    for number, page in enumerate(pages, start=1):
        said = words([page])
        assert f"page {number} of {len(pages)}" in said
        # topics of OSHA 29 CFR 1910.333 and EN 50110-1: dead, proved, by qualified people
        for text in ("Mains voltage kills", "prove dead", "Local codes and licensed practice"):
            assert text in said
        assert "does not say that anything may be touched or energised" in said
        assert "safe" not in said.lower()


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
@pytest.mark.parametrize("zones", [1, 12, 33, 96])
def test_no_text_is_small_cut_by_the_paper_or_on_other_text(paper, zones):
    name = "Z{:02d} lower left cavity, long name, " + "x" * 5
    pages = response_sheet(many(zones, name), RECORD, "t " * 100, MADE_AT, paper)
    assert faults_of(pages) == []


def test_the_picture_tells_its_rises_by_grey_frame_and_arrow_alone():
    (page, *_) = response_sheet(judge_rises(NAMES, NAMES, RISES), RECORD, "invented", MADE_AT)
    for item in page.items:
        for colour in (item.colour, getattr(item, "fill", None)):
            assert colour is None or colour[1:3] == colour[3:5] == colour[5:7]
    greys = [int(i.fill[1:3], 16) for i in page.items if isinstance(i, Line) and i.fill]
    # the picture comes first: 16 cells, row by row
    cells = np.array(greys[:16]).reshape(4, 4)
    assert sorted(zip(*np.nonzero(cells < 120), strict=True)) == [(0, 1), (1, 0), (2, 2)]


def test_correction_words_name_zone_source_and_pins():
    zones = {
        "Z01": {"sensor": "J", "sensor_pin_plus": "X1:1", "sensor_pin_minus": "X1:2"},
        "Z02": {"sensor": "K", "sensor_pin_plus": "X1:3", "sensor_pin_minus": "X1:4"},
        "Z03": {"sensor": "J", "sensor_pin_plus": "X1:5", "sensor_pin_minus": "X1:6"},
        "Z04": {},
    }
    result = judge_rises(NAMES, NAMES, RISES)
    said = correction_words(zones, corrected_zones(zones, result), result)
    assert "Zone Z01: thermocouple of Z02 taken; pins were X1:1 / X1:2, are X1:3 / X1:4." in said
    assert "Zone Z03: + and - pin changed places; pins were X1:5 / X1:6, are X1:6 / X1:5." in said
    assert len(said) == 3


def test_the_hand_over_tells_the_newest_test(tmp_path: Path):
    store = JobStore(tmp_path)
    job_id = store.create("Small")
    store.edit(job_id, "Test", {"response/0002": judge_rises(NAMES, NAMES, RISES).to_dict()})
    (line,) = [x for x in handover_of(Findings(store.job(job_id))).done if "Response" in x]
    assert line.startswith("Response test 2: 0 of 4 heaters answer clearly on their own sensor.")
    assert "the zone table was not corrected" in line and "safe" not in line


def test_the_pack_gets_record_and_table_of_each_test_and_old_entries_stay_readable(tmp_path: Path):
    store = JobStore(tmp_path)
    job_id = store.create("Small")
    old = {**judge_rises(NAMES, NAMES, RISES).to_dict(), "source": "a.csv", "at": "", "by": "B"}
    store.edit(job_id, "Test", {"response/0001": {**old, "corrected": True}})
    assert [one["name"] for one in kept_logs(old)] == ["a.csv"]
    files = record_files(store.job(job_id), "Small")
    assert set(files) == {"Small response test 1.pdf", "Small response test 1.csv"}
    assert files["Small response test 1.pdf"].startswith(b"%PDF")
    table = list(csv.reader(io.StringIO(files["Small response test 1.csv"].decode("utf-8-sig"))))
    assert table[0] == ["heater", *NAMES] and float(table[1][2]) == 21.0
    assert b"'=1+1" in rises_csv(judge_rises(["=1+1"], ["=1+1"], np.array([[20.0]])))
