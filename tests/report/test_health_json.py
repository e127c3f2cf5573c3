"""health --json: against its schema, against the frames, and what mere JSON can't say."""

import json
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.frames.table import empty_frames
from buswright.report.health.as_json import render_json
from buswright.simulate.source import SimulatedCapture, demo_car

from .health_examples import findings, report_of, short_report, short_run, ticks

SCHEMA = json.loads(
    Path(buswright.__file__).with_name("report").joinpath("schemas", "health.schema.json").read_text(encoding="utf-8")
)


def checked(report):
    """Render, through real JSON, and hold to the schema."""
    document = json.loads(json.dumps(render_json(report), allow_nan=False))
    jsonschema.validate(document, SCHEMA)
    return document


def test_numbers_are_those_of_the_frames():
    frames = short_run()
    document = checked(short_report()[0])
    assert document["frames"] == len(frames) == sum(bus["frames"] for bus in document["buses"])
    ids = {each["name"]: each for each in document["ids"]}
    assert set(ids) == {"can0/0A0", "can0/2B0", "can1/0A0", "can1/18FF1A42"}
    lossy = ids["can0/0A0"]
    assert lossy["frames"] == len(ticks(0.01, 20.0)) - lossy["gaps"]["missing"]
    assert lossy["gaps"]["missing"] == 5
    assert lossy["period"]["learned_ns"] == pytest.approx(10e6, rel=1e-3)
    assert lossy["expected_hz"] == pytest.approx(100, rel=1e-3)
    (gap,) = lossy["gaps"]["listed"]
    assert gap["missing"]
    assert gap["frames"] == 5
    assert sum(lossy["lengths"]["counts"].values()) == lossy["frames"]
    assert document["missing"] == 5
    for bus in document["buses"]:
        windows = bus["windows_1s"]
        assert sum(windows["frames"]) == bus["frames"]
        assert sum(windows["bits"]) == bus["bits"]
        assert bus["load"] == pytest.approx(bus["bits"] / bus["seconds"] / 500_000, rel=0.01)  # but for the first frame
        assert max(windows["load"]) <= bus["peak_1s"]["load"]


def test_explained_findings_stand_inside_only():
    document = checked(short_report()[0])
    assert [each["fault"] for each in document["findings"]] == ["frames-lost", "unknown-id"]
    assert [each["fault"] for each in document["findings"][0]["explains"]] == ["late-frames"]
    assert document["worst"] == "fault"
    worst = {each["name"]: each["worst"] for each in document["ids"]}
    assert worst == {"can0/0A0": "fault", "can1/18FF1A42": "suspect", "can0/2B0": "note", "can1/0A0": None}
    assert [each["name"] for each in document["ids"]][:3] == ["can0/0A0", "can1/18FF1A42", "can0/2B0"]


def test_without_a_bit_rate_loads_are_null_and_bits_are_there():
    document = checked(report_of(short_run())[0])
    for bus in document["buses"]:
        if bus["bitrate"]["bits_per_s"] is None:
            assert bus["load"] is None
            assert bus["peak_1s"]["load"] is None
            assert set(bus["windows_1s"]["load"]) == {None}
        assert bus["bits"] > 0
    assert document["worst"] is None


def test_nothing_at_all_is_a_document_too():
    document = checked(report_of(empty_frames(("can0",)))[0])
    assert document["frames"] == 0
    assert document["ids"] == []


def test_the_simulated_car_with_its_car_file():
    frames = next(iter(SimulatedCapture(5.0)))
    car = demo_car()
    document = checked(report_of(frames, findings(), car=car)[0])
    assert {module["name"] for module in document["modules"]} >= {"damper_node", "engine_controller"}
    assert any(each["counter"] and each["checksum"] for each in document["ids"])
