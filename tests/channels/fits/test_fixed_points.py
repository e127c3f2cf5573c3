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
