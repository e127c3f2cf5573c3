"""A whole capture in memory, lazily by name."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.measuring import stored as signals
from buswright.channels.measuring.stored import read_signals
from buswright.errors import UserError
from buswright.frames.table import Frames
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Database, Message, Signal
from tests.messages.frame_batches import frames_of


@pytest.fixture
def database() -> Database:
    mux = Signal("m", 0, 8, is_multiplexer=True)
    return Database(
        ("made.dbc",),
        (
            Message("A", 0x100, False, 8, (Signal("a", 0, 16, scale=0.1, unit="V", choices={1: "one"}),)),
            Message("B", 0x200, False, 8, (mux, Signal("b", 8, 8, multiplexer="m", mux_values=((0, 1),)))),
        ),
    )


@pytest.fixture
def capture() -> list[Frames]:
    rng = np.random.default_rng(4)
    rows = [
        (int(rng.choice([0x100, 0x200, 0x300])), False, bytes([int(rng.integers(0, 3))]) + rng.bytes(7))
        for _ in range(900)
    ]
    frames = frames_of(rows)
    # The first batch knows no message B.
    lonely = frames.take(frames.id != 0x200).slice(0, 50)
    return [lonely, frames.slice(0, 400), frames.slice(400, 900)]


@pytest.mark.parametrize("batch_rows", [signals.BATCH_ROWS, 100])
def test_columns_are_those_of_the_batches_joined(
    database: Database, capture: list[Frames], batch_rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(signals, "BATCH_ROWS", batch_rows)
    store = read_signals(capture, database)
    decoder = Decoder(database)
    batches = [decoder.decode(frames) for frames in capture]
    assert set(store) == {"can0/A/a", "can0/B/m", "can0/B/b"}
    for name, stored in store.items():
        message, signal = name.rsplit("/", 1)
        columns = [batch[message][signal] for batch in batches if message in batch]
        np.testing.assert_array_equal(stored.raw, np.concatenate([c.raw for c in columns]))
        np.testing.assert_array_equal(stored.value, np.concatenate([c.value for c in columns]))
        np.testing.assert_array_equal(stored.time_ns, np.concatenate([c.table.time_ns for c in columns]))
        valid = [np.ones(len(c.raw), dtype=bool) if c.valid is None else c.valid for c in columns]
        if stored.valid is None:
            assert np.concatenate(valid).all()
        else:
            np.testing.assert_array_equal(stored.valid, np.concatenate(valid))
        assert len(stored) == len(stored.time_ns)
    assert store["can0/B/b"].valid is not None
    assert store["can0/B/m"].time_ns is store["can0/B/b"].time_ns
    assert store.counts == decoder.counts


def test_names_units_and_labels(database: Database, capture: list[Frames]) -> None:
    stored = read_signals(capture, database, bus_names={"can0": "chassis"})["chassis/A/a"]
    assert (stored.unit, stored.bus, stored.message.name, stored.signal.name) == ("V", "chassis", "A", "a")
    assert dict(stored.labels) == {1: "one"}


def test_selection_and_patterns(database: Database, capture: list[Frames]) -> None:
    store = read_signals(capture, database, select=["*/200/m", "gone"])
    assert list(store) == ["can0/B/m"]
    assert store.unused_patterns == ("gone",)
    assert [signal.name for signal in read_signals(capture, database).matching("*/B/*")] == ["can0/B/m", "can0/B/b"]
    with pytest.raises(UserError):
        read_signals(capture, database, select="a/b/c/d")


def test_a_wrong_name_is_a_key_error_with_a_hint(database: Database, capture: list[Frames]) -> None:
    store = read_signals(capture, database)
    with pytest.raises(KeyError, match="did you mean 'can0/A/a'"):
        store["can0/A/aa"]
    assert "can0/A/aa" not in store
    assert store.get("can0/A/aa") is None


def test_an_empty_capture(database: Database) -> None:
    assert len(read_signals([], database)) == 0
