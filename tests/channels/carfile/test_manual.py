"""The JSON Schema and the list of keys, both made from the table that the reader uses."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from buswright.channels.calibration.registry import KINDS
from buswright.channels.carfile.keys import DOCUMENT, json_schema, key_lines
from buswright.channels.carfile.model import POSITIONS, ROLES
from buswright.channels.keys.kinds import Choice
from buswright.findings import THRESHOLDS

DATA = Path(__file__).parents[2] / "data" / "car_file"
DOCUMENT_OF_TEXT = tomllib.loads((DATA / "car.toml").read_text(encoding="utf-8"))
SCHEMA = json_schema()
STARTER_SENSORS = Path(__file__).parents[3] / "src" / "buswright" / "channels" / "calibration" / "starter_sensors.toml"

VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def as_json(document: Any) -> Any:
    """Return a TOML document as an editor sees it: dates are text."""
    return json.loads(json.dumps(document, default=str))


def test_the_good_car_file_fits_the_schema():
    assert [error.message for error in VALIDATOR.iter_errors(as_json(DOCUMENT_OF_TEXT))] == []


def test_the_starter_sensors_fit_the_schema():
    text = STARTER_SENSORS.read_text(encoding="utf-8")
    sensors = tomllib.loads(text)["sensor"]
    assert [error.message for error in VALIDATOR.iter_errors({"format": 1, "sensor": as_json(sensors)})] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), 2),
        (("car", "cylindres"), 3),
        (("bus", "engine", "bitrate"), "500k"),
        (("bus", "engine", "interfaces"), [1.5]),
        (("sensor", "damper_150", "kind"), "linaer"),
        (("sensor", "damper_150", "points"), [[1, 2, 3]]),
        (("sensor", "coolant_ntc", "points"), [[0, 0], [1, 1]]),  # a key of another kind
        (("channel", "damper_fl", "role"), "damper"),
        (("channel", "damper_fl", "signal"), "AIN1"),
        (("channel", "damper_fl", "expected_hz"), 0),
        (("channel", "damper_fl", "caution", "min"), 0),
        (("channel", "damper_fl", "thresholds", "no_such"), 1),
        (("frame", "chassis/1A1", "checksum", "kind"), "crc9"),
        (("frame", "chassis/1A1", "checksum", "data_id"), [1, 2]),
        (("calibration_log",), {}),
    ],
)
def test_what_the_reader_refuses_the_schema_refuses_too(path, value):
    document = as_json(DOCUMENT_OF_TEXT)
    table = document
    for name in path[:-1]:
        table = table[name]
    table[path[-1]] = value
    assert not VALIDATOR.is_valid(document)


def test_the_schema_is_json_and_says_its_dialect():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def undescribed(schema: dict[str, Any], at: str = "") -> Iterator[str]:
    for name, below in schema.get("properties", {}).items():
        if not below.get("description") and "const" not in below:
            yield f"{at}.{name}"
        yield from undescribed(below, f"{at}.{name}")
    for word in ("items", "additionalProperties", "then"):
        if isinstance(schema.get(word), dict):
            yield from undescribed(schema[word], f"{at}[{word}]")
    for part in (*schema.get("allOf", ()), *schema.get("anyOf", ())):
        yield from undescribed(part, at)


def test_every_key_of_the_schema_is_described():
    assert list(undescribed(SCHEMA)) == []


def test_every_key_has_a_line_for_the_manual():
    lines = key_lines()
    paths = [line.path for line in lines]
    for path in (
        "format",
        "bus.NAME.bitrate",
        "sensor.NAME.healthy",
        "channel.NAME.zero.add",
        "channel.NAME.caution.when",
        'frame."bus/ID".counter.start',
        "calibration_log[].due",
    ):
        assert path in paths
    for line in lines:
        assert line.key.kind.words, line.path
        assert line.key.meaning.endswith("."), line.path
    for kind, spec in KINDS.items():
        for key in spec.keys:
            assert any(line.path == f"sensor.NAME.{key.name}" and line.of == kind for line in lines)


def test_the_manual_lists_the_words_that_may_be_written():
    by_path = {line.path: line.key for line in key_lines()}
    for name, words in (("role", ROLES), ("position", POSITIONS)):
        kind = by_path[f"channel.NAME.{name}"].kind
        assert isinstance(kind, Choice)
        assert kind.choices == words
    assert by_path["channel.NAME.delay_s"].default == 0
    assert by_path["bus.NAME.bitrate"].required


def test_thresholds_are_those_of_the_detectors():
    for table in ("bus", "channel", "frame"):
        names = SCHEMA["properties"][table]["additionalProperties"]["properties"]["thresholds"]["properties"]
        assert set(names) == set(THRESHOLDS)


def test_no_two_keys_of_a_table_answer_to_one_word():
    def tables(keys):
        yield keys
        for key in keys:
            entry = getattr(key.kind, "entry", getattr(key.kind, "item", key.kind))
            if below := getattr(entry, "keys", ()):
                yield from tables(below)

    for keys in tables(DOCUMENT.keys):
        names = {key.name for key in keys}
        for key in keys:
            assert not names & set(key.also_called.split()), key.name
