"""Properties that hold for every kind: invertible, monotone, quiet about NaN, careful with its input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.calibration import registry as cal
from buswright.channels.calibration.kind import Calibration
from buswright.channels.keys.faults import FaultLog

CHART = [1.12924e-3, 2.34108e-4, 0.87755e-7]


def numbers(low, high):
    return st.floats(low, high, allow_subnormal=False)


def rising_pairs(count):
    steps = st.lists(numbers(0.05, 2.0), min_size=count, max_size=count)
    return st.tuples(steps, steps, st.booleans()).map(
        lambda drawn: [
            [x, -y if drawn[2] else y]
            for x, y in zip(np.cumsum(drawn[0]).tolist(), np.cumsum(drawn[1]).tolist(), strict=True)
        ]
    )


def circuit(low, high):
    return st.one_of(
        st.just({"electrical": "ohm"}),
        st.builds(
            lambda side, ohm, supply: {side: ohm, "supply": supply},
            st.sampled_from(["pull_up", "pull_down"]),
            numbers(low, high),
            numbers(3.0, 12.0),
        ),
    )


def merged(*parts):
    return st.tuples(*parts).map(lambda dicts: {key: value for part in dicts for key, value in part.items()})


STRATEGIES = {
    "linear": st.one_of(
        rising_pairs(2).map(lambda points: {"points": points, "unit": "mm"}),
        st.builds(
            lambda slope, offset: {"slope": slope, "offset": offset, "range": [0.0, 5.0], "unit": "bar"},
            numbers(0.01, 1e3),
            numbers(-1e3, 1e3),
        ),
    ),
    "ratiometric": st.builds(
        lambda low, part, full, supply: {
            "fractions": [[low, 0.0], [low + part, full]],
            "unit": "bar",
            "supply": supply,
        },
        numbers(0.0, 0.3),
        numbers(0.1, 0.7),
        numbers(0.5, 300.0),
        numbers(3.0, 12.0),
    ),
    "table": st.builds(
        lambda points, way: {"points": points, "interpolation": way, "unit": "l"},
        st.integers(2, 9).flatmap(rising_pairs),
        st.sampled_from(["smooth", "straight"]),
    ),
    "polynomial": st.builds(
        # Slopes all of one sign on positive inputs: monotone.
        lambda factors, sign: {
            "coefficients": [sign * factor for factor in factors],
            "range": [0.5, 4.5],
            "unit": "mm",
        },
        st.lists(numbers(0.01, 5.0), min_size=2, max_size=6),
        st.sampled_from([1.0, -1.0]),
    ),
    "thermistor": merged(
        circuit(500.0, 10_000.0),
        st.one_of(
            st.just({"coefficients": CHART}),
            st.builds(lambda beta, r25: {"beta": beta, "r25": r25}, numbers(3000.0, 4500.0), numbers(500.0, 50_000.0)),
            st.just({"table": [[-20.0, 15490.0], [20.0, 2510.0], [60.0, 596.0], [100.0, 186.0], [140.0, 71.0]]}),
        ),
    ),
    "rtd": merged(circuit(500.0, 5000.0), st.sampled_from([{"r0": 100.0}, {"r0": 1000.0}])),
    "thermocouple": st.builds(
        lambda letter, unit, gain, cold: {"type": letter, "electrical": unit, "gain": gain, "cold_junction": cold},
        st.sampled_from("KJTNE"),
        st.sampled_from(["V", "mV", "uV"]),
        numbers(1.0, 200.0),
        numbers(-20.0, 80.0),
    ),
    "frequency": st.builds(
        lambda teeth, turn: {"teeth": teeth, "range": [1.0, 5000.0], **turn},
        st.integers(1, 100),
        st.sampled_from([{}, {"circumference": 1.8}, {"circumference": 1.8, "unit": "mph"}, {"ratio": 3.5}]),
    ),
    "stages": st.builds(
        lambda electronics, curve: {
            "stages": [
                {"kind": "linear", "points": [[0.0, electronics], [5.0, electronics + 20.0]], "unit": "mA"},
                {"kind": "table", "points": [[x + 1.0, y] for x, y in curve], "unit": "bar", "electrical": "mA"},
            ]
        },
        numbers(0.0, 1.0),
        rising_pairs(5),
    ),
}

KINDS = sorted(STRATEGIES)


def inside(calibration, parts):
    low, high = calibration.range.electrical
    return low + (high - low) * np.sort(np.array(parts))


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_invert_undoes_apply_within_the_range(kind, data):
    calibration = cal.read_calibration({"kind": kind, **data.draw(STRATEGIES[kind])})
    assert isinstance(calibration, Calibration), calibration
    x = inside(calibration, data.draw(st.lists(numbers(0.0, 1.0), min_size=1, max_size=20)))
    kept = x.copy()
    value = calibration.apply(x)
    np.testing.assert_array_equal(x, kept)
    back = calibration.apply(calibration.invert(value))
    np.testing.assert_allclose(back, value, rtol=1e-9, atol=2e-6 if kind == "thermocouple" else 1e-8)
    low, high = calibration.range.electrical
    steep = kind != "thermistor"  # close to a rail a divider holds fewer digits of resistance
    np.testing.assert_allclose(calibration.invert(value), x, rtol=0, atol=(1e-6 if steep else 1e-5) * (high - low))


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_monotone_from_one_outer_point_to_the_other(kind, data):
    calibration = cal.read_calibration({"kind": kind, **data.draw(STRATEGIES[kind])})
    assert isinstance(calibration, Calibration), calibration
    value = calibration.apply(inside(calibration, np.linspace(0.0, 1.0, 101)))
    first, last = calibration.range.value
    tolerance = 1e-9 * (abs(first) + abs(last) + 1.0)
    assert np.all(np.diff(value) * np.sign(last - first) >= -tolerance)
    np.testing.assert_allclose(value[[0, -1]], [first, last], rtol=1e-6, atol=2e-6)
    assert not calibration.outside(inside(calibration, [0.0, 0.5, 1.0])).any()


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_nothing_warns_and_nan_stays_nan(kind, data):
    keys = data.draw(STRATEGIES[kind])
    for clamp in (False, True):
        calibration = cal.read_calibration({"kind": kind, **keys, "clamp": clamp})
        assert isinstance(calibration, Calibration), calibration
        odd = np.array([np.nan, np.inf, -np.inf, 0.0, -0.0, 5.0, -5.0, 1e300, -1e300, 5e-324, np.nan])
        for function in (calibration.apply, calibration.invert):
            result = function(odd)
            assert result.dtype == np.float64
            assert result.shape == odd.shape
            assert np.isnan(result[[0, -1]]).all()
        assert not calibration.outside(odd)[[0, -1]].any()
    assert calibration.describe()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shape", [(), (0,), (2, 3), (20_000,)])
def test_any_shape(kind, shape):
    examples = {
        "linear": {"points": [[0.5, 0.0], [4.5, 1.0]], "unit": "mm"},
        "ratiometric": {"points": [[0.5, 0.0], [4.5, 1.0]], "unit": "mm"},
        "table": {"points": [[0.5, 0.0], [2.0, 3.0], [4.5, 1000.0]], "unit": "mm"},
        "polynomial": {"coefficients": [0.0, 1.0, 2.0], "range": [0.5, 4.5], "unit": "mm"},
        "thermistor": {"coefficients": CHART, "pull_up": 2200.0},
        "rtd": {"r0": 1000.0, "pull_up": 4000.0},
        "thermocouple": {"type": "K", "cold_junction": 25.0, "gain": 100.0},
        "frequency": {"teeth": 12},
        "stages": {
            "stages": [
                {"kind": "linear", "points": [[0.5, 0.0], [4.5, 1.0]], "unit": "mm"},
                {"kind": "table", "points": [[0.0, 0.0], [0.5, 3.0], [1.0, 9.0]], "unit": "mm", "electrical": "mm"},
            ]
        },
    }
    calibration = cal.read_calibration({"kind": kind, **examples[kind]})
    assert isinstance(calibration, Calibration), calibration
    x = np.full(shape, 1.0)
    value = calibration.apply(x)
    assert np.shape(value) == shape
    np.testing.assert_allclose(calibration.invert(value), x, atol=1e-9)
    assert np.shape(calibration.outside(x)) == shape


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@pytest.mark.parametrize("kind", [*KINDS, "switch"])
@given(data=st.data())
@settings(max_examples=80, deadline=None)
def test_any_rubbish_gives_faults_and_never_an_exception(kind, data):
    spec = cal.KINDS[kind]
    names = st.sampled_from([key.name for key in (*cal.COMMON_KEYS, *spec.keys)]) | st.text(max_size=6)
    keys = data.draw(st.dictionaries(names, JUNK, max_size=6))
    keys.pop("kind", None)
    log = FaultLog()
    assert (cal.read_calibration({"kind": kind, **keys}, log) is None) == bool(log.faults)
    assert all(fault.text for fault in log.faults)
