"""Supplies that sag: a reference voltage that is off, or channels that all scale by one factor."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Need
from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import Case, Sighting, Window, merged, sighting
from buswright.diagnosis.sensors.rails import POWER_OFF
from buswright.diagnosis.sensors.sharing import CHECKS, THREE_WIRES, named, reach_of
from buswright.diagnosis.sensors.steps import SLOW_HZ, WIDTH, change, column, in_volts, kinds, moment, peaks
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.health.channels.stretches import stretches_of
from buswright.wording import percent, plural, times

_NOMINAL_V = 5.0
_LEAST_MEMBERS = 3
_SHARE = 0.8
"""Share of the channels that stand still enough to show it which must agree."""
_QUIET = 4.0
"""A channel shows a step where it is so many times what it moves just before and after."""
_LEAST_KINDS = 2
"""Sensors of one kind can really move by one factor: dampers of an axle."""
_LEAST_WINDOWS = 5
_LOWEST_V = 0.05
"""Volts below this are taken as this: a factor of nothing is none."""
_STANDS_OUT = 5.0
_AT_ONCE = 0.7
"""Share of the step that must be there within `_SHORT` windows."""
_SHORT = 3
"""Windows before and after a step of the reference: sensors move meanwhile."""
_STEPPED = 0.02
_MOST_STEPS = 20
_HIGHEST = 1.5
"""No supply is so many times its nominal value from beginning to end: that number is read wrongly."""
_ONCE = 0.9
_RESTLESS = 0.02
"""A supply stands still. Noise above this part of it is that of wrong bytes."""
_DEEP = 0.9
"""A factor below this is a fault."""
_LOST = 0.5
"""A supply below this part of its nominal value is lost, not sagging."""


def sag_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the reference voltages that are logged, then every group of channels on one supply."""
    channels = case.channels
    if channels is None:
        return
    said = set()
    for each in channels.with_role("reference_voltage"):
        found = _reference(case, channels, each)
        if found is not None:
            said.add(found.finding.subject)
            yield found
    watched = {each.module for each in channels.with_role("reference_voltage") if len(each.value_grid)}
    for subject, members in _groups(channels):
        # Where a reference is logged, it says itself whether its supply sags.
        if subject not in said and not watched.intersection(each.module for each in members):
            yield from _by_factor(case, channels, subject, members)


def _groups(channels: Channels) -> Iterator[tuple[str, list[ChannelEvidence]]]:
    """Yield sensors that a supply feeds by supply; those of which nobody says it by module."""
    fed = [
        each
        for each in channels.values()
        if in_volts(each) and each.sensor is not None and each.sensor.calibration.kind in THREE_WIRES
    ]
    for name, members in channels.groups("supply", fed).items():
        yield f"supply:{name}", members
    for name, members in channels.groups("module", [each for each in fed if each.shares("supply") is None]).items():
        yield f"module:{name}", members


# A reference that is logged -------------------------------------------------------------------------------------------


def _reference(case: Case, channels: Channels, each: ChannelEvidence) -> Sighting | None:
    if not units.compatible(each.series.unit, "V") or not len(each.value_grid):
        return None
    grid = each.value_grid
    volts = units.convert(grid.mean, each.series.unit, "V")
    nominal, subject, members = _what_it_feeds(channels, each)
    if nominal is None:
        usual, highest = np.quantile(volts, [0.5, 0.99]).tolist()
        usual = usual if usual >= _LOST * highest else highest
        nominal = _NOMINAL_V if 0.8 * _NOMINAL_V < usual < 1.2 * _NOMINAL_V else usual
    off = volts - nominal
    if not _is_read_rightly(each, volts, nominal):
        return None
    follows = bool(members) and _followed(channels, each, members, whole=True) is not None
    if not follows:
        off = np.minimum(off, 0.0)  # what rises alone is the number, not the supply
    suspect = case.limit("reference_off_suspect_v", channel=each.name)
    found = stretches_of(np.abs(off) >= suspect)
    found = found.take(found.stop - found.first >= _LEAST_WINDOWS)
    if not len(found):
        return None
    inside = found.mask(len(off))
    worst = float(off[inside][np.argmax(np.abs(off[inside]))])
    windows = [
        Window(int(grid.start_ns[a]), int(grid.start_ns[b - 1]) + FINE_NS)
        for a, b in zip(found.first.tolist(), found.stop.tolist(), strict=True)
    ]
    fault = abs(worst) >= case.limit("reference_off_fault_v", channel=each.name)
    ratiometric = [one for one in members if any(need.channel == each.name for need in _needs(one))]
    evidence = [
        f"{each.name} was {abs(worst):.2f} V {'below' if worst < 0 else 'above'} {nominal:g} V at worst.",
        f"That was {case.spans(windows)}.",
    ]
    if members:
        evidence.append(f"It feeds {named(members)}.")
    if ratiometric:
        evidence.append(f"{named(ratiometric)} correct for it, so their values stay right while it is measured.")
    return sighting(
        "supply-sag",
        Severity.FAULT if fault else Severity.SUSPECT,
        subject,
        windows=windows,
        count=len(windows),
        confidence=0.9 if fault else 0.75,
        evidence=evidence,
        threshold=case.used("reference_off_suspect_v", "reference_off_fault_v", channel=each.name),
        ruled_out=[f"Not one sensor's wire: {each.name} itself shows it."],
        next_check=_check(subject),
        caution=POWER_OFF,
        reach=reach_of(case, [each, *members]),
    )


