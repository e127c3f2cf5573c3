"""Do frames come when they should? Jitter and lateness that no loss explains."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.capture.host_lag import Smear, smear
from buswright.diagnosis.case import MILLISECOND, Case, Sighting, Window, merged, sighting, subject_of, titled
from buswright.diagnosis.node.duplicates import mixed_streams
from buswright.diagnosis.node.gaps.evidence import overloaded
from buswright.findings import Severity
from buswright.health.model.identifiers import IdFigures, PeriodStrip
from buswright.wording import listed, percent, plural

_FEW_SPACINGS = 100
_COPIED = 0.05
_TAIL = 0.001
"""The share of spacings beyond the 99.9th percentile."""

_AS_OTHERS = "It is no more irregular than the computer's stamps make every identifier of this bus."
_NOT_THE_STAMPS = "Not the computer's stamps: they delay all frames in their order, and others were on time."
_STAMPS_FIRST = (
    "Record with hardware time stamps, or on a computer that does nothing else, before you judge its sender. This "
    "recording can't show lateness smaller than what the stamps add."
)


def timing_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the regularity of every identifier that is sent by the clock, in one stream.

    Where a host stamped the frames only who stands out against the others is late; the rest is noted, for the stamps.
    """
    mixed = mixed_streams(case)
    yield from (_changed(case, figures) for figures in case.health.ids.values() if figures.gaps.slower)
    late = {
        figures.name: figures
        for figures in case.health.ids.values()
        if figures.period.sending == "periodic" and figures.name not in mixed and _irregular(case, figures)
    }
    compared = {name: smear(case, figures) for name, figures in late.items()}
    true = {name for name, by_stamps in compared.items() if by_stamps is None or by_stamps.stands_out}
    for name, figures in late.items():
        if name in true:
            yield _finding(case, figures, _pattern(case, figures, true), compared[name])
        else:
            yield _smeared(case, figures, compared[name])


def _changed(case: Case, figures: IdFigures) -> Sighting:
    """Note that an identifier had a longer period for some time."""
    slower, usual = figures.gaps.slower, figures.period.judged_ns or 0.0
    windows = [Window(each.start_ns, each.end_ns) for each in slower]
    periods = listed(sorted({f"{each.period_ns / MILLISECOND:.4g} ms" for each in slower}))
    when = case.spans(windows)
    return sighting(
        "rhythm-changed",
        Severity.NOTE,
        subject_of(figures.name),
        windows=windows,
        confidence=0.8,
        evidence=[f"{titled(figures)} came every {periods} {when}, and every {usual / MILLISECOND:.4g} ms else."],
        threshold="at least 10 spacings in a row that differ by less than 10 %, where nobody declares a period",
        ruled_out=["Not lost frames: all spacings of that time are alike."],
        next_check="See what the car did then (cranking, idle, a menu that was open). If the message should have one "
        "period, write it into the car file.",
    )


def _irregular(case: Case, figures: IdFigures) -> bool:
    period = figures.period
    if not period.judged_ns or period.spacings < _FEW_SPACINGS:
        return False
    clumped = case.health.buses[figures.name.bus].host_stamped != "unknown"  # equal payloads fetched together
    if figures.copies > _COPIED * figures.frames and not clumped:
        return False  # an echo: among copies not even the learned period is its own
    if period.sd_ns is not None and period.sd_ns > case.limit("jitter_sd", frame=figures.name) * period.judged_ns:
        return True
    return _tail(case, figures) or _late(case, figures) > 0


def _tail(case: Case, figures: IdFigures) -> bool:
    """Whether one spacing in a thousand is off by more than the limit; late frames that are no losses count."""
    period = figures.period
    assert period.judged_ns is not None
    limit = case.limit("jitter_p999", frame=figures.name) * period.judged_ns
    return (period.p999_ns or 0.0) > limit or _late(case, figures) > _TAIL * period.spacings


def _late(case: Case, figures: IdFigures) -> int:
    """Count the gaps that hold a late frame, or a late or missing one that can't be told apart for the load."""
    return figures.gaps.late + int(np.count_nonzero(overloaded(case, figures) & figures.gaps.is_missing))


def _pattern(case: Case, figures: IdFigures, late: Collection[FrameName]) -> str:
    """Say who else is irregular: one message, one sender's task, or everybody."""
    bus = [f for f in case.periodic(figures.name.bus) if f.period.spacings >= _FEW_SPACINGS]
    own = [f for f in bus if f.module == figures.module and f.module is not None]
    if len(bus) > 1 and all(f.name in late for f in bus):
        return "All identifiers of the bus are irregular, which points at the recorder's stamps or at the load."
    if len(own) > 1 and all(f.name in late for f in own):
        return (
            f"All {len(own)} identifiers of {figures.module} are irregular and others are not, so its task runs late."
        )
    if len(own) > 1:
        others = sum(f.name in late for f in own) - 1
        return f"{others} of {len(own) - 1} other identifiers of {figures.module} are irregular."
    return "It is the only identifier known of its sender."


