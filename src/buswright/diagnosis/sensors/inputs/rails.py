"""Inputs at a rail: open and shorted wires, a supply or plug that several channels lost together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from buswright.diagnosis.case import Answers, Case, Sighting, Why, merged, sighting
from buswright.diagnosis.sensors.inputs.rail_stays import Side, Stay, debounce_of, stays_of, wired
from buswright.diagnosis.sensors.inputs.unplugged import Plug, plug_check, plug_or_supply
from buswright.diagnosis.sensors.sharing import (
    Candidate,
    candidates,
    enough,
    fallen_references,
    floating_on,
    named,
    reach_of,
    rivals_of,
    said_of,
    separating,
    shared_too,
)
from buswright.diagnosis.sensors.wired import NO_VOLTS, POWER_OFF, careful, is_biased, is_fed, open_reads, plug_of
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.wording import capital, duration, plural, times

_SURE = 0.65
"""A cause that is less likely than this among those that look alike is not said as a fault."""
_LIVELY = 0.7
"""A short is quiet. Noise above this part of the channel's normal noise is that of an open input."""
_WANDERS_V = 0.05
"""A level that moves by more doesn't stand still."""
_FINGERPRINT_V = 0.005
"""How well a level on the car repeats that of the bench; two steps of the converter where these are more."""
_LEAST_SAMPLES = 3
_FILLED = 0.7
"""Stays that were joined across more than the rest are a contact that chatters."""
_JOIN = 2.0
"""Stays apart by less than this times the debounce are one: makers release twice as slowly as they set."""
_FAULT_OF = {"open": "open-circuit", "ground": "short-to-ground", "supply": "short-to-supply"}
_PRIOR = {
    # (open_reads, side): how likely open and short are where only the bias is known; a choice, not measured.
    ("high", "high"): (0.80, 0.20),
    ("high", "low"): (0.07, 0.93),
    ("low", "low"): (0.75, 0.25),
    ("low", "high"): (0.07, 0.93),
    ("floating", "low"): (0.30, 0.70),
    ("floating", "high"): (0.30, 0.70),
}
_UNKNOWN = (0.5, 0.5)

_SUPPLY_CAUTION = "12 V on a 5 V input can destroy it: unplug the sensor before you measure."


def rail_sightings(case: Case) -> Iterator[Sighting]:
    """Judge every channel that stood at or beyond the end of its live band."""
    could = wired(case)
    held: list[Stay] = []
    led: list[Stay] = []
    for each in could:
        name, debounce = debounce_of(case, each)
        least_ns = round(debounce * 1e9)
        stays = [
            stay
            for stay in stays_of(each, _JOIN * debounce)
            if stay.samples >= _LEAST_SAMPLES
            and stay.filled >= _FILLED
            and stay.window.end_ns - stay.window.start_ns >= least_ns
        ]
        wire = [stay for stay in stays if not stay.is_smooth]
        led += [stay for stay in stays if stay.is_smooth and stay.at_rail]
        if wire:
            held += wire
            yield _wire(case, each, wire, name)
    yield from _together(case, could, held, led)


# One channel ----------------------------------------------------------------------------------------------------------


def _wire(case: Case, each: ChannelEvidence, stays: Sequence[Stay], debounce: str) -> Sighting:
    side: Side = Counter(stay.side for stay in stays).most_common(1)[0][0]
    own = [stay for stay in stays if stay.side == side]
    longest = max(own, key=lambda stay: stay.samples)
    short = "ground" if side == "low" else "supply"
    cause, sure, why = _weigh(longest)
    certain = 0.97 if any(stay.jumped or stay.jumped_back for stay in own) else 0.8
    if not longest.at_rail:
        certain *= 0.6
    severity = Severity.FAULT if sure >= _SURE and longest.at_rail else Severity.SUSPECT
    unit, (low, high) = each.quantity_unit, each.live_band or (0.0, 0.0)
    windows = [stay.window for stay in stays]
    where = "at" if longest.at_rail else "beyond its live band, but not at a rail, at"
    evidence = [
        f"Input {where} {longest.level:.2f} {unit} {times(len(windows))}: {case.spans(windows).partition(': ')[2]}.",
        _arrival(each, longest),
        *why,
    ]
    if longest.noise is not None:
        evidence.append(
            f"Noise there {longest.noise * 1000:.2g} m{unit}; normally {each.fast_noise * 1000:.2g} m{unit}."
        )
    rivals: list[Rival] = []
    if sure < _SURE:
        other = _FAULT_OF["open" if cause != "open" else short]
        evidence.append(f"{capital(_FAULT_OF[cause])} and {other} can't be told apart from frames.")
        rivals.append(Rival(other, each.subject, _alike(each)))
    return sighting(
        _FAULT_OF[cause],
        severity,
        each.subject,
        windows=windows,
        confidence=sure * certain,
        evidence=evidence,
        threshold=f"live band {low:g} to {high:g} {unit}; {case.used(debounce, channel=each.name)}",
        ruled_out=_not_this(each, longest, cause),
        next_check=_check(each, cause, short),
        caution=careful([each], POWER_OFF, *([_SUPPLY_CAUTION] * (side == "high"))),
        reach=reach_of(case, [each]),
        rivals=rivals,
    )


