"""A watch that lasts: what is kept of the frames grows by no more than the load of each tenth of a second."""

import dataclasses
import gc
import sys

import numpy as np

from buswright.health.identifiers.gaps import GAP, KeptGaps
from buswright.health.model.gaps import Gaps
from buswright.messages.model import Database, Message, Signal
from buswright.worker.composing.folds import Folds, Known
from buswright.worker.notices import Notices

from ...health.traffic import comb, mixed

IDS = (0x100, 0x200, 0x300)


def watched(seconds):
    """Three identifiers as a busy computer stamps them: whatever comes within 16 ms has the same time, often."""
    frames = mixed(*(comb(each, 4, seconds, payload=None) for each in IDS))
    step = 16_000_000
    late = -(-frames.time_ns // step) * step
    return dataclasses.replace(frames, time_ns=np.where(frames.time_ns // 10**9 % 2 == 0, late, frames.time_ns))


def size_of(thing, seen):
    """Bytes of everything that hangs on it, an array's memory counted once."""
    total, found = 0, [thing]
    while found:
        one = found.pop()
        if id(one) in seen or isinstance(one, type | type(sys) | type(size_of)):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        found += [one.base] if isinstance(one, np.ndarray) and one.base is not None else gc.get_referents(one)
    return total


def test_a_long_watch_of_late_stamps_takes_no_more_room_than_a_short_one():
    database = Database(
        ("x.dbc",), tuple(Message(f"M{each}", each, False, 8, (Signal("S", 0, 8),), cycle_time_ms=4) for each in IDS)
    )
    folds, sizes = Folds(Known(databases={"*": database}), Notices()), {}
    frames = watched(420)
    for start in range(0, len(frames), 3_000):
        folds.update(frames.slice(start, start + 3_000))
        minute, second = divmod((int(frames.time_ns[start]) - int(frames.time_ns[0])) // 10**9, 60)
        if second == 0 and minute in (4, 6):
            parts = {name: getattr(folds, name).one for name in ("health", "recent", "channels", "latest")}
            sizes[minute] = {name: size_of(part, {id(database)}) for name, part in parts.items()}
    late = folds.health.one.result().ids
    assert min(figures.gaps.late for figures in late.values()) > 2 * Gaps.KEPT_LATE
    for name, size in sizes[6].items():
        assert size - sizes[4][name] < 100_000, name


def test_what_is_kept_of_late_frames_is_some_hundred_kilobytes():
    """Several identifiers of a busy computer have hundreds of them a minute, and each has its records."""
    kept = KeptGaps()
    for _ in range(60):
        rows = np.zeros(1_000, dtype=GAP)
        rows["lagging"][::2] = 1
        rows["length"] = np.arange(1_000)
        kept.add(rows)
    assert kept.count == 60_000
    assert size_of(kept, set()) < 200_000
