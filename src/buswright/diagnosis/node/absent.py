"""Is everybody there? Modules and identifiers that never came, and unknown identifiers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import SECOND, Case, Sighting, Window, sighting, subject_of, titled, whole_run
from buswright.diagnosis.silence import FULL, absentees, came_later
from buswright.diagnosis.words import LIVE_LOOM, MODULE_POWER, UNPLUG
from buswright.findings import Severity
from buswright.health.model.health import BusFigures
from buswright.health.model.identifiers import IdFigures, NeverCame
from buswright.wording import capital, duration, listed, percent, plural

_FEW_UNKNOWN = 3


def node_sightings(case: Case) -> Iterator[Sighting]:
    """Judge who never came, and who is unknown."""
    for bus in case.health.buses.values():
        absent = absentees(case, bus.name)
        silent = {one.module for one in absent if one.module is not None and not _heard(case, bus.name, one.module)}
        for module in sorted(silent):
            yield _missing_module(case, bus, module, [one for one in absent if one.module == module])
        for one in absent:
            if one.module not in silent:
                yield _missing_message(case, bus, one)
        yield from _unanswered(case, bus)
        yield from _unknown(case, bus)
    yield from _late_starts(case)


def absent_severity(case: Case, bus: str, one: NeverCame, together: Sequence[NeverCame]) -> Severity:
    """Return how grave it is that something never came; `together` is what else of its bus never did.

    Where nothing of its module came, the module is missing. Only a database may describe more than a car has: a note.
    """
    if one.module is None or _heard(case, bus, one.module):
        return Severity.SUSPECT if _sure_of_message(one) else Severity.NOTE
    own = [each for each in together if each.module == one.module]
    return Severity.FAULT if _sure_of_module(case, one.module, own) else Severity.NOTE


def _sure_of_message(one: NeverCame) -> bool:
    return one.period_ms is not None or one.by == "good run"


def _sure_of_module(case: Case, module: str, absent: Sequence[NeverCame]) -> bool:
    described = case.car is not None and module in case.car.modules
    return described or any(one.by == "good run" for one in absent)


def _heard(case: Case, bus: str, module: str) -> bool:
    """Whether any identifier of a module was seen on a bus."""
    figures = case.health.modules.get((bus, module))
    return figures is not None and bool(figures.ids)


# Missing from the start -----------------------------------------------------------------------------------------------


def _missing_module(case: Case, bus: BusFigures, module: str, absent: Sequence[NeverCame]) -> Sighting:
    described = case.car is not None and module in case.car.modules
    remembered = any(one.by == "good run" for one in absent)
    sure = _sure_of_module(case, module, absent)
    source = "the good run" if remembered else "the car file" if described else "the database"
    evidence = [
        (
            f"{module} sent nothing on {bus.name} in {bus.seconds:.1f} s. {capital(source)} expects "
            f"{plural(len(absent), 'message')} from it: {listed([str(one) for one in absent])}."
        )
    ]
    if not sure:
        evidence.append("Only a database names it, and that may describe more modules than this car has.")
    return sighting(
        "module-missing",
        absent_severity(case, bus.name, absent[0], absent),
        f"module:{module}",
        windows=whole_run(bus),
        confidence=0.9 if sure else 0.5,
        evidence=evidence,
        threshold=case.used("startup_ignore_s", "id_missing_periods", "id_missing_s", bus=bus.name),
        ruled_out=[f"Not the bus: {plural(bus.data_frames, 'frame')} from other modules came."],
        next_check=f"{MODULE_POWER} See that the recorder has no receive filter set.",
        caution=UNPLUG,
        reach=case.subjects_of_module(bus.name, module) | {subject_of(one.name) for one in absent},
    )


def _missing_message(case: Case, bus: BusFigures, one: NeverCame) -> Sighting:
    sure = _sure_of_message(one)
    every = f" every {one.period_ms:.4g} ms" if one.period_ms is not None else ""
    return sighting(
        "id-missing",
        absent_severity(case, bus.name, one, [one]),
        subject_of(one.name),
        windows=whole_run(bus),
        confidence=0.8 if sure else 0.3,
        evidence=[f"{one} never came on {bus.name} in {bus.seconds:.1f} s. The {one.by} expects it{every}."],
        threshold=case.used("startup_ignore_s", "id_missing_periods", "id_missing_s", bus=bus.name),
        ruled_out=[f"Not a module without power: other messages of {one.module} came."] if one.module else [],
        next_check="Look at the module's settings for this message and at the receive filters. If the module doesn't "
        "send it, take it out of the database.",
    )


# Asked for ------------------------------------------------------------------------------------------------------------


def _unanswered(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    """Report requests (remote frames) that nobody answered."""
    for figures in case.health.ids_of(bus.name):
        if (none := figures.unanswered) is None:
            continue
        share = none.requests / figures.remote_frames
        often = none.requests >= FULL and share >= case.limit("lost_share_fault", frame=figures.name)
        yield _not_answered(
            case,
            figures.name,
            Severity.SUSPECT if often else Severity.NOTE,
            Window(none.first_ns, none.last_ns),
            none.requests,
            f"{titled(figures)} was not sent after {none.requests} of {plural(figures.remote_frames, 'request')} "
            f"(remote frames, {percent(share)}) before the next request.",
        )
    for name, asked in case.health.only_asked.items():
        if name.bus == bus.name and (run := whole_run(bus)):
            said = f"{name} was asked for in {plural(asked, 'remote frame')}, and no data frame of it came."
            yield _not_answered(case, name, Severity.NOTE, run[0], asked, said)


def _not_answered(case: Case, name: FrameName, severity: Severity, window: Window, count: int, said: str) -> Sighting:
    return sighting(
        "id-missing",
        severity,
        subject_of(name),
        windows=[window],
        count=count,
        confidence=0.8,
        evidence=[said],
        threshold=case.used("lost_share_fault", frame=name),
        ruled_out=[f"Not the bus: {plural(case.health.buses[name.bus].data_frames, 'data frame')} came."],
        next_check="See whether the module that should answer is fitted and has power, then look at the receive "
        "filters of the recorder.",
    )


# Late -----------------------------------------------------------------------------------------------------------------


def _late_starts(case: Case) -> Iterator[Sighting]:
    """Report modules that came when the run was on; where it is most of the car, that was switched on then."""
    modules = {
        key: [case.health.ids[name] for name in figures.ids]
        for key, figures in case.health.modules.items()
        if figures.ids
    }
    late = {
        key: own
        for key, own in modules.items()
        if all(came_later(case, each) for each in own)
        and any(each.period.sending in ("periodic", "heartbeat") for each in own)
    }
    begun = (case.health.capture.first_ns or 0) + case.limit("startup_ignore_s") * SECOND
    after = {key: own for key, own in modules.items() if _first_ns(own) > begun}  # with its whole bus, or alone
    if late and 1 < len(after) > len(modules) / 2:
        yield _switched_on(case, after, len(modules))
        return
    for (bus, module), own in late.items():
        yield _late_start(case, case.health.buses[bus], module, own)


def _first_ns(own: Sequence[IdFigures]) -> int:
    return min(figures.first_ns or 0 for figures in own)


def _late_start(case: Case, bus: BusFigures, module: str, own: Sequence[IdFigures]) -> Sighting:
    begun, first = bus.first_ns or 0, _first_ns(own)
    return sighting(
        "late-start",
        Severity.SUSPECT,
        f"module:{module}",
        windows=[Window(begun, first)],
        confidence=0.9,
        evidence=[
            (
                f"The first of {plural(len(own), 'identifier')} from {module} came at {case.at(first)}, "
                f"{duration(first - begun)} after the first frame on {bus.name}."
            )
        ],
        threshold=case.used("startup_ignore_s", bus=bus.name),
        ruled_out=[f"Not a recorder that started late: it recorded others on {bus.name} from {case.at(begun)} on."],
        next_check="Look at what feeds the module before it sends: a relay, a wake-up line, or a supply that is low "
        "while the engine is cranked. Ask its manual how long it starts.",
        caution=LIVE_LOOM,
        reach=case.subjects_of_module(bus.name, module),
    )


def _switched_on(case: Case, late: Mapping[tuple[str, str], Sequence[IdFigures]], total: int) -> Sighting:
    buses = sorted({bus for bus, _ in late})
    begun = case.health.capture.first_ns or 0
    firsts = [_first_ns(own) for own in late.values()]
    return sighting(
        "late-start",
        Severity.NOTE,
        case.recorded(buses),
        windows=[Window(begun, max(firsts))],
        confidence=0.6,
        evidence=[
            (
                f"{len(late)} of {total} modules sent their first frame from {case.at(min(firsts))} to "
                f"{case.at(max(firsts))}: {listed([module for _, module in late])}."
            ),
            "The key was probably turned then.",
        ],
        threshold=case.used("startup_ignore_s", bus=buses[0]),
        next_check="If nobody turned the key then, look at the main relay and its feed.",
        reach=frozenset().union(*(case.subjects_of_module(*key) for key in late)),
    )


# Unknown --------------------------------------------------------------------------------------------------------------


def _unknown(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    """Report identifiers that neither database nor good run knows; many from the start on together."""
    ids = list(case.health.ids_of(bus.name))
    unknown = [figures for figures in ids if _is_unknown(case, figures)]
    if not unknown:
        return
    for later in (False, True):
        own = [figures for figures in unknown if came_later(case, figures) is later]
        if len(own) > _FEW_UNKNOWN:
            yield _many_unknown(case, bus, own, len(ids), later=later)
            unknown = [figures for figures in unknown if figures not in own]
    for figures in unknown:
        yield _unknown_id(case, bus, figures)


def _is_unknown(case: Case, figures: IdFigures) -> bool:
    if case.remembered is not None and any(name.bus == figures.name.bus for name in case.remembered):
        return figures.name not in case.remembered
    return figures.known is False


def _unknown_id(case: Case, bus: BusFigures, figures: IdFigures) -> Sighting:
    remembered = case.remembered is not None
    first = figures.first_ns
    later = came_later(case, figures)
    source = "the good run" if remembered else "the database"
    period = figures.period.learned_ns
    evidence = [
        f"{figures.name} is not in {source}. It came first at {case.at(first)}"
        + (", during the run." if later else ", at the start."),
        f"It sent {plural(figures.frames, 'frame')} of {'/'.join(map(str, sorted(figures.lengths.counts)))} bytes, "
        + (f"every {period / 1e6:.1f} ms" if period else "at no steady rate")
        + f", {percent(figures.share)} of the bus.",
    ]
    new = _what_else(case, bus, figures)
    if new:
        evidence.append(f"Within a second of that {new}.")
    return sighting(
        "unknown-id",
        Severity.SUSPECT if remembered or later else Severity.NOTE,
        subject_of(figures.name),
        windows=[Window(first, figures.last_ns)] if first is not None and figures.last_ns is not None else [],
        count=figures.frames,
        confidence=0.9 if remembered else 0.7,
        evidence=evidence,
        threshold=case.used("startup_ignore_s", frame=figures.name) + "; one that comes later came during the run",
        ruled_out=[
            f"Not damaged frames of another identifier: the check sequence of all {figures.frames:,} was right."
        ],
        next_check="See which module it stops with when unplugged in the workshop, and whether a setting or a "
        "firmware changed; add it to the database if it belongs to the car.",
        caution=UNPLUG,
    )


def _what_else(case: Case, bus: BusFigures, figures: IdFigures) -> str:
    """Say which identifiers were last seen within a second of another's first frame: it may have taken their place."""
    if figures.first_ns is None:
        return ""
    gone = [
        str(other.name)
        for other in case.health.ids_of(bus.name)
        if other is not figures and other.last_ns is not None and abs(other.last_ns - figures.first_ns) < SECOND
    ]
    return f"{listed(gone)} came for the last time" if gone else ""


