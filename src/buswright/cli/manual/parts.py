"""What the manual takes from the program itself: tables of keys, kinds, functions, units, commands."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buswright.channels.keys.tables import Key, KeyLine

_USAGE_COLUMNS = 76
_CODE = re.compile(r"(`[^`]*`)")


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Write a Markdown table; bars inside cells are escaped."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", r"\|") for cell in line) + " |" for line in lines)


def code(text: str) -> str:
    """Write text as inline code."""
    return f"`{text}`" if text else ""


def escaped(text: str) -> str:
    """Write plain text as Markdown: stars and the like mean themselves, but `code` in backticks stays code."""
    parts = _CODE.split(text)
    return "".join(part if n % 2 else re.sub(r"([*_<\[\]\\])", r"\\\1", part) for n, part in enumerate(parts))


def keys(name: str) -> str:
    """Return the keys of one table of the car file ("document": its top level); a sensor's that all kinds have."""
    from buswright.channels.carfile.keys import key_lines

    return _keys_of(key_lines(), name)


def plan_keys(name: str) -> str:
    """Return the keys of one table of a bench plan ("document": its top level)."""
    from buswright.bench.plan.keys import key_lines

    return _keys_of(key_lines(), name)


def _keys_of(lines: Sequence[KeyLine], name: str) -> str:
    rows = []
    for line in lines:
        table_name, below = _below(line.path)
        if table_name == name and not line.of:
            rows.append([code(below), _key_words(line.key)])
    return table(["key", "meaning"], rows)


def table_columns() -> str:
    """Return the columns of a data-sheet table, with the words that they may have."""
    from buswright.messages.sheet.words import ALL

    rows = [[code(column.name), column.text, ", ".join(column.words[1:])] for column in ALL]
    return table(["column", "what stands in it", "other words"], rows)


def table_readings() -> str:
    """Return the ways in which a table may be meant."""
    from buswright.messages.sheet.reading import READINGS

    return table(["--reading", "what the table means"], [[code(name), text] for name, text in READINGS.items()])


def step_kinds() -> str:
    """Return what is done in each kind of step of a bench plan."""
    from buswright.bench.plan.model import KINDS

    return table(["kind", "what you do"], [[code(name), words] for name, words in KINDS.items()])


def bench_limits() -> str:
    """Return the limits of the bench test, with where they come from."""
    from buswright.bench.limits import LIMITS

    rows = [
        [code(name), f"{limit.default:g} {limit.unit}".rstrip(), f"{limit.meaning} ({limit.source})"]
        for name, limit in LIMITS.items()
    ]
    return table(["limit", "default", "meaning"], rows)


def bench_faults() -> str:
    """Return the faults of the simulated module."""
    from buswright.simulate.bench.wrenfell import FAULTS

    return table(["fault", "what is wrong"], [[code(name), words] for name, words in FAULTS.items()])


def _below(path: str) -> tuple[str, str]:
    """Split a key's dotted path into its table and the key within: `bus.NAME.bitrate` is ("bus", "bitrate")."""
    head, dot, rest = path.partition(".")
    head = head.removesuffix("[]")
    if not dot:
        return "document", path
    return head, re.sub(r'^(NAME|CHANNEL|"bus/ID")\.', "", rest)


def _key_words(key: Key) -> str:
    """Say what a key means, what may stand there, and what holds where it is left out."""
    from buswright.channels.keys.kinds import Choice

    words = key.kind.words + (f" in {key.unit}" if key.unit else "")
    if isinstance(key.kind, Choice):
        words += f": {', '.join(code(str(choice)) for choice in key.kind.choices)}"
    default = key.otherwise or ("" if key.default is None else _plain(key.default))
    facts = [
        "" if words in key.meaning else words,
        "required" if key.required else f"default: {default}" if default else "",
        f"for example {code(key.example)}" if key.example else "",
        key.unread,
    ]
    said = "; ".join(filter(None, facts))
    return f"{key.meaning} *{said[0].upper()}{said[1:]}.*" if said else key.meaning


def _plain(default: object) -> str:
    if isinstance(default, bool):
        return "true" if default else "false"
    return f"{default:g}" if isinstance(default, float) else str(default)


