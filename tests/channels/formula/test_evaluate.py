"""Formulas on series: values, alignment of rates, gaps and segments, quality."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, signal

from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.parse import parse_formula
from buswright.channels.samples.series import BAD, Quality, Series, unusable
from buswright.errors import FormulaError

EPOCH = 1_780_000_000_000_000_000


def make(function, rate, duration=10.0, *, start=0.0, jitter=0.0, unit="", quality=None, **more):
    """Sample a function of seconds; with `jitter` the stamps move (in periods), the values don't."""
    second = start + np.arange(round(duration * rate)) / rate
    moved = second + np.random.default_rng(1).uniform(-jitter, jitter, len(second)) / rate
    time_ns = EPOCH + np.rint(moved * 1e9).astype(np.int64)
    return Series(
        "x",
        unit,
        time_ns,
        np.asarray(function(second), dtype=np.float64),
        quality=None if quality is None else np.asarray(quality, np.uint16),
        period_s=1 / rate,
        **more,
    )


def samples(*value, quality=None, rate=100, **more):
    return make(lambda second: np.array(value), rate, len(value) / rate, quality=quality, **more)


def run(text, rate_hz=None, **inputs):
    return evaluate(parse_formula(text), inputs, rate_hz=rate_hz)


def seconds(series):
    return (series.time_ns - EPOCH) * 1e-9


def flags(series):
    return np.zeros(len(series), np.uint16) if series.quality is None else series.quality


@pytest.mark.parametrize(
    "text",
    [
        "a + b - 2 * a / (b + 10)",
        "-a ** 2 + +b",
        "a % 3 + a ** b",
        "abs(a) + exp(-abs(b)) * sin(a) - cos(b) + log(abs(a) + 1) + sqrt(abs(b))",
    ],
)
def test_arithmetic_is_pythons(text):
    rng = np.random.default_rng(0)
    a, b = rng.uniform(0.1, 5, 50), rng.integers(-3, 4, 50).astype(float)
    names = {name: getattr(np, name) for name in ("abs", "exp", "sin", "cos", "log", "sqrt")}
    expected = eval(text, {"__builtins__": {}}, {**names, "a": a, "b": b})  # the outside reference: Python itself
    np.testing.assert_allclose(run(text, a=samples(*a), b=samples(*b)).value, expected, rtol=1e-12)


def test_comparisons_and_logic_are_ones_and_zeros():
    inputs = {"a": samples(0, 1, 2, 3), "b": samples(2, 2, 2, 0)}
    assert run("a > 1", **inputs).value.tolist() == [0, 0, 1, 1]
    assert run("0 < a <= b", **inputs).value.tolist() == [0, 1, 1, 0]
    assert run("a == b", **inputs).value.tolist() == [0, 0, 1, 0]
    assert run("a and b", **inputs).value.tolist() == [0, 1, 1, 0]
    assert run("a != 1 or b", **inputs).value.tolist() == [1, 1, 1, 1]
    assert run("not a", **inputs).value.tolist() == [1, 0, 0, 0]
    assert run("where(a > 1, a, -b)", **inputs).value.tolist() == [-2, -2, 2, 3]
    assert run("min(a, b, 1)", **inputs).value.tolist() == [0, 1, 1, 0]
    assert run("max(a, b)", **inputs).value.tolist() == [2, 2, 2, 3]
    assert run("a > 1", **inputs).kind == "state"
    assert run("a + 1", **inputs).kind == "continuous"


def test_what_has_no_value_is_nan_without_a_warning():
    a = samples(-1, 0, 1, np.nan)
    for text, known in [
        ("1 / a", [-1, None, 1, None]),
        ("a / 0", [None, None, None, None]),
        ("0 / 0 + a", [None, None, None, None]),
        ("a % 0", [None, None, None, None]),
        ("sqrt(a)", [None, 0, 1, None]),
        ("log(a)", [None, None, 0, None]),
        ("exp(a * 1e6)", [0, 1, None, None]),
        ("a ** -1", [-1, None, 1, None]),
        ("a ** 0.5", [None, 0, 1, None]),
        ("a > 0", [0, 0, 1, None]),
        ("a == a", [1, 1, 1, None]),
        ("not a", [0, 1, 0, None]),
        ("a or 1", [1, 1, 1, None]),
        ("0 < 1 < a", [0, 0, 0, None]),
        ("max(a, 0)", [0, 0, 1, None]),
        ("where(a > 0, 5, a)", [-1, 0, 5, None]),
        ("where(a < 9, a, 1)", [-1, 0, 1, None]),
    ]:
        value = run(text, a=a).value
        assert [None if np.isnan(each) else each for each in value] == known, text


