"""Thermistors, platinum resistors and thermocouples.

All functions take and give float64 arrays of any shape, temperatures in degC. NaN gives NaN, and so does what no
sensor of the kind can give (a resistance of zero, a negative one, an infinite one); nothing warns.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from buswright.channels.calibration.thermocouple_tables import THERMOCOUPLES, ReferenceFunction
from buswright.channels.units import Floats
from buswright.errors import UserError

ICE_POINT = 273.15
"""0 degC in kelvin (definition of the degree Celsius)."""

_BLOCK = 16_384  # samples worked on at once: a block and its temporaries stay in the second-level cache


class ThermoError(UserError):
    """The numbers given describe no sensor."""


def in_blocks(function: Callable[[Floats], Floats], x: Floats) -> Floats:
    """Apply an element-wise function block by block, so that its temporaries stay in the cache; same shape."""
    x = np.asarray(x, dtype=np.float64)
    flat = x.reshape(-1)
    with np.errstate(all="ignore"):
        if flat.size <= _BLOCK:
            return function(flat).reshape(x.shape)
        result = np.empty_like(flat)
        for start in range(0, flat.size, _BLOCK):
            result[start : start + _BLOCK] = function(flat[start : start + _BLOCK])
    return result.reshape(x.shape)


def horner(x: Floats, coefficients: Sequence[float]) -> Floats:
    """Polynomial in x, the constant first; a new array."""
    *lower, highest = coefficients
    value = np.full(x.shape, highest)
    for coefficient in reversed(lower):
        value *= x
        value += coefficient
    return value


# -- thermistors --------------------------------------------------------------------------------------------------

SteinhartHart = tuple[float, float, float]
"""A, B, C of 1/T = A + B ln R + C (ln R)³, T in kelvin, R in ohm (Steinhart and Hart, Deep-Sea Research 15 (1968)
497-503)."""


def thermistor_celsius(ohm: Floats, coefficients: SteinhartHart) -> Floats:
    """Temperature of a thermistor from its resistance."""
    a, b, c = coefficients

    def celsius(ohm: Floats) -> Floats:
        log = np.log(ohm)
        inverse = log * log
        inverse *= c
        inverse += b
        inverse *= log
        inverse += a
        return kelvin_to_celsius(inverse)

    return in_blocks(celsius, ohm)


def kelvin_to_celsius(inverse: Floats) -> Floats:
    """1/T in 1/K to degC, in place; NaN where it is no temperature."""
    inverse[~((inverse > 0) & (inverse < np.inf))] = np.nan
    np.divide(1.0, inverse, out=inverse)
    inverse -= ICE_POINT
    return inverse


def thermistor_ohm(celsius: Floats, coefficients: SteinhartHart) -> Floats:
    """Resistance of a thermistor at a temperature: the root of the cubic in ln R, by Newton's method."""
    a, b, c = coefficients

    def ohm(celsius: Floats) -> Floats:
        kelvin = celsius + ICE_POINT
        wanted = 1.0 / np.where(kelvin > 0, kelvin, np.nan) - a
        log = wanted / b
        if c:
            # The cubic is odd and, with B and C positive, convex on the root's side: from here Newton's steps run
            # one way and double the digits each time. Eight are plenty from any start.
            for _ in range(8):
                square = log * log
                log -= (log * (b + c * square) - wanted) / (b + 3.0 * c * square)
        return np.exp(log)

    return in_blocks(ohm, celsius)


def steinhart_hart_of_beta(r25: float, beta: float) -> SteinhartHart:
    """Coefficients that say the same as R = r25 exp(beta (1/T - 1/298.15)): A and B, and C = 0."""
    return 1.0 / (25.0 + ICE_POINT) - float(np.log(r25)) / beta, 1.0 / beta, 0.0


def falls_throughout(coefficients: SteinhartHart, low_ohm: float, high_ohm: float) -> bool:
    """Whether the temperature falls with the resistance all the way between two resistances."""
    _, b, c = coefficients
    # The slope of 1/T in ln R is b + 3 c (ln R)²: monotone in (ln R)², so its ends (and 0 if spanned) decide.
    logs = [float(np.log(low_ohm)), float(np.log(high_ohm))]
    if logs[0] < 0 < logs[1]:
        logs.append(0.0)
    return all(b + 3.0 * c * log * log > 0 for log in logs)


