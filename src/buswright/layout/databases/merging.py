"""Databases of one bus put together statement by statement, so that all that a DBC says survives."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from buswright.findings import Severity
from buswright.layout.differences.messages import message_differences
from buswright.messages.dbc.text import UNASSIGNED, Statement, statements
from buswright.messages.dbc.writing import frame_id, quoted
from buswright.messages.model import Database, Message

_ORDER = (
    *("VERSION", "NS_", "BS_", "BU_", "VAL_TABLE_", "BO_", "SG_", "BO_TX_BU_", "EV_", "ENVVAR_DATA_", "EV_DATA_"),
    *("SGTYPE_", "CM_", "BA_DEF_", "BA_DEF_REL_", "BA_DEF_SGTYPE_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_", "BA_REL_"),
    *("BA_SGTYPE_", "VAL_", "SIG_GROUP_", "SIG_TYPE_REF_", "SIG_VALTYPE_", "SGTYPE_VAL_", "SIGTYPE_VALTYPE_"),
    "SG_MUL_VAL_",
)
"""The order in which a DBC's statements stand."""
_ONE_OF_A_KIND = frozenset(("VERSION", "NS_", "BS_"))
_KEYS = (
    re.compile(r"\s*(VAL_TABLE_|EV_|ENVVAR_DATA_|EV_DATA_)\s+(\w+)"),
    re.compile(r'\s*(BA_DEF_)\s+(?:BU_|BO_|SG_|EV_)?\s*"([^"]*)"'),
    re.compile(r'\s*(BA_DEF_REL_|BA_DEF_DEF_REL_|BA_DEF_DEF_)\s+(?:\w+\s+)?"([^"]*)"'),
    re.compile(r'\s*(BA_|BA_REL_)\s+("[^"]*"\s+(?:BU_\s+\w+|EV_\s+\w+|BO_\s+\d+|SG_\s+\d+\s+\w+)?)'),
    re.compile(r"\s*(CM_)\s+((?:BU_\s+\w+|EV_\s+\w+|BO_\s+\d+|SG_\s+\d+\s+\w+)?)"),
    re.compile(r"\s*(VAL_|SIG_VALTYPE_|SIG_GROUP_)\s+(\w+\s+\w+)"),
    re.compile(r"\s*(SG_MUL_VAL_)\s+(\d+\s+\w+\s+\w+)"),
    re.compile(r"\s*(BO_TX_BU_)\s+(\d+)"),
)
_ENUM = re.compile(r'(\s*BA_DEF_\s+(?:BU_|BO_|SG_|EV_)?\s*"([^"]*)"\s+ENUM\s+)(.*?);\s*', re.DOTALL)
_ENUM_VALUE = re.compile(r'(\s*BA_\s+"([^"]*)"\s+.*?)(\d+)\s*;\s*', re.DOTALL)
_WORD = re.compile(r'"([^"]*)"')


@dataclass(frozen=True, slots=True)
class Given:
    """A database to put together with others: its file as the user named it, what it says, the same as a DBC."""

    path: str
    database: Database
    text: str


@dataclass(frozen=True, slots=True)
class Conflict:
    """What two files, in the order given, say differently of a message, or of a statement that concerns none.

    `part` is what of it; SUSPECT: values or judgements differ, NOTE: what only people read.
    """

    severity: Severity
    subject: str
    part: str
    paths: tuple[str, str]
    sides: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Merged:
    """Databases put together as a DBC, with the side of the later file where they say something differently."""

    text: str
    conflicts: tuple[Conflict, ...]


def merge_databases(given: Sequence[Given]) -> Merged:
    """Put databases together; where two disagree the later one counts, and both sides are listed.

    Comments, attributes, value tables and multiplexers stay. A message that several files describe is taken as a
    whole from the last of them, with comments and attributes that only an earlier one has.
    """
    if len(given) == 1:
        return Merged(given[0].text, ())
    conflicts = list(_of_messages(given))
    together: dict[tuple[str, str], tuple[str, Statement]] = {}
    frames: dict[str, list[Statement]] = {}
    nodes: dict[str, None] = {}
    for each in given:
        parts, before = statements(each.text), dict(together)
        numbers = _enums(together, parts)
        parts = [_renumbered(part, numbers) for part in parts]
        for part in parts:
            if part.keyword == "BU_":
                nodes |= dict.fromkeys(part.text.partition(":")[2].split())
            elif part.keyword == "BO_":
                frames[part.message] = [part]
            elif part.keyword == "SG_":
                frames.setdefault(part.message, []).append(part)
            else:
                key = _key(part)
                conflicts += _of_statement(key, before.get(key), each.path, part)
                if not (part.keyword in _ONE_OF_A_KIND and key in together and part.text.strip() in ("", 'VERSION ""')):
                    together[key] = each.path, part
    together |= _widened(together, given)
    kept = [part for _, part in together.values() if _is_of(part, frames)]
    kept.append(Statement("BU_", f"BU_: {' '.join(nodes)}\n", 0))
    heads = [part for part in kept if _rank(part) < _ORDER.index("BO_")]
    tails = [part for part in kept if _rank(part) > _ORDER.index("SG_")]
    body = [part for frame in frames.values() for part in frame if UNASSIGNED not in frame[0].text]
    ordered = [*sorted(heads, key=_rank), *body, *sorted(tails, key=_rank)]
    return Merged("".join(part.text for part in ordered), tuple(conflicts))


