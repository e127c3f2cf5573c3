"""Cars that no detector was tuned on: other modules, rates, loads, periods, counters, stamps and descriptions each.

A car is drawn from a seed, driven clean, broken in one way, and recorded as its adapter would. What is true of it is
told as the faults and subjects that are right to name.
"""

from __future__ import annotations

import contextlib
import itertools
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import CarFile, FrameName
from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding
from buswright.frames.table import Flag, Frames, concatenate, empty_frames
from buswright.frames.wire.arbitration import arbitrate, rank
from buswright.frames.wire.bits import wire_bits
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Checksum, Counter
from tests.health.buses.test_bitrate import interrupted
from tests.health.traffic import START, S, comb

from . import broken as b

SECONDS = 24.0
ONSET_S, END_S = 9.3, 17.1
RATES = (125_000, 250_000, 500_000, 500_000, 1_000_000)
PERIODS = (5.0, 10.0, 10.0, 20.0, 20.0, 25.0, 50.0, 100.0, 100.0, 200.0, 500.0, 1000.0)


@dataclass(frozen=True)
class Sent:
    """A message of a car."""

    bus: int
    module: str
    id: int
    extended: bool
    period_ms: float
    length: int
    counter: Counter | None
    checksum: Checksum | None

    @property
    def name(self) -> FrameName:
        return FrameName(f"b{self.bus}", self.id, self.extended)

    @property
    def subject(self) -> str:
        return f"id:{self.name}"


@dataclass(frozen=True)
class Car:
    """A car and how it is recorded and described.

    Attributes
    ----------
    rates
        Bit rate of each bus.
    sent
        Its messages.
    jitter_us, host
        How late senders are, and whether a computer stamps.
    told
        0: nothing is known but bit rates; 1: a car file with modules and periods; 2: with counters and checksums too.
    """

    seed: int
    rates: tuple[int, ...]
    sent: tuple[Sent, ...]
    jitter_us: float
    host: bool
    told: int


def drawn(seed: int) -> Car:
    """Draw a car."""
    rng = np.random.default_rng([17, seed])
    rates = tuple(int(rng.choice(RATES)) for _ in range(rng.integers(1, 3)))
    extended = rng.random() < 0.25
    with_counters = rng.choice([0.0, 0.4, 0.9])
    sent: list[Sent] = []
    for bus, rate in enumerate(rates):
        room = rate * float(rng.choice([0.08, 0.2, 0.35, 0.5]))
        for module in itertools.count():
            if (module >= 2 and room <= 0) or module > 9:
                break
            usual = float(rng.choice(PERIODS))
            for _ in range(rng.integers(1, 7)):
                period = usual if rng.random() < 0.5 else float(rng.choice(PERIODS))
                length = int(rng.choice([8, 8, 8, 8, 6, 4, 2]))
                bits = (130 if extended else 110) if length == 8 else 60 + 9 * length
                room -= bits * 1000 / period
                if room < 0 and module >= 2:
                    break
                number = int(rng.integers(0x80, 0x700)) << (15 if extended else 0) | (module if extended else 0)
                if any(one.id == number and one.bus == bus for one in sent):
                    continue
                counter = checksum = None
                if length >= 4 and rng.random() < with_counters:
                    counter = Counter(8 * (length - 1), int(rng.choice([4, 4, 8])))
                    if counter.length == 4 and rng.random() < 0.4:
                        checksum = Checksum("crc8-j1850", length - 2, data_id=number & 0xFF)
                sent.append(Sent(bus, f"m{bus}{module}", number, extended, period, length, counter, checksum))
    jitter_us = float(rng.choice([5, 60, 300, 900]))
    return Car(seed, rates, tuple(sent), jitter_us, bool(rng.random() < 0.3), int(rng.integers(3)))