def _alike(each: ChannelEvidence) -> str:
    """Say what is missing that would tell an open wire from a short."""
    prints = each.channel.fingerprints if each.channel is not None else None
    if open_reads(each) is None:
        return "nobody says what an open wire reads on this input (open_reads of its sensor)"
    if prints is None or prints.open is None:
        return "an open wire may read as much, and no bench test has written down what it reads (fingerprints)"
    return "the levels of an open wire and of a short lie too close together"


def _weigh(stay: Stay) -> tuple[str, float, list[str]]:
    """Return the likelier of an open and a shorted wire, how likely, and why: by bias, fingerprints and quietness."""
    each = stay.each
    reads = open_reads(each)
    wanders = stay.wanders > _WANDERS_V * (each.per_volt or 1.0)
    is_open, short = _PRIOR.get((reads or "", stay.side), _UNKNOWN)
    if reads is None:
        why = ["The car file does not say what an open wire reads here (open_reads)."]
    elif reads == "floating":
        why = ["An open wire floats here (open_reads), and this level stands still." if not wanders else ""]
    else:
        fits = "fits that" if reads == stay.side else "does not fit that"
        why = [f"An open wire reads {reads} here (open_reads); this level {fits}."]
    factors = _by_fingerprint(each, stay)
    if factors is not None:
        is_open, short = is_open * factors[0], short * factors[1]
        why.append(factors[2])
    normal = each.fast_noise
    if stay.noise is not None and normal > 2 * each.step and stay.noise > _LIVELY * normal:
        is_open *= 2.0
        why.append("It is as noisy there as elsewhere, so the input is open rather than shorted.")
    if reads == "floating" and wanders:
        is_open *= 6.0
    cause = "open" if is_open >= short else "ground" if stay.side == "low" else "supply"
    return cause, max(is_open, short) / (is_open + short), [text for text in why if text]


def _by_fingerprint(each: ChannelEvidence, stay: Stay) -> tuple[float, float, str] | None:
    """Weigh the level against what the bench test read; None without the two fingerprints of this side."""
    prints = each.channel.fingerprints if each.channel is not None else None
    per = each.per_volt
    if prints is None or per is None:
        return None
    shorted = prints.to_ground if stay.side == "low" else prints.to_supply
    if prints.open is None or shorted is None:
        return None
    level = stay.level / per
    width = max(_FINGERPRINT_V, 2 * each.step / per)
    off_open, off_short = abs(level - prints.open), abs(level - shorted)
    nearest = min(off_open, off_short)
    # Only the difference counts: a car's grounds shift both.
    weights = [float(np.exp(-0.5 * min((off**2 - nearest**2) / width**2, 8.0))) for off in (off_open, off_short)]
    what = "open wire" if off_open <= off_short else f"short to {'ground' if stay.side == 'low' else 'supply'}"
    said = f"The bench read {prints.open:.2f} V with the wire open and {shorted:.2f} V shorted: the {what} is nearest."
    return weights[0], weights[1], said


def _not_this(each: ChannelEvidence, stay: Stay, cause: str) -> list[str]:
    lines = []
    if stay.jumped:
        lines.append("Not a real value: the quantity cannot get there within two samples.")
    lines.append("Not a silent module: the frames kept arriving, and no other finding covers them.")
    reads = open_reads(each)
    if cause != "open" and is_biased(each) and reads != stay.side:
        lines.append(f"Not an open signal wire: that reads {reads} on this input.")
    if cause == "open" and reads == stay.side and each.channel is not None:
        shorted = "to_supply" if stay.side == "low" else "to_ground"
        lines.append(f"Not a short {shorted.replace('_', ' ')}: the level is at the other end.")
    return lines


