"""What every kind of calibration must hold, whichever there are: a kind that is new and not drawn here fails."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels import units
from buswright.channels.calibration import registry as cal
from buswright.channels.calibration.kind import Calibration
from tests.channels.calibration.test_properties import STRATEGIES, inside, numbers

BANDED = {
    # States at bands of the input, in any order, with gaps in between.
    "switch": st.lists(st.tuples(numbers(0.1, 1.0), numbers(0.1, 1.0)), min_size=1, max_size=6).flatmap(
        lambda steps: st.permutations(
            [
                {"name": f"state {n}", "band": [float(edge) for edge in band], "value": float((7 * n) % 13)}
                for n, band in enumerate(np.cumsum(np.ravel(steps)).reshape(-1, 2))
            ]
        ).map(lambda states: {"states": states})
    ),
}
"""Kinds that claim no curve: an input between two bands has no value. All others are held monotone (STRATEGIES)."""
DRAWN = {**STRATEGIES, **BANDED}

every_kind = pytest.mark.parametrize("kind", sorted(cal.KINDS))


def made(kind, keys):
    return cal.read_calibration({"kind": kind, **keys})


def drawn(data, kind):
    """Draw a calibration, and inputs within its outer points."""
    keys = data.draw(DRAWN[kind])
    calibration = made(kind, keys)
    assert isinstance(calibration, Calibration), calibration
    return keys, calibration, inside(calibration, data.draw(st.lists(numbers(0.0, 1.0), min_size=1, max_size=30)))


@every_kind
def test_it_is_drawn_here(kind):
    assert kind in DRAWN, "write a strategy for it in calibration/test_properties.STRATEGIES"


@every_kind
@given(data=st.data())
@settings(max_examples=20)
def test_the_inverse_of_a_value_has_that_value(kind, data):
    _, calibration, x = drawn(data, kind)
    value = calibration.apply(x)
    again = calibration.apply(calibration.invert(value))
    np.testing.assert_allclose(again, value, rtol=1e-9, atol=2e-6 if kind == "thermocouple" else 1e-8)
    assert np.isfinite(value).all() or kind in BANDED


@pytest.mark.parametrize("kind", sorted(BANDED))
@given(data=st.data())
@settings(max_examples=20)
def test_a_band_has_one_value_and_what_lies_between_has_none(kind, data):
    keys, calibration, _ = drawn(data, kind)
    for state in keys["states"]:
        ends = np.array([state["band"][0], np.mean(state["band"]), state["band"][1]])
        assert calibration.apply(ends).tolist() == [state["value"]] * 3
        assert not calibration.outside(ends).any()
        just_beside = np.array([np.nextafter(ends[0], -np.inf), np.nextafter(ends[2], np.inf)])
        assert np.isnan(calibration.apply(just_beside)).all()
        assert calibration.outside(just_beside).all()
    assert len({state["value"] for state in keys["states"]}) == len(keys["states"])


@every_kind
@given(data=st.data(), cuts=st.lists(st.integers(0, 30), max_size=4))
@settings(max_examples=20)
def test_it_does_not_matter_how_samples_are_cut_into_batches(kind, data, cuts):
    _, calibration, x = drawn(data, kind)
    x = np.concatenate([x, [np.nan, x[0] - 1e3, x[-1] + 1e3]])  # and what lies far outside
    for function in (calibration.apply, calibration.invert, calibration.outside):
        parts = [function(part) for part in np.split(x, sorted(cuts))]
        np.testing.assert_array_equal(np.concatenate(parts), function(x))


@every_kind
@given(data=st.data())
@settings(max_examples=20)
def test_units_are_kept_or_converted(kind, data):
    """A kind that knows what it gives converts to a unit of that quantity; one that doesn't gives what is written."""
    keys, calibration, x = drawn(data, kind)
    bare = {key: value for key, value in keys.items() if key != "unit"}
    own = made(kind, bare)
    if isinstance(own, Calibration):
        other = data.draw(st.sampled_from(units.names_of(units.get(own.unit).quantity)))
        converted = made(kind, {**bare, "unit": other})
        assert isinstance(converted, Calibration), converted
        assert converted.unit == other
        wanted = units.convert(own.apply(x), own.unit, other)
        np.testing.assert_array_equal(converted.apply(x), wanted)
        back = converted.apply(converted.invert(wanted))
        largest = np.max(np.abs(wanted), where=np.isfinite(wanted), initial=1.0)
        np.testing.assert_allclose(back, wanted, rtol=1e-9, atol=1e-5 * largest)
        stranger = "kPa" if units.compatible(own.unit, "K") else "K"
        assert not isinstance(made(kind, {**bare, "unit": stranger}), Calibration)
    else:
        for written in ("mm", "bar", "degC"):
            same = made(kind, {**bare, "unit": written})
            assert isinstance(same, Calibration), same
            assert same.unit == written
            np.testing.assert_array_equal(same.apply(x), calibration.apply(x))
