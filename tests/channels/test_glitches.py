"""Glitches: each kind, what is none, and the whole against a plain loop over samples, however they are cut."""

import math
import statistics
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.glitches import Glitch, GlitchCounter, Watched
from buswright.channels.samples.running_median import LEAST, MOST
from buswright.channels.samples.series import Quality, Series

S = 1_000_000_000
START = 1_775_901_600 * S
DAMPER = Watched("damper_fl", step=0.001, span=4.0, period_s=0.005)


def series(volts, *, rate_hz=200.0, time_ns=None, healthy=(0.25, 4.75), **more) -> Series:
    """Make a channel of millivolts; a sample outside the healthy band carries the quality that decoding gives it."""
    raw = np.round(np.asarray(volts) * 1000).astype(np.int64)
    volts = raw / 1000.0
    if time_ns is None:
        time_ns = START + np.round(np.arange(len(raw)) * 1e9 / rate_hz).astype(np.int64)
    railed = (volts <= healthy[0]) | (volts >= healthy[1])
    quality = (railed * np.uint16(Quality.ELECTRICAL_RAIL)).astype(np.uint16) if railed.any() else None
    return Series("damper_fl", "mm", time_ns, volts * 37.5, **{"raw": raw, "volts": volts, "quality": quality} | more)


def quiet(n=400, level=2.5, seed=1) -> np.ndarray:
    return level + np.random.default_rng(seed).normal(0, 0.002, n)


def glitches(one: Series, watched: Watched = DAMPER) -> list[tuple[str, int, int]]:
    """Find kind, row and milliseconds of each glitch, the open one too."""
    counter = GlitchCounter(watched)
    found = [*counter.add(one), *counter.open]
    first = int(one.time_ns[0])
    return [(each.kind, round((each.time_ns - first) / 5e6), round(each.duration_ns / 1e6)) for each in found]


def test_quiet_has_none():
    assert glitches(series(quiet(20_000))) == []


def test_a_touch_of_the_rail_is_one_glitch_with_its_worst_value():
    volts = quiet()
    volts[200:204] = [4.8, 4.95, 4.99, 4.9]
    counter = GlitchCounter(DAMPER)
    (found,) = counter.add(series(volts))
    assert (found.kind, found.channel, found.peak) == ("rail", "damper_fl", 4.99)
    assert found.time_ns == START + S
    assert found.duration_ns == 20_000_000


def test_a_contact_that_goes_half_way_first_is_one_touch():
    volts = quiet()
    volts[200:204] = [3.4, 4.9, 4.9, 3.1]
    assert glitches(series(volts)) == [("rail", 200, 20)]


def test_standing_at_a_rail_is_one_glitch_counted_at_once():
    volts = quiet(4000)
    volts[300:] = 4.99
    counter = GlitchCounter(DAMPER)
    assert counter.add(series(volts)) == []
    assert [(each.kind, each.peak) for each in counter.open] == [("rail", 4.99)]
    assert counter.standing


def test_what_stands_at_a_rail_from_the_start_counts_when_it_comes_back_to_it():
    volts = np.full(600, 4.99)
    volts[100:110] = 2.5
    volts[300:500] = 2.5
    assert glitches(series(volts)) == [("rail", 110, 950), ("rail", 500, 495)]
    assert glitches(series(volts[:100])) == []


def test_several_touches_count_apart():
    volts = quiet()
    for at in (100, 102, 150, 300):
        volts[at] = 0.01
    assert [each[1] for each in glitches(series(volts))] == [100, 102, 150, 300]


@pytest.mark.parametrize(
    ("high", "length", "after", "counts"),
    [
        (0.3, 1, 0.0, True),
        (-0.3, 1, 0.0, True),
        (0.3, 19, 0.0, True),
        (0.3, 22, 0.0, False),  # 105 ms: a movement
        (0.3, 4, 0.06, True),  # back within 2 % of 4 V
        (0.3, 4, 0.15, False),  # it stayed away
        (0.07, 1, 0.0, False),  # less than 2 %
    ],
)
def test_a_spike_is_high_short_and_comes_back(high, length, after, counts):
    volts = quiet()
    volts[200 : 200 + length] = 2.5 + high
    volts[200 + length :] += after
    assert [each[:2] for each in glitches(series(volts))] == ([("spike", 200)] if counts else [])