# -- platinum resistors -------------------------------------------------------------------------------------------

# IEC 60751:2008, industrial platinum, alpha = 0.003851 /K.
_PT_A = 3.9083e-3
_PT_B = -5.775e-7
_PT_C = -4.183e-12  # below 0 degC only

RTD_RANGE = (-200.0, 850.0)
"""degC over which IEC 60751 gives the resistance."""


def rtd_ohm(celsius: Floats, r0: float = 100.0) -> Floats:
    """Resistance of platinum with `r0` ohm at 0 degC (IEC 60751, Callendar-Van Dusen)."""

    def ohm(t: Floats) -> Floats:
        ratio = horner(t, (1.0, _PT_A, _PT_B))
        cold = np.flatnonzero(t < 0)
        below = t[cold]
        ratio[cold] += _PT_C * (below - 100.0) * below**3
        return ratio * r0

    return in_blocks(ohm, celsius)


def rtd_celsius(ohm: Floats, r0: float = 100.0) -> Floats:
    """Temperature of platinum with `r0` ohm at 0 degC: the exact inverse of `rtd_ohm` on both branches.

    Beyond the standard's range the formulas go on. Zero and negative resistances, and those that the formula never
    reaches, give NaN.
    """

    def celsius(ohm: Floats) -> Floats:
        ratio = ohm / r0
        root = _PT_A * _PT_A - 4.0 * _PT_B * (1.0 - ratio)
        t = (np.sqrt(root, out=root) - _PT_A) / (2.0 * _PT_B)
        cold = np.flatnonzero(ratio < 1.0)
        if cold.size:
            t[cold] = _rtd_cold(t[cold], ratio[cold])
        return t

    return in_blocks(celsius, ohm)


def _rtd_cold(t: Floats, ratio: Floats) -> Floats:
    """Newton on the quartic below 0 degC, from the quadratic's root: 2.4 K off at -200 degC, exact after four."""
    for _ in range(4):
        value = horner(t, (1.0, _PT_A, _PT_B, -100.0 * _PT_C, _PT_C)) - ratio
        t = t - value / horner(t, (_PT_A, 2.0 * _PT_B, -300.0 * _PT_C, 4.0 * _PT_C))
    return np.where(ratio > 0, t, np.nan)


# -- thermocouples ------------------------------------------------------------------------------------------------


THERMOCOUPLE_RANGE: MappingProxyType[str, tuple[float, float]] = MappingProxyType(
    {"K": (-200.0, 1372.0), "J": (-210.0, 1200.0), "T": (-200.0, 400.0), "N": (-200.0, 1300.0), "E": (-200.0, 1000.0)}
)
"""degC over which a voltage is turned into a temperature, by type. The reference functions begin at -270 degC
(J: -210), but below -200 degC so little voltage is left that NIST gives no inverse either."""


def _thermocouple(letter: str) -> ReferenceFunction:
    try:
        return THERMOCOUPLES[letter]
    except KeyError:
        raise ThermoError(
            f'"{letter}" is no thermocouple type that is known here', hint="one of " + ", ".join(THERMOCOUPLES)
        ) from None


def thermocouple_millivolts(letter: str, celsius: Floats) -> Floats:
    """Voltage in mV of a thermocouple at `celsius` with its cold junction at 0 degC.

    Beyond the reference function's ends it goes on in a straight line.

    Raises
    ------
    ThermoError
        The type isn't K, J, T, N or E.
    """
    function = _thermocouple(letter)
    low, high = function.pieces[0][0], function.pieces[-1][1]

    def millivolts(t: Floats) -> Floats:
        held = np.clip(t, low, high)
        value = _reference_function(function, held)
        beyond = np.flatnonzero(t != held)
        if beyond.size:
            value[beyond] += (t[beyond] - held[beyond]) * _reference_slope(function, held[beyond])
        return value

    return in_blocks(millivolts, celsius)


def _reference_function(function: ReferenceFunction, t: Floats) -> Floats:
    *colder, (_, _, hot) = function.pieces
    value = horner(t, hot)
    if function.exponential:
        a0, a1, a2 = function.exponential
        bump = t - a2
        bump *= bump
        bump *= a1
        value += a0 * np.exp(bump, out=bump)
    for _, end, coefficients in reversed(colder):
        at = np.flatnonzero(t < end)
        if at.size:
            value[at] = horner(t[at], coefficients)
    return value


