"""DBC text cut into statements, each with its line: to name places in notes, and to take out what is broken."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

UNASSIGNED = "VECTOR__INDEPENDENT_SIG_MSG"
"""Name that editors give the place where they park signals of no message."""

MAX_MUX_VALUES = 65_536
"""Multiplexer values in one statement that are still written out one by one; more would fill the memory."""

MAX_BYTES = 4_095
"""Longest message that is taken, in bytes: what a transport protocol carries at most (ISO 15765-2)."""
MAX_SIGNALS = 2_000
"""Signals of one message that are taken: a frame of CAN FD has 512 bits, and multiplexers multiply them."""

MAX_LINE = 10_000
"""Characters of a message's or signal's own line that are taken."""
MAX_STATEMENT = 200_000
"""Characters of any statement that are taken: tables of values and comments may be long."""

_KEYWORDS = """
    BA_ BA_DEF_ BA_DEF_DEF_ BA_DEF_DEF_REL_ BA_DEF_REL_ BA_DEF_SGTYPE_ BA_REL_ BA_SGTYPE_ BO_ BO_TX_BU_ BS_ BU_
    BU_BO_REL_ BU_EV_REL_ BU_SG_REL_ CAT_ CAT_DEF_ CM_ ENVVAR_DATA_ EV_ EV_DATA_ FILTER NS_ NS_DESC_ SG_ SG_MUL_VAL_
    SGTYPE_ SGTYPE_VAL_ SIG_GROUP_ SIG_TYPE_REF_ SIG_VALTYPE_ SIGTYPE_VALTYPE_ VAL_ VAL_TABLE_ VERSION
