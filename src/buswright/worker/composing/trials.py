"""Trial signals: typed for an identifier, shown beside its bits, and kept in a draft database and car file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.frames.table import Frames
from buswright.health.model.health import BusHealth
from buswright.messages.match import EVERY_BUS
from buswright.messages.model import Database, Message, Signal
from buswright.worker.snapshot import TrialNow
from buswright.writing import claim, write_whole


@dataclass(frozen=True, slots=True)
class Trials:
    """The trial signals of all identifiers, and the one that is being typed."""

    taken: Mapping[FrameName, tuple[Signal, ...]] = field(default_factory=dict)
    typing: tuple[FrameName, tuple[Signal, ...]] | None = None

    def of(self, name: FrameName) -> tuple[Signal, ...]:
        """Return those of an identifier, the one that is being typed last."""
        return _joined(self.taken.get(name, ()), self.typed(name))

    def typed(self, name: FrameName) -> tuple[Signal, ...]:
        """Return the one that is being typed for an identifier, behind the multiplexer that selects it; else none."""
        return self.typing[1] if self.typing is not None and self.typing[0] == name else ()

    def with_typed(self, name: FrameName, signal: Signal | None, selector: Signal | None = None) -> Trials:
        """Return these with another one that is being typed, and the multiplexer that selects it; None: with none."""
        return replace(self, typing=None if signal is None else (name, _behind(selector, signal)))

    def with_taken(self, name: FrameName, signal: Signal, selector: Signal | None = None) -> Trials:
        """Return these with a signal, and the multiplexer that selects it; each takes the place of one so named."""
        own = _joined(self.taken.get(name, ()), _behind(selector, signal))
        return Trials(MappingProxyType({**self.taken, name: own}))

    def without_last(self, name: FrameName) -> Trials:
        """Return these without the latest one of an identifier."""
        own = {**self.taken, name: self.taken.get(name, ())[:-1]}
        return Trials(MappingProxyType({each: signals for each, signals in own.items() if signals}))


def _behind(selector: Signal | None, signal: Signal) -> tuple[Signal, ...]:
    return (signal,) if selector is None else (selector, signal)


def _joined(earlier: Sequence[Signal], later: Sequence[Signal]) -> tuple[Signal, ...]:
    """Put later ones behind earlier ones, in whose place they come if they have their names."""
    names = {each.name for each in later}
    return (*(each for each in earlier if each.name not in names), *later)


def with_trials(message: Message | None, name: FrameName, signals: Sequence[Signal], length: int) -> Message:
    """Return a message with trial signals behind its own; without one, a message of these alone."""
    if message is None:
        reach = max((-(-each.end_bit // 8) for each in signals), default=0)
        return Message(name_of(name), name.id, name.extended, max(length, reach), tuple(signals))
    taken = {each.name for each in message.signals}
    own = (replace(each, name=f"{each.name}_2") if each.name in taken else each for each in signals)
    return replace(message, signals=(*message.signals, *own))


def name_of(name: FrameName) -> str:
    """Return what a message without a name is called."""
    return f"ID_{str(name).rpartition('/')[2]}"


def tried(frames: Frames, name: FrameName, trials: Trials) -> tuple[TrialNow, ...]:
    """Decode frames of one identifier."""
    from buswright.messages.decoding.decode import Decoder

    signals, typed = trials.of(name), trials.typed(name)
    values = np.full((len(signals), len(frames)), np.nan)
    raws: list[int | float | None] = [None] * len(signals)
    if signals:
        message = with_trials(None, name, signals, 0)
        for table in Decoder({EVERY_BUS: Database((), (message,))}).decode(frames):
            for at, signal in enumerate(signals):
                column = table[signal.name]
                valid = slice(None) if column.valid is None else column.valid
                values[at, table.rows[valid]] = column.value[valid].astype(np.float64)
                raws[at] = column.raw[-1].item() if np.isfinite(values[at, -1]) else None
    return tuple(
        TrialNow(signal, signal not in typed, value, raw)
        for signal, value, raw in zip(signals, values, raws, strict=True)
    )


# Keeping --------------------------------------------------------------------------------------------------------------


def keep(trials: Trials, bus: str, health: BusHealth, path: Path, *, source: str, force: bool) -> tuple[Path, Path]:
    """Write the trial signals of a bus to a draft database, and a draft car file with their channels beside it.

    Parameters
    ----------
    health
        Says how long the frames are, how often they come, and what the bus is called in captures.
    path
        Of the database; the car file has the same name with `.toml`.
    source
        Where the frames come from, for a comment.
    force
        Whether older files are replaced.

    Returns
    -------
    Paths of both.

    Raises
    ------
    UserError
        There is nothing to keep, or it can't be written; nothing is then.
    """
    from buswright.health.phases import Phases
    from buswright.layout.draft.car_file import GivenDatabase, Recording, draft
    from buswright.messages.database import load_database
    from buswright.messages.dbc.writing import dbc_of

    own = {name: signals for name, signals in trials.taken.items() if name.bus == bus}
    if not own:
        raise UserError(f"no trial signal on {bus} to keep", hint="t types one; Enter takes it")
    database, car = path.with_suffix(".dbc"), path.with_suffix(".toml")
    for each in (database, car):
        claim(each, force=force)
    messages = []
    for name, signals in own.items():
        figures = health.ids.get(name)
        length = max(figures.lengths.counts, default=0) if figures is not None else 0
        period_ns = figures.period.learned_ns if figures is not None else None
        made = with_trials(None, name, signals, length)
        title = figures.message if figures is not None and figures.message else made.name
        cycle = None if period_ns is None else max(1, round(period_ns / 1e6))
        messages.append(replace(made, name=title, cycle_time_ms=cycle, fd=made.length > 8))
    write_whole(database, dbc_of(messages))
    recording = Recording(source, _by_interface(health, bus), Phases({}, ()))
    names = dict.fromkeys(health.buses[bus].interfaces[:1], bus) if bus in health.buses else {}
    given = GivenDatabase(database, load_database(database), bus)
    drafted = draft([recording], [given], folder=car.parent, names=names)
    write_whole(car, drafted.text())
    return database, car


def _by_interface(health: BusHealth, bus: str) -> BusHealth:
    """Return what was measured of one bus, called as captures call it: a car file says both names."""
    figures = health.buses[bus]
    interface = next(iter(figures.interfaces), bus)
    ids = {
        (new := each.name._replace(bus=interface)): replace(each, name=new)
        for name, each in health.ids.items()
        if name.bus == bus
    }
    return replace(health, buses={interface: replace(figures, name=interface)}, ids=ids, modules={}, gap_groups=())
