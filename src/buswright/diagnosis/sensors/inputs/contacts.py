"""Contacts that open for moments and wires that touch: which channels, which plug, under which conditions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from buswright.diagnosis.case import Answers, Case, Sighting, merged, sighting
from buswright.diagnosis.sensors.conditions import gatherings
from buswright.diagnosis.sensors.inputs.touches import Touches, touches_of
from buswright.diagnosis.sensors.sharing import (
    Candidate,
    candidates,
    enough,
    fallen_references,
    named,
    reach_of,
    rivals_of,
    said_of,
    separating,
    shared_too,
)
from buswright.diagnosis.sensors.wired import NO_VOLTS, POWER_OFF, careful, open_reads, plug_of
from buswright.findings import Condition, Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.wording import capital, duration, percent, plural

_ONE_WAY = 0.9
"""Share of the touches that must go one way: a contact goes to its bias, noise goes both ways."""
_MANY = 5
_TOGETHER = 0.6
"""Share of a channel's touches that must fall on another's to say that they are the same."""
_AS_WELL = 0.05
"""A plug whose score is less by no more than this explains the touches as well as a supply."""
_CHAFED_CHANCE = 1e-3
"""Touches that gather more surely are tied to a position though some lie elsewhere."""
_TEXTS = {
    "loose-contact": "Power off, open {at}: pull on each pin, look for backed-out, green or black ones. Then key on, "
    "run a wiggle test along the loom of {name}.",
    "chafed-wire": "Power off, follow the wire of {name} past clips, bulkheads and everything that moves, above all "
    "{where}. Measure it to chassis while a second person moves that part: over 1 Mohm is sound.",
}
_UNCLEAR = (
    "An open signal wire reads high here, so the wire touched ground.",
    "A loose feed wire of the sensor looks the same in frames.",
)
_JACK = "Car on rated stands on hard level ground, nobody under it, fingers clear of what moves."


class _Judged(NamedTuple):
    """One channel's touches with the conditions under which they gather."""

    each: ChannelEvidence
    touches: Touches
    gathered: Sequence[Condition]


def contact_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the short departures of every measured input; those of one plug or supply together."""
    could = [each for each in case.decoded.values() if not each.computed and (each.electrical or each.measures)]
    judged = []
    for each in could:
        touches = touches_of(case, each)
        if _is_contact(case, touches):
            judged.append(_Judged(each, touches, gatherings(case.decoded, [each], touches.start_ns)))
    for one in judged:
        yield _of_channel(case, one)
    yield from _of_groups(case, could, judged)


def _is_contact(case: Case, touches: Touches) -> bool:
    if not len(touches) or touches.most_a_minute() < case.limit("spikes_per_minute", channel=touches.each.name):
        return False
    wanted = _ONE_WAY if len(touches) >= _MANY else 1.0
    return touches.one_way >= wanted or bool(touches.railed.mean() >= _ONE_WAY)


# One channel ----------------------------------------------------------------------------------------------------------


def _chafes(case: Case, one: _Judged) -> Condition | None:
    """Return the position at which the touches gather, if that explains them better than shaking does."""
    lift = case.limit("position_lift", channel=one.each.name)
    position = next((g for g in one.gathered if g.about == "position" and g.lift >= lift), None)
    shaken = next((g for g in one.gathered if g.about == "vertical acceleration"), None)
    if position is None or (position.chance > _CHAFED_CHANCE and position.inside < position.occasions):
        return None
    return None if shaken is not None and shaken.chance < position.chance else position


def _to_ground(one: _Judged) -> bool:
    """Whether the touches go to ground although an open wire reads high."""
    touches = one.touches
    return open_reads(touches.each) == "high" and touches.side == "low" and bool(touches.railed.mean() >= 0.5)


def _of_channel(case: Case, one: _Judged) -> Sighting:
    touches, each = one.touches, one.each
    position = _chafes(case, one)
    grounded = _to_ground(one)
    chafed = position is not None or grounded
    fault = "chafed-wire" if chafed else "loose-contact"
    railed = float(touches.railed.mean())
    sure = 0.9 if len(touches) >= _MANY and railed > 0.5 else 0.75 if len(touches) >= _MANY else 0.6
    if chafed and (position is None or position.chance > _CHAFED_CHANCE):
        sure = 0.6
    if not each.electrical:
        sure = min(sure, 0.6)
    text = _TEXTS[fault].format(
        at=plug_of(each, "its plug"),
        name=each.name,
        where=f"where {position.by} bends it" if position is not None else "edges that it can rub on",
    )
    return sighting(
        fault,
        Severity.FAULT if sure >= 0.75 else Severity.SUSPECT,
        each.subject,
        windows=touches.windows,
        count=len(touches),
        confidence=sure,
        evidence=[*_seen(case, touches), *(_UNCLEAR if grounded and position is None else ())],
        threshold=case.used(
            "spikes_per_minute", "spike_sd", "spike_return", "spike_s", "position_lift", channel=each.name
        ),
        ruled_out=_not_this(touches, chafed=position is not None),
        next_check=text,
        caution=careful([each], POWER_OFF, *([_JACK] * chafed)),
        reach=reach_of(case, [each]),
    )


def _seen(case: Case, touches: Touches) -> list[str]:
    each, unit = touches.each, touches.each.quantity_unit
    lengths = touches.end_ns - touches.start_ns
    way = f"All went {touches.side}." if touches.one_way == 1 else f"{percent(touches.one_way, 0)} went {touches.side}."
    railed = int(touches.railed.sum())
    furthest = touches.peak.max() if touches.side == "high" else touches.peak.min()
    return [
        (
            f"{each.name} left its value {plural(len(touches), 'time')} for {duration(float(np.median(lengths)))} "
            f"(median), first at {case.at(int(touches.start_ns[0]))}, and came back to the same value."
        ),
        f"{way} {railed} reached the rail; the furthest was {furthest:.2f} {unit}.",
    ]


def _not_this(touches: Touches, *, chafed: bool) -> list[str]:
    lines = ["Not a real change: the quantity cannot move that fast and come back."]
    if touches.one_way >= _ONE_WAY:
        lines.append("Not ignition noise: that goes both ways and is there all the time.")
    if chafed:
        lines.append("Not a plug that shakes loose: the touches follow the position more closely than the shaking.")
    return lines


# Several together -----------------------------------------------------------------------------------------------------


def _of_groups(case: Case, could: Sequence[ChannelEvidence], judged: Sequence[_Judged]) -> Iterator[Sighting]:
    """Find channels whose touches fall on each other's, and what they share."""
    left = sorted(judged, key=lambda one: -len(one.touches))
    while left:
        head, rest = left[0], left[1:]
        group = [head, *(one for one in rest if _coincide(case, one.touches, head.touches))]
        left = [one for one in rest if one not in group]
        if len(group) < 2:
            continue
        bad = [one.each for one in group]
        sides = {one.each.name: one.touches.side for one in group}
        ranked = _plug_first(case.decoded, candidates(bad, _contactable(could, group), sides), group)
        if ranked and enough(case, ranked[0]):
            yield _shared(case, group, ranked[0], ranked[1:])


