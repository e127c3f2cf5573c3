"""Inputs that float: a wire is open, nothing holds the input, and it picks up whatever is near."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Floats, Quality
from buswright.diagnosis.case import Case, Sighting, Window, merged, sighting
from buswright.diagnosis.sensors.inputs.impossible import steps_that_stay
from buswright.diagnosis.sensors.inputs.rail_stays import wired
from buswright.diagnosis.sensors.inputs.rate_limits import fastest
from buswright.diagnosis.sensors.inputs.unplugged import plug_check
from buswright.diagnosis.sensors.sharing import Candidate, candidates, enough, floating_on, named, reach_of, separating
from buswright.diagnosis.sensors.wired import POWER_OFF, careful, is_biased, open_reads, plug_of
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import COARSE_NS, FINE_NS, grid_of
from buswright.health.channels.stretches import stretches_of
from buswright.wording import capital, duration, percent, plural

_LOUDER = 10.0
_OF_SPAN = 0.02
"""Floating noise is so many times that of the channel's quiet seconds, and this part of its span."""
_QUIET = 0.1
_TOGETHER, _APART, _BESIDE_S = 0.9, 0.6, 5.0
"""Correlation with its twins until a wire opened, at least, and since then, at most; seconds of each that are needed
(common practice, no source)."""
_LIVELIER = 2.0
"""What it changes from sample to sample since then, over what it did before: a stuck value changes less."""
_LEAST_WINDOWS = 4
_WHITE = 0.9
"""From sample to sample it moves this part of its whole movement at least, as no quantity does that is sampled well."""
_TOO_FAST, _WANDERS, _STEADY = 0.5, 0.2, 0.5
"""Or so many of its samples change faster than the quantity can, while it wanders over this part of its span and hums
equally loudly, to this part, in nearly all seconds: ignition noise grows with the engine speed, and leaves the quantity
visible below it (common practice, no source)."""


def floating_sightings(case: Case) -> Iterator[Sighting]:
    """Judge inputs that are noise and nothing else; those that a bias should hold only by what no quantity can do."""
    could = [each for each in wired(case) if each.sensor is not None]
    found = [(each, windows) for each in could if each.span and (windows := _floats(each, each.span))]
    for each, windows in found:
        yield _found(case, each, windows)
    alone = {each.name for each, _ in found}
    for each in could:
        if each.name not in alone and (parted := _parted(case, each)) is not None:
            yield parted
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
        if plug is not None and enough(case, plug):
            yield _unplugged(case, plug, [windows for each, windows in group if each in plug.bad], ranked)


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
        white = len(inside) > 2 and np.diff(inside).std() >= _WHITE * inside.std()
        if (white and not is_biased(each)) or (_too_fast(each, rows) and _hums(grid.noise[first:stop], inside, span)):
            windows.append(Window(start_ns, end_ns))
    return windows


