"""Faults that can be put into a run: what each is called, what its numbers mean, and what is true about it.

Each acts where the real one does: in the sender before arbitration, on the wire, in the recorder behind it, or in
the text that was written. So whatever is put in, the wire itself stays one that can exist.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from buswright.errors import UserError
from buswright.findings import FAULTS, Layer


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault.

    Attributes
    ----------
    name
        As in the catalogue of findings; `power-cycle` is none, because it is no fault.
    severity
        What the number means.
    default
        Severity where none is given.
    subject
        Where none is given.
    takes
        Kinds of subject that it acts on.
    summary
        What happens.
    variants
        Words that `Fault.variant` may hold, joined by "+".
    company
        Other findings that rightly come with it.
    """

    name: str
    severity: str
    default: float
    subject: str
    takes: tuple[str, ...]
    summary: str
    variants: tuple[str, ...] = ()
    company: tuple[str, ...] = ()


_SENDER_GONE = ("frames-lost", "id-missing", "counter-jump")

KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            Kind(
                "bad-lines",
                "share of the lines",
                0.01,
                "capture",
                ("capture",),
                "Lines of the written text are cut short, overwritten or run together.",
                company=("frames-lost", "capture-drop", "counter-jump", "id-missing"),
            ),
            Kind(
                "clock-jump",
                "seconds, negative for backwards",
                0.75,
                "capture",
                ("capture",),
                "The recorder's clock is set: all later stamps move by one amount.",
            ),
            Kind(
                "capture-drop",
                "seconds of each gap",
                0.3,
                "capture",
                ("capture", "bus"),
                "The recorder loses everything for a while, `repeat` times.",
                variants=("burst", "events", "overflow"),
                company=("frames-lost", "counter-jump", "host-timestamps"),
            ),
            Kind(
                "echo",
                "share of the frames",
                1.0,
                "bus:chassis",
                ("bus", "capture"),
                "Frames are recorded twice, less than 1 ms apart.",
                company=("host-timestamps", "counter-jump", "frozen-frame"),
            ),
            Kind(
                "host-timestamps",
                "milliseconds between transfers",
                1.0,
                "capture",
                ("capture", "bus"),
                "Frames are stamped when a USB transfer brings them: in clumps, closer than a wire allows.",
                company=("late-frames",),
            ),
            Kind(
                "filter-in-force",
                "low bits of the identifier that are let through",
                3.0,
                "id:chassis/110",
                ("id",),
                "The recorder's filter lets only the identifiers around the subject through.",
                company=("id-missing", "module-missing"),
            ),
            Kind(
                "bus-errors",
                "error frames per second",
                3.0,
                "bus:chassis",
                ("bus", "module"),
                "Frames are destroyed at random and sent again.",
                variants=("stuff", "form", "crc", "ack"),
            ),
            Kind(
                "bus-overload",
                "load aimed at",
                0.95,
                "bus:engine",
                ("bus",),
                "More is to be sent than fits; what is low in priority comes late, or is replaced before it is sent.",
                company=("unknown-id", "late-frames", "frames-lost", "id-missing", "sender-skips"),
            ),
            Kind(
                "babbling-node",
                "share of the bus",
                0.9,
                "id:chassis/0F0",
                ("id",),
                "One identifier is sent as fast as the share asks for.",
                company=("bus-overload", "late-frames", "frames-lost", "id-missing", "counter-jump", "unknown-id"),
            ),
            Kind(
                "no-acknowledge",
                "error frames before",
                16.0,
                "bus:chassis",
                ("bus",),
                "One module is left alone on the bus and repeats its most urgent frame without end.",
                company=("module-missing", "id-missing", "bus-overload", "frozen-frame", "bus-errors", "frames-lost"),
            ),
            Kind(
                "bus-off",
                "seconds of silence each time, 0: until the end",
                0.4,
                "module:damper_node",
                ("module",),
                "A module's frame fails 32 times in a row, then the module is silent; its clock and counters go on.",
                company=("bus-errors", *_SENDER_GONE),
            ),
            Kind(
                "wrong-bitrate",
                "share of the frames that give an error frame",
                1.0,
                "bus:chassis",
                ("bus",),
                "The recorder listens at the wrong bit rate: error frames, nothing else.",
                company=("bus-errors", "module-missing", "id-missing"),
            ),
            Kind(
                "segment-open",
                "error frames at the break",
                20.0,
                "bus:chassis",
                ("bus",),
                "The bus breaks behind a connector: the modules beyond it vanish; `variant` names the first of them.",
                company=("bus-errors", "module-missing", *_SENDER_GONE),
            ),
            Kind(
                "module-missing",
                "(none)",
                1.0,
                "module:wheel_node",
                ("module",),
                "A module is not there, from the onset on.",
                company=("id-missing",),
            ),
            Kind(
                "module-reset",
                "seconds without power, boot time not included",
                0.15,
                "module:damper_node",
                ("module",),
                "A module starts again, `repeat` times: new phase, counters from zero, its supply dips before.",
                variants=("no-dip",),
                company=_SENDER_GONE,
            ),
            Kind("id-missing", "(none)", 1.0, "id:chassis/1B1", ("id",), "One message is not sent any more."),
            Kind(
                "frames-lost",
                "share of the frames",
                0.02,
                "id:chassis/1A0",
                ("id",),
                "Frames of one identifier are sent and not recorded: the phase stays, the counter jumps.",
                company=("counter-jump",),
            ),
            Kind(
                "sender-skips",
                "share of the frames",
                0.02,
                "id:chassis/1A0",
                ("id",),
                "The sender leaves frames out: phase kept, counter continuous.",
            ),
            Kind(
                "late-frames",
                "largest delay, in periods",
                0.8,
                "id:chassis/0F1",
                ("id", "module"),
                "The sender hands its frames over late, by a random delay.",
            ),
            Kind(
                "duplicate-id",
                "parts per million between the two clocks",
                200.0,
                "id:chassis/111",
                ("id",),
                "A second module sends the same identifier with its own phase, clock, values and counter.",
                company=("counter-jump", "bus-errors", "late-frames"),
            ),
            Kind(
                "counter-jump",
                "counts too many",
                3.0,
                "id:chassis/0F0",
                ("id",),
                "The sender's counter jumps, `repeat` times; no frame is missing.",
            ),
            Kind(
                "checksum-wrong",
                "share of the frames",
                0.05,
                "id:chassis/111",
                ("id",),
                "The sender's checksum is wrong now and then.",
            ),
            Kind(
                "frozen-frame",
                "(none)",
                1.0,
                "id:chassis/0F0",
                ("id",),
                "The payload stays as it is, counter included.",
                company=("counter-jump",),
            ),
            Kind(
                "wrong-length",
                "payload bytes",
                6.0,
                "id:chassis/112",
                ("id",),
                "The frame has another length.",
            ),
            Kind(
                "unknown-id",
                "period in milliseconds",
                50.0,
                "id:chassis/5A5",
                ("id",),
                "Somebody sends an identifier that nobody knows.",
            ),
            Kind(
                "power-cycle",
                "seconds without power",
                1.2,
                "car",
                ("car",),
                "Main power goes and comes back: all modules start again, one after the other.",
                company=("module-reset", "bus-errors", "module-missing", *_SENDER_GONE),
            ),
        )
    }
)
"""Every kind by its name."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault put into a run.

    Attributes
    ----------
    kind
        A name from `KINDS`.
    subject
        `bus:chassis`, `module:damper_node`, `id:chassis/1A0`, `capture` or `car`; empty: the kind's own example.
    onset_s
        Seconds from key-on.
    duration_s
        None: until the end.
    severity
        What the kind says; None: the kind's default.
    repeat
        How often it happens within the duration, for what is short: gaps, resets, jumps of a counter.
    variant
        See the kind.
    seed
        Chooses its random numbers.
    """

    kind: str
    subject: str = ""
    onset_s: float = 10.0
    duration_s: float | None = None
    severity: float | None = None
    repeat: int = 1
    variant: str = ""
    seed: int = 1

    def __post_init__(self) -> None:
        kind = KINDS.get(self.kind)
        if kind is None:
            raise UserError(f"no fault is called {self.kind!r}", hint=f"one of {', '.join(KINDS)}")
        if not self.subject:
            object.__setattr__(self, "subject", kind.subject)
        if self.subject.partition(":")[0] not in kind.takes:
            raise UserError(
                f"{self.kind} can't act on {self.subject!r}", hint=f"name a {' or '.join(kind.takes)}: {kind.subject}"
            )
        strange = set(self.words) - set(kind.variants)
        if strange and self.kind != "segment-open":
            allowed = ", ".join(kind.variants) or "none"
            raise UserError(f"{self.kind} has no variant {min(strange)!r}", hint=f"its variants: {allowed}")
        if self.onset_s < 0 or self.repeat < 1 or (self.duration_s is not None and self.duration_s <= 0):
            raise UserError(
                f"{self.kind} at {self.onset_s} s for {self.duration_s} s, {self.repeat} times: impossible",
                hint="onset from 0, duration and repeat above 0",
            )

    @property
    def amount(self) -> float:
        """The severity, or the kind's default."""
        return KINDS[self.kind].default if self.severity is None else self.severity

    @property
    def words(self) -> frozenset[str]:
        """The words of the variant."""
        return frozenset(self.variant.split("+")) - {""}

    def end_s(self, seconds: float) -> float:
        """Return when it ends, in a run of so many seconds."""
        return seconds if self.duration_s is None else min(seconds, self.onset_s + self.duration_s)


@dataclass(frozen=True, slots=True)
class GroundTruth:
    """What is true about one fault of a run, in the words of a finding.

    Attributes
    ----------
    kind
        What was put in.
    fault, layer
        The finding that is right; None for what is no fault.
    subject
        As in findings.
    related
        Other subjects that the same thing may rightly be said of, or that must be named in its evidence.
    company
        Other findings that rightly come with it on these subjects, as a consequence.
    start_ns, end_ns
        First and last moment, on the capture's clock.
    spans
        Every time it happened, as (start, end); one for what lasts.
    count
        Frames, lines or error frames concerned, counted one by one; None where that means nothing.
    """

    kind: str
    fault: str | None
    layer: Layer | None
    subject: str
    related: tuple[str, ...]
    company: tuple[str, ...]
    start_ns: int
    end_ns: int
    spans: tuple[tuple[int, int], ...]
    count: int | None


def layer_of(kind: str) -> Layer | None:
    """Return the layer of a kind; None for what is no fault."""
    return FAULTS.get(kind)
