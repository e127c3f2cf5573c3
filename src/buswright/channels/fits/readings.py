"""Readings for a calibration: what the input showed, and what was true; typed, or from a CSV file."""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Floats
from buswright.channels.keys.faults import shown
from buswright.errors import UserError

MOST_BYTES = 1 << 20
"""Largest file of readings."""
_SHOWN_FAULTS = 8

_QUANTITY = re.compile(r"\s*([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")
_BRACKETS = re.compile(r"(.*?)\s*[(\[]\s*(.*?)\s*[)\]]\s*")


class ReadingError(UserError):
    """Readings can't be taken; the text says which, and why."""


@dataclass(frozen=True, slots=True)
class Data:
    """Columns of readings as a fit takes them.

    Attributes
    ----------
    electrical, value
        float64[n].
    reference
        The supply, or the cold junction, at each reading; None: nominal.
    """

    electrical: Floats
    value: Floats
    reference: Floats | None = None

    def supply(self, nominal: float) -> Floats | float:
        """Return the supply at each reading."""
        return nominal if self.reference is None else self.reference


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading.

    Attributes
    ----------
    electrical
        What the input showed, in the sensor's electrical unit.
    value
        What was true, in the sensor's unit.
    source
        Where it comes from, in words.
    scatter
        Standard error of `electrical`, if it is a mean; None if nothing is known.
    reference
        The supply, or the cold junction, meanwhile; None: nominal.
    note
        What is doubtful about it.
    """

    electrical: float
    value: float
    source: str = "typed"
    scatter: float | None = None
    reference: float | None = None
    note: str = ""


def columns(readings: Sequence[Reading]) -> Data:
    """Return readings as columns; the references only if every reading has one."""
    references = [reading.reference for reading in readings]
    known = [each for each in references if each is not None]
    return Data(
        np.array([reading.electrical for reading in readings], dtype=np.float64),
        np.array([reading.value for reading in readings], dtype=np.float64),
        np.array(known, dtype=np.float64) if len(known) == len(references) and known else None,
    )


def quantity(text: str, unit: str, words: Mapping[str, float] | None = None) -> float:
    """Read a number with or without a unit; return it in `unit`.

    A pressure that doesn't say gauge or absolute is taken for the side of `unit`.

    Parameters
    ----------
    text
        "0.5", "500 mV", "20 psi", with a decimal point or comma; or one of `words`.
    unit
        What it should be in; empty: any unit is refused.
    words
        Degrees Celsius by word.

    Raises
    ------
    ReadingError
        It is no number, or its unit measures something else.
    """
    word = text.strip().casefold()
    if words and word in words:
        return _converted(words[word], "degC", unit, text)
    if words is not None and word == "boiling":
        raise ReadingError("water doesn't boil at 100 °C everywhere", hint="add --altitude 500, or --barometer 955")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise ReadingError(f"{shown(text.strip())} is not a number")
    number = float(match[1].replace(",", "."))
    if not np.isfinite(number):
        raise ReadingError(f"{shown(text.strip())} is too large")
    return _converted(number, match[2], unit, text) if match[2] else number


def _converted(number: float, given: str, wanted: str, text: str) -> float:
    if not wanted or given == wanted:
        return number
    known = units.find(given)
    if known is None:
        raise ReadingError(f"{shown(text.strip())}: {shown(given)} is no unit that is known here")
    target = wanted
    if known.quantity == "pressure" and (sided := units.find(wanted)) is not None and "pressure" in sided.quantity:
        target = next(name for name in units.names_of("pressure") if units.UNITS[name].factor == sided.factor)
    if not units.compatible(given, target):
        raise ReadingError(
            f"{shown(text.strip())}: {known.name} ({known.quantity}) is not what is wanted here, {wanted}"
        )
    return float(units.convert(np.array(number), given, target))


def typed(text: str, electrical: str, unit: str, words: Mapping[str, float] | None = None) -> Reading:
    """Read `INPUT=VALUE` as it is typed: 0.5=0, 500mV=0, 1.32=ice.

    Raises
    ------
    ReadingError
        It is written in another way.
    """
    left, equals, right = text.partition("=")
    if not equals:
        raise ReadingError(
            f"{shown(text)}: a reading is INPUT=VALUE", hint="what the input showed, then what was true: 0.5=0"
        )
    try:
        return Reading(quantity(left, electrical), quantity(right, unit, words))
    except ReadingError as error:
        hint = error.hint or "for example 0.5=0 or 500mV=0"
        raise ReadingError(f"reading {shown(text)}: {error.message}", hint=hint) from None


# -- files --------------------------------------------------------------------------------------------------------

_INPUT = frozenset(
    "input electrical raw reading measured voltage volts resistance frequency ain signal output".split(),  # noqa: SIM905
)
_VALUE = frozenset("value true reference standard actual known applied temperature pressure".split())  # noqa: SIM905
_SCATTER = frozenset(("scatter", "sd", "std", "stdev", "sigma", "noise"))
_SUPPLY = frozenset(("supply", "vref", "vcc", "vs", "junction"))


def from_csv(
    path: Path,
    electrical: str,
    unit: str,
    *,
    pair: tuple[str, str] | None = None,
    words: Mapping[str, float] | None = None,
) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """Read a file of readings: a column of inputs, a column of true values, and perhaps their scatter and supply.

    Parameters
    ----------
    path
        Comma, semicolon or tab between the columns; # begins a comment.
    electrical, unit
        The sensor's units; a head like `Input (mV)` gives a column's own.
    pair
        Names or numbers (from 1) of the two columns; None: recognised by their heads, else the first two.
    words
        Degrees Celsius by word.

    Returns
    -------
    readings, left_out
        The latter: what was left out, one line each: rows without input or value.

    Raises
    ------
    ReadingError
        It can't be read, its columns aren't recognised, or cells aren't numbers; all of them by line.
    """
    rows = _rows(path)
    heads = _heads(rows[0][1])
    body = rows[1:] if heads else rows
    width = max(len(cells) for _, cells in rows)
    places = _places(heads or [""] * width, pair, electrical, unit, path)
    own = {name: _own_unit(heads[at], fallback) if heads else fallback for name, at, fallback in places}
    at = {name: place for name, place, _ in places}
    wanted = {"input": electrical, "value": unit, "scatter": electrical, "supply": ""}
    readings, left_out, faults = [], [], []
    for line, cells in body:
        given = {name: cells[place].strip() if place < len(cells) else "" for name, place in at.items()}
        if not (given["input"] and given["value"]):
            left_out.append(f"{path}:{line}: left out, it has no {'input' if not given['input'] else 'value'}")
            continue
        try:
            read = {
                name: _cell(text, own[name], wanted[name], words if name == "value" else None, name == "scatter")
                for name, text in given.items()
                if text
            }
        except ReadingError as error:
            faults.append(f"{path}:{line}: {error.message}")
            continue
        readings.append(
            Reading(read["input"], read["value"], f"{path.name}:{line}", read.get("scatter"), read.get("supply"))
        )
    if faults:
        more = [f"… and {len(faults) - _SHOWN_FAULTS} more"] if len(faults) > _SHOWN_FAULTS else []
        raise ReadingError([*faults[:_SHOWN_FAULTS], *more], hint="correct these cells, or delete their lines")
    return tuple(readings), tuple(left_out)


def _cell(text: str, own: str, wanted: str, words: Mapping[str, float] | None, difference: bool) -> float:
    value = quantity(text, own, words)
    if not wanted or own == wanted:
        return value
    convert = units.convert_difference if difference else units.convert
    return float(convert(np.array(value), own, wanted))


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Return the rows with their line numbers, comments and blank lines left out."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ReadingError(f"{path}: can't be read: {reason}", hint="check the path") from None
    if len(data) > MOST_BYTES:
        raise ReadingError(f"{path}: has more than {MOST_BYTES >> 20} MiB", hint="calibrations have some tens of rows")
    if b"\0" in data:
        raise ReadingError(f"{path}: is not a text file", hint="save the sheet as CSV")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")  # what spreadsheets on Windows write
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1)]
    kept = [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not kept:
        raise ReadingError(f"{path}: holds no readings", hint="a row is INPUT,VALUE")
    first = kept[0][1]
    sign = next((sign for sign in ";\t," if sign in first), "," if "," in first else None)
    if sign is None:
        return [(number, line.split()) for number, line in kept]
    try:
        return [(number, next(csv.reader([line], delimiter=sign))) for number, line in kept]
    except csv.Error as error:
        raise ReadingError(f"{path}: {error}", hint="save the sheet as CSV") from None


def _heads(cells: Sequence[str]) -> list[str]:
    """Return the first row if it names columns, else nothing."""
    numbers = [bool(_QUANTITY.fullmatch(cell)) for cell in cells if cell.strip()]
    return [] if any(numbers) or not numbers else [cell.strip() for cell in cells]


def _unit_in(head: str) -> units.Unit | None:
    """Find a unit in a head: `Pressure (bar)`, `pressure_bar`, `mV`."""
    bracketed = _BRACKETS.fullmatch(head)
    if bracketed:
        return units.find(bracketed[2])
    tail = re.split(r"[\s_,/]+", head.strip())[-1]
    return units.find(head) or units.find(tail)


def _own_unit(head: str, fallback: str) -> str:
    found = _unit_in(head)
    return found.name if found is not None and fallback and units.compatible(found.name, fallback) else fallback


def _places(
    heads: Sequence[str], pair: tuple[str, str] | None, electrical: str, unit: str, path: Path
) -> list[tuple[str, int, str]]:
    """Return what columns hold: "input", "value", "scatter" or "supply"; which; and the unit if they name none."""
    if pair is not None:
        where = [_column(name, heads, path) for name in pair]
    else:
        where = _recognised(heads, electrical, unit, path)
    named = [("input", where[0], electrical), ("value", where[1], unit)]
    for name, known, fallback in (("scatter", _SCATTER, electrical), ("supply", _SUPPLY, "")):
        further = [index for index, head in enumerate(heads) if index not in where and _words(head) & known]
        named += [(name, further[0], fallback)] if further else []
    return named


def _column(name: str, heads: Sequence[str], path: Path) -> int:
    folded = [head.casefold() for head in heads]
    if name.casefold() in folded:
        return folded.index(name.casefold())
    if name.isdigit() and 1 <= int(name) <= len(heads):
        return int(name) - 1
    raise ReadingError(f"{path}: there is no column {shown(name)}", hint=f"its columns: {_listed(heads)}")


def _recognised(heads: Sequence[str], electrical: str, unit: str, path: Path) -> list[int]:
    if not any(heads):
        if len(heads) < 2:
            raise ReadingError(f"{path}: has one column", hint="a row is INPUT,VALUE")
        return [0, 1]
    taken = {index for index, head in enumerate(heads) if _words(head) & (_SCATTER | _SUPPLY)}
    free = [index for index in range(len(heads)) if index not in taken]
    alike = units.compatible(electrical, unit) if unit else False
    inputs = [index for index in free if _is(heads[index], electrical, _INPUT, by_unit=not alike)]
    values = [index for index in free if _is(heads[index], unit, _VALUE, by_unit=not alike)]
    if len(inputs) == 1 and len(values) != 1:
        values = [index for index in (values or free) if index not in inputs]
    if len(values) == 1 and len(inputs) != 1:
        inputs = [index for index in (inputs or free) if index not in values]
    if len(inputs) == 1 and len(values) == 1 and inputs != values:
        return [inputs[0], values[0]]
    raise ReadingError(
        f"{path}: which column is the input, and which the true value? {_listed(heads)}",
        hint="name them: --columns INPUT,VALUE",
    )


def _is(head: str, unit: str, known: frozenset[str], *, by_unit: bool) -> bool:
    found = _unit_in(head)
    if by_unit and found is not None and unit:
        return units.compatible(found.name, unit)
    return bool(_words(head) & known)


def _words(head: str) -> set[str]:
    return set(re.split(r"[^a-z]+", head.casefold()))


def _listed(heads: Sequence[str]) -> str:
    return ", ".join(shown(head, 30) for head in heads[:12])


# -- the order of readings ----------------------------------------------------------------------------------------


def directions(values: Sequence[float]) -> tuple[int, ...]:
    """Return for each true value whether it came from below (1), from above (-1), or neither (0).

    The first goes the way of the second: a series usually starts at its end.
    """
    way = [0, *(int(np.sign(after - before)) for before, after in itertools.pairwise(values))]
    for index in range(1, len(way)):
        way[index] = way[index] or way[index - 1]
    if len(way) > 1:
        way[0] = way[1]
    return tuple(way)
