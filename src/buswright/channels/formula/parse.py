"""Formulas of computed channels: text to a small checked tree. Nothing here computes, and nothing here runs code.

A formula comes from a car file, and a car file may come from a stranger. So the text passes three gates: tokens
(only characters and words that a formula needs), Python's own expression parser (never its compiler), and a
conversion to the five node types of `formula_tree`, which refuses everything else. Sizes are bounded at each gate.
"""

from __future__ import annotations

import ast
import keyword
import math
import operator
import re
from collections.abc import Callable
from dataclasses import dataclass

from buswright.channels.formula.tree import (
    FUNCTIONS,
    Call,
    Channel,
    Comparison,
    Function,
    Node,
    Number,
    Operation,
    walk,
)
from buswright.errors import FormulaError
from buswright.wording import did_you_mean

TEXT_LIMIT = 2000
"""Longest formula, in characters."""
TOKEN_LIMIT = 600
"""Most words, numbers and signs in one formula: bounds the size of the tree and the depth of Python's parser."""
BRACKET_LIMIT = 40
"""Deepest nesting of parentheses."""
DEPTH_LIMIT = 100
"""Deepest tree; a sum of a hundred channels still fits."""
EXPONENT_LIMIT = 16.0
"""Largest constant exponent; powers beyond it are a slip of the pen, or an attack."""
STRING_LIMIT = 24
"""Longest unit name."""


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked formula.

    Attributes
    ----------
    text
        As it was written.
    inputs
        Names of the channels it uses, in order of appearance, each once.
    tree
        What to compute.
    functions
        Names of the functions it calls, in order of appearance, each once.
    """

    text: str
    inputs: tuple[str, ...]
    tree: Node
    functions: tuple[str, ...]

    def column_of(self, channel: str) -> int:
        """Position of the first use of a channel in the text, 0-based; 0 if it isn't there."""
        found = (node.column for node in walk(self.tree) if isinstance(node, Channel) and node.name == channel)
        return next(found, 0)

    def error(self, reason: str, column: int, hint: str = "") -> FormulaError:
        """Make the error that marks a position in this formula."""
        return _error(self.text, column, reason, hint)


def parse_formula(text: str) -> Formula:
    """Check a formula and return its tree.

    Raises
    ------
    FormulaError
        The text is no formula; `.column` is the 0-based position, and the message marks it.
    """
    if len(text) > TEXT_LIMIT:
        raise _error(text, TEXT_LIMIT, f"the formula is longer than {TEXT_LIMIT} characters")
    _check_tokens(text)
    body = re.sub(r"\s", " ", text)
    indent = len(body) - len(body.lstrip())
    try:
        parsed = ast.parse(body.lstrip(), mode="eval")
    except SyntaxError as fault:
        column = indent + max((fault.offset or 1) - 1, 0)
        raise _error(text, column, f"this is not a formula: {fault.msg}") from None
    except (ValueError, RecursionError, MemoryError) as fault:  # pragma: no cover - the gate before lets none through
        raise _error(text, 0, f"this is not a formula: {fault}") from None
    tree = _Converter(text, body.lstrip().encode(), indent).node(parsed.body, 0)
    nodes = list(walk(tree))
    inputs = tuple(dict.fromkeys(node.name for node in nodes if isinstance(node, Channel)))
    if not inputs:
        raise _error(text, indent, "the formula uses no channel", "a constant has no time stamps; use a channel in it")
    functions = tuple(dict.fromkeys(node.function for node in nodes if isinstance(node, Call)))
    return Formula(text, inputs, tree, functions)


def _error(text: str, column: int, reason: str, hint: str = "") -> FormulaError:
    """Compose the message: the reason, then the line, cut around the position, with a caret below it."""
    column = min(max(column, 0), len(text))
    start = max(0, column - 50) if len(text) > 100 else 0
    shown = "".join(c if c.isprintable() else "?" for c in re.sub(r"\s", " ", text[start : start + 100]))
    lead, tail = "..." if start else "", "..." if start + 100 < len(text) else ""
    caret = " " * (len(lead) + column - start) + "^"
    return FormulaError([reason, f"  {lead}{shown}{tail}", f"  {caret}"], column=column, hint=hint)


# The first gate: tokens -----------------------------------------------------------------------------------------

_TOKEN = re.compile(
    r"(?P<space>[ \t\r\n]+)"
    r"|(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*)"
    r"""|(?P<string>"[^"\\{}\r\n]*"|'[^'\\{}\r\n]*')"""
    r"|(?P<sign>\*\*|<=|>=|==|!=|[-+*/%<>(),])"
)
_WORDS = frozenset({"and", "or", "not"})
_NUMBER_LIMIT = 40

