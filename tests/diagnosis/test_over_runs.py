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


# By hand --------------------------------------------------------------------------------------------------------------


def seven(*values):
    return np.array(values, dtype=float)


@pytest.mark.parametrize(
    ("values", "tau", "chance"),
    [
        # In order: S = 21 of 21, variance 7 * 6 * 19 / 18 = 44.33, z = 20 / 6.658 = 3.004.
        ([1, 2, 3, 4, 5, 6, 7], 1.0, 0.002665),
        ([7, 6, 5, 4, 3, 2, 1], -1.0, 0.002665),
        # One pair exchanged: S = 19, z = 18 / 6.658 = 2.7034.
        ([2, 1, 3, 4, 5, 6, 7], 19 / 21, 0.006863),
        # Two equal: S = 20, variance (798 - 2 * 1 * 9) / 18 = 43.33, z = 19 / 6.583 = 2.8863.
        ([1, 1, 3, 4, 5, 6, 7], 20 / 21, 0.003898),
        ([3, 3, 3, 3, 3, 3, 3], 0.0, 1.0),
        ([1, 3, 2, 1], -1 / 6, 1.0),  # two pairs rise, three fall, z = (1 - 1) / ... = 0
        ([1, 2], 0.0, 1.0),
        ([1, 2, 3], 1.0, 0.2963),  # S = 3, variance 66 / 18, z = 2 / 1.915 = 1.0445
    ],
)
def test_kendall_by_hand(values, tau, chance):
    assert kendall(seven(*values)) == pytest.approx((tau, chance), rel=1e-3)


def test_seven_runs_in_strict_order_are_told_and_six_are_not():
    assert trend_of(seven(*range(7))) is not None
    assert trend_of(seven(*range(6))) is None
    assert trend_of(seven(2, 1, 3, 4, 5, 6, 7)) is None  # a chance of 0.7 %, more than 0.3 %
    assert (LEAST_RUNS, MOST_SURE) == (7, 0.85)