def test_where_takes_the_chosen_branch_only():
    assert run("where(a > 0, 1 / a, -9)", a=samples(0, 2, 4)).value.tolist() == [-9, 0.5, 0.25]


def test_unusable_samples_are_missing_and_doubtful_ones_count():
    a = samples(1, 2, 3, quality=[0, Quality.ELECTRICAL_RAIL, Quality.OUTSIDE_CALIBRATION])
    result = run("a * 2", a=a)
    np.testing.assert_array_equal(result.value, [2, np.nan, 6])
    assert flags(result).tolist() == [0, Quality.ELECTRICAL_RAIL, Quality.OUTSIDE_CALIBRATION]
    assert run("a * 2", a=samples(1, 2)).quality is None


# Rates, gaps, segments --------------------------------------------------------------------------------------------


def test_channels_of_one_message_are_computed_at_its_times():
    left, right = make(np.sin, 500, jitter=0.3), make(np.cos, 500, jitter=0.3)
    result = run("left - right", left=left, right=right)
    assert np.array_equal(result.time_ns, left.time_ns)
    assert np.array_equal(result.value, left.value - right.value)
    assert result.quality is None


def test_different_rates_meet_on_the_grid_of_the_slowest_continuous_input():
    fast, slow = make(np.sin, 500), make(np.cos, 50, start=0.003)
    gear = make(np.floor, 10, kind="state")
    result = run("fast ** 2 + slow ** 2 + 0 * gear", fast=fast, slow=slow, gear=gear)
    assert result.rate_hz == pytest.approx(50)
    assert result.period_s == pytest.approx(0.02)
    np.testing.assert_allclose(result.value, 1.0, atol=1e-3)
    assert seconds(result)[0] == pytest.approx(0.003)
    assert seconds(result)[-1] == pytest.approx(9.983)
    assert result.effective_hz == pytest.approx(10)
    assert run("fast + slow", fast=fast, slow=slow).effective_hz == pytest.approx(50)


def test_a_rate_that_is_asked_for_is_given():
    for text in ("a", "a + b", "rate_of_change(a)"):
        result = run(text, rate_hz=25, a=make(np.sin, 500), b=make(np.cos, 100))
        assert result.rate_hz == pytest.approx(25)
    faster = run("a + b", rate_hz=200, a=make(np.sin, 500), b=make(np.cos, 100))
    assert faster.rate_hz == pytest.approx(200)
    assert faster.effective_hz == pytest.approx(100)


def test_a_fast_tone_does_not_alias_into_a_slow_result():
    tone = make(lambda second: np.sin(2 * np.pi * 101 * second), 500)
    slow = make(lambda second: 0 * second, 50, start=0.001)
    assert np.abs(run("tone + slow", tone=tone, slow=slow).value[30:-30]).max() < 0.01


def test_states_keep_their_value_until_the_next():
    speed = make(lambda second: second, 100, 6.0)
    gear = make(np.floor, 10, 6.0, kind="state")
    result = run("where(gear >= 3, gear, -1) + 0 * speed", speed=speed, gear=gear)
    assert set(result.value) == {-1.0, 3.0, 4.0, 5.0}
    assert run("gear >= 3", gear=gear).kind == "state"


def test_a_shifted_input_is_caught():
    ramp, late = make(lambda second: second, 100), make(lambda second: second, 100, start=0.004)
    shifted = Series("x", "", late.time_ns + 50_000_000, late.value, period_s=0.01)
    np.testing.assert_allclose(run("a - b", a=ramp, b=late).value, 0.0, atol=1e-9)
    np.testing.assert_allclose(run("a - b", a=ramp, b=shifted).value, 0.05, atol=1e-9)
    np.testing.assert_allclose(run("a - lagged(b, -0.05)", a=ramp, b=shifted).value[:-5], 0.0, atol=1e-9)