def _rank(part: Statement) -> int:
    return _ORDER.index(part.keyword) if part.keyword in _ORDER else len(_ORDER)


def _key(part: Statement) -> tuple[str, str]:
    if part.keyword in _ONE_OF_A_KIND:
        return part.keyword, ""
    for pattern in _KEYS:
        if found := pattern.match(part.text):
            return found[1], " ".join(found[2].split())
    return part.keyword, " ".join(part.text.split())


def _is_of(part: Statement, frames: dict[str, list[Statement]]) -> bool:
    """Whether what a statement speaks of is still there: a message's later description may lack a signal."""
    if not part.message:
        return True
    if part.message not in frames:
        return False
    return not part.signal or part.signal in {each.signal for each in frames[part.message]}


def _of_messages(given: Sequence[Given]) -> Iterator[Conflict]:
    """Yield what the files say differently of a message."""
    known: dict[int, tuple[str, Message]] = {}
    names: dict[str, tuple[str, Message]] = {}
    for each in given:
        own: dict[int, Message] = {frame_id(message): message for message in each.database.messages}
        for key, message in own.items():
            path, before = known.get(key, ("", None))
            if before is not None:
                yield from _sides(path, before, each.path, message)
            else:
                path, namesake = names.get(message.name, ("", None))
                if namesake is not None and frame_id(namesake) not in own:
                    sides = namesake.identifier, message.identifier
                    yield Conflict(Severity.SUSPECT, message.name, "identifier", (path, each.path), sides)
        for key, message in own.items():
            known[key] = names[message.name] = each.path, message


def _sides(path: str, before: Message, other: str, after: Message) -> Iterator[Conflict]:
    subject = f"{before.name} ({before.identifier})"
    if before.name != after.name:
        yield Conflict(Severity.SUSPECT, subject, "name", (path, other), (before.name, after.name))
    for each in message_differences(subject, before, after):
        one_side = not (each.before and each.after) or "not given" in (each.before, each.after)
        if each.severity == Severity.NOTE and one_side and "comment" in each.part:
            continue  # the one there is stays
        sides = each.before or "not there", each.after or "not there"
        yield Conflict(Severity.SUSPECT if not each.part.endswith("comment") else Severity.NOTE, subject, each.part,
                       (path, other), sides)  # fmt: skip


_COMPARED = {"VERSION", "CM_", "BA_", "VAL_TABLE_", "BA_DEF_DEF_", "EV_"}


def _of_statement(
    key: tuple[str, str], before: tuple[str, Statement] | None, path: str, part: Statement
) -> Iterator[Conflict]:
    """Yield what the files say differently of the bus, a module or an attribute."""
    if before is None or part.keyword not in _COMPARED or (part.message and part.keyword != "BA_"):
        return
    sides = tuple(" ".join(each.text.split())[:120] for each in (before[1], part))
    if sides[0] != sides[1] and part.text.strip() != 'VERSION ""' and before[1].text.strip() != 'VERSION ""':
        yield Conflict(Severity.NOTE, f"{key[0]} {key[1]}".strip(), "", (before[0], path), (sides[0], sides[1]))


def _enums(together: dict[tuple[str, str], tuple[str, Statement]], parts: Iterable[Statement]) -> dict[str, list[int]]:
    """Return the new numbers of the later file's words, for each enumeration that two files define differently."""
    found: dict[str, list[int]] = {}
    for part in parts:
        match = _ENUM.fullmatch(part.text)
        earlier = together.get(_key(part)) if match else None
        before = _ENUM.fullmatch(earlier[1].text) if earlier else None
        if match and before:
            words = _WORD.findall(before[3])
            own = _WORD.findall(match[3])
            words += [word for word in own if word not in words]
            if own != words[: len(own)] or len(own) != len(words):
                found[match[2]] = [words.index(word) for word in own]
    return found


def _renumbered(part: Statement, numbers: dict[str, list[int]]) -> Statement:
    """Return a statement with the number of an enumeration's word as it is after the enumerations were joined."""
    match = _ENUM_VALUE.fullmatch(part.text) if part.keyword == "BA_" and numbers else None
    if match and match[2] in numbers and int(match[3]) < len(numbers[match[2]]):
        return replace(part, text=f"{match[1]}{numbers[match[2]][int(match[3])]};\n")
    return part


def _widened(
    together: dict[tuple[str, str], tuple[str, Statement]], given: Sequence[Given]
) -> dict[tuple[str, str], tuple[str, Statement]]:
    """Return the definitions of enumerations with the words of all files, in the order in which they come."""
    words: dict[tuple[str, str], dict[str, None]] = {}
    for each in given:
        for part in statements(each.text):
            if match := _ENUM.fullmatch(part.text):
                words.setdefault(_key(part), {}).update(dict.fromkeys(_WORD.findall(match[3])))
    result = {}
    for key, (path, part) in together.items():
        match = _ENUM.fullmatch(part.text)
        if match and key in words:
            result[key] = path, replace(part, text=f"{match[1]}{','.join(map(quoted, words[key]))};\n")
    return result
