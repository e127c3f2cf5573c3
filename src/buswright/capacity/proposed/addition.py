"""Something proposed for a bus: from a phrase, or the messages of a database or of one of its modules."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from buswright.capacity.carried.plan import planned_length
from buswright.capacity.carried.stream import Stream
from buswright.capacity.proposed.phrase import parse
from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.messages.database import load_database
from buswright.messages.model import Database, Message
from buswright.wording import did_you_mean, listed, plural

DATABASE_ENDINGS = (".dbc", ".kcd", ".sym", ".arxml")


@dataclass(frozen=True, slots=True)
class Addition:
    """What is proposed, as `text` says it, for a bus; None: each bus is tried.

    Attributes
    ----------
    streams
        Its frames. Where their identifiers aren't given they have none yet: numbers only tell them apart.
    placed, extended
        Whether the identifiers are given, and whether those to be found have 29 bits.
    left_out
        Messages without a period, which can't be planned with.
    path
        The database that it was read from; None for a phrase.
    """

    text: str
    bus: str | None
    streams: tuple[Stream, ...]
    placed: bool
    extended: bool = False
    left_out: tuple[str, ...] = ()
    path: Path | None = None

    def on(self, bus: str) -> tuple[Stream, ...]:
        """Return its streams as those of a bus."""
        return tuple(replace(stream, name=stream.name._replace(bus=bus)) for stream in self.streams)


def addition_of(item: str, *, jitter_ns: int = 0) -> Addition:
    """Read `[BUS=]PHRASE` or `[BUS=]FILE[:MODULE]`; see `phrase` for the words. The jitter is for where none is given.

    Raises
    ------
    UserError
        It can't be understood, the file can't be read, it has no such module, or none of its messages has a period.
    """
    bus, equals, rest = item.partition("=")
    named, text = (bus.strip() or None, rest.strip()) if equals and not Path(item).exists() else (None, item.strip())
    path, module = _file(text)
    if path is not None:
        return replace(_of_database(load_database(path), module, jitter_ns), text=text, bus=named, path=path)
    wanted = parse(text)
    jitter = jitter_ns if wanted.jitter_ns is None else wanted.jitter_ns
    streams = tuple(
        Stream(
            name=FrameName("", (wanted.first or 0) + number, wanted.extended),
            length=frame.length,
            period_ns=frame.period_ns,
            deadline_ns=frame.period_ns,
            jitter_ns=jitter,
            fd=wanted.fd,
            switched=wanted.fd,
            label=f"new {number + 1} ({frame.holds})",
            period_from="as proposed",
            jitter_from=_JITTER[wanted.jitter_ns is not None, jitter > 0],
            origin="added",
        )
        for number, frame in enumerate(wanted.frames)
    )
    last = streams[-1].name
    if last.id >= 1 << (29 if wanted.extended else 11):
        raise UserError(
            f"--add {text!r}: there are too few identifiers from there for {plural(len(streams), 'frame')}",
            hint="begin lower, or leave out where they begin",
        )
    return Addition(text, named, streams, wanted.first is not None, wanted.extended)


_JITTER = {
    (True, True): "as proposed",
    (True, False): "none, as proposed",
    (False, True): "assumed",
    (False, False): "none assumed",
}


def _file(text: str) -> tuple[Path | None, str]:
    """Return the database and the module that a text names; None where it names no file."""
    if Path(text).suffix.lower() in DATABASE_ENDINGS:
        return Path(text), ""
    path, colon, module = text.rpartition(":")
    if colon and Path(path).suffix.lower() in DATABASE_ENDINGS:
        return Path(path), module.strip()
    return (Path(text), "") if Path(text).is_file() else (None, "")


def _of_database(database: Database, module: str, jitter_ns: int) -> Addition:
    messages = list({(message.id, message.extended): message for message in database}.values())
    where = ", ".join(database.paths)
    if module:
        senders = sorted({sender for message in messages for sender in message.senders})
        own = [message for message in messages if module.lower() in (sender.lower() for sender in message.senders)]
        if not own:
            hint = did_you_mean(module, senders, f"its senders: {listed(senders) or 'none'}")
            raise UserError(f"{where}: no module {module} sends a message", hint=hint)
        messages = own
    timed = [message for message in messages if message.cycle_time_ms]
    if not timed:
        raise UserError(
            f"{where}: none of the {plural(len(messages), 'message')} has a period: whether they fit can't be told",
            hint='say how often they come, for example --add "3 frames of 8 bytes at 50 Hz"',
        )
    left_out = tuple(message.name for message in messages if not message.cycle_time_ms)
    return Addition("", None, tuple(_stream(message, jitter_ns) for message in timed), placed=True, left_out=left_out)


def _stream(message: Message, jitter_ns: int) -> Stream:
    assert message.cycle_time_ms
    fd = message.fd or message.length > 8
    period = max(1, int(message.cycle_time_ms * 1e6))
    return Stream(
        name=FrameName("", message.id, message.extended),
        length=planned_length(message.length, fd=fd),
        period_ns=period,
        deadline_ns=period,
        jitter_ns=jitter_ns,
        fd=fd,
        switched=fd,
        clocked=not message.change_driven,
        label=message.name,
        module=message.senders[0] if message.senders else "",
        period_from="database",
        jitter_from=_JITTER[False, jitter_ns > 0],
        origin="added",
    )