def _is_read_rightly(each: ChannelEvidence, volts: Floats, nominal: float) -> bool:
    """Whether these are volts of a supply: of its size, standing still, and none that the database rules out."""
    if not _LOST * nominal <= float(np.median(volts)) <= _HIGHEST * nominal:
        return bool(np.quantile(volts, _ONCE) >= _LOST * nominal) and float(np.median(volts)) <= nominal
    jumps = each.fast_noise * abs(units.line(each.series.unit, "V")[0]) if np.isfinite(each.fast_noise) else 0.0
    return jumps <= _RESTLESS * nominal


def _needs(each: ChannelEvidence) -> tuple[Need, ...]:
    return each.sensor.calibration.needs if each.sensor is not None else ()


def _what_it_feeds(channels: Channels, reference: ChannelEvidence) -> tuple[float | None, str, list[ChannelEvidence]]:
    """Return the nominal value of a reference, whose subject it is, and the channels that it feeds."""
    nominal = next(
        (need.nominal for each in channels.values() for need in _needs(each) if need.channel == reference.name), None
    )
    own = reference.shares("supply")
    same = [each for each in channels.values() if each.module == reference.module and in_volts(each)]
    by_need = {
        each.shares("supply")
        for each in channels.values()
        if any(need.channel == reference.name for need in _needs(each)) and each.shares("supply")
    }
    supplies = {own} if own else by_need or {each.shares("supply") for each in same if each.shares("supply")}
    name = next(iter(supplies)) if len(supplies) == 1 else _followed(channels, reference, same)
    if name is not None:
        return nominal, f"supply:{name}", [each for each in channels.values() if each.shares("supply") == name]
    subject = f"module:{reference.module}" if reference.module else reference.subject
    return nominal, subject, same


def _followed(
    channels: Channels, reference: ChannelEvidence, same: Sequence[ChannelEvidence], *, whole: bool = False
) -> str | None:
    """Return the supply whose sensors move by the factor of a reference where it steps; None where none does.

    With `whole` all of them are taken as one supply, also where the car file doesn't name it.
    """
    number = channels.number
    own = change(np.log(np.maximum(reference.value_grid.held(number), _LOWEST_V)), width=_SHORT)
    at = peaks(own, -np.log(1.0 - _STEPPED))[:_MOST_STEPS]
    if not len(at):
        return None
    off: dict[str, list[float]] = {}
    for each in same:
        supply = "" if whole else each.shares("supply")
        if (
            supply is None
            or each is reference
            or each.sensor is None
            or each.sensor.calibration.kind not in THREE_WIRES
        ):
            continue
        volts = column(each.grid, number, each.series.rate_hz) / (each.per_volt or 1.0)
        follows = change(np.log(np.maximum(volts, _LOWEST_V)), hz=each.series.rate_hz, width=_SHORT)
        apart = np.abs(follows[at] - own[at])
        off.setdefault(supply, []).extend(apart[np.isfinite(apart)].tolist())
    ranked = sorted((float(np.median(values)), supply) for supply, values in off.items() if values)
    if not ranked or ranked[0][0] > float(np.median(np.abs(own[at]))) / 2:
        return None
    return ranked[0][1]


# Without one ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Step:
    """One moment at which channels scaled by one factor: window, log of the factor, who showed it, how well."""

    at: int
    factor: float
    members: tuple[ChannelEvidence, ...]
    spread: float


