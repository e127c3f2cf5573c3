"""Inputs that float: a wire is open, nothing holds the input, and it picks up whatever is near."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.diagnosis.case import Case, Sighting, Window, merged, sighting
from buswright.diagnosis.sensors.rail_stays import wired
from buswright.diagnosis.sensors.rails import POWER_OFF
from buswright.diagnosis.sensors.sharing import Candidate, candidates, enough, floating_on, named, reach_of, separating
from buswright.diagnosis.sensors.unplugged import plug_check
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import COARSE_NS, grid_of
from buswright.health.channels.stretches import stretches_of
from buswright.wording import capital, duration, percent, plural

_LOUDER = 10.0
_OF_SPAN = 0.02
"""Floating noise is so many times that of the channel's quiet seconds, and this part of its span."""
_QUIET = 0.1
_LEAST_WINDOWS = 4
_WHITE = 0.9
"""From sample to sample it moves this part of its whole movement at least, as no quantity does that is sampled well."""


def floating_sightings(case: Case) -> Iterator[Sighting]:
    """Judge inputs of which an open wire may float: those that say so, and those of which nobody says anything."""
    could = [each for each in wired(case) if each.sensor is not None and each.sensor.open_reads in ("floating", None)]
    found = [(each, windows) for each in could if each.span and (windows := _floats(each, each.span))]
    for each, windows in found:
        yield _found(case, each, windows)
    # Their beginning is known to a second.
    groups: dict[int, list[tuple[ChannelEvidence, list[Window]]]] = {}
    for one in sorted(found, key=lambda each: each[1][0].start_ns):
        start = one[1][0].start_ns
        head = next((begin for begin in groups if start - begin <= COARSE_NS), start)
        groups.setdefault(head, []).append(one)
    for group in groups.values():
        ranked = candidates([each for each, _ in group], could, {}) if len(group) > 1 else ()
        # Without a plug in the car file the module stands for it.
        plug = next((one for one in ranked if one.what in ("plug", "module", "message")), None)
        if case.channels is not None and plug is not None and enough(case, plug):
            yield _unplugged(
                case, case.channels, plug, [windows for each, windows in group if each in plug.bad], ranked
            )


def _floats(each: ChannelEvidence, span: float) -> list[Window]:
    """Return when an input was noise and nothing else, beginning and ending at once."""
    series = each.series
    grid = grid_of(series.time_ns, each.quantity, each.there, series.segments, COARSE_NS)
    known = np.isfinite(grid.noise)
    if known.sum() < 2 * _LEAST_WINDOWS:
        return []
    quiet = float(np.quantile(grid.noise[known], _QUIET))
    loud = known & (grid.noise >= max(_LOUDER * quiet, _OF_SPAN * span))
    found = stretches_of(loud)
    found = found.take(found.stop - found.first >= _LEAST_WINDOWS)
    windows = []
    for first, stop in zip(found.first.tolist(), found.stop.tolist(), strict=True):
        start_ns, end_ns = int(grid.start_ns[first]), int(grid.start_ns[stop - 1]) + COARSE_NS
        rows = slice(*np.searchsorted(series.time_ns, [start_ns, end_ns]).tolist())
        inside = each.quantity[rows][each.there[rows]]
        if len(inside) > 2 and np.diff(inside).std() >= _WHITE * inside.std():
            windows.append(Window(start_ns, end_ns))
    return windows


def _unplugged(
    case: Case, channels: Channels, plug: Candidate, windows: Sequence[Sequence[Window]], ranked: Sequence[Candidate]
) -> Sighting:
    return sighting(
        "open-circuit",
        Severity.FAULT,
        plug.subject,
        windows=merged(window for own in windows for window in own),
        count=1,
        confidence=0.85,
        evidence=[
            f"{capital(plug.count)} became noise and nothing else within {duration(COARSE_NS)}: {named(plug.bad)}.",
            "No bias holds these inputs, so open wires float.",
        ],
        threshold=case.used("group_share"),
        ruled_out=[f"Not one wire: {plural(len(plug.bad), 'channel')} did it at the same time."],
        next_check=separating(plug, [one for one in ranked if one is not plug])
        if plug.what == "plug"
        else plug_check(plug.bad, off=True),
        caution=POWER_OFF,
        reach=reach_of(case, [*plug.bad, *floating_on(channels, plug)]),
    )


def _found(case: Case, each: ChannelEvidence, windows: list[Window]) -> Sighting:
    says = each.sensor is not None and each.sensor.open_reads == "floating"
    rows = slice(*np.searchsorted(each.series.time_ns, [windows[0].start_ns, windows[0].end_ns]).tolist())
    inside = each.quantity[rows][each.there[rows]]
    unit = each.quantity_unit
    plug = each.shares("plug")
    return sighting(
        "open-circuit",
        Severity.FAULT if says else Severity.SUSPECT,
        each.subject,
        windows=windows,
        count=len(windows),
        confidence=0.8 if says else 0.5,
        evidence=[
            f"The input was noise and nothing else {case.spans(windows)}.",
            f"It wandered from {inside.min():.2f} to {inside.max():.2f} {unit} without rest.",
            "An open wire floats here (open_reads)."
            if says
            else "The car file does not say what an open wire reads here (open_reads); one without bias floats.",
        ],
        threshold=f"noise {_LOUDER:g} times that of its quiet seconds, and {percent(_OF_SPAN, 0)} of the span",
        ruled_out=[
            "Not a real change: it moves as far from one sample to the next as in all.",
            "Not a short: that stands still.",
        ],
        next_check=f"Power off, unplug {f'plug {plug}' if plug else f'the sensor of {each.name}'} and the module. "
        "Measure the signal wire end to end while you flex it: under 1 ohm is sound.",
        caution=" ".join([POWER_OFF, *(each.sensor.cautions if each.sensor else ())]),
        reach=reach_of(case, [each]),
    )
