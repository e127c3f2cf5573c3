"""What is said of a bus and its room, on the terminal and on the page alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from buswright.capacity.advice import Packing, RateAdvice
from buswright.capacity.assess import BusCapacity
from buswright.capacity.carried.plan import SomeTime, Unplanned
from buswright.capacity.carried.stream import Stream
from buswright.capacity.proposed.identifiers import Clash, Range
from buswright.capacity.timing.bounds import Response
from buswright.channels.carfile.model import FrameName
from buswright.findings import Severity
from buswright.messages.model import identifier_text
from buswright.wording import bit_rate, duration, percent, plural


@dataclass(frozen=True, slots=True)
class Capacity:
    """All buses; what was read (nothing without a capture), and the name of the car ("" where nobody says)."""

    buses: tuple[BusCapacity, ...]
    files: tuple[str, ...]
    car: str

    @property
    def worst(self) -> Severity | None:
        """The gravest remark."""
        return max((remark.severity for bus in self.buses for remark in bus.remarks), default=None)


def short(name: FrameName) -> str:
    """Write an identifier without its bus."""
    return identifier_text(name.id, name.extended)


def name_of(one: Stream | Unplanned | SomeTime | Clash) -> str:
    """Write the identifier of a stream, or of what is said of one, without its bus."""
    return short(one.name)


def verdict(bus: BusCapacity) -> str:
    """Say in one or two sentences what comes of it, within which scope."""
    name, then = bus.plan.bus, bus.then
    what = "with the addition" if bus.new else "as it is"
    if then is None:
        return f"{name}: bit rate not known. Identifiers and other bit rates are below."
    if not then.streams:
        return f"{name}: nothing to plan with. No identifier has a known period."
    late = len(then.late)
    planned = plural(len(then.streams), "planned identifier")
    if any(clash.kind == "taken" for clash in bus.clashes):
        return f"{name}: NO, an identifier of the addition is taken. {_meets(late, planned)}"
    if late:
        return f"{name}: NO ROOM {what}. {late} of {planned} can miss the deadline."
    if any(remark.severity > Severity.NOTE for remark in bus.remarks):
        return f"{name}: TIGHT {what}. {_meets(0, planned)} See below what stands against it."
    return f"{name}: ROOM {what}. {_meets(0, planned)}"


def _meets(late: int, planned: str) -> str:
    return f"{plural(late, 'deadline')} can be missed." if late else f"{planned}: worst case within every deadline."


def scope(bus: BusCapacity) -> str:
    """Say what the verdict holds for, and what it leaves out."""
    plan = bus.plan
    streams = bus.then.streams if bus.then else bus.streams
    names = {"capture": "seen", "declared": "only declared", "added": "new"}
    counts = [(sum(stream.origin == origin for stream in streams), what) for origin, what in names.items()]
    figures = plan.figures
    without = plural(len(plan.unplanned), "identifier without a known period", "identifiers without a known period")
    out = [f"{without} (one frame of these may be in the way)"] if plan.unplanned else []
    if plan.left_out:
        out.append(plural(plan.left_out, "rarer identifier"))
    if figures is not None and figures.remote_frames:
        out.append(plural(figures.remote_frames, "remote frame"))
    if figures is not None and figures.error_frames:
        out.append(plural(figures.error_frames, "error frame"))
    unmeasured = sum(not stream.jitter_ns and stream.origin != "capture" for stream in streams)
    assumed = f"no jitter assumed where none was measured ({unmeasured}; --jitter); " if unmeasured else ""
    return (
        f"Holds for {', '.join(f'{count} {what}' for count, what in counts if count) or 'nothing'}; deadline = period; "
        f"each frame as long as it can be; {assumed}no errors on the bus; "
        f"senders offer their most urgent frame first. Left out: {', '.join(out) or 'nothing that came'}."
    )


def origin(bus: BusCapacity) -> str:
    """Say where periods and jitter come from."""
    figures = bus.plan.figures
    if figures is None:
        return "Nothing was recorded: periods and lengths as declared, jitter as assumed."
    stamps = ", stamped by a computer: its delays are in the jitter" if figures.host_stamped != "unknown" else ""
    return (
        f"Measured on {figures.seconds:.1f} s with {plural(figures.data_frames, 'frame')}{stamps}. Jitter is what "
        "99.9 % of the spacings keep to; the wait for the bus is in it, so it is rather too large."
    )


def load_rows(bus: BusCapacity) -> list[list[str]]:
    """Return rows of load: what, now, with the addition, planning limit; without an addition no third cell."""
    now, then = bus.now, bus.then
    if now is None or then is None:
        return []
    names = ("mean load", "busiest 100 ms", "worst-case load")
    loads = ((now.mean, then.mean), (now.peak, then.peak), (now.worst, then.worst))
    return [
        [name, percent(before), *([percent(after)] if bus.new else []), percent(limit, 0)]
        for name, (before, after), limit in zip(names, loads, bus.limits, strict=True)
    ]


ID_HEADS = [
    *("ID", "message", "bytes", "period", "jitter", "longest", "worst"),
    *("of deadline", "simulated", "mean", "late"),
]
"""Of the identifiers' table."""