def test_nothing_is_computed_across_a_gap():
    whole = make(lambda second: second, 100)
    second = seconds(whole)
    gappy = whole.take((second < 4.0) | (second > 5.0))
    other = make(lambda second: second, 40, start=0.001)
    result = run("gappy + other", gappy=gappy, other=other)
    missing = (seconds(result) > 3.9901) & (seconds(result) < 5.0099)
    assert missing.sum() > 30
    assert np.isnan(result.value[missing]).all()
    assert (flags(result)[missing] & Quality.AFTER_GAP).all()
    np.testing.assert_allclose(result.value[~missing], 2 * seconds(result)[~missing], atol=1e-3)


def test_nothing_is_computed_across_a_segment():
    def twice(function, rate, start):
        first, second = (
            make(function, rate, 2.0, start=start),
            make(lambda t: 100 + function(t), rate, 2.0, start=start),
        )
        time_ns = np.concatenate([first.time_ns, second.time_ns])
        return Series("x", "", time_ns, np.concatenate([first.value, second.value]), period_s=1 / rate)

    inputs = {"a": twice(lambda t: t, 100, 0.0), "b": twice(lambda t: t, 50, 0.003)}
    result = run("a + b", **inputs)
    assert len(result.segments) == 2
    middle = result.segments[1]
    np.testing.assert_allclose(result.value[:middle], 2 * seconds(result)[:middle], atol=1e-3)
    np.testing.assert_allclose(result.value[middle:], 200 + 2 * seconds(result)[middle:], atol=1e-3)
    slope = run("rate_of_change(a)", **inputs)
    np.testing.assert_allclose(slope.value, 1.0, atol=1e-6)
    total = run("accumulate(a * 0 + 1)", **inputs)
    assert total.value[[0, 199, 200, 399]] == pytest.approx([0, 1.99, 0, 1.99])
    assert np.isnan(run("lagged(a, 0.5)", **inputs).value[[0, 49, 200, 249]]).all()
    kept = run("keep_last(where(a > 101, a, 0 / 0))", **inputs)
    assert np.isnan(kept.value[:300]).all()


def test_a_night_between_two_runs_gets_no_grid_points():
    day = make(np.sin, 100)
    night = np.concatenate([day.time_ns, day.time_ns + 36_000 * 10**9])
    a = Series("a", "", night, np.tile(day.value, 2), period_s=0.01)
    b = Series("b", "", night[::2] + 1000, np.tile(day.value, 2)[::2], period_s=0.02)
    result = run("a + b", a=a, b=b)
    assert 990 < len(result) < 1010
    assert np.isfinite(result.value).mean() > 0.99


def test_a_wrong_period_does_not_eat_the_memory():
    a = Series("a", "", EPOCH + np.arange(100) * 10**9, np.zeros(100), period_s=1e-9)
    b = Series("b", "", EPOCH + 5 + np.arange(100) * 10**9, np.zeros(100), period_s=1e-9)
    with pytest.raises(FormulaError, match="more than"):
        run("a + b", a=a, b=b)
    with pytest.raises(FormulaError, match="more than"):
        run("a", rate_hz=1e9, a=a)


def test_inputs_that_never_meet_give_nothing():
    result = run("a + b", a=make(np.sin, 100, 1.0), b=make(np.sin, 50, 1.0, start=5.0))
    assert len(result) == 0
    assert len(run("a + 1", a=make(np.sin, 100, 0.0))) == 0
    assert len(run("rate_of_change(low_pass(a, 5)) + keep_last(lagged(accumulate(a), 1))", a=samples())) == 0


def test_a_missing_channel_is_named_with_its_position():
    with pytest.raises(FormulaError, match="'oil'") as caught:
        run("a + oil", a=samples(1))
    assert caught.value.column == 4


# Functions along time -----------------------------------------------------------------------------------------------