def _parted(case: Case, each: ChannelEvidence) -> Sighting | None:
    """Find the jump, faster than the quantity can, since which a channel no longer goes with twins that agree.

    An open input without bias wanders within its range: alone it looks like any other value.
    """
    channels = case.decoded
    twins = [twin for twin in channels.with_role(each.role) if twin is not each] if each.role else []
    known = fastest(each)
    if len(twins) < 2 or known is None or is_biased(each):
        return None
    for row in steps_that_stay(each, known[0]).tolist():
        at = int(each.series.time_ns[row])
        earlier = channels.number < (at - FINE_NS) // FINE_NS
        values = [one.value_grid.held(channels.number, most=5) for one in (each, *twins)]
        parts = [_correlations(values, where) for where in (earlier, channels.number > at // FINE_NS + 1)]
        if parts[0] is None or parts[1] is None:
            continue
        (before, theirs), (since, still) = parts[0], parts[1]
        changes = np.abs(np.diff(each.quantity))
        livelier = np.median(changes[row + 1 :]) >= _LIVELIER * np.median(changes[: row - 1])
        if min(before, theirs, still) >= _TOGETHER and since <= _APART and livelier:
            return _found_parted(case, each, row, (before, since, still), twins)
    return None


def _correlations(values: Sequence[Floats], where: Bools) -> tuple[float, float] | None:
    """Return the highest correlation of the first column with the others, and the lowest among these."""
    columns = np.stack([each[where] for each in values])
    columns = columns[:, np.isfinite(columns).all(axis=0)]
    if columns.shape[1] * FINE_NS * 1e-9 < _BESIDE_S or not (columns.std(axis=1) > 0).all():
        return None
    r: Floats = np.atleast_2d(np.corrcoef(columns))
    return float(r[0, 1:].max()), float(r[1:, 1:].min())


def _found_parted(
    case: Case, each: ChannelEvidence, row: int, r: tuple[float, float, float], others: Sequence[ChannelEvidence]
) -> Sighting:
    """Say that it parted from its twins at a row: `r` with them before and since, and the least among them since."""
    value, unit, twins = each.series.value, each.series.unit, named(others)
    window = Window(int(each.series.time_ns[row - 1]), int(each.series.time_ns[-1]))
    return sighting(
        "open-circuit",
        Severity.SUSPECT,
        each.subject,
        windows=[window],
        confidence=0.5,
        evidence=[
            (
                f"{each.name} jumped from {value[row - 1]:.4g} to {value[row]:.4g} {units.shown(unit)}, "
                f"faster than it can, at {case.at(window.start_ns)}."
            ),
            f"Until then it went with {twins} (r = {r[0]:.2f}).",
            f"Since then it doesn't (r = {r[1]:.2f}), and they still do (r = {r[2]:.2f}).",
            "An open wire without bias wanders like that. Frames can't tell it from a sensor that is dying.",
        ],
        threshold=f"with its twins from r = {_TOGETHER:g} on, without them to {_APART:g}",
        ruled_out=[
            f"Not what it measures: {twins} would show that as well.",
            "Not a stuck value: it is livelier than before.",
        ],
        next_check=f"Power off, unplug {plug_of(each, f'the sensor of {each.name}')} and the module. "
        f"Measure the sensor, then its wires end to end while you flex them: under 1 ohm is sound. Then put the sensor "
        f"of {others[0].name} in its place.",
        caution=careful([each], POWER_OFF),
        reach=reach_of(case, [each]),
    )


def _too_fast(each: ChannelEvidence, rows: slice) -> bool:
    """Whether most samples changed faster than the quantity can."""
    quality = each.series.quality
    return quality is not None and float(np.mean((quality[rows] & np.uint16(Quality.TOO_FAST)) != 0)) >= _TOO_FAST


def _hums(noise: Floats, inside: Floats, span: float) -> bool:
    """Whether noise is as loud in nearly all seconds, over a level that wanders far."""
    quiet, loud = np.quantile(noise[np.isfinite(noise)], (0.1, 0.9))
    low, high = np.quantile(inside, (0.05, 0.95))
    return bool(quiet >= _STEADY * loud and high - low >= _WANDERS * span)


def _unplugged(
    case: Case, plug: Candidate, windows: Sequence[Sequence[Window]], ranked: Sequence[Candidate]
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
        reach=reach_of(case, [*plug.bad, *floating_on(case.decoded, plug)]),
    )


def _found(case: Case, each: ChannelEvidence, windows: list[Window]) -> Sighting:
    reads = open_reads(each)
    says = reads == "floating"
    rows = slice(*np.searchsorted(each.series.time_ns, [windows[0].start_ns, windows[0].end_ns]).tolist())
    inside = each.quantity[rows][each.there[rows]]
    unit = each.quantity_unit
    return sighting(
        "open-circuit",
        Severity.FAULT if says else Severity.SUSPECT,
        each.subject,
        windows=windows,
        confidence=0.8 if says else 0.5,
        evidence=[
            f"The input was noise and nothing else {case.spans(windows)}.",
            f"It wandered from {inside.min():.2f} to {inside.max():.2f} {unit} without rest.",
            "An open wire floats here (open_reads)."
            if says
            else "The car file does not say what an open wire reads here (open_reads); one without bias floats."
            if reads is None
            else f"The car file says that an open wire reads {reads} here (open_reads): its bias is gone as well, or "
            "there is none.",
        ],
        threshold=f"noise {_LOUDER:g} times that of its quiet seconds, and {percent(_OF_SPAN, 0)} of the span; from "
        f"sample to sample {percent(_WHITE, 0)} of all movement, or {percent(_TOO_FAST, 0)} of the samples too fast",
        ruled_out=[
            "Not a real change: from sample to sample it moves as no such quantity does.",
            "Not a short: that stands still.",
        ],
        next_check=f"Power off, unplug {plug_of(each, f'the sensor of {each.name}')} and the module. "
        "Measure the signal wire end to end while you flex it: under 1 ohm is sound.",
        caution=careful([each], POWER_OFF),
        reach=reach_of(case, [each]),
    )
