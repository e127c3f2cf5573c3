"""One bus from frames made by hand: what is counted, what its spacings are, what was silent; all limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Clock, Flag, Frames
from buswright.frames.wire.bits import wire_bits
from buswright.health.buses.lane import BusLane, _host_stamped
from buswright.health.folds.windows import Busy
from buswright.health.model.health import (
    BitRate,
    BusFigures,
    ClockStep,
    ErrorFigures,
    LoadWindows,
    Peak,
    Silences,
    Spacing,
    contradicted,
)
from tests.frames.frame_batches import batch_of
from tests.health.traffic import MS, S, measured

US = 1_000


def frames(
    *times: int, ids: tuple[int, ...] = (0x100,), data: tuple[bytes, ...] = (bytes(8),), flags: Any = (0,)
) -> Frames:
    """Frames of one bus at these times; the rest by turns."""
    rows = []
    for row, time in enumerate(times):
        payload = data[row % len(data)]
        rows.append((time, 0, ids[row % len(ids)], int(flags[row % len(flags)]), len(payload), payload))
    return batch_of(rows, ("can0",))


def bus_of(batch: Frames, cut: int = 0, **options: Any) -> BusFigures:
    options = {"bitrates": {"*": 500_000}} | options
    parts = [part for part in (batch.slice(0, cut), batch.slice(cut, len(batch))) if len(part)]
    return measured(parts, **options).buses["can0"]


def cuts(batch: Frames) -> set[int]:
    return {0, 1, len(batch) // 2}


def test_frames_are_counted_by_kind() -> None:
    """An error frame that carries the mark of a remote one is an error frame only."""
    kinds = [
        0,
        Flag.REMOTE,
        Flag.ERROR,
        Flag.ERROR | Flag.REMOTE,
        Flag.TRANSMITTED,
        Flag.UNTIMED,
        Flag.UNTIMED | Flag.REMOTE,
    ]
    batch = frames(*(n * MS for n in range(1, 8)), flags=kinds)
    for cut in cuts(batch):
        bus = bus_of(batch, cut)
        assert (bus.frames, bus.data_frames, bus.remote_frames, bus.error_frames) == (7, 3, 2, 2)
        assert (bus.transmitted, bus.untimed, bus.fd_frames) == (1, 2, 0)
        assert (bus.first_ns, bus.last_ns, bus.seconds) == (1 * MS, 5 * MS, 0.004)
        assert bus.load is None  # of frames without a time nobody knows when they were
    long = batch_of([(1, 0, 0x100, int(Flag.FD), 9, bytes(12))], ("can0",))
    assert bus_of(long).fd_frames == 1


def test_bits_count_from_the_first_frame_on_and_the_load_from_its_end() -> None:
    batch = frames(0, 10 * MS, 12 * MS, data=(bytes(8), b"\x55" * 4, b""))
    bits = wire_bits(batch).nominal.tolist()
    for cut in cuts(batch):
        bus = bus_of(batch, cut)
        assert (bus.bits, bus.data_bits) == (sum(bits), 0)
        assert bus.load == pytest.approx(sum(bits[1:]) / 500_000 / 0.012)
        assert bus.peak_1s == Peak(0, bus.load, sum(bits[1:]))
    assert bus_of(batch, bitrates={}).load is None
    assert bus_of(batch.slice(0, 1)).load is None


def test_bits_at_the_data_rate_count_from_the_first_frame_on_too() -> None:
    flags = int(Flag.FD | Flag.BRS)
    batch = batch_of([(n * MS, 0, 0x100, flags, 9, bytes(range(12))) for n in range(4)], ("can0",))
    bits = wire_bits(batch)
    for cut in cuts(batch):
        bus = bus_of(batch, cut, data_bitrates={"*": 2_000_000})
        assert (bus.bits, bus.data_bits) == (bits.nominal.sum(), bits.data.sum())
        seconds = bits.nominal[1:].sum() / 500_000 + bits.data[1:].sum() / 2_000_000
        assert bus.load == pytest.approx(seconds / 0.003)
        slower = bus_of(batch, cut)
        assert slower.load == pytest.approx((bits.nominal + bits.data)[1:].sum() / 500_000 / 0.003)
        assert bus.windows.load.sum() * 0.1 == pytest.approx(bits.nominal.sum() / 500_000 + bits.data.sum() / 2_000_000)


def test_windows_of_a_tenth_and_of_a_whole_second_have_their_own_load() -> None:
    batch = frames(*(n * 50 * MS for n in range(41)))
    bits = int(wire_bits(batch).nominal[0])
    bus = bus_of(batch)
    assert (bus.windows.width_ns, bus.slow_windows.width_ns) == (100 * MS, S)
    assert bus.windows.load.tolist() == pytest.approx([2 * bits / 500_000 / 0.1] * 20 + [bits / 500_000 / 0.1])
    assert bus.slow_windows.load.tolist() == pytest.approx([20 * bits / 500_000] * 2 + [bits / 500_000])
    assert bus.slow_windows.frames.tolist() == [20, 20, 1]
    assert bus.peak_100ms == Peak(0, pytest.approx(2 * bits / 500_000 / 0.1), 2 * bits)


def test_a_clock_that_goes_back_takes_no_time_and_its_frame_took_its_own_before() -> None:
    batch = frames(10 * MS, 20 * MS, 5 * MS, 15 * MS, 15 * MS - US, 15 * MS - US - 1001)
    bits = wire_bits(batch).nominal.tolist()
    for cut in cuts(batch):
        bus = bus_of(batch, cut)
        assert bus.steps_back == (
            ClockStep("can0", 20 * MS, 5 * MS),
            ClockStep("can0", 15 * MS - US, 15 * MS - US - 1001),
        )
        assert (bus.steps_back_count, bus.seconds) == (2, pytest.approx(0.02 - 1e-6))
        assert bus.steps_back[0].step_ns == -15 * MS
        assert bus.load == pytest.approx((bits[1] + bits[3] + bits[4]) / 500_000 / bus.seconds)
        assert (bus.first_ns, bus.last_ns) == (10 * MS, 15 * MS - US - 1001)
        assert (bus.spacing.pairs, bus.spacing.zero, bus.spacing.under_50us) == (3, 1, 1)
    capture = measured(batch).capture
    assert (capture.first_ns, capture.last_ns) == (5 * MS, 20 * MS)


def test_a_frame_with_two_bit_rates_is_held_against_none() -> None:
    """Two microseconds are too short for a classic frame; of one with two rates the spacing tells neither."""
    fast = int(Flag.FD | Flag.BRS)
    for second, impossible in ((0, 1), (fast, 0)):
        rows = [(0, 0, 1, 0, 8, bytes(8)), (2 * US, 0, 2, second, 8, bytes(8)), (S, 0, 3, fast, 8, bytes(8))]
        for cut in range(3):
            assert bus_of(batch_of(rows), cut).spacing.impossible == impossible
    error = [(0, 0, 1, 0, 8, bytes(8)), (2 * US, 0, 8, int(Flag.ERROR), 8, bytes(8)), (S, 0, 3, 0, 8, bytes(8))]
    assert bus_of(batch_of(error)).spacing.impossible == 0


def spacings(*ns: int, **options: Any) -> Spacing:
    batch = frames(*(1000 * S + np.cumsum([0, *ns])).tolist(), ids=(1, 2, 3), data=(b"\1", b"\2", b"\3"))
    found = {bus_of(batch, cut, **options).spacing for cut in cuts(batch)}
    assert len(found) == 1
    return found.pop()


def test_close_spacings_are_counted() -> None:
    found = spacings(0, 49_999, 50_000, -1000, 1 * MS, bitrates={})
    assert (found.pairs, found.zero, found.under_50us) == (5, 2, 3)
    assert (found.impossible, found.back_to_back) == (None, None)


def test_what_is_impossible_on_the_wire_is_shorter_than_the_frame_by_five_percent() -> None:
    """A frame of one byte, id 2: its bits at 500 kbit/s take 2 µs each, and stamps are told to 1 µs."""
    bits = wire_bits(frames(0, 1, ids=(1, 2), data=(b"\1", b"\2"))).nominal.tolist()[1]
    whole = bits * 2000
    clock = Clock(resolution_ns=1)
    for share, impossible, back in ((1.0, 0, 1), (0.96, 0, 1), (0.93, 1, 0), (1.04, 0, 1), (1.07, 0, 0)):
        found = spacings(round(whole * share), clock=clock)
        assert (found.impossible, found.back_to_back) == (impossible, back)
    assert spacings(0, 0, whole, clock=clock).impossible == 2


@pytest.mark.parametrize(
    ("apart", "data", "ids", "repeated"),
    [
        (999_999, (b"\1",), (1,), 1),
        (1_000_000, (b"\1",), (1,), 0),
        (0, (b"\1",), (1,), 1),
        (-1, (b"\1",), (1,), 0),
        (500_000, (b"\1", b"\2"), (1,), 0),
        (500_000, (b"\1",), (1, 2), 0),
    ],
)
def test_the_same_frame_within_a_millisecond_is_repeated(
    apart: int, data: tuple[bytes, ...], ids: tuple[int, ...], repeated: int
) -> None:
    batch = frames(1 * S, 1 * S + apart, 9 * S, ids=(*ids, *ids, 77)[:3] if len(ids) == 1 else (1, 2, 77), data=data)
    for cut in cuts(batch):
        assert bus_of(batch, cut).spacing.repeated == repeated


def test_error_frames_are_never_the_same_frame_again() -> None:
    batch = frames(0, 100_000, 200_000, flags=(Flag.ERROR, Flag.ERROR, 0))
    for cut in cuts(batch):
        assert bus_of(batch, cut).spacing.repeated == 0


def test_stamps_in_whole_milliseconds_are_counted() -> None:
    for cut in (0, 1, 3):
        bus = bus_of(frames(0, 1 * MS, 1 * MS + 1, 3 * MS, 4_500_000), cut)
        assert bus.spacing.on_millisecond == 3


def test_a_bus_is_silent_beyond_five_milliseconds() -> None:
    batch = frames(0, 5 * MS, 10 * MS + 1, 11 * MS, 30 * MS)
    for cut in cuts(batch):
        silences = bus_of(batch, cut).silences
        assert (silences.start_ns.tolist(), silences.end_ns.tolist()) == ([5 * MS, 11 * MS], [10 * MS + 1, 30 * MS])
        assert (silences.count, len(silences)) == (2, 2)


@pytest.mark.parametrize(
    ("start", "end", "longest"),
    [(0, 100, 20), (0, 15, 5), (12, 14, 2), (0, 10, 0), (30, 50, 0), (25, 61, 5), (41, 59, 0), (60, 90, 20)],
)
def test_the_longest_part_of_a_silence_within_a_stretch(start: int, end: int, longest: int) -> None:
    silences = Silences(np.array([10, 60]), np.array([30, 80]), 2)
    assert silences.longest_within(start, end) == longest
    assert Silences(np.array([], dtype=np.int64), np.array([], dtype=np.int64), 0).longest_within(start, end) == 0


def test_the_load_at_a_time_is_that_of_its_window() -> None:
    none = np.zeros(2, dtype=np.int64)
    found = LoadWindows(S, np.array([2 * S, 5 * S]), none, none, none, none, np.array([0.2, 0.5]))
    at = found.load_at(np.array([2 * S - 1, 2 * S, 3 * S - 1, 3 * S, 5 * S, 9 * S]))
    assert at.tolist() == pytest.approx([np.nan, 0.2, 0.2, np.nan, 0.5, np.nan], nan_ok=True)
    assert len(found) == 2
    empty = LoadWindows(S, none[:0], none[:0], none[:0], none[:0], none[:0], np.zeros(0))
    assert np.isnan(empty.load_at(np.array([0])))


@pytest.mark.parametrize(("elapsed_ns", "bits", "carried"), [(S, 1000, 900.0), (S - 1, 1000, 0.0), (S, None, 0.0)])
def test_a_bus_carried_nine_tenths_of_its_busiest_second(elapsed_ns: int, bits: int | None, carried: float) -> None:
    """In a recording of a second at least; a computer may gather some of what came before into it."""
    lane = BusLane("can0")
    lane.elapsed_ns = elapsed_ns
    if bits is not None:
        lane.peaks.best = {S: Busy(1.0, 0, bits, 0)}
    assert lane._carried() == carried


def test_the_busiest_window_is_by_the_time_that_bits_take() -> None:
    """Three classic frames of 111 bits or more at 0 s, and at 3 s one of 64 bytes, most of it four times as fast."""
    rows = [(n * 300 * US, 0, 0x100, 0, 8, bytes(8)) for n in range(3)]
    rows.append((3 * S, 0, 0x200, int(Flag.FD | Flag.BRS), 15, bytes(range(64))))
    for options, start in (({"data_bitrates": {"*": 2_000_000}}, 0), ({}, 3 * S)):
        peak = bus_of(batch_of(rows), **options).peak_100ms
        assert peak is not None
        assert peak.start_ns == start


# Who stamped ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clock", "impossible", "zero", "copies", "told"),
    [
        ("hardware", 10, 0, 0, "unknown"),
        ("hardware", 11, 0, 0, "spacings"),
        ("hardware", None, 11, 0, "spacings"),
        ("hardware", 3, 11, 0, "spacings"),
        ("hardware", 13, 0, 1, "spacings"),
        ("hardware", 12, 0, 1, "unknown"),
        ("host", 0, 0, 0, "clock"),
    ],
)
def test_one_impossible_spacing_in_a_hundred_shows_that_a_host_stamped(
    clock: Any, impossible: int | None, zero: int, copies: int, told: str
) -> None:
    """Of a thousand pairs; a second copy makes two of them."""
    spacing = Spacing(1000, impossible, 0, zero, 0, 0, 0)
    assert _host_stamped(spacing, Clock(source=clock), copies) == told


def rate(bits_per_s: int | None, source: Any = "option") -> BitRate:
    return BitRate(bits_per_s, None, source, 1.0, "")


@pytest.mark.parametrize(
    ("given", "shown", "contradicts"),
    [
        (rate(500_000), rate(500_000, "guessed"), False),
        (rate(500_000), rate(250_000, "guessed"), True),
        (rate(250_000), rate(500_000, "guessed"), True),
        (rate(549_000), rate(500_000, "guessed"), False),
        (rate(551_000), rate(500_000, "guessed"), True),
        (rate(451_000), rate(500_000, "guessed"), False),
        (rate(449_000), rate(500_000, "guessed"), True),
        (rate(None, "unknown"), rate(500_000, "guessed"), False),
        (rate(250_000), rate(None, "unknown"), False),
        (rate(250_000, "guessed"), rate(500_000, "guessed"), False),
    ],
)
def test_frames_contradict_a_rate_that_is_over_a_tenth_off(given: BitRate, shown: BitRate, contradicts: bool) -> None:
    assert contradicted(given, shown) is contradicts


def test_errors_within_a_stretch_are_counted_with_both_ends() -> None:
    times = np.array([10, 20, 20, 30])
    errors = ErrorFigures(4, 4, {}, {}, {}, {}, times, 10, 30, 1, 10, (), (), ())
    counts = [errors.within(*span) for span in ((10, 30), (11, 29), (20, 20), (31, 40), (0, 9), (0, 10))]
    assert counts == [4, 2, 2, 0, 0, 1]
    assert (errors.highest_transmit, errors.highest_receive) == (None, None)


def test_identifiers_share_the_bits_and_the_load_of_their_bus() -> None:
    batch = frames(*(n * MS for n in range(31)), ids=(1, 2, 2), data=(bytes(8), b"", b""))
    health = measured(batch, bitrates={"*": 500_000})
    bits = wire_bits(batch).nominal
    own = [int(bits[batch.id == number].sum()) for number in (1, 2)]
    one, other = (health.ids[FrameName("can0", number, False)] for number in (1, 2))
    assert (one.bits, other.bits) == tuple(own)
    assert (one.share, other.share) == (pytest.approx(own[0] / sum(own)), pytest.approx(own[1] / sum(own)))
    load = health.buses["can0"].load or 0
    assert (one.load, other.load) == (pytest.approx(load * one.share), pytest.approx(load * other.share))
    assert (one.age_ns, other.age_ns) == (0, 1 * MS)
    assert (one.rate_hz, other.rate_hz) == (pytest.approx(1000 / 3), pytest.approx(19 / 0.028))
