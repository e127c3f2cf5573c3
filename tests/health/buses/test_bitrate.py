"""The bit rate that spacings show: every standard rate, stamps of hardware and of computers, and a real recording."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Clock, Frames, concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.frames.wire.rates import STANDARD_RATES
from buswright.health.buses import bitrate as room
from buswright.health.folds.histogram import value_of
from buswright.health.model.health import BusFigures
from tests.health.traffic import MS, comb, measured, serialised

REAL = Path(__file__).parents[2] / "data" / "road_car.log"


@cache
def traffic(rate: int, seed: int) -> Frames:
    """Some thousand frames: modules that send several identifiers at a time, of one length or of several."""
    rng = np.random.default_rng([seed, rate])
    share, count = float(rng.choice([0.05, 0.15, 0.35])), int(rng.integers(6, 30))
    per_s = share * rate / 120
    seconds = min(60.0, max(8.0, 4000 / per_s))
    lengths = [(8,), (8, 8, 8, 4, 2), (8, 6, 5, 3, 1, 7, 2, 4)][rng.integers(3)]
    periods = rng.choice([10.0, 10, 20, 20, 50, 100, 100, 200, 500, 1000], count)
    periods = np.maximum(1, np.round(periods * (1000 / periods).sum() / per_s))
    modules = max(1, count // 4)
    phase, ppm = rng.uniform(0, 50, modules), rng.uniform(-60, 60, modules)
    parts = [
        comb(
            0x80 + 17 * number, period, seconds, seed=seed, length=int(rng.choice(lengths)),
            phase_ms=float(phase[number % modules] % period if rng.random() < 0.6 else rng.uniform(0, period)),
            ppm=float(ppm[number % modules]),
        )
        for number, period in enumerate(periods.tolist())
    ]  # fmt: skip
    whole = concatenate(parts)
    late = np.rint(rng.gamma(1.5, float(rng.choice([3, 20, 100])), len(whole)) * 1000).astype(np.int64)
    whole = dataclasses.replace(whole, time_ns=whole.time_ns + late)
    return serialised(whole, wire_bits(whole).time_ns(rate))


def coarse(frames: Frames, step_ns: int) -> Frames:
    """Stamps cut to steps."""
    return dataclasses.replace(frames, time_ns=frames.time_ns // step_ns * step_ns)


def interrupted(frames: Frames, seed: int) -> Frames:
    """Stamps of a computer that takes each frame by itself, some tens of µs late and at times much later."""
    rng = np.random.default_rng([seed, 5])
    late = rng.gamma(4, 5000, len(frames)) + (rng.random(len(frames)) < 0.01) * rng.exponential(300_000, len(frames))
    least = np.arange(len(frames)) * 8000
    stamps = np.maximum.accumulate(frames.time_ns + late.astype(np.int64) - least) + least
    return dataclasses.replace(frames, time_ns=stamps // 1000 * 1000)


def fetched(frames: Frames) -> Frames:
    """Stamps of a computer that fetches what came within a millisecond, one behind the other."""
    slot = -(-frames.time_ns // MS)
    first = np.flatnonzero(np.diff(slot, prepend=-1))
    place = np.arange(len(slot)) - np.repeat(first, np.diff(np.append(first, len(slot))))
    stamps = slot * MS + slot * 2_654_435_761 % 97_000 + np.minimum(6000 * place, MS - 97_000)
    return dataclasses.replace(frames, time_ns=np.maximum.accumulate(stamps) // 1000 * 1000)


def seen(frames: Frames, resolution_ns: int = 1000, **options: object) -> BusFigures:
    return measured(frames, clock=Clock(resolution_ns=resolution_ns), **options).buses["can0"]


def right_or_unknown(frames: Frames, rate: int) -> bool:
    found = seen(frames)
    assert found.bitrate.bits_per_s in (rate, None), found.bitrate.basis
    if found.bitrate.bits_per_s is None:
        assert "not known" in found.bitrate.basis
    return found.bitrate.bits_per_s == rate


@pytest.mark.parametrize("rate", STANDARD_RATES)
def test_stamps_of_hardware_show_every_standard_rate(rate: int) -> None:
    shown = seen(traffic(rate, 3)).shown
    assert (shown.bits_per_s, shown.exact) == (rate, True)


@pytest.mark.parametrize("rate", [rate for rate in STANDARD_RATES if rate > 10_000])
def test_stamps_of_a_computer_show_it_about(rate: int) -> None:
    right = [right_or_unknown(interrupted(traffic(rate, seed), seed), rate) for seed in (3, 4)]
    assert any(right)


@pytest.mark.parametrize("rate", STANDARD_RATES)
@pytest.mark.parametrize("step_ns", [10_000, 100_000, 1_000_000])
def test_coarse_stamps_show_it_or_nothing(rate: int, step_ns: int) -> None:
    """Whether the reader knows how coarse they are or not."""
    right = right_or_unknown(coarse(traffic(rate, 3), step_ns), rate)
    assert right or step_ns * rate > 0.05 * 1e9 * 47


@pytest.mark.parametrize("rate", STANDARD_RATES)
def test_transfers_of_a_millisecond_show_it_or_nothing(rate: int) -> None:
    for seed in (3, 4, 5):
        right_or_unknown(fetched(traffic(rate, seed)), rate)


def test_a_real_recording_stamped_by_a_computer() -> None:
    """A driving bus of 500 kbit/s, loaded to 5 %; 98 of 10,000 frames were fetched behind another."""
    frames = concatenate(list(open_capture(REAL)))
    shown = measured(frames).buses["can2"].shown
    assert (shown.bits_per_s, shown.exact) == (500_000, False)


def test_frames_by_a_schedule_are_no_bit_rate() -> None:
    """Frames 1 ms apart, as 120 bits are at 125 kbit/s, but whatever their length."""
    parts = [comb(0x100 + n, 8, 20, phase_ms=n, jitter_us=30, length=8 - n) for n in range(8)]
    frames = concatenate(parts)
    found = seen(frames.take(np.argsort(frames.time_ns, kind="stable"))).bitrate
    assert found.bits_per_s is None
    assert "not known" in found.basis


def test_what_is_not_known_says_at_least_what_the_bus_carried() -> None:
    basis = seen(coarse(traffic(500_000, 5), MS)).bitrate.basis
    assert "too coarse" in basis
    assert "kbit/s or more" in basis


@pytest.mark.parametrize("given", [250_000, 1_000_000])
def test_spacings_are_impossible_by_the_rate_that_they_show(given: int) -> None:
    found = seen(traffic(500_000, 3), bitrates={"*": given})
    assert found.contradicted
    assert found.spacing.impossible == 0
    assert found.host_stamped == "unknown"
    assert not seen(traffic(500_000, 3), bitrates={"*": 500_000}).contradicted


def test_of_the_spacings_in_a_bin_as_many_are_shorter_as_lie_below_in_proportion() -> None:
    counts = np.zeros((2, room._HIGH - room._LOW), dtype=np.int32)
    counts[:, 100], counts[:, 101] = 60, 400
    low, high = value_of(np.array([100, 101]) + room._LOW, room._BITS).tolist()
    look = room._Look(counts)
    limits = [look.shorter(np.array([low, low + share * (high - low)])) for share in (0.0, 0.25, 0.5, 1.0)]
    assert limits == [0, 15, 30, 60]
    assert look.between(np.array([low, low]), np.array([high, high])) == 120