@pytest.mark.parametrize(("steps", "counts"), [(2, False), (3, True)])
def test_a_spike_of_a_still_channel_is_three_raw_steps(steps, counts):
    volts = np.full(400, 2.5)
    volts[200] += steps * 0.001
    assert bool(glitches(series(volts), Watched("coarse", step=0.001, span=0.06))) is counts


def test_a_spike_of_a_noisy_channel_is_eight_standard_deviations():
    volts = 2.5 + np.random.default_rng(1).normal(0, 0.05, 20_000)
    assert glitches(series(volts)) == []
    volts[200] = 2.85
    volts[300] = 2.95
    assert [each[:2] for each in glitches(series(volts))] == [("spike", 300)]


def test_a_move_is_no_glitch():
    time = np.arange(4000) / 200
    assert glitches(series(2.5 + 1.5 * np.sin(2 * np.pi * 1.5 * time))) == []
    assert glitches(series(np.clip(0.5 + np.maximum(time - 5, 0) * 4, 0.5, 4.5))) == []


def test_slow_channels_have_spikes_too():
    volts = quiet(200)
    volts[100] = 3.0
    counter = GlitchCounter(Watched("oil_temperature", step=0.001, span=4.0))
    assert [(each.kind, each.duration_ns) for each in counter.add(series(volts, rate_hz=2))] == [("spike", S // 2)]


@pytest.mark.parametrize(("silence_ms", "counts"), [(45, False), (55, True)])
def test_a_gap_is_longer_than_three_periods_and_fifty_milliseconds(silence_ms, counts):
    time_ns = START + np.arange(400, dtype=np.int64) * 5_000_000
    time_ns[200:] += silence_ms * 1_000_000 - 5_000_000
    found = glitches(series(quiet(), time_ns=time_ns))
    assert found == ([("gap", 199, silence_ms)] if counts else [])


def test_slow_channels_gap_by_their_period_and_what_is_sent_on_change_never():
    time_ns = START + np.arange(100, dtype=np.int64) * 500_000_000
    late = np.arange(100) >= 50
    time_ns = time_ns + late * S
    assert glitches(series(quiet(100), time_ns=time_ns), Watched("slow")) == []  # three periods exactly
    time_ns = time_ns + late * S
    assert [each[0] for each in glitches(series(quiet(100), time_ns=time_ns), Watched("slow"))] == ["gap"]
    assert glitches(series(quiet(100), time_ns=time_ns), Watched("slow", by_clock=False)) == []


def test_a_wrong_nominal_period_is_not_believed():
    assert glitches(series(quiet()), Watched("fast", span=4.0, period_s=0.0005)) == []
    assert glitches(series(quiet(100), rate_hz=2), Watched("slow", span=4.0, period_s=0.005)) == []


def test_a_silence_that_lasts_is_a_gap_already():
    counter = GlitchCounter(DAMPER)
    counter.add(series(quiet()))
    last = START + 399 * 5_000_000
    assert counter.silent(last + 50_000_000) is None
    lasting = counter.silent(last + 300_000_000)
    assert str(lasting) == str(Glitch("damper_fl", "gap", last, 300_000_000, math.nan))


def test_before_the_period_is_known_a_silence_is_no_gap():
    counter = GlitchCounter(DAMPER)
    assert counter.silent(START) is None
    counter.add(series(quiet(5)))
    assert counter.silent(START + 100 * S) is None


def test_without_a_healthy_band_a_jump_to_the_end_of_the_code_and_back_is_a_touch():
    watched = Watched("x", step=0.001, span=4.095, ends=(0, 4095))
    volts = quiet(2000)
    volts[200:203] = 4.095
    volts[900:1100] = 0.0
    volts[1500:] = 0.0  # switched off, or broken: without a healthy band nobody can say
    found = glitches(series(volts, healthy=(-9, 9)), watched)
    assert [each[:2] for each in found] == [("rail", 200), ("rail", 900)]


def test_resting_at_the_end_of_the_code_is_none():
    watched = Watched("brake_pressure_front", step=0.001, span=4.095, ends=(0, 4095))
    volts = np.maximum(np.random.default_rng(2).normal(0, 0.001, 2000), 0)
    assert glitches(series(volts, healthy=(-9, 9)), watched) == []
    volts[1000] = 1.0
    assert [each[:2] for each in glitches(series(volts, healthy=(-9, 9)), watched)] == [("spike", 1000)]


def test_a_sender_that_calls_it_invalid_is_a_touch_and_a_damaged_frame_is_nothing():
    volts = quiet()
    quality = np.zeros(400, dtype=np.uint16)
    quality[100] = Quality.SENDER_INVALID
    quality[200] = Quality.BAD_CHECKSUM
    volts[200] = 4.99
    assert glitches(series(volts, quality=quality)) == [("rail", 100, 5)]


def test_thresholds_are_the_channels_own():
    volts = quiet()
    volts[200] += 0.3
    assert glitches(series(volts), Watched("x", step=0.001, span=4.0, spike_sd=1000)) == []


def test_time_that_goes_backwards_begins_anew():
    volts = quiet(400)
    time_ns = START + np.arange(400, dtype=np.int64) * 5_000_000
    time_ns[200:] -= 30 * S
    volts[198:200] = 4.99  # at the rail when the clock is set: it ends there
    volts[201:] += 1.0  # elsewhere afterwards: no spike
    assert [each[:2] for each in glitches(series(volts, time_ns=time_ns))] == [("rail", 198)]


# The whole against a loop over samples ----------------------------------------------------------------------------


def by_the_sample(one: Series, watched: Watched) -> list[tuple[str, int, int]]:
    """Work everything out one sample at a time, from the definition; (kind, time, duration) by time of the end."""
    found, sound = [], []
    run: dict | None = None
    step_limit = max(3 * 0.005, 0.05) * 1e9
    rails = np.zeros(len(one), bool) if one.quality is None else one.quality & Quality.ELECTRICAL_RAIL
    for row in range(len(one)):
        time, x = int(one.time_ns[row]), float(one.volts[row])
        if row and time - int(one.time_ns[row - 1]) > step_limit:
            found.append(("gap", int(one.time_ns[row - 1]), time - int(one.time_ns[row - 1])))
        rail, off = bool(rails[row]), False
        if not rail:
            recent = [value for at, value in sound if at >= time - 500_000_000][-MOST:]
            window = recent if len(recent) >= LEAST else [value for _, value in sound[-LEAST:]]
            if len(window) >= LEAST:
                middle = statistics.median(window)
                spread = 1.4826 * statistics.median(abs(value - middle) for value in window)
                off = abs(x - middle) > 8 * spread and abs(x - middle) >= 0.08
                base = middle
            sound.append((time, x))
        if rail or off:
            if run is None:
                run = {"start": time, "base": base if off else None, "rail": False}
            run["rail"] |= rail
            run["last"] = time
        elif run is not None:
            lasted = time - run["start"]
            if run["rail"]:
                found.append(("rail", run["start"], lasted))
            elif run["last"] - run["start"] < 100_000_000 and abs(x - run["base"]) <= 0.08:
                found.append(("spike", run["start"], lasted))
            run = None
    return found


def messy(seed: int) -> Series:
    """Make a channel that moves, with touches, spikes of all lengths, and gaps."""
    rng = np.random.default_rng(seed)
    n = 3000
    time = np.arange(n) / 200
    volts = 2.5 + 0.8 * np.sin(2 * np.pi * rng.uniform(0.02, 0.2) * time) + rng.normal(0, 0.002, n)
    for _ in range(40):
        at, length = int(rng.integers(50, n - 60)), int(rng.choice([1, 1, 2, 3, 5, 18, 21, 50]))
        volts[at : at + length] = rng.choice([0.01, 4.99, 1.0, 1.8, 3.0, 3.6]) + rng.normal(0, 0.05)
    time_ns = START + (np.arange(n) * 5_000_000) + rng.integers(-400_000, 400_000, n)
    keep = np.ones(n, bool)
    for _ in range(8):
        at = int(rng.integers(50, n - 60))
        keep[at : at + int(rng.integers(1, 30))] = False
    return series(volts[keep], time_ns=np.sort(time_ns)[keep])


@pytest.mark.parametrize("seed", range(2))
def test_it_equals_a_loop_over_samples_however_it_is_cut(seed):
    one = messy(seed)
    whole = GlitchCounter(DAMPER).add(one)
    kinds = {each.kind for each in whole}
    assert kinds == {"rail", "spike", "gap"}
    expected = by_the_sample(one, DAMPER)
    assert sorted((each.kind, each.time_ns, each.duration_ns) for each in whole) == sorted(expected)
    for sizes in ((1,), (7, 64), (1000,)):
        counter, row, parts = GlitchCounter(DAMPER), 0, []
        while row < len(one):
            size = sizes[len(parts) % len(sizes)]
            parts.append(counter.add(one.take(np.arange(row, min(row + size, len(one))))))
            row += size
        assert [str(each) for part in parts for each in part] == [str(each) for each in whole]


# Details ------------------------------------------------------------------------------------------------------------


def flagged(bit: Quality, row: int = 200, value: float = 4.99) -> list[tuple[str, int, int]]:
    """Glitches of a quiet channel of which one sample, far off, carries a bit."""
    volts, quality = quiet(), np.zeros(400, np.uint16)
    volts[row], quality[row] = value, bit
    return glitches(series(volts, quality=quality))


@pytest.mark.parametrize("bit", [Quality.SHORT_FRAME, Quality.MUX_ABSENT, Quality.BAD_CHECKSUM])
def test_what_was_not_in_the_frame_is_no_sample(bit):
    assert flagged(bit) == []


@pytest.mark.parametrize("bit", [Quality.ELECTRICAL_RAIL, Quality.SENDER_INVALID])
def test_a_rail_and_an_invalid_value_are_touches_even_without_a_number(bit):
    assert flagged(bit) == flagged(bit, value=2.5) == [("rail", 200, 5)]
    volts, quality = quiet(), np.zeros(400, np.uint16)
    quality[200] = bit
    one = series(volts, quality=quality)
    holed = np.where(np.arange(400) == 200, np.nan, one.volts)
    assert glitches(replace(one, volts=holed)) == [("rail", 200, 5)]


@pytest.mark.parametrize("bit", [Quality.TOO_FAST, Quality.AFTER_GAP, Quality.IMPLAUSIBLE])
def test_other_objections_leave_a_sample_in(bit):
    assert flagged(bit) == [("spike", 200, 5)]


def test_a_channel_without_volts_is_judged_by_its_value_and_a_hole_is_no_sample():
    volts = quiet()
    volts[200] = 3.0
    one = replace(series(volts), volts=None)
    watched = Watched("x", step=0.0375, span=150.0)
    assert glitches(one, watched) == [("spike", 200, 5)]
    assert glitches(replace(one, value=np.where(np.arange(400) == 200, np.nan, one.value)), watched) == []


@pytest.mark.parametrize(
    ("peaks", "worst"), [([2.8, 3.0, 2.9], 3.0), ([2.2, 2.0, 2.3], 2.0), ([2.2, 2.9], 2.9), ([2.9, 2.0], 2.0)]
)
def test_the_peak_is_the_farthest_from_where_it_was(peaks, worst):
    volts = np.full(400, 2.5)
    volts[200 : 200 + len(peaks)] = peaks
    (found,) = GlitchCounter(DAMPER).add(series(volts))
    assert (found.kind, found.peak) == ("spike", worst)


def test_a_run_that_goes_on_in_the_next_chunk_is_one_glitch():
    volts = quiet()
    volts[198:203] = [4.8, 4.9, 4.85, 4.99, 4.8]
    one, counter = series(volts), GlitchCounter(DAMPER)
    assert counter.add(one.take(np.arange(200))) == []
    (open_now,) = counter.open
    assert (open_now.time_ns, open_now.duration_ns, open_now.peak) == (one.time_ns[198], 5_000_000, 4.9)
    assert counter.standing
    (found,) = counter.add(one.take(np.arange(200, 400)))
    assert (found.time_ns, found.duration_ns, found.peak) == (one.time_ns[198], 25_000_000, 4.99)
    assert counter.open == ()
    assert not counter.standing


def test_a_chunk_of_nothing_changes_nothing():
    counter = GlitchCounter(DAMPER)
    one = series(quiet())
    assert counter.add(one.take(np.arange(0))) == []
    counter.add(one.take(np.arange(200)))
    assert counter.add(replace(one.take(np.arange(200, 203)), volts=np.full(3, np.nan))) == []
    assert counter.silent(int(one.time_ns[199]) + S).time_ns == one.time_ns[199]


@pytest.mark.parametrize(("samples", "known"), [(16, False), (17, True)])
def test_the_period_is_known_after_sixteen_spacings(samples, known):
    counter = GlitchCounter(DAMPER)
    one = series(quiet(samples))
    counter.add(one)
    assert (counter.silent(int(one.time_ns[-1]) + S) is not None) is known


def test_samples_of_one_moment_are_no_spacing():
    time_ns = START + np.arange(30, dtype=np.int64) // 2 * 5_000_000  # 14 spacings, and as many of nothing
    counter = GlitchCounter(DAMPER)
    counter.add(series(quiet(30), time_ns=time_ns))
    assert counter.silent(int(time_ns[-1]) + S) is None
    counter.add(series(quiet(3), time_ns=time_ns[-1] + np.arange(3) * 5_000_000))  # the same moment once more
    assert counter.silent(int(time_ns[-1]) + S) is not None


@pytest.mark.parametrize(
    ("period_s", "limit_ms"),
    [
        (0.010, 30.0),  # twice the spacings that came: believed
        (0.0025, 7.5),  # half of them
        (0.0101, 15.0),  # not believed: three times the 5 ms that came
        (0.0024, 15.0),
        (None, 15.0),
    ],
)
def test_a_nominal_period_counts_as_far_as_spacings_are_about_that(period_s, limit_ms):
    watched = Watched("x", span=4.0, period_s=period_s, gap_s=0.0)
    counter = GlitchCounter(watched)
    one = series(quiet(50))
    counter.add(one)
    last = int(one.time_ns[-1])
    assert counter.silent(last + round(limit_ms * 1e6)) is None
    assert counter.silent(last + round(limit_ms * 1e6) + 1) is not None


def test_glitches_of_a_chunk_come_by_the_time_they_ended():
    volts = quiet()
    volts[200:240] = 4.99  # ends after the gap that lies within it
    time_ns = START + np.arange(400, dtype=np.int64) * 5_000_000
    time_ns[220:] += 200_000_000
    assert [each[:2] for each in glitches(series(volts, time_ns=time_ns))] == [("gap", 219), ("rail", 200)]


def test_a_spike_that_lasts_the_longest_time_is_none():
    volts = np.full(400, 2.5)
    volts[200:220] = 2.8  # from its first to its last sample 95 ms
    assert [each[0] for each in glitches(series(volts))] == ["spike"]
    volts[220] = 2.8  # 100 ms
    assert glitches(series(volts)) == []


def test_a_jump_to_the_end_of_the_code_goes_on_in_the_next_chunk_and_counts_when_it_is_left_for_where_it_was():
    watched = Watched("x", step=0.001, span=4.095, ends=(0, 4095))
    volts = quiet(600)
    volts[195:215] = 0.0
    one, found = series(volts, healthy=(-9, 9)), []
    counter = GlitchCounter(watched)
    for start in range(0, 600, 10):
        found += counter.add(one.take(np.arange(start, start + 10)))
    assert [(each.kind, each.time_ns, each.duration_ns) for each in found] == [("rail", one.time_ns[195], S // 10)]
    volts[215:] += 0.5  # left for another value: somebody turned it on again
    assert glitches(series(volts, healthy=(-9, 9)), watched) == []