def _reference_slope(function: ReferenceFunction, t: Floats, *, from_below: bool = False) -> Floats:
    """MV per K: the Seebeck coefficient. Where two pieces meet (type N has a kink at 0 degC), of the warmer one."""
    value = np.empty_like(t)
    for index, (start, _, coefficients) in enumerate(function.pieces):
        at = (t > start if from_below else t >= start) if index else np.full(t.shape, True)
        value[at] = horner(t[at], [power * c for power, c in enumerate(coefficients)][1:])
        if function.exponential and index == len(function.pieces) - 1:
            a0, a1, a2 = function.exponential
            value[at] += 2.0 * a0 * a1 * (t[at] - a2) * np.exp(a1 * (t[at] - a2) ** 2)
    return value


def thermocouple_celsius(letter: str, millivolts: Floats) -> Floats:
    """Temperature of a thermocouple from its voltage in mV with the cold junction at 0 degC.

    The inverse of the reference function itself, to 1e-6 K (at 760 degC type J's two pieces miss each other by as
    much; NIST's own inverse polynomials are off by up to 0.06 K). Beyond `THERMOCOUPLE_RANGE` it goes on in a
    straight line. For a cold junction that isn't at 0 degC, first add `thermocouple_millivolts(letter, cold)`.

    Raises
    ------
    ThermoError
        The type isn't K, J, T, N or E.
    """
    return in_blocks(_inverse_table(letter).at, millivolts)


@dataclass(frozen=True, slots=True, eq=False)
class _InverseTable:
    """Cubics on equal steps of voltage, with a straight line below and one above.

    One multiplication finds the piece, so this costs a third of an inverse polynomial with its Newton step.

    Attributes
    ----------
    first, per_step
        Voltage of the first node in mV, and steps per mV.
    coefficients
        Four float64[steps + 2], of the powers of the distance into a step, counted in steps.
    """

    first: float
    per_step: float
    coefficients: tuple[Floats, Floats, Floats, Floats]

    def at(self, millivolts: Floats) -> Floats:
        distance = millivolts - self.first
        distance *= self.per_step
        distance += 1.0
        # Not below zero any more, so cutting the fraction off finds the piece. NaN becomes some integer, which
        # `take` brings back into the table, and stays NaN through its distance.
        piece = np.clip(distance, 0.0, len(self.coefficients[0]) - 1.0).astype(np.intp)
        distance -= piece
        value = self.coefficients[3].take(piece, mode="clip")
        for coefficient in self.coefficients[2::-1]:
            value *= distance
            value += coefficient.take(piece, mode="clip")
        return value


_STEPS = 6144


@lru_cache(maxsize=len(THERMOCOUPLES))
def _inverse_table(letter: str) -> _InverseTable:
    """Hermite cubics through the exact inverse and its slope; a node lies at 0 mV, where two pieces meet."""
    function = _thermocouple(letter)
    low, high = thermocouple_millivolts(letter, np.array(THERMOCOUPLE_RANGE[letter])).tolist()
    step = (high - low) / _STEPS
    nodes = step * np.arange(np.floor(low / step), np.ceil(high / step) + 1)
    coarse = np.linspace(*THERMOCOUPLE_RANGE[letter], 2000)
    celsius = np.interp(nodes, thermocouple_millivolts(letter, coarse), coarse)
    with np.errstate(all="ignore"):
        for _ in range(6):
            celsius -= (_reference_function(function, celsius) - nodes) / _reference_slope(function, celsius)
        before = step / _reference_slope(function, celsius[:-1])
        after = step / _reference_slope(function, celsius[1:], from_below=True)
    rise = np.diff(celsius)
    nothing = np.zeros(1)
    return _InverseTable(
        float(nodes[0]),
        1.0 / step,
        (
            np.concatenate([celsius[:1] - before[:1], celsius]),
            np.concatenate([before[:1], before, after[-1:]]),
            np.concatenate([nothing, 3.0 * rise - 2.0 * before - after, nothing]),
            np.concatenate([nothing, before + after - 2.0 * rise, nothing]),
        ),
    )