def _check(each: ChannelEvidence, cause: str, short: str) -> str:
    at = plug_of(each, f"the sensor of {each.name}")
    feed = " Look at the sensor's feed wire too: without feed it reads low." * (is_fed(each) and short == "ground")
    if cause == "open":
        return (
            f"Power off, unplug {at} and the module. Measure the signal wire end to end while you flex it: under 1 ohm "
            f"is sound. Then feed 2.5 V through 10 kohm into the input: about 2.5 V on {each.name} means the wire was "
            f"open, no change means a short to {short}.{feed}"
        )
    if cause == "ground":
        return (
            f"Power off, unplug {at} and the module. Measure the signal wire to chassis: over 1 Mohm is sound. "
            f"If it is, feed 2.5 V through 10 kohm into the input: about 2.5 V on {each.name} means an open wire.{feed}"
        )
    ground = " If it falls, look at the sensor's ground wire: without ground it reads high." * is_fed(each)
    return (
        f"Unplug {at} and watch {each.name}. If it stays at this level, the signal wire touches a supply; measure it "
        f"to 5 V and to battery plus, power off, both ends unplugged: over 1 Mohm is sound.{ground}"
    )


def _arrival(each: ChannelEvidence, stay: Stay) -> str:
    unit = each.quantity_unit
    if stay.jumped:
        before = each.quantity[max(0, stay.first - 3) : stay.first]
        return f"It jumped there from {np.median(before):.2f} {unit} within two samples."
    if stay.jumped is None:
        back = ", and jumped back" if stay.jumped_back else ""
        return f"It was there from the first sample on{back}."
    return "It went there along a curve" + (", and jumped back." if stay.jumped_back else ", and did not come back.")


# Several together -----------------------------------------------------------------------------------------------------


def _together(
    case: Case, could: Sequence[ChannelEvidence], held: Sequence[Stay], led: Sequence[Stay]
) -> Iterator[Sighting]:
    """Find what channels share that left their live bands together; one sighting for each shared thing.

    One that a curve led to its rail may have moved just then: where it fits the others it failed with them.
    """
    found: dict[str, list[tuple[Candidate, list[Stay], list[Candidate]]]] = {}
    slack_ns = round(case.limit("group_s") * 1e9)
    for jumped in clusters(held, slack_ns):
        group, ranked = jumped, _ranked(jumped, could)
        more = [*jumped, *_beside(jumped, led, slack_ns)]
        wider = _ranked(more, could) if len(more) > len(jumped) else ()
        if wider and (not ranked or wider[0].score >= ranked[0].score):
            group, ranked = more, wider
        if ranked and enough(case, ranked[0]):
            found.setdefault(ranked[0].subject, []).append((ranked[0], group, list(ranked[1:])))
    for seen in found.values():
        yield _shared(case, seen)


def _ranked(group: Sequence[Stay], could: Sequence[ChannelEvidence]) -> tuple[Candidate, ...]:
    bad = list({stay.each.name: stay.each for stay in group}.values())
    return candidates(bad, could, {stay.each.name: stay.side for stay in group})


def _beside(group: Sequence[Stay], led: Sequence[Stay], slack_ns: int) -> Iterator[Stay]:
    """Yield the stays of other channels that began with a group."""
    names = {stay.each.name for stay in group}
    for stay in led:
        if stay.each.name not in names and not stay.from_start and _began_together(stay, group[0], slack_ns):
            names.add(stay.each.name)
            yield stay


def _began_together(one: Stay, other: Stay, slack_ns: int) -> bool:
    """Whether two stays may have begun at one time: somewhere between the last sample before and the first one."""
    return one.before_ns - slack_ns <= other.window.start_ns and other.before_ns - slack_ns <= one.window.start_ns