def driven(car: Car, *, boots: Mapping[str, float] | None = None) -> Frames:
    """Drive it for a while; `boots` restart modules at a second, with their counters and their clock anew."""
    rng = np.random.default_rng([18, car.seed])
    names = tuple(f"b{bus}" for bus in range(len(car.rates)))
    phases = {one.module: float(rng.uniform(0, 100)) for one in car.sent}
    drift = {one.module: float(rng.uniform(-80, 80)) for one in car.sent}
    apart = [float(rng.uniform(0, one.period_ms)) for one in car.sent]
    parts = [empty_frames(names)]
    for one, off in zip(car.sent, apart, strict=True):
        boot_s = (boots or {}).get(one.module)
        for start_s in (0.0,) if boot_s is None else (0.0, boot_s):
            part = comb(
                one.id, one.period_ms, SECONDS - start_s, ppm=drift[one.module], seed=car.seed, bus=one.bus,
                phase_ms=off if start_s else (phases[one.module] + off) % one.period_ms, extended=one.extended,
                buses=names, length=one.length, counter=one.counter, checksum=one.checksum,
                start=START + round(start_s * S), payload=_slow(one, start_s, rng),
            )  # fmt: skip
            if boot_s is not None and not start_s:
                part = part.take(part.time_ns < START + round(boot_s * S))
            late = rng.gamma(1.5, car.jitter_us / 1.5, len(part)) * 1000
            # A sender is late, but never sends its frames in another order.
            late = np.minimum(late, 0.5 * one.period_ms * 1e6)
            parts.append(replace(part, time_ns=part.time_ns + late.astype(np.int64)))
    return on_the_wire(car, concatenate(parts))


