"""Ice and boiling water as known temperatures, by the pressure of the air."""

from __future__ import annotations

import math

from buswright.errors import UserError

ICE_CELSIUS = 0.0
"""Melting ice in its own water; the pressure of the air moves it by less than 0.003 degC on any mountain."""

_SEA_LEVEL_HPA = 1013.25
_LOWEST_HPA, _HIGHEST_HPA = 500.0, 1100.0
_ALTITUDES = (-430.0, 5500.0)


def pressure_at(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere in hPa (ISO 2533, up to 11 km).

    Raises
    ------
    UserError
        Nobody races there.
    """
    low, high = _ALTITUDES
    if not low <= altitude_m <= high:
        raise UserError(f"an altitude of {altitude_m:g} m", hint=f"in metres above the sea, {low:g} to {high:g}")
    return _SEA_LEVEL_HPA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.25588)


_SATURATION = (
    *(0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7),
    *(0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3),
)


def boiling_celsius(pressure_hpa: float) -> float:
    """Return the boiling temperature of water, degC (IAPWS-IF97, equation 31, the backward equation of region 4).

    Parameters
    ----------
    pressure_hpa
        Of the air where the water boils: not reduced to sea level, as weather reports give it.

    Raises
    ------
    UserError
        There is no such air.
    """
    if not _LOWEST_HPA <= pressure_hpa <= _HIGHEST_HPA:
        raise UserError(
            f"a barometer of {pressure_hpa:g} hPa", hint="in hPa at the track, not reduced to sea level: 950 at 540 m"
        )
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _SATURATION
    root = math.pow(pressure_hpa / 10_000.0, 0.25)
    e = root * root + n3 * root + n6
    f = n1 * root * root + n4 * root + n7
    g = n2 * root * root + n5 * root + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return 0.5 * (n10 + d - math.sqrt((n10 + d) * (n10 + d) - 4.0 * (n9 + n10 * d))) - 273.15
