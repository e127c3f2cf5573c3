"""Runs cut into chunks, made ahead, and exchanged on the way."""

import itertools
import threading
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.table import Flag, concatenate
from buswright.simulate.live.prepared import CHUNK_NS, CHUNKS_READY, PreparedRun, chunks
from tests.simulate.listening import PATIENCE_S, rows_of
from tests.simulate.live.test_datagrams import frames_of

SECOND = 1_000_000_000
ORIGIN_NS = 5 * SECOND


def run(seconds, payload=0, from_s=0.0, hertz=20):
    """Frames at a steady rate, numbered, another payload from a moment on; batches of three seconds and a bit."""
    rows = [
        (ORIGIN_NS + n * SECOND // hertz, n, Flag(0), 1, bytes([payload if n >= from_s * hertz else 0]))
        for n in range(int(seconds * hertz))
    ]
    for start in range(0, len(rows), 65):
        yield frames_of(rows[start : start + 65])


def played(several):
    return [row for chunk in several for row in rows_of(chunk.frames[0])]


def test_chunks_lie_end_to_end_and_hold_everything():
    cut = list(chunks(run(20), 1, ORIGIN_NS))
    assert [chunk.start_ns for chunk in cut] == [ORIGIN_NS + n * CHUNK_NS for n in range(len(cut))]
    assert all(chunk.end_ns - chunk.start_ns == CHUNK_NS for chunk in cut)
    for chunk in cut:
        times = chunk.frames[0].time_ns
        assert ((times >= chunk.start_ns) & (times < chunk.end_ns)).all()
    assert played(cut) == rows_of(concatenate(list(run(20))))


@given(st.lists(st.integers(0, 3 * SECOND), max_size=40).map(sorted), st.integers(1, 40), st.integers(0, 3 * SECOND))
def test_any_batches_and_any_beginning(times, size, after):
    rows = [(ORIGIN_NS + time, n, Flag(0), 0, b"") for n, time in enumerate(times)]
    batches = [frames_of(rows[start : start + size]) for start in range(0, len(rows), size)]
    cut = list(chunks(batches, 1, ORIGIN_NS))
    assert [row[0] for row in played(cut)] == list(range(len(rows)))
    assert [c.start_ns for c in cut] == [ORIGIN_NS + n * CHUNK_NS for n in range(len(cut))]
    late = list(chunks(batches, 1, ORIGIN_NS, after_ns=ORIGIN_NS + after))
    assert [c.start_ns for c in late] == [c.start_ns for c in cut if c.start_ns >= ORIGIN_NS + after]
    assert played(late) == played(c for c in cut if c.start_ns >= ORIGIN_NS + after)


def test_time_that_goes_backwards_stays_in_order():
    times = [0, 1, 2, 1, 0, 3]
    frames = frames_of([(ORIGIN_NS + t * SECOND, n, Flag(0), 0, b"") for n, t in enumerate(times)])
    assert [row[0] for row in played(chunks([frames], 1, ORIGIN_NS))] == list(range(6))


def test_buses_are_kept_apart():
    frames = frames_of([(ORIGIN_NS, n, Flag(0), 0, b"") for n in range(6)])
    bus = np.array([0, 1, 1, 0, 2, 0], dtype=np.uint8)
    columns = {name: getattr(frames, name) for name in ("time_ns", "id", "flags", "dlc", "length", "payload")}
    (chunk,) = chunks([type(frames)(**columns, bus=bus, buses=("a", "b", "c"))], 3, ORIGIN_NS)
    assert [part.id.tolist() for part in chunk.frames] == [[0, 3, 5], [1, 2], [4]]


def test_no_more_is_made_than_is_kept_ready():
    made = []

    def counted():
        for batch in run(1000):
            made.append(batch)
            yield batch

    ahead = PreparedRun(counted(), 1, ORIGIN_NS)
    taken = list(itertools.islice(ahead, 10))
    ahead.stop()
    assert len(taken) == 10
    assert len(made) * 65 / 20 < (10 + CHUNKS_READY + 1) * CHUNK_NS / SECOND + 2 * 65 / 20
    assert "the run ahead" not in {thread.name for thread in threading.enumerate()}


@pytest.mark.parametrize("at_s", [0.0, 2.0, 3.3, 30.0])
def test_another_run_takes_over_from_a_moment(at_s):
    ahead = PreparedRun(run(40, payload=0), 1, ORIGIN_NS)
    others = run(40, 1, at_s)
    going = iter(ahead)
    first = list(itertools.islice(going, 4))
    ahead.exchange(others, ORIGIN_NS + int(at_s * SECOND))
    got = played(first + list(slowly(going)))
    ahead.stop()
    assert [row[0] for row in got] == list(range(800))  # nothing twice, nothing missing
    kinds = [row[3][0] for row in got]
    assert kinds == sorted(kinds)
    # At the moment itself, or from where it could be had, which is never what was played already.
    soonest = 20 * at_s if at_s > 1 else 20
    assert soonest <= kinds.index(1) <= (soonest if at_s == 30 else soonest + 100)


def test_the_run_goes_on_while_another_comes_up():
    """The other run is at 9 s after three batches, and makes each while 20 chunks are played: 40 are kept ready."""
    taken, come_up = threading.Semaphore(0), threading.Event()

    def heavy():
        for number, batch in enumerate(run(80, 1, 9.0)):
            if number == 4:
                come_up.set()
            for _ in range(20 if number < 3 else 0):
                assert taken.acquire(timeout=PATIENCE_S), "what is played has run dry"
            yield batch

    ahead = PreparedRun(run(80), 1, ORIGIN_NS)
    going = iter(ahead)
    first = [next(going)]
    ahead.exchange(heavy(), ORIGIN_NS + 9 * SECOND)
    for chunk in itertools.islice(going, 60):
        first.append(chunk)
        taken.release()
    assert come_up.wait(PATIENCE_S)
    rows = played(first + list(going))
    ahead.stop()
    assert [row[0] for row in rows] == list(range(1600))
    assert 60 * 5 < [row[3][0] for row in rows].index(1) < 1600


def slowly(iterator):
    for each in iterator:
        yield each
        time.sleep(0.004)


def test_the_last_of_several_exchanges_holds():
    ahead = PreparedRun(run(40), 1, ORIGIN_NS)
    going = iter(ahead)
    first = [next(going)]
    for payload in (1, 2, 3):
        ahead.exchange(run(40, payload, 5.0), ORIGIN_NS + 5 * SECOND)
    got = played(first + list(slowly(going)))
    ahead.stop()
    assert [row[0] for row in got] == list(range(800))
    assert got[-1][3][0] == 3


def test_a_fault_in_the_making_is_raised_where_it_is_played():
    def broken():
        yield next(run(5))
        raise ZeroDivisionError("as it happens")

    ahead = PreparedRun(broken(), 1, ORIGIN_NS)
    with pytest.raises(ZeroDivisionError, match="as it happens"):
        list(ahead)
    ahead.stop()


def test_an_empty_run_ends():
    ahead = PreparedRun([], 1, ORIGIN_NS)
    assert list(ahead) == []
    ahead.stop()