def test_the_derivative_of_a_sine_is_a_cosine():
    a = make(lambda second: np.sin(2 * np.pi * second), 200)
    result = run("rate_of_change(a)", a=a)
    np.testing.assert_allclose(
        result.value[2:-2], (2 * np.pi * np.cos(2 * np.pi * seconds(a)))[2:-2], rtol=0, atol=0.02
    )
    expected = signal.savgol_filter(a.value, 5, 2, deriv=1, delta=0.005, mode="interp")
    np.testing.assert_allclose(result.value, expected, atol=1e-9)


def test_arrival_jitter_does_not_disturb_the_derivative():
    # 1 ms of jitter at 200 Hz makes 20 % of error if arrival times are used; here none.
    ramp = make(lambda second: 100 * second, 200, jitter=0.2)
    np.testing.assert_allclose(run("rate_of_change(ramp)", ramp=ramp).value, 100.0, rtol=2e-3)
    by_arrival = np.gradient(ramp.value, seconds(ramp))
    assert np.abs(by_arrival - 100).max() > 10


def test_lost_frames_do_not_disturb_the_derivative_and_are_marked():
    ramp = make(lambda second: 100 * second, 200, 1.0, jitter=0.1)
    thinned = ramp.take(~np.isin(np.arange(200), [50, 51, 120]))
    result = run("rate_of_change(ramp)", ramp=thinned)
    np.testing.assert_allclose(result.value, 100.0, rtol=5e-3)
    assert (flags(result) == Quality.INTERPOLATED).sum() == 8


def test_the_derivative_stops_at_a_gap():
    step = make(lambda second: np.where(second < 0.5, 0.0, 50.0), 100, 1.0)
    gappy = step.take((seconds(step) < 0.45) | (seconds(step) > 0.55))
    np.testing.assert_allclose(run("rate_of_change(a)", a=gappy).value, 0.0, atol=1e-9)
    assert np.abs(run("rate_of_change(a)", a=step).value).max() > 900


def test_an_unusable_sample_stays_out_of_its_neighbours_derivative():
    value = np.arange(20.0)
    value[10] = 1e6
    quality = np.where(np.arange(20) == 10, Quality.IMPLAUSIBLE, 0)
    result = run("rate_of_change(a)", a=samples(*value, quality=quality))
    assert np.isnan(result.value).nonzero()[0].tolist() == [10]
    np.testing.assert_allclose(np.delete(result.value, 10), 100.0)
    assert flags(result)[10] == Quality.IMPLAUSIBLE


def test_low_pass_takes_out_the_fast_and_keeps_the_slow():
    slow, fast = (make(lambda second, hz=hz: np.sin(2 * np.pi * hz * second), 500, jitter=0.1) for hz in (2, 40))
    both = Series("x", "", slow.time_ns, slow.value + fast.value, period_s=0.002)
    result = run("low_pass(a, 15)", a=both)
    np.testing.assert_allclose(result.value[150:-150], slow.value[150:-150], atol=2e-3)
    assert result.effective_hz == pytest.approx(30)
    assert run("low_pass(a, 400)", a=both).value is both.value


def test_accumulate_is_scipys_trapezoid_and_the_true_integral():
    a = make(np.sin, 100, jitter=0.1)
    exact_times = Series("a", "", a.time_ns, np.sin(seconds(a)), period_s=0.01)
    result = run("accumulate(a)", a=exact_times)
    expected = integrate.cumulative_trapezoid(exact_times.value, seconds(a), initial=0)
    np.testing.assert_allclose(result.value, expected, atol=1e-9)
    np.testing.assert_allclose(result.value, np.cos(seconds(a)[0]) - np.cos(seconds(a)), atol=1e-4)


def test_accumulate_adds_nothing_for_a_gap_and_says_so_from_then_on():
    one = make(lambda second: 0 * second + 1, 100, 3.0)
    gappy = one.take((seconds(one) <= 1.0) | (seconds(one) >= 2.0))
    result = run("accumulate(a)", a=gappy)
    assert result.value[-1] == pytest.approx(1.0 + 0.99)
    after = seconds(gappy) >= 2.0
    assert (flags(result)[after] == Quality.AFTER_GAP).all()
    assert not flags(result)[~after].any()


