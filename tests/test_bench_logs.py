"""Reading logs: forms of tables, times and numbers; whatever comes in, one plain sentence."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.bench import BenchError
from mapper.bench.logs import read_log_table
from mapper.bench.response_log import read_response_log

PLAIN = "time,Z01,Z02,zone\n0,20.0,20.5,\n5,20.1,20.5,Z01\n10,21.0,20.6,Z01\n15,22.5,,Z02\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "time;Z01;Z02;zone\n0;20,0;20,5;\n5;20,1;20,5;Z01\n10;21,0;20,6;Z01\n15;22,5;;Z02\n",
        PLAIN.replace(",", "\t"),
        "sep=,\n" + PLAIN,
        "Logger 4\nserial 12\n\n" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("time,Z01,Z02", "Time [s],Z01 temp [°C],Z02 [°C]"),
        "time,Z01,Z02,zone\n0:00,20.0,20.5,\n0:05,20.1,20.5,Z01\n0:10,21.0,20.6,Z01\n"
        "0:15,22.5,--,Z02\n",
        "date;time;Z01;Z02;zone\n26.11.2026;23:59:50;20,0;20,5;-\n26.11.2026;23:59:55;20,1;20,5;Z01\n"
        "27.11.2026;00:00:00;21,0;20,6;Z01\n27.11.2026;00:00:05;22,5;OPEN;Z02\n",
        "time,Z01,Z02,zone\n23:59:50,20.0,20.5,\n23:59:55,20.1,20.5,Z01\n00:00:00,21.0,20.6,Z01\n"
        "00:00:05,22.5,,Z02\n",
        "time,Z01 [°F],Z02,zone\n0,68.0,20.5,\n5,68.18,20.5,Z01\n10,69.8,20.6,Z01\n"
        "15,72.5,,Z02\n",
        "time,Z01,Z02,Z01 on,Z02 on\n0,20.0,20.5,0,0\n5,20.1,20.5,1,0\n10,21.0,20.6,1,0\n"
        "15,22.5,9999,0,1\n",
        "time,Z01,Z02,Z01 power [%],Z02 power [%]\n0,20.0,20.5,0,0\n5,20.1,20.5,30,0\n"
        "10,21.0,20.6,30,0\n15,22.5,,0,25\n",
    ],
)  # fmt: skip
def test_common_forms_of_one_log(text):
    for data in (text, text.encode(), text.encode("utf-8-sig"), text.encode("utf-16")):
        log = read_response_log(data)
        assert log.time_s.tolist() == [0, 5, 10, 15]
        assert log.sensors == log.heaters == ("Z01", "Z02")
        assert log.temps_c[:, 0] == pytest.approx([20, 20.1, 21, 22.5])
        assert np.isnan(log.temps_c[3, 1])
        assert log.on.tolist() == [[0, 0], [1, 0], [1, 0], [0, 1]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no header"),
        ("time,Z01\n", "no header"),
        ("time,Z01,zone\n0,20,\nsoon,21,Z01\n", "Row 3"),
        ("time,Z01,zone\n5,20,\n0,21,Z01\n", "backwards"),
        ("time,Z01\n0,20\n1,21\n", "which heater was on"),
        ("time,Z01,Z01\n0,20,1\n1,21,2\n", "two columns"),
        ("time,zone\n0,Z01\n1,Z01\n", "no column of a sensor"),
        ("PK\x03\x04 and more", "spreadsheet"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_place(text, words):
    with pytest.raises(BenchError, match=words):
        read_response_log(text.encode())


def test_remarks_and_currents_are_no_open_sensors():
    text = (
        "time,Z01 [K],Z02,remark,supply [A],zone\n0,293.15,OPEN,cold,0,\n5,293.25,OPEN,,2.1,Z01\n"
        "10,294.15,,wind,2.0,Z02\n"
    )
    log = read_response_log(text)
    assert log.sensors == ("Z01", "Z02")
    assert log.temps_c[:, 0] == pytest.approx([20, 20.1, 21]) and np.isnan(log.temps_c[:, 1]).all()


def test_a_sensor_that_shows_words_only_stays_a_sensor():
    log = read_response_log("time,Z01,Z02,zone\n0,20,fault,\n5,21,fault,Z01\n9,21,fault,Z02\n")
    assert log.sensors == ("Z01", "Z02")


def test_thousands_or_decimals_are_no_number():
    table = read_log_table('time;a\n0;"1.234,5"\n1;3\n')
    assert np.isnan(table.values[0, 0]) and table.values[1, 0] == 3


CELLS = st.sampled_from(
    ["", "0", "1", "20.5", "20,5", "-", "OPEN", "Z01", "1e9", "nan", "12:30", "9" * 40, "\x00", '"']
)
TITLES = st.sampled_from(["time", "date", "Z01", "Z1", "zone", "Z01 on", "", "[", "°C", "1"])


@given(
    st.lists(TITLES, min_size=0, max_size=5),
    st.lists(st.lists(CELLS, max_size=6), max_size=6),
    st.sampled_from([",", ";", "\t"]),
)
@settings(max_examples=200, deadline=None)
def test_any_table_is_read_or_refused(titles, rows, mark):
    text = "\n".join(mark.join(cells) for cells in [titles, *rows])
    try:
        log = read_response_log(text)
    except BenchError as error:
        assert "\n" not in str(error) and len(str(error)) < 400
    else:
        assert log.temps_c.shape == (len(log.time_s), len(log.sensors))
        assert log.on.shape == (len(log.time_s), len(log.heaters))
        assert (np.diff(log.time_s) >= 0).all() and np.isfinite(log.on).all()


@given(st.binary(max_size=200))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_read_or_refused(data):
    try:
        read_log_table(data)
    except BenchError as error:
        assert len(str(error)) < 400