def _slow(one: Sent, start_s: float, rng: np.random.Generator) -> np.ndarray:
    """Values as sensors give them: they wander, and some bytes never change."""
    count = int((SECONDS - start_s) * 1000 / one.period_ms)
    walk = np.cumsum(rng.normal(0, 6, (count, max(1, one.length // 2))), axis=0) + rng.uniform(0, 255)
    return np.clip(np.abs(walk), 0, 255).astype(np.uint8)


def on_the_wire(car: Car, frames: Frames) -> Frames:
    """Put frames one behind the other on each bus, as arbitration does."""
    bits, time_ns = wire_bits(frames), frames.time_ns.copy()
    for bus, rate in enumerate(car.rates):
        rows = np.flatnonzero(frames.bus == bus)
        rows = rows[np.argsort(frames.time_ns[rows], kind="stable")]
        duration = bits.nominal[rows].astype(np.int64) * S // rate
        ranks = np.array(
            [
                rank(i, bool(f & Flag.EXTENDED))
                for i, f in zip(frames.id[rows].tolist(), frames.flags[rows], strict=True)
            ]
        )
        who, starts = arbitrate(frames.time_ns[rows], ranks, duration)
        time_ns[rows[who]] = (starts + duration[who]) // 1000 * 1000
    sent = b.with_times(frames, time_ns)
    return sent.take(sent.time_ns < START + round(SECONDS * S))  # what is still queued then isn't recorded


def described(car: Car) -> CarFile | None:
    """Write and read its car file."""
    if not car.told:
        return None
    lines = ["format = 1"]
    for bus, rate in enumerate(car.rates):
        lines += [f"[bus.b{bus}]", f"bitrate = {rate}", f'interfaces = ["b{bus}"]']
    for module in sorted({one.module for one in car.sent}):
        own = [one for one in car.sent if one.module == module]
        ids = ", ".join(f'"{str(one.name).rpartition("/")[2]}"' for one in own)
        lines += [f"[module.{module}]", f'bus = "b{own[0].bus}"', f"messages = [{ids}]"]
    for one in car.sent:
        lines += [f'[frame."{one.name}"]', f"period_ms = {one.period_ms:g}"]
        if car.told == 2 and one.counter:
            lines.append(f"counter = {{ start = {one.counter.start}, length = {one.counter.length} }}")
        if car.told == 2 and one.checksum:
            sum_ = one.checksum
            lines.append(f'checksum = {{ kind = "{sum_.kind}", byte = {sum_.byte}, data_id = {sum_.data_id} }}')
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "car.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return load_car_file(path)


# What is wrong --------------------------------------------------------------------------------------------------------

Truth = Callable[[Finding], bool]
_FULL = 0.55
"""A mean load that goes beyond 60 % within some second."""


@dataclass(frozen=True)
class Case:
    """A broken recording, and which findings are right about it."""

    kind: str
    car: Car
    frames: Frames
    right: Truth
    rates: tuple[int, ...]


def _named(*pairs: tuple[str, str]) -> Truth:
    return lambda found: any(found.fault == fault and found.subject == subject for fault, subject in pairs)


def _never(_: Finding) -> bool:
    return False


def _module_of(car: Car, rng: np.random.Generator) -> list[Sent]:
    module = str(rng.choice(sorted({one.module for one in car.sent})))
    return [one for one in car.sent if one.module == module]


def cases(seed: int, kinds: Collection[str] = ()) -> Iterator[Case]:
    """Break a car in every way, or in the named ones, one at a time."""
    car = drawn(seed)
    clean = driven(car)
    for kind, damage in DAMAGES.items():
        if kinds and kind not in kinds:
            continue
        rng = np.random.default_rng([19, seed, *kind.encode()])
        found = None
        with contextlib.suppress(_NoSuchMessageError):
            found = damage(car, clean, rng)
        if found is not None:
            frames, right, *rates = found
            if car.host and "stamps" not in kind:
                frames = _stamped(frames, seed)
            yield Case(kind, car, frames, _also_of(car, clean, right), rates[0] if rates else car.rates)


def _also_of(car: Car, clean: Frames, right: Truth) -> Truth:
    """Add what is true of the car in any case: stamps of a computer, late senders, a bus that is full."""
    late = {one.subject for one in car.sent if car.jitter_us * 1.5**0.5 / 1.5 > 100 * one.period_ms}
    bits = wire_bits(clean).nominal
    loads = [bits[clean.bus == bus].sum() / rate / SECONDS for bus, rate in enumerate(car.rates)]
    full = {f"bus:b{bus}" for bus, load in enumerate(loads) if load > _FULL}

    def also(found: Finding) -> bool:
        return (
            right(found)
            or (found.fault == "host-timestamps" and car.host)
            or (found.fault == "late-frames" and found.subject in late)
            or (found.fault == "bus-overload" and found.subject in full)
        )

    return also


def _stamped(frames: Frames, seed: int) -> Frames:
    parts = [interrupted(frames.take(frames.bus == bus), seed) for bus in range(len(frames.buses))]
    return b.together(*parts)


def judged(case: Case) -> tuple[Finding, ...]:
    """Diagnose it as a user would, with what is known of the car."""
    car_file = described(case.car)
    given = None if car_file is not None and case.rates == case.car.rates else case.rates
    rates = {f"b{bus}": rate for bus, rate in enumerate(given)} if given else {}
    tracker = HealthTracker(car=car_file, bitrates=rates)
    tracker.update(case.frames)
    return diagnose(tracker.result(), car=car_file)


class _NoSuchMessageError(Exception):
    """The car sends nothing that could break so."""


Damage = Callable[[Car, Frames, np.random.Generator], "tuple[object, ...] | None"]


def _some(
    car: Car, rng: np.random.Generator, *, counted: bool = False, fast: bool = False, summed: bool = False
) -> Sent:
    able = [
        one for one in car.sent
        if (one.counter or not counted) and (one.checksum or not summed) and (one.period_ms <= 50 or not fast)
    ]  # fmt: skip
    if not able:
        raise _NoSuchMessageError
    return able[int(rng.integers(len(able)))]


def _of(frames: Frames, own: Sequence[Sent]) -> b.Mask:
    marked = np.zeros(len(frames), dtype=np.bool_)
    for one in own:
        marked |= (frames.bus == one.bus) & (frames.id == one.id)
    return marked


def _drop(car, frames, rng):
    at = sorted(rng.uniform(2, 22, int(rng.integers(1, 6))).tolist())
    buses = [("capture-drop", f"bus:b{bus}") for bus in range(len(car.rates))]
    return b.dropped(frames, at, float(rng.choice([0.06, 0.3, 1.2]))), _named(("capture-drop", "capture"), *buses)


def _drop_singly(car, frames, rng):
    lost = rng.random(len(frames)) < float(rng.choice([0.003, 0.02, 0.08]))
    return frames.take(~lost), lambda f: f.fault in ("capture-drop", "frames-lost")


def _clock(car, frames, rng):
    by = float(rng.choice([0.11, 0.77, 30.0, -0.2, -5.0]))
    return b.clock_jumped(frames, ONSET_S, by), _named(("clock-jump", "capture"))


def _echo(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    first, last = (0.0, 99.0) if rng.random() < 0.5 else (ONSET_S, END_S)
    return b.echoed(frames, bus, first, last), _named(("echo", f"bus:b{bus}"))


def _host(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    return b.stamped_by_host(frames, bus, float(rng.choice([1.0, 2.0, 4.0]))), _named(
        ("host-timestamps", f"bus:b{bus}")
    )


def _filter(car, frames, rng):
    one = _some(car, rng)
    mask = 0x1FFFF800 if one.extended else 0x780
    return b.filtered(frames, one.bus, mask, one.id & mask), _named(("filter-in-force", f"bus:b{one.bus}"))


def _errors(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    rate = float(rng.choice([0.5, 3.0, 30.0]))
    return b.with_errors(frames, bus, rate, ONSET_S, END_S, int(rng.integers(99))), _named(
        ("bus-errors", f"bus:b{bus}")
    )


def _like(frames: Frames, row: int, time_ns: np.ndarray, identifier: int, rng: np.random.Generator) -> Frames:
    more = frames.take(np.full(len(time_ns), row, dtype=np.intp))
    return replace(
        more, time_ns=time_ns.astype(np.int64), id=np.full(len(time_ns), identifier, dtype=np.uint32),
        payload=rng.integers(0, 256, more.payload.shape, dtype=np.uint8),
    )  # fmt: skip


def _crowd(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    rows = np.flatnonzero(frames.bus == bus)
    full = car.rates[bus] / 120 * float(rng.choice([0.6, 0.9]))
    taken, parts = {one.id for one in car.sent}, [frames]
    count = 25
    base = 0x20 << (15 if car.sent[0].extended else 0)
    for number in range(count):
        if base + number not in taken:
            at = START + ((ONSET_S + np.arange(0, SECONDS - ONSET_S, count / full) + number / full) * S)
            parts.append(_like(frames, int(rows[0]), at, base + number, rng))
    return on_the_wire(car, b.together(*parts)), lambda found: found.fault in ("bus-overload", "unknown-id")


def _babble(car, frames, rng):
    one = _some(car, rng)
    row = int(np.flatnonzero(_of(frames, [one]))[0])
    every = 120 / car.rates[one.bus] * float(rng.choice([1.3, 2.0, 3.0]))
    at = START + np.arange(ONSET_S, END_S, every) * S
    more = replace(frames.take(np.full(len(at), row, dtype=np.intp)), time_ns=at.astype(np.int64))
    return on_the_wire(car, b.together(frames, more)), _named(
        ("babbling-node", one.subject), ("bus-overload", f"bus:b{one.bus}")
    )


def _alone(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    inside = (frames.bus == bus) & b.between(frames, ONSET_S, END_S)
    rows = np.flatnonzero(inside)
    if not len(rows):
        return None
    every = 140 / car.rates[bus]
    at = START + np.arange(ONSET_S, END_S, every) * S
    more = replace(frames.take(np.full(len(at), rows[0], dtype=np.intp)), time_ns=at.astype(np.int64))
    return b.together(frames.take(~inside), more), _named(("no-acknowledge", f"bus:b{bus}"))


def _off(car, frames, rng):
    own = _module_of(car, rng)
    start = float(rng.choice([-1.0, ONSET_S]))
    gone = frames.take(~(_of(frames, own) & b.between(frames, start, 99.0)))
    alone = {one.module for one in car.sent if one.bus == own[0].bus} == {own[0].module}
    subject = f"bus:b{own[0].bus}" if alone else f"module:{own[0].module}"
    ids = [("id-missing", one.subject) for one in own]
    return gone, _named(("module-missing", f"module:{own[0].module}"), ("module-missing", subject), *ids)


def _bus_off(car, frames, rng):
    own = _module_of(car, rng)
    last = ONSET_S + float(rng.choice([0.15, 0.4, 0.8]))
    quiet = frames.take(~(_of(frames, own) & b.between(frames, ONSET_S, last)))
    broken = b.burst(quiet, own[0].bus, ONSET_S - 0.01, 24)
    ids = {one.subject for one in own}
    names = {f"module:{own[0].module}", f"bus:b{own[0].bus}"} | ids
    return (
        broken,
        lambda found: (
            (found.fault == "bus-off" and found.subject in names)
            or (found.fault == "bus-errors" and found.subject == f"bus:b{own[0].bus}")
        ),
    )


def _reset(car, frames, rng):
    own = _module_of(car, rng)
    back = ONSET_S + float(rng.choice([0.2, 0.6, 1.5]))
    again = driven(car, boots={own[0].module: back})
    again = again.take(~(_of(again, own) & b.between(again, ONSET_S, back)))
    ids = {one.subject for one in own}
    module, bus = f"module:{own[0].module}", f"bus:b{own[0].bus}"
    return again, lambda f: f.fault == "module-reset" and (f.subject in (module, bus) or f.subject in ids)


def _lost(car, frames, rng):
    one = _some(car, rng, fast=True)
    share = float(rng.choice([0.01, 0.05, 0.2]))
    lost = _of(frames, [one]) & (rng.random(len(frames)) < share)
    return frames.take(~lost), _named(("frames-lost", one.subject))


def _skips(car, frames, rng):
    one = _some(car, rng, counted=True, fast=True)
    left = frames.take(~(_of(frames, [one]) & (rng.random(len(frames)) < float(rng.choice([0.01, 0.05])))))
    return _recounted(left, one, np.arange(int(_of(left, [one]).sum()))), _named(("sender-skips", one.subject))


def _recounted(frames: Frames, one: Sent, number: np.ndarray) -> Frames:
    rows = np.flatnonzero(_of(frames, [one]))
    payload = frames.payload[rows][:, : one.length].copy()
    one.counter.insert(payload, number.astype(np.int64))
    if one.checksum:
        one.checksum.fill(payload, one.id)
    whole = frames.payload.copy()
    whole[rows, : one.length] = payload
    return replace(frames, payload=whole)


def _miscounted(car, frames, rng):
    one = _some(car, rng, counted=True, fast=True)
    count = int(_of(frames, [one]).sum())
    number = np.arange(count) + np.cumsum((rng.random(count) < 0.02) * int(rng.choice([2, 3, -1])))
    return _recounted(frames, one, number), _named(("counter-jump", one.subject))


def _summed(car, frames, rng):
    one = _some(car, rng, summed=True, fast=True)
    rows = np.flatnonzero(_of(frames, [one]) & (rng.random(len(frames)) < float(rng.choice([0.01, 0.1, 1.0]))))
    whole = frames.payload.copy()
    whole[rows, one.checksum.byte] ^= 0x55
    return replace(frames, payload=whole), _named(("checksum-wrong", one.subject))


def _gone(car, frames, rng):
    own = _module_of(car, rng)
    if len(own) < 3:
        return None
    one = own[int(rng.integers(len(own)))]
    last = float(rng.choice([99.0, ONSET_S + 5 * one.period_ms / 1000 + 1]))
    return frames.take(~(_of(frames, [one]) & b.between(frames, ONSET_S, last))), _named(("id-missing", one.subject))


def _late(car, frames, rng):
    one = _some(car, rng, fast=True)
    own = _of(frames, [one])
    late = rng.uniform(0, float(rng.choice([0.4, 0.9])), len(frames)) * one.period_ms * 1e6 * own
    return on_the_wire(car, b.with_times(frames, frames.time_ns + late.astype(np.int64))), _named(
        ("late-frames", one.subject)
    )


def _double(car, frames, rng):
    one = _some(car, rng, fast=True)
    second = frames.take(_of(frames, [one]) & b.between(frames, ONSET_S, 99.0))
    times = (second.time_ns - START) * (1 + 60e-6) + float(rng.uniform(0.2, 0.8)) * one.period_ms * 1e6
    second = replace(second, time_ns=START + times.astype(np.int64), payload=second.payload ^ np.uint8(0x5A))
    return on_the_wire(car, b.together(frames, second)), _named(("duplicate-id", one.subject))


def _stranger(car, frames, rng):
    if not car.told:
        return None
    one = _some(car, rng)
    number = one.id ^ (3 << 15 if one.extended else 3)
    if any(other.id == number for other in car.sent):
        return None
    at = START + np.arange(ONSET_S, SECONDS, float(rng.choice([0.01, 0.1, 0.5]))) * S
    row = int(np.flatnonzero(_of(frames, [one]))[0])
    name = FrameName(f"b{one.bus}", number, one.extended)
    return on_the_wire(car, b.together(frames, _like(frames, row, at, number, rng))), _named(
        ("unknown-id", f"id:{name}")
    )


def _frozen(car, frames, rng):
    one = _some(car, rng, counted=rng.random() < 0.5, fast=True)
    rows = np.flatnonzero(_of(frames, [one]) & b.between(frames, ONSET_S, END_S))
    return b.rewritten(frames, rows, np.repeat(frames.payload[rows[:1]], len(rows), axis=0)), _named(
        ("frozen-frame", one.subject)
    )


def _short(car, frames, rng):
    one = _some(car, rng)
    if one.length < 4:
        return None
    return b.cut_short(frames, one.bus, one.id, one.length - 2, ONSET_S, END_S), _named(("wrong-length", one.subject))


def _rate(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    other = int(rng.choice([rate for rate in set(RATES) if rate != car.rates[bus]]))
    rates = tuple(other if each == bus else rate for each, rate in enumerate(car.rates))
    return frames, _named(("wrong-bitrate", f"bus:b{bus}")), rates


def _deaf(car, frames, rng):
    bus = int(rng.integers(len(car.rates)))
    lost = frames.bus == bus
    heard = lost & (rng.random(len(frames)) < float(rng.choice([0.3, 1.0])))
    return b.together(frames.take(~lost), b.errors(bus, frames.time_ns[heard], frames)), _named(
        ("wrong-bitrate", f"bus:b{bus}")
    )


DAMAGES: Mapping[str, Damage] = {
    "nothing": lambda car, frames, rng: (frames, _never),
    "recorder drops": _drop,
    "recorder drops single frames": _drop_singly,
    "clock set": _clock,
    "echo": _echo,
    "host stamps": _host,
    "filter": _filter,
    "error frames": _errors,
    "crowded": _crowd,
    "babbling": _babble,
    "nobody acknowledges": _alone,
    "module off": _off,
    "module goes bus-off": _bus_off,
    "module restarts": _reset,
    "frames lost": _lost,
    "sender skips": _skips,
    "counter jumps": _miscounted,
    "checksums wrong": _summed,
    "identifier gone": _gone,
    "late": _late,
    "two senders": _double,
    "stranger": _stranger,
    "frozen": _frozen,
    "short": _short,
    "rate given wrongly": _rate,
    "listened at a wrong rate": _deaf,
}