def test_accumulate_remembers_doubts_but_not_unusable_samples():
    a = samples(1, 1, 1, 1, 1, quality=[0, Quality.TOO_FAST, 0, Quality.BAD_CHECKSUM, 0])
    result = run("accumulate(a)", a=a)
    np.testing.assert_allclose(result.value, [0, 0.01, 0.02, np.nan, 0.04])
    doubt = int(Quality.TOO_FAST)
    assert flags(result).tolist() == [0, doubt, doubt, Quality.BAD_CHECKSUM, doubt | Quality.INTERPOLATED]


def test_lagged_is_the_value_before():
    a = make(lambda second: second, 100, 1.0)
    result = run("lagged(a, 0.05)", a=a)
    assert np.isnan(result.value[:5]).all()
    np.testing.assert_allclose(result.value[5:], a.value[:-5])
    assert not flags(result)[5:].any()
    between = run("lagged(a, 0.055)", a=a)
    np.testing.assert_allclose(between.value[6:], a.value[6:] - 0.055, atol=1e-9)
    assert (flags(between)[6:] == Quality.INTERPOLATED).all()
    ahead = run("lagged(a, -0.1)", a=a)
    np.testing.assert_allclose(ahead.value[:-10], a.value[10:])
    gear = make(np.floor, 10, 3.0, kind="state")
    assert run("lagged(gear, 0.05)", gear=gear).value[1:12].tolist() == [0.0] * 10 + [1.0]


def test_keep_last_fills_and_does_not_whitewash():
    bits = [0, Quality.ELECTRICAL_RAIL, 0, 0, Quality.TOO_FAST, 0]
    a = samples(np.nan, 2, 3, np.nan, 5, np.nan, quality=bits)
    result = run("keep_last(a)", a=a)
    np.testing.assert_array_equal(result.value, [np.nan, np.nan, 3, 3, 5, 5])
    held = int(Quality.INTERPOLATED)
    assert flags(result).tolist() == [0, bits[1], 0, held, bits[4], held | Quality.TOO_FAST]
    rail = samples(1, 9, quality=[0, Quality.ELECTRICAL_RAIL])
    kept = run("keep_last(a)", a=rail)
    assert kept.value.tolist() == [1, 1]
    assert not kept.valid[1]


def test_convert_uses_the_unit_of_the_channel():
    speed = make(lambda second: 36 * second, 10, unit="km/h")
    result = run('convert(v, "m/s")', v=speed)
    np.testing.assert_allclose(result.value, 10 * seconds(speed), rtol=1e-12)
    assert result.unit == "m/s"
    with pytest.raises(FormulaError, match="no unit"):
        run('convert(v, "m/s")', v=samples(1))


def test_a_constant_inside_a_function_is_a_constant_in_time():
    a = samples(*np.ones(20))
    np.testing.assert_allclose(run("a + accumulate(2)", a=a).value, 1 + 2 * np.arange(20) / 100)
    np.testing.assert_allclose(run("a + rate_of_change(2)", a=a).value, 1.0)


def test_name_and_unit_of_the_result():
    a = make(np.sin, 100, unit="mm")
    formula = parse_formula("rate_of_change(a)")
    assert evaluate(formula, {"a": a}).unit == "mm/s"
    named = evaluate(formula, {"a": a}, name="damper_fl_speed", unit="m/s")
    assert (named.name, named.unit) == ("damper_fl_speed", "m/s")


# Quality never improves ---------------------------------------------------------------------------------------------

POINTWISE = ["a", "-a", "a + 1", "where(a > 0, 1, 2)", "max(a, 0)", "a > 2", "abs(keep_last(a))", "1 / a", "not a"]
ALONG_TIME = ["rate_of_change(a)", "low_pass(a, 20)", "accumulate(a)", "keep_last(a)", "rate_of_change(accumulate(a))"]


