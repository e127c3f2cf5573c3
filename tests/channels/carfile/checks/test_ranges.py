"""Healthy bands, limits and fingerprints against what a sensor can give, just within and just beyond."""

from __future__ import annotations

import pytest

from tests.channels.carfile.checks.small import BUS, channel, said, sensor

POINTS = "points = [[0.5, 0], [4.5, 10]]"
S = sensor(POINTS)
HEALTHY = sensor(POINTS, "healthy = [0.25, 4.75]")
"""By the line through its points -0.625 to 10.625 bar."""


def of(*lines: str) -> str:
    """A channel of the sensor, from millivolts."""
    return channel("x", 'sensor = "s"', *lines, signal="MV/LOW")


USED = of()
SWAPPED = "or correct the points: [V, bar] pairs, swapped or mistyped?"


@pytest.mark.parametrize(
    ("healthy", "fault"),
    [
        ("[4.5, 6]", "4.5 to 6 V lies beside the calibration, 0.5 to 4.5 V"),
        ("[-1, 0.5]", "-1 to 0.5 V lies beside the calibration, 0.5 to 4.5 V"),
        ("[4.4, 6]", "[0.42, 6]"),
        ("[-1, 0.6]", "[-1, 4.58]"),
        ("[0.51, 4.6]", "[0.42, 4.6]"),
        ("[0.4, 4.49]", "[0.4, 4.58]"),
        ("[0.5, 4.5]", None),
        ("[0.4, 4.6]", None),
    ],
)
def test_a_healthy_band_covers_the_points(healthy, fault):
    # Proposed is 2 % of the span, 0.08 V, beyond the points; an end that is beyond already stays.
    if fault and fault.startswith("["):
        expected = [(f"9: warning: sensor.s.healthy: does not cover the points (0.5 to 4.5 V) "
                    f"(write healthy = {fault}, {SWAPPED})")]  # fmt: skip
    else:
        hint = "(healthy is in the sensor's electrical unit, V)"
        expected = [f"9: sensor.s.healthy: {fault} {hint}"] if fault else []
    assert said(BUS, sensor(POINTS, f"healthy = {healthy}"), USED) == expected


@pytest.mark.parametrize(
    ("low", "proposed"),
    [
        (0.1, "0.012"),  # 2 % of 4.4 V below
        (0.05, "0.025"),  # half of it, where that would be below 0 V
        (-1, "-1.11"),
        (0, "-0.09"),
    ],
)
def test_a_proposed_band_stays_above_nothing(low, proposed):
    (fault,) = said(BUS, sensor(f"points = [[{low}, 0], [4.5, 10]]", "healthy = [0.2, 4.75]"), USED)
    assert f"(write healthy = [{proposed}, 4.75], or correct" in fault


def test_a_line_without_ends_is_covered_by_any_band():
    assert said(BUS, sensor("slope = 2.5", "offset = 0", "healthy = [1, 2]"), USED) == []


def test_a_range_in_degrees_is_proposed_in_degrees():
    # 10 kOhm at 25 degC with B = 3950 K under 2.2 kOhm: 4.5 V are 19.8 kOhm, so 10.4 degC; 140 degC lies within.
    ntc = sensor("beta = 3950", "r25 = 10_000", "pull_up = 2200", "range = [-30, 140]", "healthy = [0.3, 4.5]",
                 kind="thermistor", unit="degC")  # fmt: skip
    assert said(BUS, ntc, USED) == [
        (
            "12: warning: sensor.s.healthy: does not cover the calibration (0.51076 to 4.9457 V) "
            "(write healthy = [0.3, 5.0344], or range = [11, 140])"
        )
    ]


def test_a_range_in_volts_is_proposed_in_volts():
    line = sensor("slope = 2.5", "offset = 0", "range = [0, 5]", "healthy = [0.25, 4.75]")
    assert said(BUS, line, USED) == [
        (
            "11: warning: sensor.s.healthy: does not cover the calibration (0 to 5 V) "
            "(write healthy = [-0.1, 5.1], or range = [0.25, 4.75])"
        )
    ]


FALLS = "the pressure falls from 10 to 0 bar while the input rises: in reverse order?"


@pytest.mark.parametrize(
    ("made", "fault"),
    [
        (sensor("points = [[0.5, 10], [4.5, 0]]", "healthy = [0.25, 4.75]"),
         f"8: warning: sensor.s.points: {FALLS} (most sensors: points = [[0.5, 0], [4.5, 10]])"),
        (sensor("fractions = [[0.1, 10], [0.9, 0]]", "healthy = [0.25, 4.75]", kind="ratiometric"),
         f"8: warning: sensor.s.fractions: {FALLS} (most sensors give more volts at more pressure)"),
        (sensor("points = [[0.5, 10], [4.5, 0]]", "healthy = [0.25, 4.75]", unit="mm"), None),
        (sensor("slope = -2.5", "offset = 10", "range = [0.5, 4]", "healthy = [0.25, 4.75]"), None),
        (HEALTHY, None),
    ],
)  # fmt: skip
def test_a_pressure_that_falls_is_asked_about(made, fault):
    assert said(BUS, made, USED) == ([fault] if fault else [])


@pytest.mark.parametrize("unit", ["bar", "kPa", "psi"])
def test_a_unit_that_fits_the_sensor(unit):
    assert said(BUS, S, of(f'unit = "{unit}"')) == []


