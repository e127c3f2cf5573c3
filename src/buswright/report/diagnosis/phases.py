"""The phases of a run as tables: what a standing car shows, what the start does, how well channels are sampled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buswright.channels import units
from buswright.diagnosis.phases.running import CRANK_PERIODS, Change, Grade
from buswright.diagnosis.phases.tables import PhaseTables
from buswright.diagnosis.phases.truths import Truth
from buswright.report.text import number
from buswright.wording import listed, plural


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table, laid out: its id on a page, what stands above it, cells as plain text, columns of numbers.

    `drop` are the columns that are left out first where there is no room, `wrong` the rows that are not as they should.
    """

    place: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...]
    drop: tuple[int, ...]
    wrong: tuple[int, ...]


def sheets(tables: PhaseTables) -> list[Sheet]:
    """Lay out the tables that have a row."""
    every = [_truths(tables), _changes(tables), _supplies(tables), _gaps(tables), _sampling(tables)]
    return [one for one in every if one.rows]


def _made(
    place: str, title: str, heads: str, rows: Sequence[tuple[str, ...]], right: tuple[int, ...], drop: tuple[int, ...]
) -> Sheet:
    wrong = tuple(k for k, row in enumerate(rows) if any(cell.startswith(_WRONG) for cell in row))
    return Sheet(place, title, tuple(heads.split("|")), tuple(rows), right, drop, wrong)


_WRONG = ("beyond", "look", "BAD", "slow", "wasteful", "aliased")


def _truths(tables: PhaseTables) -> Sheet:
    title = f"Key on, engine off ({tables.seconds.get('key-on', 0.0):.1f} s): what a standing car must show"
    rows = [_truth(one) for one in tables.truths]
    return _made("phase-rest", title, "channel|shows|unit|should be|good run|verdict|why", rows, (1, 3, 4), (6, 4, 2))


def _truth(one: Truth) -> tuple[str, ...]:
    should = "–" if one.low is None or one.high is None else f"{one.low:.4g} to {one.high:.4g}"
    return (
        one.channel, _or_dash(one.level), units.shown(one.unit), should, _or_dash(one.good), one.verdict, one.why
    )  # fmt: skip


def _changes(tables: PhaseTables) -> Sheet:
    title = f"Key on against idling ({tables.seconds.get('idle', 0.0):.1f} s)"
    heads = "channel|unit|key on|idling|shift|verdict|noise key on|noise idling|ratio|verdict|strongest|why not judged"
    return _made(
        "phase-start", title, heads, [_change(one) for one in tables.changes], (2, 3, 4, 6, 7, 8), (11, 10, 7, 6, 3, 2)
    )


def _change(one: Change) -> tuple[str, ...]:
    why = {f"shift: {one.shift_why}": one.shift_why, f"ratio: {one.ratio_why}": one.ratio_why}
    return (
        one.channel,
        one.unit,
        _or_dash(one.rest),
        _or_dash(one.idle),
        "–" if one.shift is None else f"{one.shift:+.3g}",
        _grade(one.shift_grade),
        *("–" if each is None else f"{each:.2g}" for each in (one.noise_rest, one.noise_running)),
        "–" if one.ratio is None else f"{one.ratio:.1f}",
        _grade(one.ratio_grade),
        _strongest(one),
        "; ".join(text for text, reason in why.items() if reason),
    )


def _strongest(one: Change) -> str:
    seen = one.strongest
    if seen is None:
        return "–"
    if not seen.follows or seen.firing_hz is None or seen.appears_hz is None:
        return f"{seen.hertz:.0f} Hz, not the firing" if seen.firing_hz is not None else f"{seen.hertz:.0f} Hz"
    folded = "" if seen.firing_hz < seen.rate / 2 else f", shows as {seen.appears_hz:.0f} Hz"
    return f"firing: {seen.firing_hz:.0f} Hz at {seen.rpm:.0f} rpm{folded}"


def _supplies(tables: PhaseTables) -> Sheet:
    rows = []
    for one in tables.supplies:
        volts = ("–" if each is None else f"{each:.2f}" for each in (one.rest, one.lowest, one.idle))
        rows.append((one.channel, *volts, "V", _grade(one.grade)))
    title = "Supplies: key on, the lowest while cranking, idling"
    return _made("phase-supplies", title, "channel|key on|lowest|idling|unit|verdict", rows, (1, 2, 3), (4,))


def _gaps(tables: PhaseTables) -> Sheet:
    title = f"Modules silent while cranking (a look over {CRANK_PERIODS:g} periods)"
    rows = []
    for one in tables.crank_gaps:
        told = (f"{one.longest_ns / 1e6:.0f} ms", f"{one.periods:.1f}") if one.longest_ns else ("none", "–")
        rows.append((one.module, one.bus, *told, _grade(one.grade)))
    return _made("phase-crank", title, "module|bus|longest|periods|verdict", rows, (2, 3), (1,))


def _sampling(tables: PhaseTables) -> Sheet:
    rows = [
        (one.channel, f"{one.rate_hz:.1f}", f"{one.low_hz:g} to {one.high_hz:g}", one.advice, one.words)
        for one in tables.sampling
    ]
    return _made("sampling", "How often channels come", "channel|per s|useful|advice|why", rows, (1, 2), (4, 2))


def _or_dash(value: float | None) -> str:
    return "–" if value is None else number(value + 0.0 if abs(value) > 1e-9 else 0.0)


def _grade(grade: str) -> str:
    return "BAD" if grade == "bad" else grade


def summary(tables: PhaseTables) -> list[str]:
    """Say in a sentence for each table how much of it is as it should be, and what is not."""
    said = []
    judged = [one for one in tables.truths if one.verdict != "not judged"]
    if tables.truths:
        beyond = [one.channel for one in judged if one.verdict == "beyond"]
        rest = len(tables.truths) - len(judged)
        said.append(
            f"Key on, engine off: {len(judged) - len(beyond)} of {plural(len(judged), 'channel')} within their limits"
            + (f", {rest} not judged" if rest else "")
            + (f". Beyond: {listed(beyond)}." if beyond else ".")
        )
    if tables.changes:
        shifts = _named(tables.changes, [one.shift_grade for one in tables.changes], "shifted")
        noises = _named(tables.changes, [one.ratio_grade for one in tables.changes], "got noisier")
        said.append(f"Idling against key on: {shifts}; {noises}.")
    lowest = [one for one in tables.supplies if one.lowest is not None]
    if lowest:
        least = min(lowest, key=lambda one: one.lowest or 0.0)
        long = [one.module for one in tables.crank_gaps if one.grade == "look"]
        silent = f"Silent for over {CRANK_PERIODS:g} periods: {listed(long)}" if long else "No module fell silent"
        said.append(f"Cranking: {least.channel} fell to {least.lowest:.1f} V. {silent}.")
    for advice in ("aliased", "slow", "wasteful"):
        named = [one.channel for one in tables.sampling if one.advice == advice]
        if named:
            said.append(f"Sampling, {advice}: {listed(named)}.")
    return [*said, *tables.notes]


def _named(changes: Sequence[Change], grades: Sequence[Grade], what: str) -> str:
    """Name the channels that need a look, of those that were judged."""
    bad = [one.channel for one, grade in zip(changes, grades, strict=True) if grade in ("look", "bad")]
    judged = sum(grade != "not judged" for grade in grades)
    return f"{listed(bad)} {what} ({judged} judged)" if bad else f"none of {plural(judged, 'channel')} {what}"
