"""Decoding against cantools, per value, in the same run: every signal raw and scaled."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import cantools.database
import numpy as np
import pytest

from buswright.frames.table import Frames
from buswright.messages.database import open_database
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Database
from tests.benchmarks.decode_load import database_text, frames

FRAMES = 2_000_000
BATCH = 500_000
LIBRARY_FRAMES = 40_000
LEAST_RATIO = 30


@pytest.fixture(scope="module")
def dbc(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("load") / "load.dbc"
    path.write_text(database_text())
    return path


@pytest.fixture(scope="module")
def batches() -> list[Frames]:
    whole = frames(FRAMES)
    return [whole.slice(start, start + BATCH) for start in range(0, FRAMES, BATCH)]


def decode_everything(database: Database, batches: list[Frames]) -> int:
    """Time stamps, raw and physical values of every signal, each batch's let go before the next."""
    decoder, values = Decoder(database), 0
    for batch in batches:
        for table in decoder.decode(batch):
            assert len(table.time_ns) == len(table)
            for column in table:
                assert len(column.raw) == len(column.value)
                values += len(column.raw)
    return values


def library_seconds_a_value(dbc: Path, batch: Frames) -> float:
    """What a loop over cantools takes, the frames already in Python objects: the kindest way to time it."""
    database = cantools.database.load_file(dbc)
    assert isinstance(database, cantools.database.Database)
    rows = range(LIBRARY_FRAMES)
    given = [(int(batch.id[row]), batch.payload_of(row)) for row in rows]
    best = np.inf
    for _ in range(3):
        values, start = 0, time.perf_counter()
        for identifier, payload in given:
            values += len(database.decode_message(identifier, payload, decode_choices=False))
        best = min(best, (time.perf_counter() - start) / values)
    return best


def test_decoding_is_many_times_faster_than_cantools(benchmark: Any, dbc: Path, batches: list[Frames]) -> None:
    database = open_database(dbc)
    values = benchmark.pedantic(decode_everything, args=(database, batches), rounds=5, warmup_rounds=1)
    library = library_seconds_a_value(dbc, batches[0])
    ratio = library / (benchmark.stats.stats.min / values)
    benchmark.extra_info.update(
        values=values, cantools_ns_per_value=round(library * 1e9, 1), times_faster=round(ratio, 1)
    )
    print(
        f"\n{values:,} values of {FRAMES:,} frames in {benchmark.stats.stats.min:.3f} s; cantools would take "
        f"{library * values:.1f} s: {ratio:.0f} times faster"
    )
    assert ratio >= LEAST_RATIO


def test_matching_29_bit_identifiers(benchmark: Any, dbc: Path, batches: list[Frames]) -> None:
    """J1939 logs have nothing but 29-bit identifiers; finding them must not cost more than the decoding."""
    from dataclasses import replace

    from buswright.frames.table import Flag

    database = open_database(dbc)
    wide = replace(database, messages=tuple(replace(m, id=m.id << 12 | 0x1003, extended=True) for m in database))
    batch = batches[0]
    changed = replace(
        batch, id=batch.id << np.uint32(12) | np.uint32(0x1003), flags=batch.flags | np.uint8(Flag.EXTENDED)
    )
    decoder = Decoder(wide)
    benchmark(lambda: decoder.decode(changed))
    assert decoder.counts.unmatched == {}