def test_levels_are_the_medians_of_the_first_and_last_third():
    found = trend_of(seven(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))  # thirds of three
    assert (found.first, found.last, found.begins) == (1.0, 9.0, 3)
    assert found.step is None
    down = trend_of(-seven(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
    assert (down.first, down.last, down.begins, down.tau) == (-1.0, -9.0, 3, -1.0)


def test_a_change_within_the_scatter_is_told_only_if_chance_is_ruled_out():
    """Of 7 runs in order chance is 0.27 %, so the change must be three standard deviations about the trend."""

    wide = seven(0, 0.01, 0.02, 0.03, 0.04, 9, 9.01)
    slope = np.median([(wide[j] - wide[i]) / (j - i) for i in range(7) for j in range(i + 1, 7)])
    scatter = np.std(wide - slope * np.arange(7), ddof=2)
    change = np.median(wide[-2:]) - np.median(wide[:2])
    assert change < 3 * scatter
    assert trend_of(wide) is None
    # The same of twelve runs is in order by chance less than once in 10,000: told.
    long = seven(*np.arange(10) / 100, 9, 9.01)
    assert kendall(long)[1] < 1e-4
    assert trend_of(long) is not None


@pytest.mark.parametrize(("small", "step"), [(0.599, 4), (0.601, None)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_step_has_most_of_the_change_between_two_runs(small, step, sign):
    """A gap of 7 among small steps: the thirds (of two) are 7 and five small steps apart, ten if these are 0.6."""
    found = trend_of(sign * np.cumsum([0, small, small, small, 7.0, small, small, small]))
    assert found.last - found.first == pytest.approx(sign * (7 + 5 * small))
    assert found.step == step


def test_it_begins_where_all_lie_beyond_the_first_third():
    assert trend_of(seven(0, 5, 1, 6, 7, 8, 9, 10, 11)).begins == 3
    assert (
        trend_of(seven(0, 1, 2, 2, 3, 4, 5, 6, 7, 8)).begins == 4
    )  # equal to what the first ones showed is not beyond


@pytest.mark.parametrize(
    ("end", "severity"),
    [(2.9, None), (3.0, Severity.SUSPECT), (7.4, Severity.SUSPECT), (7.5, Severity.FAULT), (-7.5, Severity.FAULT)],
)
def test_a_zero_is_worth_a_look_from_2_percent_of_the_span_and_a_fault_from_5(end, severity):
    """Of 150 mm: 3 and 7.5 mm, from the median of the first two runs to that of the last two."""
    found = zero(seven(0, 0, 0.3, 0.4, 0.5, 0.6, 0.7, 1, 1) * end)
    assert (found and found.severity) == severity


def test_a_zero_is_not_judged_without_a_span():
    values = np.linspace(0, 12, 12)
    assert zero_finding("a", "mm", None, runs_of(12), values) is None
    assert zero_finding("a", "mm", 0.0, runs_of(12), values) is None


def test_what_is_said_of_a_zero():
    found = zero(seven(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
    assert found.evidence == (
        "Its zero moved from 1 to 9 mm over 11 runs: 5.3 % of its span.",
        "From run 3 on, all runs lie beyond what the first ones showed.",
    )
    assert (found.severity, found.count, found.layer) == (Severity.FAULT, 1, OVER_RUNS["zero-drift"])
    # S = 55, variance 11 * 10 * 27 / 18 = 165, z = 54 / 12.845 = 4.204: 2.6e-5 both ways.
    assert found.threshold == (
        "zero_moved = 0.02 of span (shift of a value at rest from run to run worth a look); a random order would show "
        "this with a chance of 3e-05, at most 0.003 is told"
    )


@pytest.mark.parametrize(
    ("ratio", "severity"), [(1.99, None), (2.0, Severity.SUSPECT), (4.99, Severity.SUSPECT), (5.0, Severity.FAULT)]
)
def test_noise_is_worth_a_look_at_twice_and_a_fault_at_five_times(ratio, severity):
    steps = np.array([0, 0, 0.3, 0.4, 0.5, 0.6, 0.7, 1, 1])
    found = noise_finding("a", "bar", runs_of(9), 0.5 + 0.5 * (ratio - 1) * steps)
    assert (found and found.severity) == severity
    if ratio == 2.0:
        assert found.evidence[0] == "Its noise at rest grew from 0.5 to 1 bar over 9 runs, to 2.0 times."
        assert found.threshold.startswith("noise_up = 2 (noise at rest over that of an earlier run worth a look); ")


def test_noise_that_was_none_has_no_ratio():
    assert noise_finding("a", "bar", runs_of(9), seven(0, 0, 0, 0, 1, 2, 3, 4, 5)) is None


@pytest.mark.parametrize(("lost", "told"), [(0.049, False), (0.05, True)])
def test_a_rate_is_worth_a_look_from_a_loss_of_5_percent(lost, told):
    steps = np.array([0, 0, 0.3, 0.4, 0.5, 0.6, 0.7, 1, 1])
    found = rate_finding("a", runs_of(9), 1024 - 1024 * lost * steps)
    assert (found is not None) is told
    none = rate_finding("a", runs_of(9), -seven(0, 1, 2, 3, 4, 5, 6, 7, 8))
    assert none is None  # there was no rate that could sink


def test_a_slow_channel_has_a_rate_that_can_sink_too():
    assert rate_finding("a", runs_of(8), seven(0.5, 0.5, 0.48, 0.46, 0.44, 0.42, 0.4, 0.4)) is not None
    assert noise_finding("a", "bar", runs_of(8), seven(0.2, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.5)) is not None


def test_what_is_said_of_a_rate():
    found = rate_finding("a", runs_of(8), seven(50, 50, 48, 46, 44, 42, 40, 40))
    assert found.evidence[0] == "Its rate sank from 50 to 40 samples a second over 8 runs, by 20 %."
    assert found.threshold.startswith("rate_sunk = 0.05 (loss of the rate worth a look); ")


@pytest.mark.parametrize(
    ("counts", "severity"),
    [
        ([0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2], Severity.FAULT),  # two a run at the end
        ([0, 0, 0, 0, 1, 1, 1, 1, 1, 2, 2, 2], Severity.SUSPECT),  # nearly two
        ([0] * 12 + [1] * 12, Severity.SUSPECT),  # one more than none
        ([0] * 12 + [1] * 11 + [0], None),  # of eight runs seven
        ([2, 2, 2, 2, 1, 1, 1, 1, 0, 0, 0, 0], None),
        # S = 20, variance (9 * 8 * 23 - 5 * 4 * 15 - 4 * 3 * 13) / 18 = 66.7, z = 2.33: a chance of 2 %.
        ([0, 0, 0, 0, 0, 1, 1, 1, 1], None),
        ([0, 1, 2, 3, 4, 5], None),  # six runs
    ],
)
def test_one_restart_more_a_run_is_worth_a_look_and_two_a_run_are_a_fault(counts, severity):
    found = restarts_finding("n", runs_of(len(counts)), seven(*counts))
    assert (found and found.severity) == severity


def test_what_is_said_of_restarts():
    found = restarts_finding("n", runs_of(9), seven(0, 0, 0, 1, 1, 1, 2, 2, 3))
    assert found.evidence == (
        "It restarted 0.0 times a run in the first 3 runs, and 2.3 times in the last 3 runs.",
        "From run 3 on, all runs lie beyond what the first ones showed.",
    )
    assert found.threshold.startswith("restarts_more = 1 (more restarts a run worth a look); ")
    assert found.threshold.endswith("at most 0.01 is told")


def test_a_run_without_a_date_is_left_out_of_when():
    told = [Occasion(f"run {k}", None if k in (0, 11) else k * DAY, "") for k in range(12)]
    found = zero_finding("a", "mm", 150.0, told, np.linspace(0, 12, 12))
    assert (found.start_ns, found.end_ns) == (DAY, 10 * DAY)
    assert found.ruled_out == ()  # nobody says what decoded them


def test_air_that_goes_with_the_order_as_closely_may_be_the_cause_and_one_gap_in_it_says_nothing():
    rising = np.linspace(0, 12, 12)
    same = zero(rising, air_degc=list(range(10, 22)))
    assert same.severity is Severity.NOTE
    assert same.evidence[1] == (
        "It follows the air temperature (10 to 21 °C) at least as closely as the order of the runs, so it may be the "
        "temperature."
    )
    air = [*range(10, 22)]
    air[3], air[4] = air[4], air[3]  # one pair of 66 the other way: 64 / 66
    other = zero(rising, air_degc=air)
    assert other.severity is Severity.FAULT
    assert other.ruled_out[0] == (
        "Not the air temperature: the zero follows the order of the runs more closely (1.00 against 0.97)."
    )
    unknown = zero(rising, air_degc=[None, *range(11, 22)])
    assert (unknown.severity, len(unknown.ruled_out)) == (Severity.FAULT, 1)
