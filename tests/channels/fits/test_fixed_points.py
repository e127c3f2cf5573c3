"""Boiling water against IAPWS-95 (CoolProp 8, `reference_temperature.json`)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from buswright.channels.fits.fixed_points import boiling_celsius, pressure_at
from buswright.errors import UserError

WATER = json.loads(
    (Path(__file__).parents[1] / "calibration" / "reference_temperature.json").read_text(encoding="utf-8")
)["water"]


@pytest.mark.parametrize("row", WATER["boiling_p_rows"])
def test_boiling_by_pressure(row):
    assert boiling_celsius(row["p_Pa"] / 100) == pytest.approx(row["t_C"], abs=2e-3)


@pytest.mark.parametrize("row", [row for row in WATER["rows"] if row["h_m"] <= 4000])
def test_boiling_by_altitude(row):
    """The table's altitude is geometric, the formula's geopotential: 0.005 degC at 3000 m."""
    assert pressure_at(row["h_m"]) == pytest.approx(row["isa_p_Pa"] / 100, rel=6e-4)
    assert boiling_celsius(pressure_at(row["h_m"])) == pytest.approx(row["water_boils_C"], abs=0.02)


@pytest.mark.parametrize("call", [lambda: pressure_at(9000), lambda: boiling_celsius(30), lambda: boiling_celsius(1e5)])
def test_what_is_no_air_is_refused(call):
    with pytest.raises(UserError) as caught:
        call()
    assert caught.value.hint


@pytest.mark.parametrize(("altitude", "there"), [(-430, True), (-431, False), (5500, True), (5501, False)])
def test_altitudes_are_those_of_roads(altitude, there):
    if there:
        assert 500 < pressure_at(altitude) < 1070
        return
    with pytest.raises(UserError) as caught:
        pressure_at(altitude)
    assert caught.value.message == f"an altitude of {altitude} m"
    assert caught.value.hint == "in metres above the sea, -430 to 5500"


@pytest.mark.parametrize(("hpa", "there"), [(499.9, False), (500, True), (1100, True), (1100.1, False)])
def test_barometers_are_those_of_air(hpa, there):
    if there:
        assert 80 < boiling_celsius(hpa) < 103
        return
    with pytest.raises(UserError) as caught:
        boiling_celsius(hpa)
    assert caught.value.message == f"a barometer of {hpa:g} hPa"
    assert "not reduced to sea level" in caught.value.hint


def test_at_the_sea_it_is_the_standard_atmosphere():
    """ISO 2533: 1013.25 hPa; water boils at 99.97 degC (ITS-90)."""
    assert pressure_at(0) == 1013.25
    assert boiling_celsius(1013.25) == pytest.approx(99.974, abs=2e-3)
