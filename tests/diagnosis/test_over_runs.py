import numpy as np
import pytest
from scipy import stats

from buswright.diagnosis.over_runs import (
    LEAST_RUNS,
    MOST_SURE,
    Occasion,
    kendall,
    noise_finding,
    rate_finding,
    restarts_finding,
    trend_of,
    zero_finding,
)
from buswright.findings import FAULTS, OVER_RUNS, Severity

DAY = 86_400_000_000_000


def runs_of(n, **more):
    return [Occasion(f"run {k}", k * DAY, "v", **{name: each[k] for name, each in more.items()}) for k in range(n)]


def zero(values, **more):
    return zero_finding("damper_fl", "mm", 150.0, runs_of(len(values), **more), np.array(values))


def scatter(n, size, seed=4):
    return np.random.default_rng(seed).normal(0, size, n)


def test_kendall_agrees_with_scipy():
    rng = np.random.default_rng(1)
    for n in (10, 25, 60):
        values = rng.permutation(n) + rng.uniform(0, 1) * np.arange(n)
        theirs = stats.kendalltau(np.arange(n), values, method="exact")
        assert kendall(values) == pytest.approx((theirs.statistic, theirs.pvalue), abs=0.02)


@pytest.mark.parametrize(
    ("end", "severity"), [(6.0, Severity.SUSPECT), (12.0, Severity.FAULT), (-12.0, Severity.FAULT)]
)
def test_a_zero_that_wanders_is_a_finding_with_evidence_limit_and_next_check(end, severity):
    found = zero(np.linspace(0, end, 12) + scatter(12, 0.02 * abs(end)))
    assert (found.fault, found.subject, found.severity) == ("zero-drift", "channel:damper_fl", severity)
    assert (found.start_ns, found.end_ns, found.confidence) == (0, 11 * DAY, MOST_SURE)
    assert "% of its span" in found.evidence[0]
    assert "zero_moved = 0.02 of span" in found.threshold
    assert found.next_check
    assert found.ruled_out == ("Not another calibration: the same one decoded all of these runs.",)


def test_what_only_scatters_or_is_small_is_none():
    assert zero(scatter(12, 20.0)) is None
    assert zero(np.linspace(0, 1.0, 12)) is None  # under 2 % of the span
    assert zero(np.linspace(0, 12, LEAST_RUNS - 1)) is None
    assert zero([3.0] * 12) is None


def test_wide_scatter_that_is_in_order_by_chance_is_none():
    rng = np.random.default_rng(9)
    orders = [rng.normal(0, 10, 12) for _ in range(2000)]
    in_order = [values for values in orders if kendall(values)[1] <= 0.01]
    assert len(in_order) >= 10
    assert sum(trend_of(values) is not None for values in in_order) <= len(in_order) // 3


def test_where_it_begins_is_told_and_a_step_is_told_as_one():
    late = zero([0.0, 0.2, -0.1, 0.1, -0.2, 0.0, 0.1, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0])
    assert "From run 7 on, all runs lie beyond what the first ones showed." in late.evidence
    step = zero([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 10.0, 10.1, 10.2, 10.3, 10.4, 10.5])
    assert "Most of it came at once, between run 5 and run 6." in step.evidence


def test_a_zero_that_goes_with_the_air_temperature_is_a_note():
    rng = np.random.default_rng(2)
    air = np.sort(rng.uniform(10, 35, 12))
    air[[4, 8]] = air[[8, 4]]
    with_air = zero(air * 0.5, air_degc=air.tolist())
    assert with_air.severity is Severity.NOTE
    assert "follows the air temperature" in with_air.evidence[1]
    other = zero(np.linspace(0, 12, 12), air_degc=rng.uniform(10, 35, 12).tolist())
    assert other.severity is Severity.FAULT
    assert other.ruled_out[0].startswith("Not the air temperature")
    assert zero(np.linspace(0, 12, 12), air_degc=[20.0] * 12).severity is Severity.FAULT


def test_runs_of_several_calibrations_give_a_note_that_says_so():
    told = [Occasion(f"run {k}", None, "old" if k < 6 else "new") for k in range(12)]
    found = zero_finding("damper_fl", "mm", 150.0, told, np.linspace(0, 12, 12))
    assert found.severity is Severity.NOTE
    assert any("2 versions of its calibration" in each for each in found.evidence)
    assert found.ruled_out == ()
    assert found.start_ns is None


def test_noise_that_grows_and_a_rate_that_sinks():
    grown = noise_finding("oil_pressure", "bar", runs_of(10), np.linspace(0.01, 0.06, 10))
    assert (grown.fault, grown.severity) == ("noise-grows", Severity.SUSPECT)
    assert noise_finding("oil_pressure", "bar", runs_of(10), np.linspace(0.06, 0.01, 10)) is None
    sunk = rate_finding("oil_pressure", runs_of(10), np.linspace(50, 40, 10))
    assert (sunk.fault, sunk.severity) == ("rate-sinks", Severity.SUSPECT)
    assert rate_finding("oil_pressure", runs_of(10), np.linspace(50, 49, 10)) is None
    assert rate_finding("oil_pressure", runs_of(10), np.linspace(40, 50, 10)) is None


def test_a_module_that_restarts_more_often_each_event():
    found = restarts_finding("damper_node", runs_of(8), np.arange(8) // 2)
    assert (found.fault, found.subject, found.severity) == ("restarts-grow", "module:damper_node", Severity.FAULT)
    for healthy in (np.zeros(8), np.ones(8), np.array([1, 0, 1, 0, 1, 0, 1, 0])):
        assert restarts_finding("damper_node", runs_of(8), healthy.astype(float)) is None


def test_faults_over_runs_have_names_of_their_own():
    assert not set(OVER_RUNS) & set(FAULTS)


def test_a_season_whose_channels_only_scatter_is_silent_and_a_drift_in_it_is_found():
    """A hundred channels over 12 runs, 20 seasons: their zeros scatter by 1 % of the span, some by far more."""
    rng = np.random.default_rng(12)
    silent = heard = 0
    for _ in range(20):
        sizes = rng.exponential(1.5, 100)
        silent += all(zero(rng.normal(0, size, 12)) is None for size in sizes)
        drift = rng.uniform(6, 20)
        heard += zero(np.linspace(0, drift, 12) + rng.normal(0, rng.uniform(0, drift / 10), 12)) is not None
    print(f"{silent} of 20 seasons silent, {heard} of 20 drifts found")
    assert silent >= 19
    assert heard >= 18