"""
_START = re.compile(rf"\s*({'|'.join(sorted(_KEYWORDS.split(), key=len, reverse=True))})(?![A-Za-z0-9_])")
_TEXT_MAY_SPAN_LINES = frozenset(("CM_", "BA_", "BA_DEF_", "BA_DEF_DEF_", "VAL_", "VAL_TABLE_", "EV_", "BA_REL_"))
_MESSAGE_ID = {
    "BO_": re.compile(r"\s*BO_\s+(\d+)"),
    "CM_": re.compile(r"\s*CM_\s+(?:BO_|SG_)\s+(\d+)"),
    "BA_": re.compile(r'\s*BA_\s+"[^"]*"\s+(?:BO_|SG_)\s+(\d+)'),
    "BA_REL_": re.compile(r'\s*BA_REL_\s+"[^"]*"\s+BU_(?:SG|BO)_REL_\s+\w+\s+(?:SG_\s+)?(\d+)'),
} | {
    keyword: re.compile(rf"\s*{keyword}\s+(\d+)")
    for keyword in ("VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_", "BO_TX_BU_", "SIG_GROUP_")
}
_SIGNAL_NAME = re.compile(
    r'\s*(?:SG_\s+(\w+)|(?:CM_|BA_\s+"[^"]*")\s+SG_\s+\d+\s+(\w+)|(?:VAL_|SIG_VALTYPE_|SG_MUL_VAL_)\s+\d+\s+(\w+))'
)
_MUX_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")
_BYTES = re.compile(r"\s*BO_\s+\d+\s+\w+\s*:\s*(\d+)")
_BITS = re.compile(r"\s*SG_\s+\w+\s*\w*\s*:\s*(\d+)\s*\|\s*(\d+)")
_DECIDES_MEANING = frozenset(("SIG_VALTYPE_", "SG_MUL_VAL_"))
"""Without one of these the signal would still decode, to something else."""


END = '\nCM_ "";\n'
"""Goes behind a text that is tried: a statement that breaks off at the very end would load, and break what follows."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement of a DBC.

    Attributes
    ----------
    keyword
        Its first word.
    text
        As it stands, newline included.
    line
        1-based line where it starts.
    message
        The identifier with its flag bit, as the file writes it, of the message it belongs to; empty for the rest.
    """

    keyword: str
    text: str
    line: int
    message: str = ""

    @property
    def signal(self) -> str:
        """Name of the signal it defines or speaks of; empty if none."""
        found = _SIGNAL_NAME.match(self.text)
        return next((name for name in found.groups() if name), "") if found else ""


def statements(text: str) -> list[Statement]:
    """Cut a DBC into statements, whatever its state.

    A statement starts at a line that begins with a keyword, outside quoted text. Only comments, attributes and
    value tables may hold text of several lines, so an unclosed quote elsewhere costs one line.
    """
    found: list[tuple[str, int, list[str]]] = []
    lines = text.splitlines(keepends=True)
    number, quoted, opened_at = 0, False, 0
    while number < len(lines):
        line = lines[number]
        start = None if quoted else _START.match(line)
        if start and not (start.end() == len(line.rstrip()) and found and found[-1][0] == "NS_" and line[0].isspace()):
            found.append((start[1], number + 1, []))
        if found:
            found[-1][2].append(line)
            if line.replace('\\"', "").count('"') % 2:
                quoted, opened_at = not quoted, number if not quoted else opened_at
            if quoted and found[-1][0] not in _TEXT_MAY_SPAN_LINES:
                quoted = False
        number += 1
        if quoted and number == len(lines) and opened_at < number - 1:
            # Never closed: take the quote's own line alone and go on behind it.
            del found[-1][2][opened_at - (found[-1][1] - 1) + 1 :]
            number, quoted = opened_at + 1, False
    return _with_messages(found)


def _with_messages(found: list[tuple[str, int, list[str]]]) -> list[Statement]:
    """Say of each statement which message it belongs to."""
    result, message = [], ""
    for keyword, line, parts in found:
        text = "".join(parts)
        if keyword == "SG_":
            belongs = message
        else:
            matched = _MESSAGE_ID[keyword].match(text) if keyword in _MESSAGE_ID else None
            belongs = matched[1] if matched else ""
            if keyword == "BO_":
                message = belongs or f"line {line}"
                belongs = message
        result.append(Statement(keyword, text if text.endswith("\n") else text + "\n", line, belongs))
    return result


_OF_NODE = re.compile(r'\s*(?:CM_|BA_\s+"[^"]*")\s+BU_\s+(\w+)')
_OF_OTHERS = frozenset(("EV_", "ENVVAR_DATA_", "EV_DATA_", "BA_REL_"))


def only(text: str, messages: Collection[int], nodes: Collection[str]) -> str:
    """Return a DBC with some of its messages and nodes, and what it says of these; each statement as it stands.

    Parameters
    ----------
    text
        The whole DBC.
    messages
        Identifiers, those of 29 bits with the flag bit 31 as the file writes them.
    nodes
        Names.
    """
    kept = []
    for statement in statements(text):
        if statement.keyword == "BU_":
            kept.append(f"BU_: {' '.join(nodes)}\n")
            continue
        node = _OF_NODE.match(statement.text)
        of_another = node[1] not in nodes if node else statement.message and int(statement.message) not in messages
        if not of_another and statement.keyword not in _OF_OTHERS:
            kept.append(statement.text)
    return "".join(kept)


def objection(statement: Statement) -> str:
    """Why a statement must not even be tried; empty if it may."""
    most = MAX_LINE if statement.keyword in ("BO_", "SG_") else MAX_STATEMENT
    if len(statement.text) > most:
        return f"has {len(statement.text):,} characters; more than {most:,} are not taken"
    if statement.keyword == "SG_MUL_VAL_":
        values = sum(max(0, int(high) - int(low) + 1) for low, high in _MUX_RANGE.findall(statement.text))
        if values > MAX_MUX_VALUES:
            return f"lists {values} multiplexer values; more than {MAX_MUX_VALUES} are not taken"
    if (found := _BYTES.match(statement.text)) and _above(found[1], MAX_BYTES):
        return f"a message of {found[1][:20]} bytes; more than {MAX_BYTES} are not taken"
    if (found := _BITS.match(statement.text)) and any(_above(number, 8 * MAX_BYTES) for number in found.groups()):
        return f"lies beyond the {MAX_BYTES} bytes of the longest message that is taken"
    return ""


def _above(digits: str, most: int) -> bool:
    return len(digits.lstrip("0")) > 9 or int(digits) > most


@dataclass(frozen=True, slots=True)
class Refused:
    """A statement that had to be left out, and why."""

    statement: Statement
    reason: str


def without_excess(parts: Sequence[Statement]) -> tuple[list[Statement], list[Refused]]:
    """Leave out the signals of each message beyond `MAX_SIGNALS`; the first of them stands for all."""
    counts: Counter[str] = Counter()
    kept: list[Statement] = []
    first: dict[str, Statement] = {}
    for statement in parts:
        counts[statement.message] += statement.keyword == "SG_"
        if statement.keyword == "SG_" and counts[statement.message] > MAX_SIGNALS:
            first.setdefault(statement.message, statement)
        else:
            kept.append(statement)
    reason = "this and every further one: {:,} signals of one message, of which {:,} are taken"
    return kept, [Refused(one, reason.format(counts[message], MAX_SIGNALS)) for message, one in first.items()]


Attempt = Callable[[str], str]
"""Tries to load a text: empty if that works, else the reason."""


def without_broken(parts: Sequence[Statement], attempt: Attempt) -> tuple[str, list[Refused]]:
    """Find the statements that keep a DBC from loading.

    Statements that concern no message are sieved first, then whole messages by halves, then the statements of each
    message that doesn't load, one bad line at a time.

    Returns
    -------
    The text that loads, and what was left out.
    """
    refused: list[Refused] = []
    common = [s for s in parts if not s.message and s.keyword not in ("NS_", "BS_", "VERSION")]
    head = ['VERSION ""\n']
    kept_common = _sieve(head, [[s] for s in common], attempt, refused)
    head += [s.text for unit in kept_common for s in unit]
    bundles: dict[str, list[Statement]] = {}
    for statement in parts:
        if statement.message:
            bundles.setdefault(statement.message, []).append(statement)
    whole = []
    for bundle in bundles.values():
        # A message's own lines first, wherever the rest of it stands in the file.
        bundle.sort(key=lambda s: s.keyword not in ("BO_", "SG_"))
        if bundle[0].keyword == "BO_":
            whole.append(bundle)
        else:
            refused += [Refused(s, "speaks of a message that the file doesn't define") for s in bundle]
    kept = _sieve(head, whole, attempt, refused)
    return "".join(head + [s.text for bundle in kept for s in bundle]), refused


def _sieve(
    head: list[str], units: list[list[Statement]], attempt: Attempt, refused: list[Refused]
) -> list[list[Statement]]:
    """Keep what loads behind `head`; units don't depend on each other."""
    if not units or not _trouble(head, [s for unit in units for s in unit], attempt):
        return units
    if len(units) > 1:
        half = len(units) // 2
        return _sieve(head, units[:half], attempt, refused) + _sieve(head, units[half:], attempt, refused)
    kept = _grow(head, [], units[0], attempt, refused)
    return [kept] if kept else []


