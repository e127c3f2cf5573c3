"""Does the capture hold frames twice? Of a whole bus, of one module, or some of each identifier."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.diagnosis.bus.load import babblers
from buswright.diagnosis.case import Case, Sighting, Window, sighting, subject_of
from buswright.findings import Severity
from buswright.health.model.health import Duplicates
from buswright.health.model.identifiers import IdFigures
from buswright.wording import listed, percent, plural

_ONE_ENDLESS = 0.52
"""Every copy has an original, so an echo makes half of the frames copies. With a larger share of copies a frame is
repeated over and over."""
_SOME = 0.01
_CERTAIN = 3
_FEW_COPIES = 10
_SLOW_NS = 2_000_000
"""Whoever has a longer period does not send twice within a millisecond."""
_FEW_IDS = 3
"""One identifier that is sent twice may have that rhythm; so many on one bus are copied."""


def echoes(case: Case) -> Iterator[Sighting]:
    """Judge frames that came twice within a millisecond, on one bus or on two."""
    for pair in case.health.capture.duplicates:
        if any(babblers(case, case.health.buses[pair.bus])):
            continue
        share = _local_share(case, pair)
        one_bus = pair.bus == pair.other
        if one_bus and share > _ONE_ENDLESS:
            continue
        paired = min(1.0, 2 * share if one_bus else share)
        if paired >= case.limit("echo_share", bus=pair.bus):
            yield _finding(case, pair, paired, Severity.SUSPECT, ())
        elif not one_bus:
            continue  # a gateway that passes some frames on is no echo
        elif copied := _copied(case, pair.bus):
            yield _finding(case, pair, paired, Severity.SUSPECT, copied)
        elif paired >= _SOME:
            yield _finding(case, pair, paired, Severity.NOTE, ())


def _copied(case: Case, bus: str) -> tuple[IdFigures, ...]:
    """Return the identifiers whose copies nobody sent: a counter counts every frame, a period is longer."""
    own = [figures for figures in case.health.ids_of(bus) if figures.copies]
    clumped = case.health.buses[bus].host_stamped != "unknown"  # several frames fetched together are no copies
    certain = [figures for figures in own if figures.counter is not None or (_is_slow(figures) and not clumped)]
    if sum(figures.copies for figures in certain) >= _CERTAIN:
        return tuple(own)
    if clumped:
        return ()
    many = [figures for figures in own if figures.copies >= max(_FEW_COPIES, _SOME * figures.frames)]
    return tuple(many) if len(many) >= _FEW_IDS else ()


def _is_slow(figures: IdFigures) -> bool:
    """Whether somebody declares that it is sent by a slow clock."""
    expected = figures.expected
    cyclic = expected.period_ns.declared and not expected.change_driven.value
    return cyclic and (expected.due_ns or 0.0) > _SLOW_NS


def _finding(case: Case, pair: Duplicates, paired: float, severity: Severity, copied: Sequence[IdFigures]) -> Sighting:
    """Make the finding; `copied` are the identifiers concerned, empty for all of the bus."""
    where = f"on {pair.bus}" if pair.bus == pair.other else f"on {pair.bus} just after {pair.other}"
    evidence = [
        (f"{plural(pair.copies, 'frame')} came twice {where}: same identifier, same payload, less than 1 ms apart."),
        (
            f"From {case.at(pair.first_ns)} to {case.at(pair.last_ns)} {percent(paired)} of the frames are in "
            "such pairs."
        ),
    ]
    counted = sum(figures.counter is not None for figures in copied)
    if copied:
        evidence.append(_whose(case, pair.bus, copied))
    reach = case.subjects_of_bus(pair.bus)
    if copied:
        spared = {figures.name for figures in case.health.ids_of(pair.bus)} - {figures.name for figures in copied}
        reach -= {subject_of(name) for name in spared}
    return sighting(
        "echo",
        severity,
        f"bus:{pair.bus}",
        windows=[Window(pair.first_ns, pair.last_ns)],
        count=pair.copies,
        confidence=0.9 if copied else paired,
        evidence=evidence,
        threshold=case.used("echo_share", bus=pair.bus)
        + (f"; or {_CERTAIN} copies of what its sender can't have sent twice" if copied else ""),
        ruled_out=[
            "Not two modules with one identifier: the copies have the same payload within 1 ms.",
            "Not a frame without an acknowledgement: that is repeated many times, and these came twice.",
            *(
                [f"Not frames that were sent twice: {counted} of them have a counter, and it did not count them."]
                if counted
                else []
            ),
        ],
        next_check="See whether the recorder receives its own frames, or records one bus through two interfaces "
        "under one name. Until that is fixed, loads and rates of this bus are up to twice too high.",
        reach=reach,
    )


def _whose(case: Case, bus: str, copied: Sequence[IdFigures]) -> str:
    """Say whose frames came twice."""
    others = sum(1 for _ in case.health.ids_of(bus)) - len(copied)
    if not others:
        return f"All {len(copied)} identifiers of the bus have copies."
    modules = {figures.module for figures in copied}
    of = f" of {next(iter(modules))}" if len(modules) == 1 and None not in modules else ""
    ids = listed([str(figures.name).rpartition("/")[2] for figures in copied])
    return f"The copies are of {plural(len(copied), 'identifier')}{of} ({ids}); {others} others of the bus have none."


def _local_share(case: Case, pair: Duplicates) -> float:
    """Share of second copies among the frames of the stretch in which there were any."""
    windows = case.health.buses[pair.bus].windows
    inside = (windows.start_ns + windows.width_ns > pair.first_ns) & (windows.start_ns <= pair.last_ns)
    frames = int(windows.frames[inside].sum()) if len(windows) else 0
    if not frames:
        return pair.share
    # The first and the last window are only partly in the stretch: what is exact is at least the overall share.
    partial = int(windows.frames[np.flatnonzero(inside)[[0, -1]]].sum()) // 2
    return max(pair.share, pair.copies / max(frames - partial, pair.copies))
