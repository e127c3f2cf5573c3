"""The tree of a formula and the functions it may call: five node types, one table. No parsing, no computing."""

from __future__ import annotations

import keyword
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Number:
    """A constant."""

    value: float
    column: int


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel by its name."""

    name: str
    column: int


@dataclass(frozen=True, slots=True)
class Operation:
    """An operator on its operands: + - * / ** % (two), neg pos not (one), and or (two or more)."""

    operator: str
    operands: tuple[Node, ...]
    column: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """A chain: operands[0] operators[0] operands[1] operators[1] ..., true where every link is."""

    operators: tuple[str, ...]
    operands: tuple[Node, ...]
    column: int


@dataclass(frozen=True, slots=True)
class Call:
    """A function of the white list; `unit` is the text argument of convert."""

    function: str
    arguments: tuple[Node, ...]
    column: int
    unit: str = ""


Node = Number | Channel | Operation | Comparison | Call


@dataclass(frozen=True, slots=True)
class Function:
    """What a function takes.

    Attributes
    ----------
    usage
        How it is written, for messages and the manual.
    meaning
        One line for the manual.
    least, most
        Number of arguments; None for any number.
    bounds
        Range that the last argument, which must be a constant, has to lie in.
    takes_unit
        Whether the last argument is a unit in quotes.
    """

    usage: str
    meaning: str
    least: int
    most: int | None
    bounds: tuple[float, float] | None = None
    takes_unit: bool = False


FUNCTIONS: dict[str, Function] = {
    "where": Function("where(condition, a, b)", "a where the condition holds, else b", 3, 3),
    "min": Function("min(a, b, ...)", "the smallest, sample by sample", 2, None),
    "max": Function("max(a, b, ...)", "the largest, sample by sample", 2, None),
    "abs": Function("abs(x)", "absolute value: x without its sign", 1, 1),
    "sqrt": Function("sqrt(x)", "square root; no value where x is below zero", 1, 1),
    "exp": Function("exp(x)", "e to the power of x", 1, 1),
    "log": Function("log(x)", "natural logarithm; no value where x is zero or below", 1, 1),
    "sin": Function("sin(x)", "sine of an angle in radians", 1, 1),
    "cos": Function("cos(x)", "cosine of an angle in radians", 1, 1),
    "rate_of_change": Function("rate_of_change(x)", "change per second, on the nominal time grid", 1, 1),
    "low_pass": Function("low_pass(x, hz)", "removes everything above hz, without delay", 2, 2, (0.01, 10_000.0)),
    "accumulate": Function("accumulate(x)", "integral over time, in unit times second", 1, 1),
    "lagged": Function("lagged(x, s)", "x as it was s seconds before", 2, 2, (-60.0, 60.0)),
    "keep_last": Function("keep_last(x)", "fills gaps with the last usable value", 1, 1),
    "convert": Function('convert(x, "km/h")', "x in another unit", 2, 2, takes_unit=True),
}
"""Every function of the language, in the order of the manual. No channel may have one of these names."""

RESERVED = frozenset(FUNCTIONS) | frozenset(keyword.kwlist)
"""Names that a channel can't have if formulas are to use it."""


def walk(node: Node) -> Iterator[Node]:
    """Yield a node and all below it, in order of the text."""
    yield node
    if isinstance(node, Call):
        children: tuple[Node, ...] = node.arguments
    elif isinstance(node, (Operation, Comparison)):
        children = node.operands
    else:
        children = ()
    for child in children:
        yield from walk(child)
