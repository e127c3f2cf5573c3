"""Supplies that sag: a reference voltage that is off, or channels that all scale by one factor."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Need
from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import Answers, Case, Sighting, Why, Window, merged, sighting
from buswright.diagnosis.sensors.disturbed.factor import LOST, common_factors
from buswright.diagnosis.sensors.sharing import CHECKS, named, reach_of
from buswright.diagnosis.sensors.steps import change, column, peaks
from buswright.diagnosis.sensors.wired import POWER_OFF, in_volts, is_fed
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.health.channels.stretches import stretches_of
from buswright.wording import listed, percent, plural, times

_NOMINAL_V = 5.0
_AT, _WHILE = 0.04, 0.05
"""A supply that has been within this part of 5 V, for this part of the run, is one of 5 V."""
_LEAST_WINDOWS = 5
_LOWEST_V = 0.05
"""Volts below this are taken as this: a factor of nothing is none."""
_SHORT = 3
"""Windows before and after a step of the reference: sensors move meanwhile."""
_STEPPED = 0.02
_MOST_STEPS = 20
_CALM, _FOLLOWS = 0.25, 0.3
"""Part of its sensors that are calm at a step of a reference, and by which part of the step these may miss it."""
_HIGHEST = 1.5
"""No supply is so many times its nominal value from beginning to end: that number is read wrongly."""
_ONCE = 0.9
_RESTLESS = 0.02
"""A supply stands still. Noise above this part of it is that of wrong bytes."""
_LEAST_KEPT, _MOST_KEPT = 2, 0.7
"""Sensors, and their share, that must keep their volts to say that a reference was there all the time."""
_DEEP = 0.9
"""A factor below this is a fault."""


def sag_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the reference voltages that are logged, then every group of channels on one supply."""
    channels = case.decoded
    said = set()
    for each in channels.with_role("reference_voltage"):
        found = _reference(case, each)
        if found is not None:
            said.add(found.finding.subject)
            yield found
    for subject, members in _fed_by(channels):
        if subject not in said:
            yield from _by_factor(case, subject, members)


def _fed_by(channels: Channels) -> Iterator[tuple[str, list[ChannelEvidence]]]:
    """Yield sensors that a supply feeds by supply; those of which nobody says it by module."""
    fed = [each for each in channels.values() if in_volts(each) and is_fed(each)]
    for name, members in channels.groups("supply", fed).items():
        yield f"supply:{name}", members
    for name, members in channels.groups("module", [each for each in fed if each.shares("supply") is None]).items():
        yield f"module:{name}", members


# A reference that is logged -------------------------------------------------------------------------------------------


def _reference(case: Case, each: ChannelEvidence) -> Sighting | None:
    if not units.compatible(each.series.unit, "V") or not len(each.value_grid):
        return None
    channels, grid = case.decoded, each.value_grid
    volts = units.convert(grid.mean, each.series.unit, "V")
    nominal, subject, members = _what_it_feeds(channels, each)
    if nominal is None:
        usual, highest = np.quantile(volts, [0.5, 0.99]).tolist()
        usual = usual if usual >= LOST * highest else highest
        # A supply of 5 V may be low for most of a run: what it has been for a while tells which it is.
        at_five = np.mean(np.abs(volts - _NOMINAL_V) <= _AT * _NOMINAL_V) >= _WHILE
        nominal = _NOMINAL_V if at_five or 0.8 * _NOMINAL_V < usual < 1.2 * _NOMINAL_V else usual
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
    kept = _kept(channels, members, grid.number[inside]) if nominal + worst < LOST * nominal else []
    if kept:
        return _number_broken(case, each, members, kept, windows)
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
        confidence=0.9 if fault else 0.75,
        evidence=evidence,
        threshold=case.used("reference_off_suspect_v", "reference_off_fault_v", channel=each.name),
        ruled_out=[f"Not one sensor's wire: {each.name} itself shows it."],
        next_check=_check(subject),
        caution=POWER_OFF,
        reach=reach_of(case, [each, *members]),
    )


def _kept(channels: Channels, members: Sequence[ChannelEvidence], lost: Int64s) -> list[ChannelEvidence]:
    """Return the sensors of a reference if most of them kept their volts in windows in which it was gone."""
    known, kept = 0, []
    for each in members:
        if not is_fed(each) or not len(each.grid):
            continue
        volts = each.grid.held(channels.number)
        gone = np.isin(channels.number, lost)
        inside, outside = volts[gone & np.isfinite(volts)], volts[~gone & np.isfinite(volts)]
        if not len(inside) or not len(outside):
            continue
        known += 1
        if float(np.median(inside)) > LOST * float(np.median(outside)) and float(np.median(outside)) > 0:
            kept.append(each)
    return kept if len(kept) >= _LEAST_KEPT and len(kept) >= _MOST_KEPT * known else []