_REFUSED_SIGNS: dict[str, tuple[str, str]] = {
    "=": ("a formula can't assign", "write == to compare"),
    "^": ("^ is not an operator here", "write ** for a power"),
    "&": ("& is not an operator here", "write and"),
    "|": ("| is not an operator here", "write or"),
    "!": ("! is not an operator here", "write not, or != to compare"),
    ".": ("attributes can't be used in a formula", ""),
    "[": ("a formula can't index or build lists", "use lagged(x, s) for earlier samples"),
    "{": ("a formula can't build sets or dictionaries", ""),
    "#": ("a formula can't hold a comment", "put the comment on a line of its own in the car file"),
    ";": ("a formula is one expression", ""),
    ":": ("':' can't be used in a formula", "write where(condition, a, b) to choose"),
    "\\": ("a backslash can't be used in a formula", ""),
    "\0": ("a null character can't be used in a formula", ""),
    '"': ("the text in quotes isn't closed on this line, or holds a character that no unit has", ""),
    "'": ("the text in quotes isn't closed on this line, or holds a character that no unit has", ""),
}
_REFUSED_WORDS: dict[str, str] = {
    "if": "write where(condition, a, b) to choose",
    "else": "write where(condition, a, b) to choose",
    "True": "write 1",
    "False": "write 0",
    "is": "write == to compare",
}


def _check_tokens(text: str) -> None:
    """Refuse what no formula needs, before Python's parser sees it: it can be crashed, this can't."""
    at, depth, count, before, operand_before = 0, 0, 0, "", False
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise _refused_sign(text, at)
        kind, word = str(match.lastgroup), match.group()
        operand = kind in {"name", "number", "string"} and word not in _WORDS
        if kind == "name" and word in keyword.kwlist and word not in _WORDS:
            raise _error(text, at, f"the word {word!r} can't be used in a formula", _REFUSED_WORDS.get(word, ""))
        if (operand and operand_before) or (kind == "name" and before == "number"):
            raise _error(text, at, f"{word!r} can't follow what is before it", "an operator is missing")
        if kind == "number":
            _check_number(text, at, word)
        if text.startswith("//", at):
            raise _error(text, at, "// is not an operator here", "write / to divide")
        if text.startswith(("<<", ">>"), at):
            raise _error(text, at, f"{text[at : at + 2]} is not an operator here", "write < or > to compare")
        depth += {"(": 1, ")": -1}.get(word, 0)
        if depth < 0:
            raise _error(text, at, "this parenthesis was never opened")
        if depth > BRACKET_LIMIT:
            raise _error(text, at, f"more than {BRACKET_LIMIT} parentheses inside each other")
        if kind != "space":
            count, operand_before = count + 1, operand
        if count > TOKEN_LIMIT:
            raise _error(text, at, f"the formula has more than {TOKEN_LIMIT} parts")
        at, before = match.end(), kind
    if not count:
        raise _error(text, 0, "the formula is empty")
    if depth:
        raise _error(text, len(text), "a parenthesis isn't closed")


def _check_number(text: str, at: int, word: str) -> None:
    if len(word) > _NUMBER_LIMIT or not math.isfinite(float(word)):
        raise _error(text, at, "this number is too large or too long")
    if word.isdigit() and word[0] == "0" and word.strip("0"):
        raise _error(text, at, "a whole number can't start with 0", f"write {word.lstrip('0')}")


def _refused_sign(text: str, at: int) -> FormulaError:
    sign = text[at]
    reason, hint = _REFUSED_SIGNS.get(sign, (f"the character {sign!a} can't be used in a formula", ""))
    return _error(text, at, reason, hint)


# The second and third gates: Python's parser, then only what is known --------------------------------------------

_BINARY: dict[type[ast.operator], str] = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Pow: "**", ast.Mod: "%",
}  # fmt: skip
_UNARY: dict[type[ast.unaryop], str] = {ast.USub: "neg", ast.UAdd: "pos", ast.Not: "not"}
_LOGIC: dict[type[ast.boolop], str] = {ast.And: "and", ast.Or: "or"}
_COMPARE: dict[type[ast.cmpop], str] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
}  # fmt: skip