def calibration(name: str) -> str:
    """Return a kind of calibration: what it is, its formula with the source, its keys."""
    from buswright.channels.calibration.registry import KINDS
    from buswright.channels.keys.tables import lines

    kind = KINDS[name]
    takes = " or ".join(kind.electrical) if kind.electrical else "any unit; default V"
    gives = f"{kind.own_unit}, or the unit in `unit`" if kind.own_unit else "the unit in `unit`, which is required"
    rows = [[code(line.path), _key_words(line.key)] for line in lines(kind.keys)]
    return "\n\n".join(
        [kind.meaning, f"Formula: {kind.formula}", f"Takes {takes}; gives {gives}.", table(["key", "meaning"], rows)]
    )


def kinds() -> str:
    """Return the kinds of calibration, each with one sentence."""
    from buswright.channels.calibration.registry import KINDS

    return table(["kind", "what it is"], [[code(kind.name), kind.meaning] for kind in KINDS.values()])


def thresholds() -> str:
    """Return the names that `thresholds` tables may override."""
    from buswright.channels.keys.tables import NOT_USED_YET
    from buswright.findings import THRESHOLDS

    rows = [
        [
            code(name),
            f"{one.default:g}{' ' + one.unit if one.unit else ''}",
            one.meaning + (f" *({NOT_USED_YET})*" if one.not_used_yet else ""),
        ]
        for name, one in THRESHOLDS.items()
    ]
    return table(["name", "default", "meaning"], rows)


def findings() -> str:
    """Return every finding about captures, buses and modules, and what it means."""
    from buswright.diagnosis.detected import DETECTED

    return table(["finding", "means"], [[code(name), found.meaning] for name, found in DETECTED.items()])


def injectors() -> str:
    """Return every fault that the simulated car can have, a table for each layer."""
    from buswright.findings import Layer
    from buswright.simulate.faults import INJECTORS  # filled by importing its modules
    from buswright.simulate.faults.catalogue import KINDS

    assert INJECTORS
    blocks = []
    for layer in (*Layer, None):
        kinds = [kind for kind in KINDS.values() if kind.layer is layer]
        blocks.append(f"### {layer.name.capitalize() if layer is not None else 'No fault, but often taken for one'}\n")
        rows = []
        for kind in kinds:
            severity = "" if kind.severity == "(none)" else f"Severity: {kind.severity} ({kind.default:g})."
            variants = f"Variants: {', '.join(map(code, kind.variants))}." if kind.variants else ""
            told = " ".join(filter(None, (escaped(kind.summary), escaped(severity), variants)))
            rows.append([code(kind.name), code(kind.subject), told])
        blocks.append(
            table(["fault", "acts on, for example", "what happens; severity (its default); variants"], rows) + "\n"
        )
    return "\n".join(blocks).rstrip()


def checksums() -> str:
    """Return the kinds of checksum."""
    from buswright.messages.checksum import KINDS

    return table(["kind", "bits", "computed as"], [[code(k.name), str(k.width), k.description] for k in KINDS.values()])


def positions() -> str:
    """Return the positions on one line."""
    from buswright.channels.carfile.model import POSITIONS

    return ", ".join(map(code, POSITIONS))


def shared_roles() -> str:
    """Return the roles that several channels may have."""
    from buswright.channels.carfile.model import SHARED_ROLES

    return ", ".join(map(code, sorted(SHARED_ROLES)))


def functions() -> str:
    """Return every function of formulas."""
    from buswright.channels.formula.tree import FUNCTIONS

    return table(["function", "gives"], [[code(one.usage), one.meaning] for one in FUNCTIONS.values()])


def formula_limits() -> str:
    """Return the bounds of a formula."""
    from buswright.channels.formula import parse as formula
    from buswright.channels.formula.tree import FUNCTIONS

    rows = [
        ["characters", f"{formula.TEXT_LIMIT:,}"],
        ["words, numbers and signs", f"{formula.TOKEN_LIMIT:,}"],
        ["parentheses inside each other", str(formula.BRACKET_LIMIT)],
        ["constant exponent", f"{formula.EXPONENT_LIMIT:g}"],
        *([code(one.usage), f"{one.bounds[0]:g} to {one.bounds[1]:g}"] for one in FUNCTIONS.values() if one.bounds),
    ]
    return table(["limit of a formula", "at most"], rows)


def quality() -> str:
    """Return every quality bit: number, name, whether the value may be used, reason."""
    from buswright.channels.samples.series import BAD, Quality, describe_quality

    rows = [
        [str(int(bit)), code(str(bit.name)), "no" if bit & BAD else "yes", describe_quality(bit)] for bit in Quality
    ]
    return table(["bit", "name", "usable", "meaning"], rows)