def _number_broken(
    case: Case,
    each: ChannelEvidence,
    members: Sequence[ChannelEvidence],
    kept: Sequence[ChannelEvidence],
    windows: Sequence[Window],
) -> Sighting:
    """Say that the measurement of a reference is broken and not the reference."""
    return sighting(
        "open-circuit",
        Severity.FAULT,
        each.subject,
        told=windows,  # numbers that are off somewhere in the run have no time of their own
        count=len(windows),
        confidence=0.8,
        evidence=[
            f"{each.name} fell to nearly nothing {case.spans(windows)}.",
            f"{named(kept)} kept their volts meanwhile, so their supply was there.",
            "Values that are corrected for it were wrong in that time.",
            "An open wire and one shorted to ground look the same in this number.",
        ],
        threshold=case.used("reference_off_fault_v", channel=each.name),
        ruled_out=["Not the supply: without it the sensors that it feeds would read 0 V."],
        next_check="Measure the supply at a sensor's plug, key on. Then check the wire and the pin by which the module "
        f"measures {each.name}.",
        caution=POWER_OFF,
        reach=reach_of(case, [each, *members]),
        rivals=[Rival("short-to-ground", each.subject, "an open wire and one shorted to ground give the same number")],
    )


def _is_read_rightly(each: ChannelEvidence, volts: Floats, nominal: float) -> bool:
    """Whether these are volts of a supply: of its size, standing still, and none that the database rules out."""
    if not LOST * nominal <= float(np.median(volts)) <= _HIGHEST * nominal:
        return bool(np.quantile(volts, _ONCE) >= LOST * nominal) and float(np.median(volts)) <= nominal
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
    size = float(np.median(np.abs(own[at])))
    off: dict[str, list[float]] = {}
    for each in same:
        supply = "" if whole else each.shares("supply")
        if supply is None or each is reference or not is_fed(each):
            continue
        volts = column(each.grid, number, each.series.rate_hz) / (each.per_volt or 1.0)
        follows = change(np.log(np.maximum(volts, _LOWEST_V)), hz=each.series.rate_hz, width=_SHORT)
        apart = np.abs(follows[at] - own[at])
        off.setdefault(supply, []).extend(apart[np.isfinite(apart)].tolist())
    # Those that move by themselves meanwhile are off by that; the calm ones follow.
    ranked = sorted((float(np.quantile(values, _CALM)), supply) for supply, values in off.items() if values)
    if not ranked or ranked[0][0] > _FOLLOWS * size:
        return None
    return ranked[0][1]


# Without one ----------------------------------------------------------------------------------------------------------


def _by_factor(case: Case, subject: str, members: Sequence[ChannelEvidence]) -> Iterator[Sighting]:
    channels = case.decoded
    named_supply = subject.startswith("supply")
    steps = sorted(common_factors(case, members, share=named_supply), key=lambda step: step.time_ns)
    if not steps:
        return
    start, end = int(channels.number[0]) * FINE_NS, int(channels.number[-1]) * FINE_NS
    downs = [step for step in steps if step.factor < 0]
    ups = [step for step in steps if step.factor > 0]
    windows = merged(
        Window(step.time_ns, next((up.time_ns for up in ups if up.time_ns > step.time_ns), end)) for step in downs
    )
    if not downs:  # it came back: when it began nobody saw
        windows = (Window(start, ups[-1].time_ns),)
    deepest = max(downs or ups, key=lambda step: abs(step.factor))
    shown = [one.each for one in deepest.members]
    volts = [f"{one.each.name} {one.before:.2f} to {one.after:.2f} V" for one in deepest.members[:4]]
    logged = [each for each in channels.with_role("reference_voltage") if each.module in {one.module for one in shown}]
    yield sighting(
        "supply-sag",
        Severity.FAULT if np.exp(-abs(deepest.factor)) < _DEEP else Severity.SUSPECT,
        subject,
        windows=windows,
        count=len(downs or ups),
        confidence=0.8 if named_supply else 0.5,
        evidence=[
            (
                f"{len(shown)} channels {'fell' if downs else 'rose'} to {np.exp(deepest.factor):.3f} of their volts "
                f"together, {times(len(downs or ups))}: {named(shown)}."
            ),
            *([] if downs else ["So the supply was low before. When that began was not seen."]),
            f"The factor is the same for all within {percent(deepest.spread)}, whatever their volts: {listed(volts)}.",
            f"{named(logged)} stayed as it was, so look behind the place where it is measured."
            if logged
            else "A module whose converter is fed by the same supply would not show this, so the sag may be older.",
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


def _check(subject: str) -> str:
    what, _, name = subject.partition(":")
    return CHECKS[what].format(name=name) if what in CHECKS else f"Measure the voltage of {name} at the module, key on."


def supply_answers(case: Case) -> Answers:
    """Say of each supply that several sensors hang on, or that is logged, how far off it would show."""
    channels = case.decoded
    logged = {_what_it_feeds(channels, each)[1]: each for each in channels.with_role("reference_voltage")}
    found: dict[str, str | Why] = {}
    for subject, members in _fed_by(channels):
        by = logged.get(subject)
        if by is not None:
            volts = case.limit("reference_off_suspect_v", channel=by.name)
            found[subject] = f"more than {volts:g} V off, by {by.name}"
        elif len(members) > 1:
            found[subject] = Why(
                "nothing measures it, and a module that measures against the same supply hides a sag",
                "Log it as a channel, or measure it at a sensor's plug, engine running and loads on.",
            )
    return found