class _Converter:
    """Turns Python's tree into ours; knows where in the text each node stands."""

    def __init__(self, text: str, body: bytes, indent: int) -> None:
        self._text = text
        self._body = body
        self._indent = indent
        self._by_type: dict[type[ast.AST], Callable[..., Node]] = {
            ast.Constant: self._number,
            ast.Name: self._channel,
            ast.BinOp: self._binary,
            ast.UnaryOp: self._unary,
            ast.BoolOp: self._logic,
            ast.Compare: self._comparison,
            ast.Call: self._call,
        }

    def node(self, tree: ast.expr, depth: int) -> Node:
        """Convert one expression; `depth` counts the levels above it."""
        convert = self._by_type.get(type(tree))
        if convert is None:
            what = {ast.Tuple: "a list of values", ast.Starred: "an unpacked value"}.get(type(tree), "this")
            raise self._error(tree, f"{what} can't be used in a formula")
        if depth > DEPTH_LIMIT:
            raise self._error(tree, f"the formula is nested more than {DEPTH_LIMIT} deep")
        return convert(tree, depth + 1)

    def _column(self, tree: ast.expr) -> int:
        """Position in the text, in characters; Python counts bytes of UTF-8."""
        return self._indent + len(self._body[: tree.col_offset].decode())

    def _error(self, tree: ast.expr, reason: str, hint: str = "") -> FormulaError:
        return _error(self._text, self._column(tree), reason, hint)

    def _number(self, tree: ast.Constant, _depth: int) -> Node:
        if isinstance(tree.value, str):
            raise self._error(tree, "text in quotes can only be the unit in convert()")
        return Number(float(tree.value), self._column(tree))  # type: ignore[arg-type] # the tokens leave only numbers

    def _channel(self, tree: ast.Name, _depth: int) -> Node:
        if tree.id in FUNCTIONS:
            raise self._error(tree, f"{tree.id} is a function", f"write {FUNCTIONS[tree.id].usage}")
        return Channel(tree.id, self._column(tree))

    def _binary(self, tree: ast.BinOp, depth: int) -> Node:
        sign = _BINARY[type(tree.op)]
        left, right = self.node(tree.left, depth), self.node(tree.right, depth)
        if sign == "**":
            exponent = _constant(right)
            if exponent is not None and not abs(exponent) <= EXPONENT_LIMIT:
                raise self._error(tree.right, f"an exponent beyond {EXPONENT_LIMIT:g} is refused")
        return Operation(sign, (left, right), self._column(tree))

    def _unary(self, tree: ast.UnaryOp, depth: int) -> Node:
        return Operation(_UNARY[type(tree.op)], (self.node(tree.operand, depth),), self._column(tree))

    def _logic(self, tree: ast.BoolOp, depth: int) -> Node:
        operands = tuple(self.node(value, depth) for value in tree.values)
        return Operation(_LOGIC[type(tree.op)], operands, self._column(tree))

    def _comparison(self, tree: ast.Compare, depth: int) -> Node:
        for sign, side in zip(tree.ops, tree.comparators, strict=True):
            if type(sign) not in _COMPARE:
                raise self._error(side, "only < <= > >= == != can compare")
        operands = tuple(self.node(side, depth) for side in (tree.left, *tree.comparators))
        return Comparison(tuple(_COMPARE[type(sign)] for sign in tree.ops), operands, self._column(tree))

    def _call(self, tree: ast.Call, depth: int) -> Node:
        if not isinstance(tree.func, ast.Name):
            raise self._error(tree.func, "only a function's name can come before a parenthesis")
        name = tree.func.id
        known = FUNCTIONS.get(name)
        if known is None:
            every = f"there are {', '.join(FUNCTIONS)}"
            hint = did_you_mean(name, FUNCTIONS, every, shown=lambda near: FUNCTIONS[near].usage)
            raise self._error(tree, f"there is no function {name!r}", hint)
        count = len(tree.args)
        if tree.keywords or count < known.least or (known.most is not None and count > known.most):
            raise self._error(tree, f"{name} can't take {count} arguments", f"write {known.usage}")
        if known.takes_unit:
            unit = self._unit(tree.args[-1], known)
            return Call(name, (self.node(tree.args[0], depth),), self._column(tree), unit)
        arguments = tuple(self.node(argument, depth) for argument in tree.args)
        if known.bounds is not None:
            arguments = (*arguments[:-1], self._bounded(tree.args[-1], arguments[-1], known, known.bounds))
        return Call(name, arguments, self._column(tree))

    def _unit(self, tree: ast.expr, known: Function) -> str:
        if not isinstance(tree, ast.Constant) or not isinstance(tree.value, str) or not tree.value.strip():
            raise self._error(tree, "the unit must be in quotes", f"write {known.usage}")
        if len(tree.value) > STRING_LIMIT or not tree.value.isprintable():
            raise self._error(tree, "this is not a unit")
        return tree.value.strip()

    def _bounded(self, tree: ast.expr, argument: Node, known: Function, bounds: tuple[float, float]) -> Number:
        low, high = bounds
        value = _constant(argument)
        if value is None:
            raise self._error(tree, "this must be a number, not a channel", f"write {known.usage}")
        if not low <= value <= high:
            raise self._error(tree, f"{value:g} isn't between {low:g} and {high:g}", f"write {known.usage}")
        return Number(value, argument.column)


_FOLD: dict[str, Callable[..., float]] = {
    "+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv, "%": operator.mod,
    "**": operator.pow, "neg": operator.neg, "pos": operator.pos,
}  # fmt: skip


def _constant(node: Node) -> float | None:
    """Value of plain arithmetic on numbers; None if it depends on a channel, NaN if it has no (real, finite) value."""
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Operation) and node.operator in _FOLD:
        operands = [_constant(operand) for operand in node.operands]
        if any(operand is None for operand in operands):
            return None
        try:
            value = _FOLD[node.operator](*operands)
        except (ZeroDivisionError, OverflowError):
            return math.nan
        return value if isinstance(value, float) and math.isfinite(value) else math.nan
    return None