def id_cells(response: Response, bus: BusCapacity) -> list[str]:
    """Return what is said of an identifier; the cells are those under `ID_HEADS`."""
    stream, rates = response.stream, bus.plan.rates
    assert rates is not None
    played = bus.simulation.streams.get(stream.name) if bus.simulation else None
    return [
        name_of(stream),
        ("+ " if stream.origin == "added" else "") + (stream.label or "–") + ("" if stream.clocked else " *"),
        str(stream.length),
        duration(stream.period_ns),
        duration(stream.jitter_ns),
        duration(stream.longest_ns(rates)),
        "no bound" if response.worst_ns is None else duration(response.worst_ns),
        "–" if response.worst_ns is None else percent(response.of_deadline, 0),
        duration(played.worst_ns) if played else "–",
        duration(played.mean_ns) if played else "–",
        percent(played.late, 2) if played else "–",
    ]


SAFETY = (
    "Fit nothing to airbag, ABS, steering or brake-by-wire networks. Key off and battery off before you tap in; a "
    "short stub, and no third terminator."
)
NO_CLOCK = (
    "* no clock sends it: period and jitter are those of the closest runs that came, and times count from hand-over"
)


def simulated(bus: BusCapacity) -> str:
    """Say what was played through."""
    found = bus.simulation
    if found is None:
        return ""
    frames = sum(each.frames for each in found.streams.values())
    return (
        f"Simulated: {plural(frames, 'frame')} in 1 worst start and {found.rounds} rounds of {duration(found.span_ns)} "
        f"with random offsets (seed {found.seed}), mean load {percent(found.load)}. A simulation can miss the worst "
        "case; the bound can't be exceeded."
    )


def rate_rows(bus: BusCapacity) -> list[list[str]]:
    """Return rows of other bit rates: rate, mean, worst case, deadlines that can be missed."""
    current = bus.plan.rates.bits_per_s if bus.plan.rates else None
    return [
        [
            bit_rate(each.bits_per_s) + (" (now)" if each.bits_per_s == current else ""),
            percent(each.mean),
            percent(each.worst),
            "all met" if not each.late else f"{each.late} can be missed",
        ]
        for each in bus.other_rates
    ]


def range_words(part: Range, *, extended: bool) -> str:
    """Write a range of identifiers with how many it holds."""
    if part.first == part.last:
        return identifier_text(part.first, extended)
    return f"{identifier_text(part.first, extended)}-{identifier_text(part.last, extended)} ({len(part):,})"


def free_words(bus: BusCapacity, most: int) -> Iterator[str]:
    """Yield what is free, 11-bit and 29-bit identifiers one after the other: the largest ranges, in order."""
    for ranges, extended in ((bus.free, False), (bus.free_extended, True)):
        if extended and not ranges:
            continue
        large = sorted(sorted(ranges, key=len, reverse=True)[:most])
        rest = len(ranges) - len(large)
        shown = ", ".join(range_words(part, extended=extended) for part in large) or "none"
        more = f", and {plural(rest, 'smaller range')}" if rest else ""
        kept = "; 7DF-7EF are for diagnostics, 7F0-7FF old controllers can't send" if not extended else ""
        yield f"{29 if extended else 11}-bit: {shown}{more}{kept}"


def size(count: float) -> str:
    """Write a number of bytes: 96 MB."""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= scale:
            return f"{count / scale:.3g} {unit}"
    return f"{count:.0f} bytes"


def log_rows(bus: BusCapacity) -> list[list[str]]:
    """Return rows of recordings: ending, an hour now, an hour with the addition, bytes a frame."""
    if bus.logs is None:
        return []
    now = {each.ending: each for each in bus.logs.now}
    rows = []
    for each in bus.logs.then:
        before = now.get(each.ending)
        rows.append(
            [each.ending, size(before.per_hour) if before else "–", size(each.per_hour), f"{each.per_frame:.1f}"]
        )
    shown = (0, 1, 2, 3) if bus.new else (0, 2, 3)
    return [[row[k] for k in shown] for row in rows]


def packing_words(packing: Packing) -> str:
    """Say which frames could be fewer."""
    names = " and ".join(stream.label or name_of(stream) for stream in packing.streams[:4])
    more = f" and {len(packing.streams) - 4} more" if len(packing.streams) > 4 else ""
    period = duration(packing.streams[0].period_ns)
    return (
        f"Pack {names}{more} of {packing.module} (every {period}) into {plural(packing.frames, 'frame')}: saves "
        f"{percent(packing.saves)} of the bus in the worst case."
    )


def rate_words(advice: RateAdvice) -> str:
    """Say which message is faster or slower than usual."""
    stream = advice.stream
    kind = advice.kind.replace("_", " ") + (" (guessed)" if advice.guessed else "")
    usual = f"usual for {kind} is {advice.low_hz:g} to {advice.high_hz:g} Hz"
    name = f"{name_of(stream)} {stream.label}"
    if advice.too_slow:
        return (
            f"{name} comes {stream.hz:.3g} times a second, {usual}: {advice.signal} may move faster than it is sampled."
        )
    return f"{name} comes {stream.hz:.3g} times a second, {usual}: slower saves {percent(advice.saves)} of the bus."


def tightest(responses: Sequence[Response], most: int) -> list[Response]:
    """Choose what to show: everything new, what is late, and the closest to their deadlines; by priority."""
    first = sorted(responses, key=lambda each: (each.stream.origin != "added", -each.of_deadline))
    chosen = {id(each) for each in first[:most]}
    return [each for each in responses if id(each) in chosen or each.late]