def _smeared(case: Case, figures: IdFigures, by_stamps: Smear | None) -> Sighting:
    """Note an identifier that is as irregular as a host's stamps make it."""
    found = _finding(case, figures, _AS_OTHERS, by_stamps)
    return replace(found, finding=replace(found.finding, severity=Severity.NOTE, next_check=_STAMPS_FIRST))


def _finding(case: Case, figures: IdFigures, pattern: str, by_stamps: Smear | None) -> Sighting:
    period, name, gaps = figures.period, figures.name, figures.gaps
    assert period.judged_ns is not None
    tail = _tail(case, figures)
    sd = period.sd_ns or 0.0
    crowded = int(np.count_nonzero(overloaded(case, figures) & gaps.is_missing))
    wide = sd > case.limit("jitter_sd", frame=name) * period.judged_ns
    evidence = [
        (
            f"{titled(figures)} is irregular: one frame in 1000 is off by {(period.p999_ns or 0) / MILLISECOND:.2f} ms "
            f"or more. It is due every {period.judged_ns / MILLISECOND:g} ms ({figures.expected.period_ns.source})."
        ),
        pattern,
        *([f"{plural(gaps.late, 'frame')} came over half a period late; the next ones caught up."] * bool(gaps.late)),
        *([f"{plural(crowded, 'gap')} fell into an overload: late or missing can't be told there."] * bool(crowded)),
        *_against_others(by_stamps),
        f"The standard deviation is {sd / MILLISECOND:.2f} ms, {percent(sd / period.judged_ns)} of the period.",
    ]
    windows, coarse = _windows(case, figures)
    return sighting(
        "late-frames",
        Severity.FAULT if tail else Severity.SUSPECT if wide else Severity.NOTE,
        subject_of(name),
        windows=windows,
        coarse=coarse,
        count=max(1, gaps.late + crowded),
        confidence=0.8 if tail else 0.6,
        evidence=evidence,
        threshold=f"{gaps.rule}; " + case.used("jitter_sd", "jitter_p999", "missing_periods", frame=name),
        ruled_out=[
            *(["Not lost frames: the next ones came earlier by as much."] if gaps.late else []),
            *(["Not lost frames: no spacing reached one and a half periods."] if not gaps.late + crowded else []),
            *([_NOT_THE_STAMPS] if by_stamps is not None and by_stamps.stands_out else []),
        ],
        next_check="Look at what else the sending module does at that time, and at the priority of this identifier "
        "against the load of the bus.",
    )


def _against_others(by_stamps: Smear | None) -> list[str]:
    """Say how it compares with the others of its bus, where a host stamped them."""
    if by_stamps is None:
        return []
    if not by_stamps.others:
        return ["A computer stamped the frames, and no other sender is there to compare with."]
    usual, share = by_stamps.others_ns / MILLISECOND, by_stamps.usual_share
    return [
        (
            f"A computer stamped the frames. Half of these are off by over {by_stamps.own_ns / MILLISECOND:.2f} ms; "
            f"{usual:.2f} ms is usual on this bus."
        ),
        (
            f"Others overtook {by_stamps.overtaken} of them ({percent(by_stamps.share, 2)}) though the bus was not "
            f"silent; of the other identifiers' frames {percent(share, 2)}."
        ),
    ]


def _windows(case: Case, figures: IdFigures) -> tuple[tuple[Window, ...], bool]:
    """Return when it was irregular: late gaps, else the ten seconds in which spacings deviate much; whether those."""
    gaps, strip = figures.gaps, figures.strip
    rows = np.flatnonzero((~gaps.is_missing & ~gaps.unheard) | overloaded(case, figures))
    windows = [Window(int(gaps.start_ns[row]), int(gaps.end_ns[row])) for row in rows.tolist()]
    if windows:
        return merged(windows), False
    return tuple(_rough(case, figures, strip)), True


def _rough(case: Case, figures: IdFigures, strip: PeriodStrip) -> list[Window]:
    assert figures.period.judged_ns is not None
    limit = 3 * case.limit("jitter_sd", frame=figures.name) * figures.period.judged_ns
    rows = np.flatnonzero(strip.deviation_ns > min(limit, float(strip.deviation_ns.max(initial=0.0)) * 0.99))
    last = figures.last_ns or 0
    first = figures.first_ns or 0
    starts = np.maximum(strip.start_ns[rows], first)
    ends = np.minimum(strip.start_ns[rows] + strip.WIDTH_NS, last)
    return [Window(a, b) for a, b in zip(starts.tolist(), ends.tolist(), strict=True) if a <= b]
