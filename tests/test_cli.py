"""The `mapper` command: exit status, JSON on standard output, one sentence for bad input."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from mapper.cli import main

MAP = {
    "format": "plate-route-map",
    "version": 1,
    "units": "mm",
    "plate": {
        "name": "P",
        "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
        "drops": [
            {"id": "D01", "x": 60, "y": 50, "bore_diameter": 40},
            {"id": "D02", "x": 60, "y": 150, "bore_diameter": 40},
        ],
        "channels": [],
        "exits": [{"id": "X1", "x": 300, "y": 100}],
    },
    "wires": [
        {
            "id": "Z01-H",
            "kind": "heater",
            "drop": "D01",
            "exit": "X1",
            "points": [[60, 50], [240, 150]],
        },
        {
            "id": "Z02-T",
            "kind": "thermocouple",
            "drop": "D02",
            "exit": "X1",
            "points": [[60, 150], [240, 50]],
        },
    ],
    "crossings": [{"a": "Z01-H", "b": "Z02-T", "x": 150, "y": 100, "top": "a"}],
}


@pytest.fixture
def map_file(tmp_path):
    path = tmp_path / "map.json"
    path.write_text(json.dumps(MAP), encoding="utf-8")
    return path


def test_plan_prints_the_upper_lead_first(map_file, capsys):
    assert main(["plan", str(map_file), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan == {
        "status": "complete",
        "steps": [{"action": "pull", "wire": "Z01-H"}, {"action": "pull", "wire": "Z02-T"}],
        "look_at": [],
        "locked": [],
    }


def test_plan_without_json_reads_as_text(map_file, capsys):
    assert main(["plan", str(map_file)]) == 0
    assert "   1. pull Z01-H" in capsys.readouterr().out


def test_plan_tells_what_to_lift_where_nothing_comes_out(tmp_path, capsys):
    # the heater lies over the sensor near the exits; farther in nobody has looked
    heater = {**MAP["wires"][0], "points": [[60, 50], [120, 150], [240, 50]]}
    sensor = {**MAP["wires"][1], "points": [[60, 150], [120, 50], [240, 150]]}
    crossings = [{"a": "Z01-H", "b": "Z02-T", "x": 180, "y": 100, "top": "a"}]
    path = tmp_path / "open.json"
    path.write_text(json.dumps({**MAP, "wires": [heater, sensor], "crossings": crossings}))
    assert main(["plan", str(path)]) == 0
    said = capsys.readouterr().out
    assert "pull" not in said.replace("pull-", "")
    assert "to see what lies under it (Z02-T), peel Z01-H to just past (180.0, 100.0)" in said
    assert main(["plan", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["steps"] == []


def test_plan_tells_a_lock_with_its_ring_and_the_ways_out(tmp_path, capsys):
    # two leads that cross twice, each on top once, and lie there with opposite free ends
    heater = {**MAP["wires"][0], "points": [[60, 50], [240, 150], [300, 50]]}
    sensor = {**MAP["wires"][1], "points": [[300, 150], [240, 50], [60, 150]]}
    crossings = [*MAP["crossings"], {"a": "Z01-H", "b": "Z02-T", "x": 270, "y": 100, "top": "b"}]
    path = tmp_path / "locked.json"
    locked = {**MAP, "wires": [heater, sensor], "crossings": crossings}
    path.write_text(json.dumps(locked), encoding="utf-8")
    assert main(["plan", str(path)]) == 0
    told = capsys.readouterr().out
    assert "hold each other locked" in told
    assert "Z01-H lies over Z02-T at" in told and "Z02-T lies over Z01-H at" in told
    ways = [line.split(": ", 1)[1] for line in told.splitlines() if "way out" in line]
    assert ways[0].startswith("Look again at") and ways[-1].startswith("Cut and replace")


def test_check_passes_a_good_order_and_condemns_a_bad_one(map_file, tmp_path, capsys):
    order = tmp_path / "order.csv"
    order.write_text("wire\nZ01-H\nZ02-T\n", encoding="utf-8")
    assert main(["check", str(map_file), "--order", str(order)]) == 0
    order.write_text("wire\nZ02-T\nZ01-H\n", encoding="utf-8")
    capsys.readouterr()
    assert main(["check", str(map_file), "--order", str(order), "--json"]) == 1
    (violation,) = json.loads(capsys.readouterr().out)
    assert (violation["step"], violation["wire"], violation["over"]) == (1, "Z02-T", "Z01-H")
    assert (violation["x"], violation["y"]) == pytest.approx((150, 100))
    assert main(["check", str(map_file), "--order", str(order)]) == 1
    assert "Z01-H" in capsys.readouterr().out


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", '{"format": "plate-route-map", "version": 99}', "\x00\x01", "null"],
)
def test_broken_file_gives_one_sentence_and_status_2(tmp_path, capsys, content):
    path = tmp_path / "map.json"
    path.write_text(content, encoding="utf-8")
    assert main(["plan", str(path)]) == 2
    error = capsys.readouterr().err
    assert error.startswith("mapper: ") and error.count("\n") == 1 and "Traceback" not in error


def test_missing_file_gives_one_sentence_and_status_2(tmp_path, capsys):
    assert main(["plan", str(tmp_path / "none.json")]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_fit_of_a_broken_photo_is_reported_beside_the_others(map_file, tmp_path, capsys):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo")
    assert main(["fit", str(map_file), str(broken), "--json"]) == 1
    (record,) = json.loads(capsys.readouterr().out)
    assert record["photo"] == str(broken) and "error" in record


def test_plate_of_unknown_form_is_refused(tmp_path, capsys):
    odd = tmp_path / "plate.xyz"
    odd.write_text("x")
    assert main(["fit", str(odd), str(odd)]) == 2
    assert ".dxf" in capsys.readouterr().err


@pytest.mark.parametrize("command", [[], ["plan"], ["check"], ["fit"], ["demo"]])
def test_every_command_has_help(command, capsys):
    with pytest.raises(SystemExit) as stop:
        main([*command, "--help"])
    assert stop.value.code == 0
    assert "usage: mapper" in capsys.readouterr().out


def test_the_command_runs_as_a_program(map_file):
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from mapper.cli import main; sys.exit(main())"]
        + ["plan", str(map_file), "--json"],
        capture_output=True,
        check=True,
    )
    assert json.loads(done.stdout)["status"] == "complete"


def test_fit_puts_every_photo_of_the_demo_on_the_plate(sample_images, capsys):
    photos = [str(path) for path in sorted(sample_images.glob("*.jpg"))]
    assert main(["fit", str(sample_images / "route-map.json"), *photos, "--json"]) == 0
    records = json.loads(capsys.readouterr().out)
    assert [record["photo"] for record in records] == photos
    # the close-up alone fits in two places; through a neighbour it fits in one
    assert [record["verdict"] for record in records] == ["good"] * len(photos)
    assert max(record["sigma_mm"] for record in records) < 0.5