def _many_unknown(case: Case, bus: BusFigures, unknown: Sequence[IdFigures], total: int, *, later: bool) -> Sighting:
    remembered = case.remembered is not None
    source = "the good run" if remembered else "its database"
    firsts = [figures.first_ns for figures in unknown if figures.first_ns is not None]
    lasts = [figures.last_ns for figures in unknown if figures.last_ns is not None]
    what = (
        "They first came during the run: another module, a tester or a logger was plugged in, or woke up."
        if later
        else "They were there from the start: another module was plugged in since, or the good run is another car's."
        if remembered
        else "They were there from the start: the database covers only a part of this bus, or is the wrong one."
    )
    return sighting(
        "unknown-id",
        Severity.SUSPECT if later or remembered else Severity.NOTE,
        f"bus:{bus.name}",
        windows=[Window(min(firsts), max(lasts))] if firsts and lasts else (),
        count=len(unknown),
        confidence=0.9 if remembered else 0.7 if later else 0.5,
        evidence=[
            (
                f"{len(unknown)} of {total} identifiers on {bus.name} are not in {source}: "
                f"{listed([str(figures.name).rpartition('/')[2] for figures in unknown], 12)}."
            ),
            what,
        ],
        threshold=f"more than {_FEW_UNKNOWN} that came at the start, or later, are reported together",
        next_check="See that this bus has the right database, and what is plugged into it.",
    )