def _by_factor(case: Case, channels: Channels, subject: str, members: Sequence[ChannelEvidence]) -> Iterator[Sighting]:
    if len(members) < _LEAST_MEMBERS:
        return
    number = channels.number
    usable = [each for each in members if len(each.grid)]
    if not usable:
        return
    columns = [
        np.maximum(column(each.grid, number, each.series.rate_hz) / (each.per_volt or 1.0), _LOWEST_V)
        for each in usable
    ]
    logs = [np.log(values) for values in columns]
    changes = np.vstack([change(log, hz=each.series.rate_hz) for each, log in zip(usable, logs, strict=True)])
    least = -np.log(1.0 - case.limit("sag_share"))
    steps = [
        step
        for at in peaks(_median(changes), least).tolist()
        if (step := _step(case, usable, columns, logs, changes[:, at], at)) is not None
    ]
    downs = [step for step in steps if step.factor < 0]
    if not downs:
        return
    windows = merged(_span(number, step, steps) for step in downs)
    deepest = min(downs, key=lambda step: step.factor)
    shown = deepest.members
    yield sighting(
        "supply-sag",
        Severity.FAULT if np.exp(deepest.factor) < _DEEP else Severity.SUSPECT,
        subject,
        windows=windows,
        count=len(downs),
        confidence=0.8 if subject.startswith("supply") else 0.5,
        evidence=[
            (
                f"{len(shown)} channels fell to {np.exp(deepest.factor):.3f} of their volts together, "
                f"{times(len(downs))}: {named(shown)}."
            ),
            (
                f"The factor is the same for all within {percent(deepest.spread)}, whatever their volts: "
                f"{_volts_of(shown, usable, columns, deepest.at)}."
            ),
            "A module whose converter is fed by the same supply would not show this, so the sag may be older.",
        ],
        threshold=case.used("sag_share", "sag_spread"),
        ruled_out=[
            "Not a ground shift: that moves all by the same millivolts, not by the same part.",
            f"Not one sensor: {plural(len(shown), 'channel')} did it at the same moment.",
        ],
        next_check=_check(subject),
        caution=POWER_OFF,
        reach=reach_of(case, members),
    )


def _median(changes: Floats) -> Floats:
    """Median over channels, NaN where fewer than three are known; float64[k]."""
    known = np.isfinite(changes).sum(axis=0) >= _LEAST_MEMBERS
    found = np.full(changes.shape[1], np.nan)
    found[known] = np.nanmedian(changes[:, known], axis=0)
    return found


def _step(
    case: Case,
    members: Sequence[ChannelEvidence],
    columns: Sequence[Floats],
    logs: Sequence[Floats],
    changed: Floats,
    at: int,
) -> _Step | None:
    """Tell whether the channels that stand still just then all scaled by one factor at a window."""
    middle = float(np.nanmedian(changed))
    moves = np.array([max(_spread(log[max(0, at - WIDTH) : at]), _spread(log[at + 2 : at + WIDTH])) for log in logs])
    quiet = np.isfinite(changed) & (moves * _QUIET <= abs(middle))
    if quiet.sum() < _LEAST_MEMBERS or np.exp(-abs(middle)) < _LOST:
        return None
    middle = float(np.median(changed[quiet]))
    # What moves a little by itself may be off by twice that, as long as the factor stands out.
    apart = np.minimum(np.maximum(case.limit("sag_spread"), 2.0 * moves), abs(middle) / _STANDS_OUT)
    agree = quiet & (np.abs(changed - middle) <= apart)
    agree &= np.array([_is_sharp(each, log, middle, at) for each, log in zip(members, logs, strict=True)])
    if agree.sum() < _LEAST_MEMBERS or agree.sum() < _SHARE * quiet.sum():
        return None
    rows = np.flatnonzero(agree).tolist()
    if kinds([members[row] for row in rows]) < _LEAST_KINDS:
        return None
    before = np.array([np.nanmean(columns[row][at - WIDTH : at]) for row in rows])
    moved = before * np.expm1(changed[rows])
    # The same millivolts on all would be a ground: the factor must fit better than the difference.
    if moved.std() / abs(moved.mean()) < changed[rows].std() / abs(middle):
        return None
    return _Step(at, middle, tuple(members[row] for row in rows), float(np.ptp(changed[rows])))


def _is_sharp(each: ChannelEvidence, log: Floats, middle: float, at: int) -> bool:
    """Whether a channel's step is over within some windows: a supply sags at once, cars move slowly."""
    if each.series.rate_hz < SLOW_HZ:
        return True
    before, after = log[at - _SHORT : at], log[at + 1 : at + 1 + _SHORT]
    if not np.isfinite(before).any() or not np.isfinite(after).any():
        return False
    return bool((np.nanmean(after) - np.nanmean(before)) / middle >= _AT_ONCE)


def _spread(part: Floats) -> float:
    """Return how much a column moves in some windows; infinite where too few are known."""
    known = part[np.isfinite(part)]
    return float(known.std()) if len(known) >= WIDTH // 2 else np.inf


def _span(number: Int64s, step: _Step, steps: Sequence[_Step]) -> Window:
    """From a step down to the next one up, or to the end."""
    up = next((other for other in steps if other.at > step.at and other.factor > 0), None)
    return Window(moment(number, step.at), moment(number, up.at if up is not None else len(number) - 1))


def _volts_of(
    shown: Sequence[ChannelEvidence], members: Sequence[ChannelEvidence], columns: Sequence[Floats], at: int
) -> str:
    parts = []
    for each in shown[:4]:
        values = columns[list(members).index(each)]
        before, after = np.nanmean(values[max(0, at - 10) : at]), np.nanmean(values[at + 2 : at + 12])
        parts.append(f"{each.name} {before:.2f} to {after:.2f} V")
    return ", ".join(parts)


def _check(subject: str) -> str:
    what, _, name = subject.partition(":")
    return CHECKS[what].format(name=name) if what in CHECKS else f"Measure the voltage of {name} at the module, key on."
