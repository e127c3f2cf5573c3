"""One module as lines and cells: how it is, what feeds it, and each of its inputs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from buswright.channels import units
from buswright.channels.following.model import ChannelNow
from buswright.diagnosis.now.inputs import LOOKED_NS, InputState
from buswright.diagnosis.now.modules import Sender
from buswright.findings import Severity
from buswright.tui.digits import NOTHING, decimals_for, input_text, number, raw_text
from buswright.tui.screens.channels.rows import state_cell
from buswright.tui.screens.identifiers.rows import rows_of, tone_of
from buswright.tui.screens.overview.lines import words_of
from buswright.tui.times import age_text
from buswright.tui.widgets.rows import Cell, Column
from buswright.tui.widgets.toned import Line, Span, hanging, line, sender_tone, severity_tone
from buswright.wording import plural
from buswright.worker.snapshot import Snapshot

INPUTS = (
    Column("input", 20, grow=True),
    Column("stands", 10),
    Column("at input", 9, right=True),
    Column("value", 9, right=True),
    Column("unit", 6),
    Column("moves", 8, right=True),
    Column("noise rms", 9, right=True, rank=2),
    Column("LSB", 6, right=True, rank=3),
    Column("peak-peak", 9, right=True, rank=1),
    Column("LSB", 6, right=True, rank=4),
    Column("raw", 9, right=True, rank=5),
    Column("channel", 9, rank=6),
)
IDS = ("state", "ID", "message", "now 1/s", "due 1/s", "age s", "missing", "len", "latest payload")
"""Columns of the list of identifiers that are of use for one module."""
_SUPPLIES = ("module_supply", "battery_voltage", "reference_voltage")


def head_lines(snapshot: Snapshot, width: int, most: int) -> Iterator[Line]:
    """Say how the module is, what feeds it, and in no more than `most` lines what to look at first."""
    assert snapshot.scope is not None, "a module is looked at"
    name = snapshot.scope.module
    sender = next((each for each in snapshot.verdicts.senders if each.module == name), None)
    yield _is(snapshot, sender) if sender is not None else line(Span(f"{name}: ", "head"), Span("never came", "fault"))
    if sender is not None:
        yield _fed(snapshot)
    lines = list(_first(snapshot, width))
    if len(lines) > most:
        lines[most - 1 :] = [[*lines[most - 1], Span(" …")]]
    yield from lines


def page_lines(snapshot: Snapshot, name: str, decimals: Mapping[str, int], width: int) -> Iterator[Line]:
    """Say of a module of the whole car how it is, what to check, and what it sends now."""
    sender = next((each for each in snapshot.verdicts.senders if each.module == name), None)
    if sender is None:
        yield line(Span(f"{name}: ", "head"), Span("never came", "fault"))
        return
    yield _is(snapshot, sender)
    if sender.found is not None:
        tone = severity_tone(sender.found.severity)
        yield from hanging(line(Span(f"{sender.found.fault}: ", tone)), sender.found.next_check, width - 1)
    yield from ([], [Span("Identifiers", "head")])
    for row in rows_of(snapshot):
        if (row.bus, row.module) == (sender.bus, name):
            rates = f"{number(row.rate_hz or 0.0, 1)} of {number(row.expected_hz, 1)} 1/s" if row.expected_hz else ""
            word = Span(f"{row.state.word:11}", tone_of(row.state))
            yield line(word, Span(f"{row.id_text:9}", "strong"), f"{row.message:28}", Span(rates, "dim"))
    yield from ([], [Span("Channels", "head")])
    for channel in snapshot.channels:
        if channel.module == name:
            state = state_cell(channel)
            value = channel.text or number(channel.value, decimals_for(channel, decimals))
            unit = Span(f" {units.shown(channel.unit)}", "dim")
            yield line(Span(f"{state.text:11}", state.tone), f"{channel.name:32}{value:>10}", unit)


def _is(snapshot: Snapshot, sender: Sender) -> Line:
    age = "never" if sender.last_ns is None else age_text(max(snapshot.moment.heard_ns - sender.last_ns, 0))
    return line(
        Span(sender.name, "head"),
        Span(f" on {sender.bus}: {sender.coming} of {plural(sender.total, 'identifier')} arrive, last {age}  "),
        Span(sender.state, sender_tone(sender)),
        Span(words_of(sender, snapshot.source)),
    )


def _first(snapshot: Snapshot, width: int) -> Iterator[Line]:
    now, found = snapshot.verdicts.wrong_now, [each for each in snapshot.findings if each.severity > Severity.NOTE]
    if now:
        yield from hanging(line(Span("Check: ", "accent")), f"{now[0].check} {now[0].seen}", width - 2)
    elif found:
        more = f" {len(found) - 1} more on screen 4." if len(found) > 1 else " Screen 4 has its evidence."
        tone = severity_tone(found[0].severity)
        yield from hanging(line(Span(f"{found[0].fault}: ", tone)), f"{found[0].next_check}{more}", width - 2)


def _fed(snapshot: Snapshot) -> Line:
    """Say the supply voltages that it reports."""
    car = snapshot.car
    roles = {name: each.role for name, each in car.channels.items()} if car is not None else {}
    fed = [each for each in snapshot.channels if roles.get(each.name) in _SUPPLIES]
    if not fed:
        return line(Span("Supply: ", "dim"), Span("it reports none; measure at its plug", "dim"))
    pieces = [Span("Supply: ", "dim")]
    for each in fed:
        tone = state_cell(each).tone
        pieces.append(Span(f"{each.name} {number(each.value, 2)} {units.shown(each.unit)}   ", tone))
    return pieces


def inputs_title(inputs: Sequence[InputState], width: int) -> Line:
    """Name the list of inputs and say what the numbers are measured over."""
    moving = sum(each.moves is not None for each in inputs)
    told = f"{moving} of {len(inputs)} move" if moving else "none moves" if inputs else ""
    said = f"  {told}; noise and moves are those of the last {LOOKED_NS / 1e9:g} s. LSB: steps of the raw value."
    return line(Span("Inputs", "head"), Span(said if width >= 100 else f"  {told}; over {LOOKED_NS / 1e9:g} s", "dim"))


def input_cells(channel: ChannelNow, state: InputState, decimals: Mapping[str, int]) -> list[Cell]:
    """Make the cells of one input."""
    digits = decimals_for(channel, decimals)
    finer, still = digits + 1, state.moves is None
    judged = state_cell(channel)
    return [
        Span(channel.name, "strong"),
        Span(state.state, severity_tone(state.severity, "good" if state.state == "healthy" else "dim")),
        "" if channel.volts is None else input_text(channel.volts, channel.electrical, 9),
        Span(channel.text or number(channel.value, digits), "plain" if channel.usable else "dim"),
        Span(units.shown(channel.unit), "dim"),
        Span("still" if still else f"{state.moves:+.{digits}f}", "dim" if still else "accent"),
        *(
            Span(text, "plain" if still else "dim")
            for text in (
                _measured(state.rms, finer),
                _measured(state.rms_lsb, 1),
                _measured(state.peak_to_peak, finer),
                _measured(state.peak_to_peak_lsb, 0),
            )
        ),
        Span(raw_text(channel.raw, 9), "dim"),
        judged,
    ]


def _measured(value: float | None, decimals: int) -> str:
    return NOTHING if value is None else number(value, decimals, 9)


def about_input(channel: ChannelNow, state: InputState, width: int) -> Iterator[Line]:
    """Say where an input stands, by what that is known, and where it comes from."""
    tone = severity_tone(state.severity, "good" if state.state == "healthy" else "dim")
    yield from hanging(line(Span(f"{channel.name} ", "strong"), Span(f"{state.state}: ", tone)), state.why, width)
    wiring = channel.wiring
    where = [f"{what} {at}" for what in ("input", "plug", "supply", "ground") if (at := getattr(wiring, what, ""))]
    from_ = f"{channel.bus}/{channel.message}" if channel.message else ""
    yield from hanging([Span("Wired: ", "dim")], ", ".join([*where, from_]) if where else from_, width)