def _contactable(could: Sequence[ChannelEvidence], group: Sequence[_Judged]) -> list[ChannelEvidence]:
    """Return the channels that would have shown the touches: these, and those with samples in enough of them."""
    quickest = max(group, key=lambda one: one.each.series.rate_hz)
    touches, own = quickest.touches, {one.each.name for one in group}
    half = round(0.5e9 / max(quickest.each.series.rate_hz, 1e-3))
    found = []
    for each in could:
        if each.live_band is None:
            continue
        times = each.series.time_ns
        inside = np.searchsorted(times, touches.end_ns - half) > np.searchsorted(times, touches.start_ns - half)
        if each.name in own or int(inside.sum()) >= _MANY:
            found.append(each)
    return found


def _plug_first(channels: Channels, ranked: tuple[Candidate, ...], group: Sequence[_Judged]) -> tuple[Candidate, ...]:
    """Put a plug before the supply of the same channels: contacts open for moments, and no reference fell."""
    if not ranked or ranked[0].what != "supply":
        return ranked
    best = ranked[0]
    windows = merged(window for one in group for window in one.touches.windows)
    plug = next((one for one in ranked if one.what == "plug" and one.score >= best.score - _AS_WELL), None)
    if plug is None or fallen_references(channels, best, [one.each for one in group], windows):
        return ranked
    return (plug, *(one for one in ranked if one is not plug))


def _coincide(case: Case, one: Touches, other: Touches) -> bool:
    """Whether most touches of one fall on touches of another, as far as their rates can show it."""
    slack = round(case.limit("group_s") * 1e9)
    place = np.searchsorted(other.start_ns, one.start_ns)
    near = np.zeros(len(one), dtype=np.bool_)
    for shift in (-1, 0):
        at = np.clip(place + shift, 0, len(other) - 1)
        near |= (other.start_ns[at] - slack <= one.end_ns) & (other.end_ns[at] + slack >= one.start_ns)
    return bool(near.mean() >= _TOGETHER)


def _shared(case: Case, group: Sequence[_Judged], best: Candidate, others: Sequence[Candidate]) -> Sighting:
    members = [one.each for one in group]
    windows = merged(window for one in group for window in one.touches.windows)
    low = all(one.touches.side == "low" for one in group)
    moments = np.array([window.start_ns for window in windows], dtype=np.int64)
    gathered = gatherings(case.decoded, members, moments)
    position = _chafes(case, group[0]._replace(gathered=gathered))
    fell = fallen_references(case.decoded, best, members, windows)
    fault = "loose-contact"
    if fell or (best.what == "supply" and low):
        fault = "supply-lost"
    elif position is not None or all(_to_ground(one) for one in group):
        fault = "chafed-wire"
    sure = 0.97 if fell else 0.9 if best.what in ("supply", "plug", "ground") else 0.55
    rivals = rivals_of(best, others)
    if rivals:
        sure -= 0.1
    evidence = [
        (
            f"{capital(best.count)} left their values together {plural(len(windows), 'time')}, first at "
            f"{case.at(windows[0].start_ns)}: {named(members)}."
        ),
        *[f"{each.name} fell to {lowest:.2f} {each.series.unit} at that time." for each, lowest in fell],
        *([f"They also share {said_of(rivals)}."] if rivals else []),
    ]
    return sighting(
        fault,
        Severity.FAULT if sure >= 0.65 else Severity.SUSPECT,
        best.subject,
        windows=windows,
        confidence=sure,
        evidence=evidence,
        threshold=case.used("spikes_per_minute", "spike_s", "group_s", "group_share"),
        ruled_out=[
            f"Not one sensor or its wire: {plural(len(members), 'channel')} did the same at the same moments.",
            "Not real changes: these quantities cannot move that fast and come back.",
        ],
        next_check=separating(best, others),
        caution=careful(members, POWER_OFF),
        reach=reach_of(case, [*members, *(each for each, _ in fell)]),
        rivals=shared_too(fault, rivals),
    )


def dropout_answers(case: Case) -> Answers:
    """Say of each channel how many dropouts would have shown."""
    return {
        each.subject: f"{case.limit('spikes_per_minute', channel=each.name):g} a minute that each reach a sample "
        f"(every {duration(each.series.step_s() * 1e9)})"
        if each.electrical
        else NO_VOLTS
        for each in case.measured
    }
