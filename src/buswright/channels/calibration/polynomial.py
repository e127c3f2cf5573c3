"""The polynomial kind."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from buswright.channels.calibration.kind import (
    Calibration,
    CalibrationError,
    Floats,
    KindSpec,
    OneStage,
    Range,
    Sheet,
)
from buswright.channels.calibration.monotone import solve_rising
from buswright.channels.calibration.thermo import horner
from buswright.channels.keys.kinds import Items, Number, Span
from buswright.channels.keys.tables import Key


@dataclass(frozen=True, slots=True)
class Polynomial(OneStage):
    """A polynomial between its ends and its tangents beyond them, where a high power would run away.

    Attributes
    ----------
    coefficients
        Of the powers of the input, the constant first.
    ends
        Inputs between which it holds.
    turn
        An input between the ends where it turns round, NaN if it doesn't.
    """

    kind: ClassVar[str] = "polynomial"
    coefficients: tuple[float, ...]
    ends: tuple[float, float]
    turn: float

    @property
    def range(self) -> Range:
        """Values at the ends. Between them there are higher or lower ones if the polynomial turns."""
        low, high = (horner(np.array(self.ends), self.coefficients)).tolist()
        return Range(self.ends, (low, high))

    def _value(self, electrical: Floats, _reference: Floats | None, /) -> Floats:
        held = np.clip(electrical, *self.ends)
        value = horner(held, self.coefficients)
        beyond = electrical != held  # NaN too, and NaN stays NaN
        if np.any(beyond):
            slope = horner(held[beyond], _derivative(self.coefficients))
            value[beyond] += slope * (electrical[beyond] - held[beyond])
        return value

    def _inverse(self, value: Floats, _reference: Floats | None, /) -> Floats:
        if not math.isnan(self.turn):
            raise CalibrationError(
                f"this polynomial turns round at {self.turn:.4g} {self.electrical}, so one value has two inputs",
                hint="narrow its range to the part before or after that",
            )
        (x0, x1), (y0, y1) = self.ends, self.range.value
        slopes = _derivative(self.coefficients)
        s0, s1 = horner(np.array(self.ends), slopes).tolist()
        sign = 1.0 if y1 > y0 else -1.0
        wanted = sign * np.clip(value, min(y0, y1), max(y0, y1))
        result = solve_rising(
            lambda x: (sign * horner(x, self.coefficients), sign * horner(x, slopes)),
            wanted,
            np.full(value.shape, x0),
            np.full(value.shape, x1),
        )
        result = np.where(sign * (value - y0) < 0, x0 + (value - y0) / s0, result)
        result = np.where(sign * (value - y1) > 0, x1 + (value - y1) / s1, result)
        return np.where(np.isfinite(value) & np.isfinite(result), result, np.nan)

    def describe(self) -> str:
        """Give the formula and where it holds, in words."""
        terms = [
            f"{factor:g}" + ("" if power == 0 else " x" if power == 1 else f" x^{power}")
            for power, factor in enumerate(self.coefficients)
            if factor or power == 0
        ]
        return f"{' + '.join(terms)} {self.unit}, x in {self.electrical} from {self.ends[0]:g} to {self.ends[1]:g}"


def _derivative(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(power * factor for power, factor in enumerate(coefficients))[1:] or (0.0,)


# -- from the car file --------------------------------------------------------------------------------------------


def _turning_point(coefficients: tuple[float, ...], ends: tuple[float, float]) -> float:
    """Return where the slope changes sign between the ends, NaN if nowhere."""
    slopes = _derivative(coefficients)
    roots = np.roots(slopes[::-1]) if any(slopes[1:]) else np.zeros(0)
    real = np.sort(roots.real[np.abs(roots.imag) <= 1e-9 * (1 + np.abs(roots.real))])
    inner = real[(real > ends[0]) & (real < ends[1])]
    if not inner.size:
        return math.nan
    # The sign of the slope on both sides of every root; a double root touches zero without turning.
    corners = np.concatenate([[ends[0]], inner, [ends[1]]])
    signs = np.sign(horner(0.5 * (corners[:-1] + corners[1:]), slopes))
    turns = np.flatnonzero(signs[:-1] * signs[1:] < 0)
    return float(inner[turns[0]]) if turns.size else math.nan


def _build_polynomial(sheet: Sheet) -> Calibration | None:
    coefficients: tuple[float, ...] = sheet["coefficients"]
    if not any(coefficients[1:]):
        sheet.error(("coefficients",), "only the constant is not 0, so every value is the same", "")
        return None
    ends: tuple[float, float] = sheet["range"]
    return Polynomial(sheet.electrical, sheet.unit, coefficients, ends, _turning_point(coefficients, ends))


POLYNOMIAL = KindSpec(
    name="polynomial",
    meaning="A polynomial between the ends of its range; beyond them it goes on straight, along its tangents.",
    formula="value = c0 + c1 × input + c2 × input² + ...",
    keys=(
        Key("coefficients", Items(Number(), "a list of numbers", least=2, most=12),
            "Factors c0, c1, c2 ..., the constant first.", required=True, example="[-2.1, 30.5, 0.42]"),
        Key("range", Span(), "Inputs between which it holds.", required=True, unit="the sensor's electrical unit",
            example="[0.5, 4.5]"),
    ),
    build=_build_polynomial,
)  # fmt: skip