@settings(max_examples=80, deadline=2000)
@given(st.sampled_from(POINTWISE + ALONG_TIME), st.data())
def test_quality_never_improves(text, data):
    count = data.draw(st.integers(1, 60))
    bits = data.draw(st.lists(st.sampled_from([0, 0, 0, *Quality]), min_size=count, max_size=count))
    steps = data.draw(st.lists(st.sampled_from([10, 10, 10, 11, 20, 70, -500]), min_size=count, max_size=count))
    value = data.draw(st.lists(st.one_of(st.floats(-9, 9), st.just(np.nan)), min_size=count, max_size=count))
    time_ns = EPOCH + np.cumsum(steps) * 1_000_000
    a = Series("a", "", time_ns, np.array(value), quality=np.array(bits, np.uint16), period_s=0.01)
    result = run(text, a=a)
    assert (flags(result) & np.array(bits, np.uint16) == bits).all()
    assert not np.isinf(result.value).any()
    if "keep_last" not in text:
        assert np.isnan(result.value[~a.valid]).all()
    assert not result.valid[unusable(np.array(bits, np.uint16))].any()


@settings(max_examples=30, deadline=2000)
@given(st.lists(st.sampled_from([0, *Quality]), min_size=30, max_size=30), st.sampled_from([20, 37, 100]))
def test_quality_never_improves_between_rates(bits, rate):
    a = samples(*np.arange(30.0), quality=bits)
    b = make(lambda second: second, rate, 0.3, start=0.001)
    result = run("a * b", a=a, b=b)
    for second, bit in zip(seconds(a), bits, strict=True):
        near = np.abs(seconds(result) - second) < 0.4 / max(rate, 100)
        assert all(flags(result)[near] & bit == bit) or not near.any()
    assert np.isnan(result.value[(flags(result) & np.uint16(BAD)) != 0]).all()


@pytest.mark.parametrize("text", ["a + b", "b + a", "where(b < 9, a, b)", "a > b", "max(b, a)", "where(a > 9, 1, b)"])
def test_every_input_has_its_say(text):
    a = samples(*np.arange(4.0), quality=[0, Quality.TOO_FAST, 0, Quality.TOO_FAST])
    b = samples(*np.arange(4.0), quality=[0, 0, Quality.DATABASE_RANGE, Quality.DATABASE_RANGE])
    assert flags(run(text, a=a, b=b)).tolist() == [0, Quality.TOO_FAST, 4, Quality.TOO_FAST | 4]


EXPRESSIONS = st.recursive(
    st.sampled_from(["a", "b", "c", "2", "0"]),
    lambda part: st.one_of(
        st.tuples(part, st.sampled_from(["+", "-", "*", "/", "%", "**", "<", "and"]), part).map(
            lambda parts: f"({parts[0]}) {parts[1]} ({parts[2]})" if parts[1] != "**" else f"({parts[0]}) ** 3"
        ),
        st.tuples(st.sampled_from(["rate_of_change", "accumulate", "keep_last", "sqrt", "log"]), part).map(
            lambda parts: f"{parts[0]}({parts[1]})"
        ),
        part.map(lambda text: f"lagged({text}, 0.03)"),
        part.map(lambda text: f"low_pass({text}, 7)"),
        st.tuples(part, part, part).map(lambda parts: f"where({', '.join(parts)})"),
    ),
    max_leaves=6,
)


@settings(max_examples=150, deadline=5000)
@given(EXPRESSIONS, st.data())
def test_no_formula_on_no_data_goes_wrong(text, data):
    inputs = {}
    for name in "abc":
        count = data.draw(st.integers(0, 25))
        steps = data.draw(st.lists(st.sampled_from([0, 9, 10, 10, 11, 300, -200]), min_size=count, max_size=count))
        values = st.one_of(st.floats(), st.sampled_from([0.0, 1e308, np.inf]))
        inputs[name] = Series(
            name,
            "",
            EPOCH + np.cumsum(np.array(steps, np.int64)) * 1_000_000,
            np.array(data.draw(st.lists(values, min_size=count, max_size=count)), np.float64),
            quality=data.draw(st.sampled_from([None, np.arange(count).astype(np.uint16)])),
            period_s=data.draw(st.sampled_from([None, 0.01])),
            kind=data.draw(st.sampled_from(["continuous", "state"])),
        )
    result = run(f"{text} + 0 * a", **inputs)
    assert not np.isinf(result.value).any()
    assert result.kind in {"continuous", "state"}
    assert len(result.segments) >= (len(result) > 0)