def clusters(stays: Sequence[Stay], slack_ns: int) -> list[list[Stay]]:
    """Put stays of different channels that began together into groups; each stay is in one group at most."""
    groups: list[list[Stay]] = []
    for stay in sorted(stays, key=lambda one: one.window.start_ns - one.before_ns):
        for group in groups:
            head = group[0]
            near = _began_together(stay, head, slack_ns)
            if near and head.from_start == stay.from_start and all(one.each.name != stay.each.name for one in group):
                group.append(stay)
                break
        else:
            groups.append([stay])
    return [group for group in groups if len(group) > 1]


def _shared(case: Case, seen: Sequence[tuple[Candidate, list[Stay], list[Candidate]]]) -> Sighting:
    channels = case.decoded
    best, group, others = max(seen, key=lambda one: len(one[1]))
    members = list({stay.each.name: stay.each for _, stays, _ in seen for stay in stays}.values())
    windows = merged(stay.window for _, stays, _ in seen for stay in stays)
    begins = [stay.window.start_ns for stay in group]
    fell = fallen_references(channels, best, members, windows)
    low = sum(stay.side == "low" for stay in group)
    unwired = best.what in ("module", "message")
    plug = plug_or_supply(channels, group) if unwired and not fell else Plug(off=False)
    lost = best.what in ("supply", "module", "message") and (bool(fell) or (low * 2 >= len(group) and not plug.off))
    fault = "supply-lost" if lost else "open-circuit"
    if not lost and not plug.off:
        fault = Counter(_FAULT_OF[_weigh(stay)[0]] for stay in group).most_common(1)[0][0]
    rivals = rivals_of(best, others)
    sure = 0.97 if fell else 0.55 if unwired else 0.75 if rivals else 0.9
    evidence = [
        f"{capital(best.count)} left their live bands within {duration(max(begins) - min(begins))}: {named(members)}.",
        f"That was {case.spans(windows)}.",
        *[
            f"{each.name} fell to {lowest:.2f} {each.series.unit} at that time: the supply itself was gone."
            for each, lowest in fell
        ],
    ]
    if rivals:
        evidence.append(f"They also share {said_of(rivals)}.")
    if unwired and not any(each.shares("supply") for each in members):
        evidence.append(
            "The car file names no supply or plug for them, so what they share is known by the module only."
        )
    told = shared_too(fault, rivals)
    if plug.undecided:
        evidence.append(plug.undecided)
        told.insert(0, Rival("open-circuit", best.subject, "a plug of all of them that came off looks the same"))
    intact = _intact(channels, best, members)
    return sighting(
        fault,
        Severity.FAULT if sure >= _SURE else Severity.SUSPECT,
        best.subject,
        windows=windows,
        count=len(seen),
        confidence=sure,
        evidence=evidence,
        threshold=case.used("group_s", "group_share"),
        ruled_out=[
            f"Not one sensor or its wire: {plural(len(members), 'channel')} did the same at the same time.",
            *([plug.ruled_out] if plug.ruled_out else []),
            *([f"Not the whole module: {named(intact)} kept their values."] if intact else []),
        ],
        next_check=plug_check(members, off=plug.off) if unwired else separating(best, others),
        caution=careful(members, POWER_OFF),
        reach=reach_of(case, [*members, *(each for each, _ in fell), *([] if lost else floating_on(channels, best))]),
        rivals=told,
    )


def _intact(channels: Channels, best: Candidate, members: Sequence[ChannelEvidence]) -> list[ChannelEvidence]:
    """Return wired channels of the same module that go another way, for the sentence that rules the module out."""
    names, modules = {each.name for each in members}, {each.module for each in members}
    if best.what in ("module", "message"):
        return []
    return [
        each
        for each in channels.values()
        if each.live_band is not None
        and each.module in modules
        and each.name not in names
        and each.shares(best.what) != best.name
        and not each.bad_samples.bad
    ]


def wire_answers(case: Case) -> Answers:
    """Say of each channel beyond which volts its wire would have shown, and for how long."""
    return {each.subject: _wire_shows(case, each) for each in case.measured}


def _wire_shows(case: Case, each: ChannelEvidence) -> str | Why:
    if not each.electrical:
        return NO_VOLTS
    if each.live_band is None:
        return Why("nobody says which volts of it are healthy", "Give its sensor `healthy` in the car file.")
    name, seconds = debounce_of(case, each)
    low, high = each.live_band
    return f"beyond {low:g} to {high:g} {each.quantity_unit} for over {seconds:g} s ({name})"
