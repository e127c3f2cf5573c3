"""Formulas on series: every operation on whole columns, inputs of different rates brought to one grid explicitly."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import reduce
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.formula.common_grid import common_grid, same_base
from buswright.channels.formula.functions import (
    accumulate,
    effective_hz,
    keep_last,
    lagged,
    low_pass,
    no_value,
    rate_of_change,
    usable_so_far,
)
from buswright.channels.formula.parse import Formula
from buswright.channels.formula.past import Past
from buswright.channels.formula.tree import Call, Channel, Comparison, Node, Number, Operation
from buswright.channels.formula.units import formula_unit, unit_of
from buswright.channels.samples.labels import NO_LABELS
from buswright.channels.samples.resample import align
from buswright.channels.samples.series import Floats, Kind, Series, worst

Operand = float | Series
Function = Callable[..., Any]


def evaluate(
    formula: Formula,
    inputs: Mapping[str, Series],
    *,
    name: str = "",
    unit: str = "",
    rate_hz: float | None = None,
    past: Past | None = None,
) -> Series:
    """Compute a channel.

    Parts of a formula that use one channel, or channels of one message, are computed at the times of that channel.
    Where different time bases meet, both go to one grid: at `rate_hz`, or else at the rate of the slowest
    continuous input, over the time that all inputs cover. Continuous parts are low-passed before their rate is
    lowered and interpolated linearly, states keep their last value; nothing crosses a gap or a segment.

    Each sample carries the objections to every sample that it was computed from. Unusable inputs count as NaN, NaN
    stays NaN through every operation (`where` takes the chosen branch only), and a division by zero, a root of a
    negative number or an overflow is NaN. Truth is 1 and 0; any other number but 0 counts as true.

    Parameters
    ----------
    formula
        From `parse_formula`.
    inputs
        At least the formula's inputs, by name.
    name, unit
        Of the result; without `unit` the one that the formula gives, where it is certain.
    rate_hz
        Rate of the result; without it that of the input, or of the slowest.
    past
        What is known of the stretches of the run before this one; it is brought up to date. None: this is all.

    Raises
    ------
    FormulaError
        An input is missing, a unit can't be converted, or the grid would have more points than memory is for.
    """
    for missing in formula.inputs:
        if missing not in inputs:
            raise formula.error(f"there is no channel {missing!r}", formula.column_of(missing))
    own_unit = formula_unit(formula, {each: inputs[each].unit for each in formula.inputs})
    with np.errstate(all="ignore"):
        result = _Evaluation(formula, inputs, rate_hz, past).result()
    hz = effective_hz(result)
    return replace(
        result,
        name=name,
        unit=unit or own_unit,
        value=no_value(result.value),
        effective_hz=hz if np.isfinite(hz) else None,
    )


class _Evaluation:
    """One pass over the tree of one formula."""

    def __init__(
        self, formula: Formula, inputs: Mapping[str, Series], rate_hz: float | None, past: Past | None
    ) -> None:
        self._formula = formula
        self._past = past
        self._units = {name: inputs[name].unit for name in formula.inputs}
        self._inputs = {name: _masked(inputs[name]) for name in formula.inputs}
        self._rate_hz = rate_hz
        self._grid: Series | None = None

    def result(self) -> Series:
        result = self._series(self._formula.tree)
        if self._rate_hz is not None and result.time_ns is not self._common().time_ns:
            result = self._on_grid(result)
        return result

    def _series(self, node: Node) -> Series:
        """Evaluate where only a series makes sense; a constant becomes one at the times of the first input."""
        operand = self._operand(node)
        if isinstance(operand, Series):
            return operand
        base = next(iter(self._inputs.values()))
        return _derived(base, np.full(len(base), operand), (base,), "state")

    def _operand(self, node: Node) -> Operand:
        if isinstance(node, Number):
            return node.value
        if isinstance(node, Channel):
            return self._inputs[node.name]
        if isinstance(node, Operation):
            if node.operator in _LOGIC:
                return self._combine(_LOGIC[node.operator], node.operands, "state")
            return self._combine(_ARITHMETIC[node.operator], node.operands, None)
        if isinstance(node, Comparison):
            return self._combine(_chain(node.operators), node.operands, "state")
        return self._call(node)

    def _call(self, node: Call) -> Operand:
        name = node.function
        if name in _ELEMENTWISE:
            return self._combine(_ELEMENTWISE[name], node.arguments, None)
        series = self._series(node.arguments[0])
        if name == "convert":
            source = unit_of(self._formula, node.arguments[0], self._units)
            return replace(series, value=units.convert(series.value, source, node.unit))
        if name in _GOING_ON:
            return _GOING_ON[name](series, node, self._past)
        constants = [each.value for each in node.arguments[1:] if isinstance(each, Number)]
        return _ALONG_TIME[name](series, *constants)

    def _combine(self, function: Function, nodes: tuple[Node, ...], kind: Kind | None) -> Operand:
        """Apply a function sample by sample, all operands on one time base."""
        operands = [self._operand(node) for node in nodes]
        series = self._aligned([each for each in operands if isinstance(each, Series)])
        columns = iter(series)
        values = [next(columns).value if isinstance(each, Series) else np.float64(each) for each in operands]
        value = no_value(np.array(function(*values), dtype=np.float64, ndmin=1))
        if not series:
            return float(value[0])
        if kind is None:
            # The condition of where() chooses; it is no part of the value.
            parts = operands[1:] if function is _where else operands
            kind = "state" if all(not isinstance(each, Series) or each.kind == "state" for each in parts) else None
        return _derived(series[0], value, tuple(series), kind or "continuous")

    def _aligned(self, series: list[Series]) -> list[Series]:
        if all(same_base(series[0], other) for other in series[1:]):
            return series
        return [self._on_grid(each) for each in series]

    def _common(self) -> Series:
        """Return the grid that all inputs share, found once, as a series of no values."""
        if self._grid is None:
            inputs, past = list(self._inputs.values()), self._past
            if past is None:
                self._grid = common_grid(self._formula, inputs, self._rate_hz)
            else:
                rate_hz = self._rate_hz or past.rate_hz
                self._grid = common_grid(self._formula, inputs, rate_hz, origin_ns=past.origin_ns)
                past.note_grid(self._grid)
        return self._grid

    def _on_grid(self, series: Series) -> Series:
        grid = self._common()
        if series.time_ns is grid.time_ns:
            return series
        value, quality = align(series, grid.time_ns, grid.segments)
        slowest = min(effective_hz(series), effective_hz(grid))
        return replace(grid, value=value, quality=quality, kind=series.kind, effective_hz=slowest)


def _masked(series: Series) -> Series:
    """Keep of an input what formulas use, unusable samples as NaN."""
    rate = effective_hz(series)
    return replace(
        series, name="", value=series.usable_value, raw=None, volts=None, labels=NO_LABELS, effective_hz=rate
    )


def _derived(base: Series, value: Floats, sources: tuple[Series, ...], kind: Kind) -> Series:
    """Make the result of sources on one time base: the worst quality and the slowest rate of them."""
    return replace(
        base,
        unit="",
        value=value,
        quality=worst(*(each.quality for each in sources)),
        kind=kind,
        effective_hz=min(effective_hz(each) for each in sources),
    )


# What a sample is computed from -----------------------------------------------------------------------------------


def _truth(function: Function) -> Function:
    """Make 1 and 0 of a truth, NaN where an operand is."""
    return lambda *values: np.where(reduce(np.logical_or, map(np.isnan, values)), np.nan, function(*values))


def _chain(operators: tuple[str, ...]) -> Function:
    def holds(*values: Any) -> Any:
        links = zip(operators, values[:-1], values[1:], strict=True)
        return reduce(np.logical_and, (_COMPARISONS[operator](left, right) for operator, left, right in links))

    return _truth(holds)


def _reduced(function: Function) -> Function:
    return lambda *values: reduce(function, values)


def _where(condition: Any, chosen: Any, other: Any) -> Any:
    return np.where(np.isnan(condition), np.nan, np.where(condition != 0, chosen, other))


_COMPARISONS: dict[str, Function] = {
    "<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal, "==": np.equal, "!=": np.not_equal,
}  # fmt: skip
_ARITHMETIC: dict[str, Function] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide, "**": np.power, "%": np.mod,
    "neg": np.negative, "pos": np.positive,
}  # fmt: skip
_LOGIC: dict[str, Function] = {
    "not": _truth(lambda value: value == 0),
    "and": _truth(_reduced(np.logical_and)),
    "or": _truth(_reduced(np.logical_or)),
}
_ELEMENTWISE: dict[str, Function] = {
    "where": _where, "min": _reduced(np.minimum), "max": _reduced(np.maximum), "abs": np.abs,
    "sqrt": np.sqrt, "exp": np.exp, "log": np.log, "sin": np.sin, "cos": np.cos,
}  # fmt: skip
_ALONG_TIME: dict[str, Callable[..., Series]] = {
    function.__name__: function for function in (rate_of_change, low_pass, lagged)
}


def _accumulate(series: Series, node: Call, past: Past | None) -> Series:
    if past is None:
        return accumulate(series)
    before = past.kept.get(node)
    total = accumulate(series, before=before, trusted_ns=past.trusted_ns)
    past.note(node, usable_so_far(total, before))
    return total


def _keep_last(series: Series, node: Call, past: Past | None) -> Series:
    if past is None:
        return keep_last(series)
    before = past.kept.get(node)
    past.note(node, usable_so_far(series, before))
    return keep_last(series, before=before)


_GOING_ON: dict[str, Callable[[Series, Call, Past | None], Series]] = {
    "accumulate": _accumulate,
    "keep_last": _keep_last,
}
"""Functions whose value depends on the whole run before."""
