"""What should have come and never did: messages of the databases and of the car file, identifiers of a good run."""

from __future__ import annotations

from dataclasses import dataclass

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import SECOND, Case
from buswright.messages.model import parse_identifier


@dataclass(frozen=True, slots=True)
class Absent:
    """One identifier that never came.

    Attributes
    ----------
    text
        Message name, or identifier where it has none.
    module
        Who sends it; None where nobody says.
    name
        Which frame; None where only the message's name is known.
    period_ms
        How often it should come; None where nobody says.
    source
        "car file", "database" or "good run": who expects it.
    """

    text: str
    module: str | None
    name: FrameName | None
    period_ms: float | None
    source: str

    def __str__(self) -> str:
        return self.text if self.name is None else f"{str(self.name).rpartition('/')[2]} {self.text}".strip()


def absentees(case: Case, bus: str) -> tuple[Absent, ...]:
    """Return what never came on a bus; nothing where the capture is too short to say so."""
    figures = case.health.buses[bus]
    if figures.seconds <= case.limit("startup_ignore_s", bus=bus) or not figures.data_frames:
        return ()
    found = [_described(case, bus, module, text) for (on, module), m in _modules(case) if on == bus for text in m]
    absent = [one for one in found if one is not None and _due(case, figures.seconds, one, bus)]
    named = {one.name for one in absent}
    gone = [name for name in sorted(case.remembered or ()) if name.bus == bus and name not in case.health.ids]
    return (*absent, *(_remembered(case, name) for name in gone if name not in named and _steady(case, name)))


def never_seen(case: Case, bus: str) -> tuple[FrameName, ...]:
    """Return the identifiers that are known to be periodic, or to belong to a good run, and never came."""
    return tuple(
        one.name
        for one in absentees(case, bus)
        if one.name is not None and (one.period_ms is not None or one.source == "good run")
    )


def _modules(case: Case) -> list[tuple[tuple[str, str], tuple[str, ...]]]:
    return [(key, figures.expected) for key, figures in case.health.modules.items()]


def _described(case: Case, bus: str, module: str, text: str) -> Absent | None:
    """Say what is known of a message of a database or car file; None where it is sent only when something changes."""
    if case.car is None:
        return Absent(text, module, None, None, "database")
    source = "car file" if module in case.car.modules else "database"
    message = case.car.message(bus, text)
    number = parse_identifier(text) if message is None else (message.id, message.extended)
    if number is None:
        return Absent(text, module, None, None, source)
    name = FrameName(bus, *number)
    entry = case.car.frames.get(name)
    said = entry.change_driven if entry else None
    if said or (said is None and message is not None and message.change_driven):
        return None
    period = case.car.expected_period(bus, *number)
    return Absent(message.name if message else "", module, name, period.period_ms if period else None, source)


def _due(case: Case, seconds: float, absent: Absent, bus: str) -> bool:
    """Whether the capture is long enough to have held it, the start left aside."""
    period_s = (absent.period_ms or 0.0) / 1000
    needed = max(case.limit("id_missing_periods", bus=bus) * period_s, case.limit("id_missing_s", bus=bus))
    return seconds > case.limit("startup_ignore_s", bus=bus) + needed


def _steady(case: Case, name: FrameName) -> bool:
    """Whether it came by the clock in the good run: what comes only on change may not come at all."""
    return case.remembered is not None and case.remembered[name].sending == "periodic"


def _remembered(case: Case, name: FrameName) -> Absent:
    assert case.remembered is not None
    found = case.remembered[name]
    return Absent(found.message or "", found.module, name, found.period_ms, "good run")


def silent_long(case: Case, name: FrameName, silent_ns: float, period_ns: float) -> bool:
    """Whether a silence is so long that the identifier is missing rather than some of its frames."""
    periods = case.limit("id_missing_periods", frame=name)
    seconds = case.limit("id_missing_s", frame=name)
    return silent_ns > max(periods * period_ns, seconds * SECOND)