def test_millions_of_samples_are_a_matter_of_columns():
    count = 1_000_000
    rng = np.random.default_rng(0)
    time_ns = EPOCH + np.arange(count) * 2_000_000 + rng.integers(0, 300_000, count)
    a = Series("a", "mm", time_ns, rng.normal(size=count), period_s=0.002)
    b = Series("b", "mm", time_ns[::5] + 700, rng.normal(size=count // 5), period_s=0.01)
    tracemalloc.start()
    result = run("where(b > 0, low_pass(rate_of_change(a), 30) - b / 3, lagged(b, 0.1))", a=a, b=b)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(result) == pytest.approx(count // 5, abs=5)
    assert peak < 60 * 8 * count


# --- each sample by hand ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "kinds", "kind"),
    [
        ("a + 1", ("state", "state"), "state"),
        ("a + b", ("state", "state"), "state"),
        ("a + b", ("state", "continuous"), "continuous"),
        ("a < b", ("continuous", "continuous"), "state"),
        ("a and b", ("continuous", "continuous"), "state"),
        ("where(a, b, 1)", ("continuous", "state"), "state"),  # the condition chooses and is no part of the value
        ("where(b, a, 1)", ("continuous", "state"), "continuous"),
        ("where(a, 1, 2)", ("continuous", "state"), "state"),
        ("max(a, 1)", ("continuous", "state"), "continuous"),
        ("accumulate(b)", ("continuous", "state"), "continuous"),
        ("lagged(b, 0.01)", ("continuous", "state"), "state"),
        ("keep_last(b)", ("continuous", "state"), "state"),
    ],
)
def test_what_is_made_of_states_alone_is_a_state(text, kinds, kind):
    inputs = {name: samples(0.0, 1, 2, kind=each) for name, each in zip("ab", kinds, strict=True)}
    assert run(text, **inputs).kind == kind


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("a < b", [1, 0, 0]),
        ("a <= b", [1, 1, 0]),
        ("a > b", [0, 0, 1]),
        ("a >= b", [0, 1, 1]),
        ("a == b", [0, 1, 0]),
        ("a != b", [1, 0, 1]),
        ("1 < a < 3", [0, 1, 0]),
        ("3 > a > 1", [0, 1, 0]),
        ("a and b - 2", [0, 0, 0]),
        ("a - 2 or b - 2", [1, 0, 1]),
        ("not a - 2", [0, 1, 0]),
        ("-a + +b", [1, 0, -1]),
        ("a % 2", [1, 0, 1]),
        ("a ** 2 / 2", [0.5, 2, 4.5]),
        ("min(a, b, 2)", [1, 2, 2]),
        ("max(a, b, 1)", [2, 2, 3]),
        ("where(a - 1, a, b)", [2, 2, 3]),
        ("convert(a, 'm')", [0.001, 0.002, 0.003]),
    ],
)
def test_each_operation_on_three_samples(text, values):
    a, b = samples(1, 2, 3, unit="mm"), samples(2, 2, 2)
    np.testing.assert_allclose(run(text, a=a, b=b).value, values)


def test_a_result_has_the_name_unit_and_rate_that_are_asked_for_or_found():
    a = samples(1, 2, 3, unit="mm", raw=np.arange(3), effective_hz=7.0)
    found = evaluate(parse_formula("a"), {"a": a}, name="travel")
    assert (found.name, found.unit, found.raw, found.volts, found.effective_hz) == ("travel", "mm", None, None, 7.0)
    single = replace(samples(1.0), period_s=None)
    assert evaluate(parse_formula("a + 1"), {"a": single}).effective_hz is None  # nothing is known of it
    assert run("a * 2", a=a).unit == ""
    both = run("a + b", a=a, b=samples(1, 2, 3, unit="mm"))
    assert (both.unit, both.effective_hz) == ("mm", 7.0)
    # On its own times a rate that is asked for changes nothing but the grid.
    same = run("a", rate_hz=100.0, a=samples(1, 2, 3))
    assert same.value.tolist() == [1, 2, 3]
    assert (same.effective_hz, same.period_s) == (100.0, 0.01)