def units() -> str:
    """Return every unit by quantity, other spellings in brackets."""
    from buswright.channels.units import UNITS

    by_quantity: dict[str, list[str]] = {}
    for unit in UNITS.values():
        also = f" ({escaped(', '.join(unit.aliases))})" if unit.aliases else ""
        by_quantity.setdefault(unit.quantity, []).append(f"{code(unit.name)}{also}")
    rows = [[quantity, ", ".join(names)] for quantity, names in by_quantity.items()]
    return table(["quantity", "units, and other spellings in brackets"], rows)


def sensors() -> str:
    """Return the list of starter sensors as a Markdown code block."""
    from buswright.channels.calibration.registry import starter_sensors

    return f"```toml\n{starter_sensors()}```"


_SHARED_BY = 3
"""An option that so many commands have in the same words is explained once."""


def commands() -> str:
    """Return every command with its usage, description and options, from the parsers themselves."""
    from collections import Counter

    from buswright.cli.main import build_parser

    parser = build_parser()
    (action,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    counted: Counter[tuple[str, str]] = Counter()
    for command in action.choices.values():
        counted.update({_row(one, command) for one in _actions(command)})
    shared = [row for row, count in counted.items() if count >= _SHARED_BY]
    head = "## Shared options\n\nThese mean the same in every command that has them.\n\n"
    blocks = [head + table(["option", "meaning"], sorted(shared))]
    blocks += [_command(name, command, shared) for name, command in action.choices.items()]
    return "\n\n".join(blocks)


def _actions(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    return [action for action in parser._actions if action.dest != "help"]


def _row(action: argparse.Action, parser: argparse.ArgumentParser) -> tuple[str, str]:
    return _option(action), escaped(_help(action, parser))


def _command(name: str, parser: argparse.ArgumentParser, shared: Sequence[tuple[str, str]]) -> str:
    formatter = argparse.HelpFormatter(parser.prog, width=_USAGE_COLUMNS)
    formatter.add_usage(None, _actions(parser), [], prefix="")
    rows = [_row(action, parser) for action in _actions(parser)]
    usage = formatter.format_help().rstrip()
    text = escaped((parser.description or "").strip())
    own = [row for row in rows if row not in shared]
    common = ", ".join(option for option, _ in rows if (option, _) in shared)
    own += [(common, "shared, see above")] if common else []
    return "\n\n".join([f"## {name}", f"```\n{usage}\n```", text, table(["option", "meaning"], own)])


def _option(action: argparse.Action) -> str:
    if not action.option_strings:
        return code(str(action.metavar or action.dest))
    value = "" if action.nargs == 0 else f" {action.metavar or action.dest.upper()}"
    return ", ".join(code(f"{word}{value}") for word in action.option_strings)


def _help(action: argparse.Action, parser: argparse.ArgumentParser) -> str:
    """Return what an option does, with its default filled in as `--help` would."""
    return (action.help or "") % {**vars(action), "prog": parser.prog} if action.help else ""


def python() -> str:
    """Return every name that `import buswright` gives, with its first sentence, and what sessions and such offer."""
    import buswright

    parts = [_documented(buswright, [name for name in buswright.__all__ if not name.startswith("_")])]
    for kind in (buswright.Session, buswright.Series, buswright.Answer):
        own = [name for name, each in vars(kind).items() if name[0] != "_" and _is_asked(each)]
        parts.append(f"### {kind.__name__}\n\n{_documented(kind, own)}")
    return "\n\n".join(parts)


def _documented(home: object, names: Sequence[str]) -> str:
    rows = [[code(name), (getattr(home, name).__doc__ or "").strip().partition("\n")[0]] for name in names]
    return table(["name", "what it is"], rows)


def _is_asked(member: object) -> bool:
    return callable(member) or isinstance(member, property)


_PARTS: Sequence[Callable[..., str]] = (
    *(keys, plan_keys, step_kinds, bench_limits, bench_faults, calibration, kinds, thresholds, findings, checksums),
    *(injectors, positions, shared_roles, functions, formula_limits, quality, units, sensors, table_columns),
    *(table_readings, commands, python),
)
PARTS: Mapping[str, Callable[..., str]] = MappingProxyType({part.__name__: part for part in _PARTS})
"""What a `{{name}}` or `{{name argument}}` line of a page is replaced by."""
