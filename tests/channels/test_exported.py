"""What tables say of themselves; that the columns are those of pyarrow is tested with the files."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pytest

from buswright.channels.exported import MEANING, column_of, texts_of, time_columns, timestamps, with_units


def test_the_meaning_of_a_quality_column():
    """A reader of another program has only these words: the numbers are those of the manual and never change."""
    assert MEANING["bad_quality"] == str(1 + 2 + 8 + 16 + 64 + 256 + 512 + 4096)
    assert json.loads(MEANING["quality_bits"]) == {
        "1": "SHORT_FRAME", "2": "MUX_ABSENT", "4": "DATABASE_RANGE", "8": "SENDER_INVALID", "16": "ELECTRICAL_RAIL",
        "32": "OUTSIDE_CALIBRATION", "64": "IMPLAUSIBLE", "128": "TOO_FAST", "256": "STALE_COUNTER",
        "512": "BAD_CHECKSUM", "1024": "AFTER_GAP", "2048": "INTERPOLATED", "4096": "BAD_REFERENCE",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("channel", "column"),
    [("oil", "oil"), ("time", "time.value"), ("Time_NS", "Time_NS.value"), ("seconds", "seconds.value")],
)
def test_a_channel_is_not_called_as_a_tables_own_columns(channel, column):
    assert column_of(channel) == column


def test_times_are_whole_nanoseconds_and_moments():
    times = np.array([0, 1_780_000_000_123_456_789], np.int64)
    fields, arrays = time_columns(times)
    assert [(each.name, each.type, each.nullable) for each in fields] == [
        ("time_ns", pa.int64(), False), ("time", pa.timestamp("ns", "UTC"), False),
    ]  # fmt: skip
    assert arrays[0].to_pylist() == times.tolist()
    assert arrays[1].cast(pa.int64()).to_pylist() == times.tolist()
    assert timestamps(pa.array(times)).type == pa.timestamp("ns", "UTC")


@pytest.mark.parametrize("texts", [[], [""], ["a", "", "é\u6cb9"]])
def test_texts(texts):
    found = texts_of(texts)
    found.validate(full=True)
    assert found.to_pylist() == texts
    assert found.type == pa.string()


def test_units_stand_by_column_as_a_screen_shows_them():
    told = with_units({"car": "x"}, {"oil": "degC", "time": "kph"})
    assert told["car"] == "x"
    assert json.loads(told["PANDAS_ATTRS"]) == {"units": {"oil": "°C", "time.value": "km/h"}}
