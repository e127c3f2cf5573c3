"""Faults by severity, with what must be found: fault, subject, and when it began."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding, Severity
from buswright.frames.table import Event, Frames
from buswright.health.model.health import BusHealth
from buswright.health.track import HealthTracker

from . import broken as b

CAR_FILE = Path(__file__).parents[2] / "dbc_examples" / "wrenfell.toml"
SECONDS = 40.0
ONSET_S = 17.3
END_S = 29.7


@cache
def wrenfell() -> CarFile:
    return load_car_file(CAR_FILE)


def measured(frames: Frames, events: tuple[Event, ...] = (), *, car: bool = True) -> BusHealth:
    tracker = HealthTracker(car=wrenfell()) if car else HealthTracker(bitrates={"can0": 500_000, "can1": 1_000_000})
    for piece in frames.pieces(50_000):
        tracker.update(piece)
    return tracker.result(events=events)


@dataclass(frozen=True)
class Scenario:
    """A fault in one severity.

    Attributes
    ----------
    name, severity
        For the table.
    damage
        Makes it from a clean run and a seed.
    fault, subject
        What the first root finding must be. Several faults, where the frames can't tell them apart.
    onset_s
        When it begins; None where it has no beginning.
    within_s
        How exact the beginning must be: one period of the slowest identifier concerned, unless a comment says why not.
    least, most
        The severity that it must have at least, and at most.
    count
        How often it must be; None where that is a number of frames.
    """

    name: str
    severity: str
    damage: Callable[[Frames, int], Frames]
    fault: str
    subject: str
    onset_s: float | None
    within_s: float
    least: Severity = Severity.SUSPECT
    most: Severity = Severity.FAULT
    count: int | None = None

    def __str__(self) -> str:
        return f"{self.name}-{self.severity}"


def scenarios() -> Iterator[Scenario]:
    yield from _capture()
    yield from _bus()
    yield from _modules()
    yield from _identifiers()
    yield from _contents()


def _capture() -> Iterator[Scenario]:
    for length in (0.03, 0.15, 1.0):
        for bus in (None, b.CHASSIS):
            yield Scenario(
                "recorder drop" + ("" if bus is None else ", one bus"), f"{length:g} s",
                lambda f, s, n=length, k=bus: b.dropped(f, [ONSET_S], n, k),
                "capture-drop", "capture" if bus is None else "bus:chassis", ONSET_S, 0.01,
            )  # fmt: skip
    yield Scenario(
        "recorder drop", "6 x 60 ms", lambda f, s: b.dropped(f, [5, 9.1, 14.2, 20.3, 25.7, 33.9], 0.06),
        "capture-drop", "capture", 5.0, 0.01,
    )  # fmt: skip
    for share in (0.002, 0.01, 0.05):
        yield Scenario(
            "recorder drop, single frames", f"{share:.1%}", lambda f, s, p=share: b.dropped_singly(f, p, b.CHASSIS, s),
            "capture-drop", "bus:chassis", None, 0.0,
        )  # fmt: skip
    for by in (0.0371, 0.5003, 1.0, 7.0, 3600.0123):
        yield Scenario(
            "clock forward", f"{by:g} s", lambda f, s, d=by: b.clock_jumped(f, ONSET_S, d),
            "clock-jump", "capture", ONSET_S, 0.2 if by > 0.3 else 0.02,
        )  # fmt: skip
    for by in (0.0005, 0.02, 1.5, 3600.0):
        yield Scenario(
            "clock back", f"{by:g} s", lambda f, s, d=by: b.clock_jumped(f, ONSET_S, -d),
            "clock-jump", "capture", ONSET_S, 0.01,
        )  # fmt: skip
    for first, last in ((0.0, 99.0), (ONSET_S, END_S)):
        yield Scenario(
            "echo", f"{min(last, SECONDS) - first:.0f} s", lambda f, s, p=(first, last): b.echoed(f, b.ENGINE, *p),
            "echo", "bus:engine", first + 0.1, 0.25,
        )  # fmt: skip
    for module, bus in (("damper_node", "chassis"), ("wheel_node", "chassis"), ("power_node", "engine")):
        yield Scenario(
            "echo of one module", module, lambda f, s, m=module: b.echoed_partly(f, b.of_module(f, m), s),
            "echo", f"bus:{bus}", 0.1, 0.25,
        )  # fmt: skip
    for share in (0.02, 0.3, 0.7):
        for first, last in ((0.0, 99.0), (ONSET_S, END_S)):
            yield Scenario(
                "echo of some frames", f"{share:.0%}, {min(last, SECONDS) - first:.0f} s",
                lambda f, s, p=(first, last), k=share: b.echoed_partly(f, b.share_of(f, k, b.CHASSIS, s), s, *p),
                "echo", "bus:chassis", first + 0.1, 0.25,
            )  # fmt: skip
    yield Scenario(
        "echo of one identifier", "0F0", lambda f, s: b.echoed_partly(f, b.of_ids(f, b.CHASSIS, [0x0F0]), s),
        "echo", "bus:chassis", 0.1, 0.25,
    )  # fmt: skip
    for every in (1.0, 4.0):
        yield Scenario(
            "host stamps", f"{every:g} ms", lambda f, s, e=every: b.stamped_by_host(f, b.ENGINE, e),
            "host-timestamps", "bus:engine", 0.2, 0.2,
        )  # fmt: skip
    yield Scenario(
        "receive filter", "1xx only", lambda f, s: b.filtered(f, b.ENGINE, 0x4C0, 0x080),
        "filter-in-force", "bus:engine", None, 0.0,
    )  # fmt: skip
    for mask, value, severity in ((0x7F8, 0x110, "110-117"), (0x7FE, 0x0F0, "0F0-0F1")):
        yield Scenario(
            "receive filter set on the way", severity,
            lambda f, s, m=mask, v=value: b.filtered(f, b.CHASSIS, m, v, ONSET_S),
            "filter-in-force", "bus:chassis", ONSET_S, 0.05,
        )  # fmt: skip


def _bus() -> Iterator[Scenario]:
    for rate in (0.5, 3.0, 30.0):
        yield Scenario(
            "error frames", f"{rate:g}/s", lambda f, s, r=rate: b.with_errors(f, b.CHASSIS, r, ONSET_S, END_S, s),
            "bus-errors", "bus:chassis", ONSET_S, 6.0 if rate < 1 else 1.5 if rate < 10 else 0.25,
        )  # fmt: skip
    for count in (90, 130, 158):
        yield Scenario(
            "overload", f"{count} messages more", lambda f, s, c=count: b.crowded(f, b.ENGINE, c, 0.05, ONSET_S, 99.0),
            "bus-overload", "bus:engine", ONSET_S, 0.1,
        )  # fmt: skip
    for every in (0.0008, 0.0005, 0.0003):
        yield Scenario(
            "babbling", f"{every * 1000:g} ms", lambda f, s, e=every: b.babbling(f, b.ENGINE, 0x0C0, e, ONSET_S, END_S),
            "babbling-node", "id:engine/0C0", ONSET_S, 0.1,
        )  # fmt: skip
    yield Scenario(
        "nobody acknowledges", "12 s", lambda f, s: b.unacknowledged(f, b.ENGINE, ONSET_S, END_S),
        "no-acknowledge", "bus:engine", ONSET_S, 0.01,
    )  # fmt: skip


def _modules() -> Iterator[Scenario]:
    for module in ("damper_node", "wheel_node", "power_node"):
        for length in (0.12, 0.4, 0.9):
            yield Scenario(
                f"reset of {module}", f"{length:g} s", lambda f, s, m=module, n=length: b.reset(f, [m], ONSET_S, n, s),
                "module-reset", f"module:{module}", ONSET_S, 0.05,
            )  # fmt: skip
        for lengths in ((0.12, 0.12, 0.12), (0.9, 0.9, 0.9), (0.15, 0.5, 2.2)):
            yield Scenario(
                f"three restarts of {module}", "/".join(f"{n:g}" for n in lengths) + " s",
                lambda f, s, m=module, n=lengths: b.restarted(f, m, (ONSET_S - 9, ONSET_S, ONSET_S + 8), n, s),
                "module-reset", f"module:{module}", ONSET_S - 9, 0.05, count=3,
            )  # fmt: skip
        yield Scenario(
            f"{module} late", "9 s", lambda f, s, m=module: b.silent(f, [m], -1.0, 9.0),
            "late-start", f"module:{module}", 0.1, 0.3,
        )  # fmt: skip
        yield Scenario(
            f"{module} off", "for ever", lambda f, s, m=module: b.silent(f, [m], ONSET_S, 99.0),
            "module-missing", f"module:{module}", ONSET_S, 0.05,
        )  # fmt: skip
        yield Scenario(
            f"{module} off", "from the start", lambda f, s, m=module: b.silent(f, [m], -1.0, 99.0),
            "module-missing", f"module:{module}", None, 0.05,
        )  # fmt: skip
    for reported in (True, False):
        for length in (0.15, 0.8):
            yield Scenario(
                "bus-off of damper_node" + ("" if reported else ", silent"), f"{length:g} s",
                lambda f, s, n=length, r=reported: b.off_the_bus(f, "damper_node", ONSET_S, n, reported=r),
                "bus-off", "module:damper_node", ONSET_S, 0.05,
            )  # fmt: skip
    for last, severity in ((99.0, "for ever"), (ONSET_S + 0.6, "0.6 s")):
        yield Scenario(
            "segment open", severity, lambda f, s, e=last: b.silent(f, ["wheel_node", "damper_node"], ONSET_S, e),
            "segment-open", "bus:chassis", ONSET_S, 0.05,
        )  # fmt: skip
    for length in (0.3, 1.2, 5.0):
        yield Scenario(
            "power cycle", f"{length:g} s", lambda f, s, n=length: b.cycled(f, ONSET_S, n, s),
            "power-cycle", "capture", ONSET_S, 0.05, most=Severity.SUSPECT, count=1,
        )  # fmt: skip


def _identifiers() -> Iterator[Scenario]:
    for share in (0.003, 0.02, 0.2):
        yield Scenario(
            "frames lost", f"{share:.1%}", lambda f, s, p=share: b.lost(f, b.CHASSIS, 0x1A0, p, ONSET_S, 99.0, s),
            "frames-lost", "id:chassis/1A0", ONSET_S, 0.05 / share,
        )  # fmt: skip
        yield Scenario(
            "sender skips", f"{share:.1%}", lambda f, s, p=share: b.skipped(f, b.CHASSIS, 0x1A0, p, ONSET_S, 99.0, s),
            "sender-skips", "id:chassis/1A0", ONSET_S, 0.05 / share,
        )  # fmt: skip
    for first, last in ((ONSET_S, 99.0), (ONSET_S, ONSET_S + 3)):
        yield Scenario(
            "identifier gone", f"{min(last, SECONDS) - first:.0f} s",
            lambda f, s, p=(first, last): b.gone(f, b.CHASSIS, 0x1B2, *p),
            "id-missing", "id:chassis/1B2", ONSET_S, 0.04,
        )  # fmt: skip
    yield Scenario(
        "identifier gone", "from the start", lambda f, s: b.gone(f, b.CHASSIS, 0x1B2, -1.0, 99.0),
        "id-missing", "id:chassis/1B2", None, 0.0,
    )  # fmt: skip
    for share in (0.4, 0.9):
        yield Scenario(
            "jitter", f"{share:g} periods", lambda f, s, p=share: b.jittery(f, b.CHASSIS, [0x1A0], p, s),
            # Spread alone is a note: on other cars it was hardly ever a fault. One frame in a thousand far off is one.
            "late-frames", "id:chassis/1A0", None, 0.0, Severity.NOTE if share < 0.5 else Severity.SUSPECT,
        )  # fmt: skip
    for phase in (0.2, 0.5):
        yield Scenario(
            "two senders", f"phase {phase:g}",
            lambda f, s, p=phase: b.two_senders(f, b.CHASSIS, 0x0F0, p, 60.0, ONSET_S, 99.0),
            "duplicate-id", "id:chassis/0F0", ONSET_S, 0.02,
        )  # fmt: skip
    yield Scenario(
        # Without a counter the windows of ten seconds are all that tells when it began.
        "two senders, no counter", "phase 0.4",
        lambda f, s: b.two_senders(f, b.CHASSIS, 0x110, 0.4, 40.0, ONSET_S, 99.0),
        "duplicate-id", "id:chassis/110", ONSET_S, 10.0,
    )  # fmt: skip
    for every in (0.01, 0.5):
        yield Scenario(
            "unknown identifier", f"{every:g} s",
            lambda f, s, e=every: b.stranger(f, b.ENGINE, 0x555, e, ONSET_S, 99.0),
            "unknown-id", "id:engine/555", ONSET_S, 0.5,
        )  # fmt: skip


def _contents() -> Iterator[Scenario]:
    for length in (0.6, 3.0, 20.0):
        yield Scenario(
            "frozen", f"{length:g} s", lambda f, s, n=length: b.frozen(f, b.CHASSIS, 0x111, ONSET_S, ONSET_S + n),
            "frozen-frame", "id:chassis/111", ONSET_S, 0.01,
        )  # fmt: skip
    for share, step in ((0.002, 3), (0.05, 2), (0.01, -1), (0.01, -4)):
        yield Scenario(
            "counter", f"{share:.1%} by {step}",
            lambda f, s, p=share, n=step: b.miscounted(f, b.CHASSIS, 0x0F1, p, n, s),
            "counter-jump", "id:chassis/0F1", None, 0.0,
        )  # fmt: skip
    for share in (0.001, 0.02, 1.0):
        yield Scenario(
            "checksum", f"{share:.1%}", lambda f, s, p=share: b.wrong_checksums(f, b.CHASSIS, 0x0F0, p, s),
            "checksum-wrong", "id:chassis/0F0", None, 0.0,
        )  # fmt: skip
    for identifier, length in ((0x2D1, 6), (0x112, 4)):
        yield Scenario(
            "short frame", f"{length} bytes",
            lambda f, s, i=identifier, n=length: b.cut_short(f, b.CHASSIS, i, n, ONSET_S, ONSET_S + 4),
            "wrong-length", f"id:chassis/{identifier:03X}", ONSET_S, 0.05,
        )  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What was found of a scenario."""

    scenario: Scenario
    seed: int
    roots: tuple[Finding, ...]
    start_ns: int

    @property
    def hit(self) -> Finding | None:
        """The root that is right in fault and subject."""
        wanted = (self.scenario.fault, self.scenario.subject)
        return next((f for f in self.roots if (f.fault, f.subject) == wanted), None)

    @property
    def others(self) -> tuple[Finding, ...]:
        """Roots at suspect or above that are something else."""
        return tuple(f for f in self.roots if f is not self.hit and f.severity >= Severity.SUSPECT)

    @property
    def late_s(self) -> float | None:
        """How far the found beginning is from the true one."""
        if self.hit is None or self.hit.start_ns is None or self.scenario.onset_s is None:
            return None
        return (self.hit.start_ns - self.start_ns) / 1e9 - self.scenario.onset_s

    def faults(self) -> list[str]:
        """What is not as it should be."""
        said = []
        if self.hit is None:
            said.append("not found")
        elif self.hit.severity < self.scenario.least:
            said.append(f"only {self.hit.severity.name}")
        elif self.hit.severity > self.scenario.most:
            said.append(f"even {self.hit.severity.name}")
        elif self.scenario.count not in (None, self.hit.count):
            said.append(f"{self.hit.count} times")
        if self.late_s is not None and abs(self.late_s) > self.scenario.within_s:
            said.append(f"began {self.late_s:+.3f} s off")
        # Those who crowd a bus are strangers to it.
        allowed = {"overload": {"unknown-id"}}.get(self.scenario.name, set())
        said += [f"also {f.fault} {f.subject} {f.severity.name}" for f in self.others if f.fault not in allowed]
        return said


def run(scenario: Scenario, seed: int) -> Outcome:
    frames = scenario.damage(b.clean(SECONDS, seed), seed)
    return Outcome(scenario, seed, diagnose(measured(frames), car=wrenfell()), int(frames.time_ns[0]))
