"""Units through a formula, as far as they are certain: what `convert` needs to know, found without any data."""

from __future__ import annotations

from collections.abc import Mapping

from buswright.channels.formula.parse import Formula
from buswright.channels.formula.tree import Call, Channel, Node, Number, Operation
from buswright.channels.units import UnitError, find, line

_SAME_AS_ARGUMENT = frozenset({"abs", "low_pass", "lagged", "keep_last"})
_SAME_AS_ALL = frozenset({"min", "max"})


def formula_unit(formula: Formula, units: Mapping[str, str]) -> str:
    """Return the unit that a formula's result has, "" where it isn't certain.

    A product, a quotient or a function leaves it open, and so does a sum or a difference of temperatures above zero
    points of their own (10 degC less 4 degC isn't 6 degC). Everything else keeps what all its parts agree on.

    Parameters
    ----------
    formula
        Checked formula.
    units
        Unit of each channel; missing or "" where there is none.

    Raises
    ------
    FormulaError
        A convert() whose argument has no certain unit, or one of another quantity; with its position.
    """
    return unit_of(formula, formula.tree, units)


def unit_of(formula: Formula, node: Node, units: Mapping[str, str]) -> str:
    """Do the same for a part of a formula."""
    if isinstance(node, Channel):
        return units.get(node.name, "")
    if isinstance(node, Number):
        return ""
    if isinstance(node, Call):
        return _of_call(formula, node, units)
    found = [unit_of(formula, operand, units) for operand in node.operands]
    if isinstance(node, Operation):
        if node.operator in {"neg", "pos"}:
            return found[0]
        if node.operator in {"+", "-"}:
            common = _common(node.operands, found)
            known = find(common) if common else None
            return "" if known is None or known.offset else common
    return ""


def _of_call(formula: Formula, node: Call, units: Mapping[str, str]) -> str:
    found = [unit_of(formula, argument, units) for argument in node.arguments]
    if node.function == "convert":
        return _converted(formula, node, found[0])
    if node.function in _SAME_AS_ARGUMENT:
        return found[0]
    if node.function in _SAME_AS_ALL:
        return _common(node.arguments, found)
    if node.function == "where":
        return _common(node.arguments[1:], found[1:])
    if node.function == "rate_of_change" and found[0] and find(f"{found[0]}/s"):
        return f"{found[0]}/s"
    return ""


def _common(nodes: tuple[Node, ...], found: list[str]) -> str:
    """Return the one unit that all parts have, numbers aside; "" if they differ or one is open."""
    of_parts = {unit for node, unit in zip(nodes, found, strict=True) if not isinstance(node, Number)}
    return of_parts.pop() if len(of_parts) == 1 else ""


def _converted(formula: Formula, node: Call, unit: str) -> str:
    argument = node.arguments[0]
    if not unit:
        what = f"channel {argument.name} has no unit" if isinstance(argument, Channel) else "its unit isn't certain"
        raise formula.error(
            f"convert doesn't know the unit that it converts from: {what}",
            argument.column,
            "give the channel a unit, or convert each channel before computing with it",
        )
    try:
        line(unit, node.unit)
    except UnitError as fault:
        raise formula.error(f"can't convert to {node.unit!r}: {fault.message}", node.column, fault.hint) from None
    return node.unit