def test_a_unit_that_does_not_fit_the_sensor_is_one_error():
    (fault,) = said(BUS, S, of('unit = "degC"', "caution = { low = -99 }"))
    assert fault.startswith(
        '12: channel.x.unit: "degC" does not fit sensor s, which gives bar (a unit of pressure: Pa,'
    )


NEVER, ALWAYS = "this limit can never trip", "this limit trips all the time"


@pytest.mark.parametrize(
    ("made", "lines", "faults", "covers"),
    [
        (HEALTHY, ["caution = { low = -0.625, high = 10.625 }"], [], ""),
        (HEALTHY, ["caution = { low = -0.626 }"], [("caution.low", NEVER)], "-0.625 to 10.625 bar"),
        (HEALTHY, ["caution = { high = 10.626 }"], [("caution.high", NEVER)], "-0.625 to 10.625 bar"),
        (HEALTHY, ["caution = { high = -1 }", "warning = { low = 11 }"],
         [("caution.high", ALWAYS), ("warning.low", ALWAYS)], "-0.625 to 10.625 bar"),
        (HEALTHY, ['unit = "kPa"', "caution = { low = -62.5, high = 1062.5 }"], [], ""),
        (HEALTHY, ['unit = "kPa"', "caution = { high = 1062.6 }"], [("caution.high", NEVER)], "-62.5 to 1062.5 kPa"),
        # The zero moves what the channel can show.
        (HEALTHY, ["zero = { add = 1 }", "caution = { low = 0.375, high = 11.625 }"], [], ""),
        (HEALTHY, ["zero = { add = 1 }", "caution = { low = 0.3 }"], [("caution.low", NEVER)], "0.375 to 11.625 bar"),
        # Without a healthy band: 10 % of the span beyond the points, as far as isn't flagged.
        (S, ["caution = { low = -1, high = 11 }"], [], ""),
        (S, ["caution = { low = -1.01, high = 11.01 }"],
         [("caution.low", NEVER), ("caution.high", NEVER)], "-1 to 11 bar"),
        (sensor("slope = 2.5", "offset = 0"), ["caution = { low = -99 }"], [], ""),  # nothing bounds it
        # A curve that turns round inside the band: x² - 2x + 1 on 0 to 3 V is 0 to 4, not 1 to 4.
        (sensor("coefficients = [1, -2, 1]", "range = [0, 3]", "healthy = [-0.001, 3.001]", kind="polynomial"),
         ["caution = { low = 0.1 }"], [], ""),
    ],
)  # fmt: skip
def test_limits_lie_where_a_healthy_sensor_gets(made, lines, faults, covers):
    hint = "(a value beyond that is called a wiring fault)"
    found = [each.partition(": warning: channel.x.")[2] for each in said(BUS, made, of(*lines))]
    assert found == [f"{place}: {text}: s covers only {covers} {hint}" for place, text in faults]


@pytest.mark.parametrize(("volts", "inside"), [(0.25, False), (0.26, True), (4.74, True), (4.75, False), (5, False)])
def test_a_broken_wire_that_reads_like_a_sensor(volts, inside):
    text = f"{volts} V lies inside the healthy band of s, 0.25 to 4.75 V (such a fault looks like a good reading)"
    for key in ("open", "to_ground", "to_supply"):
        found = said(BUS, HEALTHY, of(f"fingerprints = {{ {key} = {volts} }}"))
        assert found == ([f"13: warning: channel.x.fingerprints.{key}: {text}"] if inside else [])


def test_fingerprints_are_volts_whatever_the_sensor_takes():
    millivolts = sensor('electrical = "mV"', "points = [[500, 0], [4500, 10]]", "healthy = [250, 4750]")
    assert [
        each.partition(": warning: ")[2] for each in said(BUS, millivolts, of("fingerprints = { open = 0.3 }"))
    ] == [
        (
            "channel.x.fingerprints.open: 0.3 V lies inside the healthy band of s, 0.25 to 4.75 V "
            "(such a fault looks like a good reading)"
        )
    ]
    # Milliamperes aren't compared with volts.
    loop = sensor('electrical = "mA"', "points = [[4, 0], [20, 10]]", "healthy = [3.6, 21]")
    used = channel("x", 'sensor = "s"', "input_scale = 1", "fingerprints = { open = 5 }")
    assert said(BUS, loop, used) == []


@pytest.mark.parametrize(
    ("reference", "unit", "fault"),
    [
        ("r", "mV", None),
        ("r", "mm", "channel r is in mm, but as the supply of the sensor it must convert to V"),
        ("q", "mV", 'there is no channel "q" (known here: x, r)'),
    ],
)
def test_the_reference_of_a_sensor(reference, unit, fault):
    made = sensor(POINTS, f'reference = "{reference}"', kind="ratiometric")
    found = said(BUS, made, USED, channel("r", f'unit = "{unit}"'))
    assert found == ([f"9: sensor.s.reference: {fault}"] if fault else [])


def test_a_formulas_unit_may_be_a_label():
    found = said(BUS, channel("x", 'formula = "y"', 'unit = "bra"', signal=""), channel("y"))
    assert found == [
        '7: warning: channel.x.unit: "bra" is not a known unit, so it is only a label (did you mean "bar"?)'
    ]
    assert said(BUS, channel("x", 'formula = "y"', 'unit = "bar"', signal=""), channel("y")) == []
