"""How each bus is at the moment: received or silent, how full, how many errors, what was lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.diagnosis.bus.errors import errors_severity
from buswright.diagnosis.bus.load import Crowd, crowd, load_severity
from buswright.diagnosis.case import SECOND
from buswright.diagnosis.now.moment import Moment, Reception
from buswright.diagnosis.now.recording import drops_severity
from buswright.findings import Finding, Severity
from buswright.health.model.health import BusFigures

SILENT_NS = SECOND
"""A bus without a frame for longer is called silent."""
_LATEST_NS = 3 * SECOND
_WELL = ("", "error-active", "restarted")
_SAID_ELSEWHERE = frozenset({"bus-overload", "bus-errors"})
_SURE = frozenset({"", "proven", "not needed"})


@dataclass(frozen=True, slots=True)
class Losses:
    """Frames of one bus that were lost on the way.

    Attributes
    ----------
    by
        Whose counters these are: this program's own, or those of the recorder of a capture.
    here, kernel
        In this program; in each place of the kernel that lost any.
    recorded
        What the recorder of a capture said; None where it lost an unknown number. 0 where it lost nothing.
    known
        False where nobody counts what the kernel loses.
    severity
        None where nothing was lost.
    """

    by: str
    here: int
    kernel: tuple[tuple[str, int], ...]
    recorded: int | None
    known: bool
    severity: Severity | None


@dataclass(frozen=True, slots=True)
class BusState:
    """How a bus is.

    Attributes
    ----------
    name, figures, reception
        Which; None where nothing was measured of it, or nobody says how it is received.
    received
        False while its adapter is gone.
    silent_since_ns
        Its last frame, where it is received and silent; None otherwise.
    load, load_severity
        Over the last seconds, None without a bit rate; its level by the limits, None where it is in order.
    look, fault, peak_look
        The limits: over a second worth a look and a fault, over 100 ms worth a look.
    crowd
        Its fullest moments so far; None without a bit rate.
    peak_severity
        Of the highest 100 ms so far.
    errors, errors_per_s
        Level of its error frames and controller; None where there is nothing; and their rate now.
    losses
        See there.
    listening
        SUSPECT where the adapter may acknowledge, None otherwise.
    found
        The gravest finding about it that load and errors don't tell already, if it is suspect or worse.
    """

    name: str
    figures: BusFigures | None
    reception: Reception | None
    received: bool
    silent_since_ns: int | None
    load: float | None
    load_severity: Severity | None
    look: float
    fault: float
    peak_look: float
    crowd: Crowd | None
    peak_severity: Severity | None
    errors: Severity | None
    errors_per_s: float
    losses: Losses
    listening: Severity | None
    found: Finding | None

    @property
    def severity(self) -> Severity | None:
        """The gravest of everything that is said of it."""
        grave = (
            Severity.FAULT if not self.received or self.silent_since_ns is not None else None,
            self.load_severity,
            self.crowd.severity if self.crowd else None,
            self.errors,
            self.losses.severity,
            self.listening,
            self.found.severity if self.found else None,
        )
        return max((each for each in grave if each is not None), default=None)


def judge_buses(moment: Moment) -> tuple[BusState, ...]:
    """Judge all buses: what is received, then what was measured beside that."""
    return tuple(_bus(moment, name) for name in moment.buses)


def _bus(moment: Moment, name: str) -> BusState:
    case, figures = moment.case, moment.health.buses.get(name)
    reception = next((each for each in moment.receptions if each.bus == name), None)
    recent = moment.recent.buses.get(name)
    per_s = recent.errors_per_s if recent else 0.0
    load = None if figures is None else load_now(moment, figures)
    full = None if figures is None or figures.bitrate.bits_per_s is None else crowd(case, figures)
    peak_look = case.limit("load_peak_suspect", bus=name)
    found = [each for each in moment.found.roots if each.subject == f"bus:{name}" and each.fault not in _SAID_ELSEWHERE]
    return BusState(
        name=name,
        figures=figures,
        reception=reception,
        received=name not in moment.unheard,
        silent_since_ns=_silent_since(moment, name),
        load=load,
        load_severity=load_severity(case, name, load),
        look=case.limit("load_suspect", bus=name),
        fault=case.limit("load_fault", bus=name),
        peak_look=peak_look,
        crowd=full,
        peak_severity=Severity.SUSPECT if full is not None and full.peak_ns is not None else None,
        errors=None if figures is None else _errors(moment, figures, per_s),
        errors_per_s=per_s,
        losses=_losses(moment, name, reception),
        listening=None if reception is None or reception.listening in _SURE else Severity.SUSPECT,
        found=next((each for each in found if each.severity > Severity.NOTE), None),
    )


def load_now(moment: Moment, figures: BusFigures) -> float | None:
    """Return a bus's load over the last seconds; None without a bit rate."""
    rate, recent = figures.bitrate, moment.recent.buses.get(figures.name)
    if rate.bits_per_s is None or recent is None:
        return None
    if rate.data_bits_per_s is None or not figures.data_bits:
        return recent.bits_per_s / rate.bits_per_s
    windows, now = figures.slow_windows, moment.now_ns or 0  # two bit rates: only windows know both
    done = np.flatnonzero(windows.start_ns + windows.width_ns <= now)
    if not len(done) or now - int(windows.start_ns[done[-1]]) > _LATEST_NS:
        return 0.0
    return float(windows.load[done[-1]])


def _silent_since(moment: Moment, name: str) -> int | None:
    last, now = moment.bus_last_ns(name), moment.now_ns
    if name in moment.unheard or last is None or now is None or now - last <= SILENT_NS:
        return None
    return last


def _errors(moment: Moment, figures: BusFigures, per_s: float) -> Severity | None:
    severity, errors = errors_severity(moment.case, figures, per_s), figures.errors
    if severity is None and errors.states and errors.states[-1].state not in _WELL:
        return Severity.SUSPECT
    return Severity.NOTE if severity is None and errors.count else severity


def _losses(moment: Moment, name: str, reception: Reception | None) -> Losses:
    """Say what was lost on the way to this program, or to the recorder of a capture."""
    drops = reception.drops if reception is not None else None
    if drops is None:
        own = [each for each in moment.health.capture.drops if each.bus in (name, None)]
        counted = [each.frames for each in own if each.frames is not None]
        number = sum(counted) if counted or not own else None
        return Losses("recorder", 0, (), number, True, Severity.FAULT if own else None)
    kernel = tuple((at, number) for at, number in drops.kernel.items() if number)
    return Losses("program", drops.queue, kernel, 0, drops.known, drops_severity(drops))