def _grow(
    head: list[str], kept: list[Statement], untried: list[Statement], attempt: Attempt, refused: list[Refused]
) -> list[Statement]:
    """Add the statements of one message in order, leaving out those that don't load on top of the ones before."""
    if not untried:
        return kept
    reason = _trouble(head, kept + untried, attempt)
    if not reason:
        return kept + untried
    if len(untried) == 1:
        refused.append(Refused(untried[0], reason))
        if untried[0].keyword in _DECIDES_MEANING and untried[0].signal:
            spoken_of = untried[0].signal
            why = f"is left out with line {untried[0].line}, without which it would mean something else"
            refused += [Refused(s, why) for s in kept if s.signal == spoken_of and s.keyword == "SG_"]
            return [s for s in kept if s.signal != spoken_of]
        return kept
    if not kept and untried[0].keyword == "BO_":
        # Without its first line there is no message to add to.
        kept = _grow(head, [], untried[:1], attempt, refused)
        if not kept:
            return []
        untried = untried[1:]
    half = max(1, len(untried) // 2)
    return _grow(head, _grow(head, kept, untried[:half], attempt, refused), untried[half:], attempt, refused)


def _trouble(head: list[str], parts: list[Statement], attempt: Attempt) -> str:
    """Why these statements don't load together; empty if they do."""
    return next(filter(None, map(objection, parts)), "") or attempt("".join([*head, *(s.text for s in parts), END]))
