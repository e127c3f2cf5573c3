"""What one word says of an identifier at the moment: missing, late, fast, new, unknown, on change, or well; and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.detected import DETECTED
from buswright.diagnosis.node.absent import absent_severity
from buswright.diagnosis.now.moment import Moment, id_text, period_of
from buswright.diagnosis.silence import absentees, is_guest, missing_after_ns
from buswright.findings import Severity
from buswright.health.model.gaps import LOADED
from buswright.health.model.identifiers import IdFigures, NeverCame
from buswright.health.recent import IdNow
from buswright.wording import percent, plural

NEW_S = 30.0
"""An identifier that came first when its bus had been heard for a while is called new for so long; a choice."""


class Rank(IntEnum):
    """What a state is; of equally grave ones the first needs a look soonest."""

    MISSING = 0
    UNHEARD = 1
    LATE = 2
    FAST = 3
    FOUND = 4
    GAPS = 5
    NEW = 6
    OFF_RATE = 7
    UNKNOWN = 8
    UNSURE = 9
    ON_CHANGE = 10
    OK = 11


NOT_BY_THE_CLOCK: Mapping[str, tuple[str, None, str]] = {
    "burst": ("bursts", None, "comes several times at once, then pauses: silence and lateness are not judged"),
    "on request": ("on request", None, "answers remote frames: silence and lateness are not judged"),
    "irregular": ("no rhythm", None, "comes at no steady rate and none is declared: not judged"),
}
"""Word and reason of identifiers whose silence says nothing."""
_AT_ONCE = frozenset({Rank.MISSING, Rank.UNHEARD, Rank.LATE, Rank.FAST})


@dataclass(frozen=True, slots=True)
class IdState:
    """How an identifier is at the moment.

    Attributes
    ----------
    rank, word
        What it is, and its word.
    severity
        How grave that is; None where nothing is wrong, or nothing can be judged.
    why
        A sentence with the numbers and the thresholds they were held against.
    missing, still, counted
        Frames that are missing so far; whether a silence that lasts is counted with them; False where nobody can count
        them.
    sd_wide, p999_wide
        Whether its jitter is over the limits.
    """

    rank: Rank
    word: str
    severity: Severity | None
    why: str
    missing: int = 0
    still: bool = False
    sd_wide: bool = False
    p999_wide: bool = False
    counted: bool = True

    @property
    def needs_a_look(self) -> bool:
        """Whether something may be wrong."""
        return self.rank is Rank.NEW or (self.severity is not None and self.severity > Severity.NOTE)

    @property
    def importance(self) -> tuple[int, int, int, int]:
        """Order of a list: grave ones first, then what is so right now, then by how many frames are missing."""
        grave = -1 if self.severity is None else int(self.severity)
        return -grave, self.rank if self.rank in _AT_ONCE else len(_AT_ONCE), -self.missing, self.rank


@dataclass(frozen=True, slots=True)
class Unseen:
    """An identifier of which no data frame ever came, though it is expected or asked for.

    Attributes
    ----------
    key
        Which.
    message, module
        Empty where nobody says.
    known
        False where the bus has a database or car file that doesn't have it.
    expected_hz, length
        As declared; None where nobody says.
    state
        See there.
    """

    key: FrameName
    message: str
    module: str
    known: bool | None
    expected_hz: float | None
    length: int | None
    state: IdState


def judge_identifiers(moment: Moment) -> dict[FrameName, IdState]:
    """Judge every identifier that came."""
    health, recent = moment.health, moment.recent
    return {name: _judged(moment, health.ids[name], recent.ids.get(name)) for name in moment.ids}


def judge_unseen(moment: Moment) -> tuple[Unseen, ...]:
    """Judge what should have come and never did, and what is only asked for."""
    found = {each.key: each for each in _expected_ones(moment)}
    asked = [name for name in moment.health.only_asked if name not in found]
    return (*found.values(), *(_asked(moment, name) for name in asked))


# What came ------------------------------------------------------------------------------------------------------------


def _judged(moment: Moment, figures: IdFigures, now: IdNow | None) -> IdState:
    period, name, limit = figures.period, figures.name, moment.case.limit
    rank, word, severity, why = _state(moment, figures, now)
    silent, due = moment.silent_ns(figures), 0
    if rank is Rank.MISSING and silent is not None and period.judged_ns:
        due = int(silent / period.judged_ns)
    sd_wide, p999_wide = (
        ns is not None and bool(period.judged_ns) and ns > limit(most, frame=name) * (period.judged_ns or 0.0)
        for ns, most in ((period.sd_ns, "jitter_sd"), (period.p999_ns, "jitter_p999"))
    )
    missing = figures.gaps.missing + due
    return IdState(rank, word, severity, why, missing, due > 0, sd_wide, p999_wide, period.counted)


_Said = tuple[Rank, str, Severity | None, str]


def _state(moment: Moment, figures: IdFigures, now: IdNow | None) -> _Said:
    if figures.name.bus in moment.unheard:
        return _UNHEARD
    if now is None or figures.last_ns is None:
        return Rank.UNSURE, "no times", None, "its frames have no times: neither rate nor silence is known"
    return (
        _silence(moment, figures, now)
        or _fast(moment, figures, now)
        or _found(moment, figures)
        or _new(moment, figures)
        or _off_rate(figures)
        or _quiet(figures)
    )


_UNHEARD: _Said = (Rank.UNHEARD, "no adapter", Severity.FAULT, "its bus is not received at the moment")


def _silence(moment: Moment, figures: IdFigures, now: IdNow) -> _Said | None:
    """Judge how long it has been silent, and how far apart its latest frames came."""
    period_ns, silent = period_of(figures), moment.silent_ns(figures)
    if not period_ns or silent is None or is_guest(moment.case, figures):
        return None
    case, name = moment.case, figures.name
    unknown = "; the database doesn't have it" if figures.known is False else ""
    if silent > missing_after_ns(case, name, period_ns):
        many, long = (case.limit(each, frame=name) for each in ("id_missing_periods", "id_missing_s"))
        why = (
            f"last frame {silent / 1e9:.2f} s ago; missing over {many:g} periods ({many * period_ns / 1e9:.3g} s) and "
            f"{long:g} s{unknown}"
        )
        return Rank.MISSING, "MISSING", Severity.FAULT, why
    if figures.period.sending == "heartbeat":
        return None
    factor = late_periods(moment, name)
    said = f"late over {factor:g} periods of {period_ns / 1e6:.4g} ms ({figures.expected.period_ns.source}){unknown}"
    if silent > factor * period_ns:
        return Rank.LATE, "late", Severity.SUSPECT, f"silent for {silent / 1e6:.1f} ms; {said}"
    if now.rate_hz and now.rate_hz * period_ns * factor < 1e9:
        why = f"its latest frames came {1e3 / now.rate_hz:.1f} ms apart on average; {said}"
        return Rank.LATE, "late", Severity.SUSPECT, why
    return None


def late_periods(moment: Moment, name: FrameName) -> float:
    """After how many periods an identifier is late: more where the bus is full."""
    bus, figures = moment.recent.buses.get(name.bus), moment.health.buses.get(name.bus)
    bitrate = figures.bitrate.bits_per_s if figures else None
    loaded = bus is not None and bool(bitrate) and bus.bits_per_s > LOADED * (bitrate or 0)
    return moment.case.limit("missing_periods_loaded" if loaded else "missing_periods", frame=name)


def _fast(moment: Moment, figures: IdFigures, now: IdNow) -> _Said | None:
    expected, factor = figures.expected.due_ns, moment.case.limit("babble_rate", frame=figures.name)
    if not expected or not now.rate_hz or now.rate_hz * expected / 1e9 < factor:
        return None
    times = now.rate_hz * expected / 1e9
    said = f"{1e9 / expected:.4g} 1/s ({figures.expected.period_ns.source})"
    return Rank.FAST, "fast", Severity.SUSPECT, f"{times:.1f} times its rate of {said}; fast from {factor:g} times"


def _found(moment: Moment, figures: IdFigures) -> _Said | None:
    """Tell what was found of it, or that frames of it are missing: such a one is never well."""
    standing = moment.found.standing(moment.case, figures)
    severity, finding, root = standing.severity, standing.finding, standing.root
    by = f"; {root.fault} of {root.subject.partition(':')[2] or 'the capture'} accounts for it" if root else ""
    if severity is None:
        return None
    if finding is not None and finding.severity > Severity.NOTE:
        why = unnamed(figures, finding.evidence[0]) if finding.evidence else finding.fault
        return Rank.FOUND, DETECTED[finding.fault].word or finding.fault, severity, why + by
    gaps = figures.gaps
    if not gaps.missing:
        return None
    share = gaps.missing / (gaps.missing + figures.frames)
    why = (
        f"{plural(gaps.missing, 'frame')} missing in {plural(gaps.total - gaps.late, 'gap')} ({percent(share, 2)}){by}"
    )
    return Rank.GAPS, "gaps", severity, why


def _new(moment: Moment, figures: IdFigures) -> _Said | None:
    bus, first = moment.health.buses.get(figures.name.bus), figures.first_ns
    if bus is None or bus.first_ns is None or first is None or moment.now_ns is None:
        return None
    start = moment.case.limit("startup_ignore_s", frame=figures.name)
    after, since = (first - bus.first_ns) / 1e9, (moment.now_ns - first) / 1e9
    if after <= max(start, 1.5 * (figures.period.judged_ns or 0.0) / 1e9) or since > NEW_S:
        return None
    why = f"came first {since:.1f} s ago, {after:.1f} s after its bus; new for {NEW_S:g} s"
    if figures.known is False:
        why += "; not in the database either"
    return Rank.NEW, "new", Severity.NOTE, why


def _off_rate(figures: IdFigures) -> _Said | None:
    period, expected = figures.period, figures.expected.period_ns
    if not period.conflict or not expected.value or not period.learned_ns:
        return None
    why = (
        f"comes steadily every {period.learned_ns / 1e6:.4g} ms, but the {expected.source} says "
        f"{expected.value / 1e6:.4g} ms; off by more than a quarter"
    )
    return Rank.OFF_RATE, "off rate", Severity.SUSPECT, why


def _quiet(figures: IdFigures) -> _Said:
    """Name what is no fault."""
    period = figures.period
    if figures.known is False:
        return Rank.UNKNOWN, "unknown id", Severity.NOTE, "neither the bus's database nor the car file knows it"
    if period.sending == "heartbeat" and period.judged_ns:
        why = f"sent when something changes, and every {period.judged_ns / 1e6:.4g} ms at least; never late or early"
        return Rank.ON_CHANGE, "on change", None, why
    if period.sending == "change-driven":
        why = f"sent when something changes ({figures.expected.change_driven.source}), so silence is no fault"
        return Rank.ON_CHANGE, "on change", None, why
    if period.sending in NOT_BY_THE_CLOCK:
        return Rank.UNSURE, *NOT_BY_THE_CLOCK[period.sending]
    if period.sending == "too few" or not period.judged_ns:
        return Rank.UNSURE, "too few", None, "too few frames so far to know its rate, and none is declared"
    why = f"every {period.judged_ns / 1e6:.4g} ms ({figures.expected.period_ns.source})"
    if period.sd_ns is not None:
        why += f"; spacings vary by {period.sd_ns / period.judged_ns * 100:.1f} % of that (standard deviation)"
    return Rank.OK, "ok", None, why


def unnamed(figures: IdFigures, sentence: str) -> str:
    """Leave the identifier's own name out at the beginning of a sentence that stands beside it."""
    for start in (f"{figures.name} {figures.message}", str(figures.name)):
        if sentence.startswith(start):
            return sentence.removeprefix(start).lstrip(" :,")
    return sentence


# What never came ------------------------------------------------------------------------------------------------------


def _expected_ones(moment: Moment) -> Iterator[Unseen]:
    """Yield what modules should send, or a good run had, and never came."""
    never_came = {one.name: one for module in moment.health.modules.values() for one in module.never_came}
    overdue: dict[FrameName, Severity] = {}
    for bus in moment.health.buses:
        absent = absentees(moment.case, bus)
        overdue |= {one.name: absent_severity(moment.case, bus, one, absent) for one in absent}
        never_came = {one.name: one for one in absent} | never_came
    for one in never_came.values():
        yield Unseen(
            key=one.name,
            message=one.message,
            module=one.module or "",
            known=True,
            expected_hz=one.expected.due_hz,
            length=one.expected.length.value,
            state=_never_came(moment, one, overdue.get(one.name)),
        )


def _never_came(moment: Moment, one: NeverCame, severity: Severity | None) -> IdState:
    """Judge one; `severity` of its absence, None where it isn't overdue."""
    bus, every = one.name.bus, f" every {one.period_ms:.4g} ms" if one.period_ms is not None else ""
    expects = f"the {one.by} expects it{f' of {one.module}' if one.module else ''}{every}"
    if bus in moment.unheard:
        return IdState(*_UNHEARD)
    if one.expected.change_driven.value:
        return IdState(Rank.ON_CHANGE, "on change", None, f"never came; {expects}: sent only when something changes")
    seconds = moment.health.buses[bus].seconds if bus in moment.health.buses else 0.0
    if severity is None:
        why = f"has not come in the {seconds:.1f} s so far; {expects}; too early to call it missing"
        return IdState(Rank.UNSURE, "waiting", None, why)
    return IdState(Rank.MISSING, "MISSING", severity, f"never came in {seconds:.1f} s; {expects}")


def _asked(moment: Moment, name: FrameName) -> Unseen:
    """Judge an identifier that remote frames ask for, and that nobody sends."""
    car = moment.car
    database = car.databases.get(name.bus) if car else None
    known = database.messages if database else ()
    message = next((each for each in known if (each.id, each.extended) == (name.id, name.extended)), None)
    why = f"{moment.health.only_asked[name]} remote frames ask for it, and no data frame has answered"
    return Unseen(
        key=name,
        message=message.name if message else "",
        module=(car.module_of(name.bus, message.name if message else id_text(name)) or "") if car else "",
        known=None if database is None else message is not None,
        expected_hz=None,
        length=message.length if message else None,
        state=IdState(*_UNHEARD)
        if name.bus in moment.unheard
        else IdState(Rank.UNKNOWN, "only asked", Severity.NOTE, why),
    )


def limits_in_words(moment: Moment) -> tuple[str, ...]:
    """Say what the words mean in numbers, the most important first."""
    limit, car = moment.case.limit, moment.car
    own = car is not None and (
        any(bus.thresholds for bus in car.buses.values()) or any(frame.thresholds for frame in car.frames.values())
    )
    parts = (
        f"late over {limit('missing_periods'):g} periods",
        f"MISSING over {limit('id_missing_periods'):g} periods and {limit('id_missing_s'):g} s",
        f"fast from {limit('babble_rate'):g}× its rate",
        f"late over {limit('missing_periods_loaded'):g} periods above {LOADED * 100:.0f} % load",
        f"new for {NEW_S:g} s",
        f"sd worth a look over {limit('jitter_sd') * 100:.0f} %, 99.9 % over {limit('jitter_p999') * 100:.0f} %",
    )
    return ("the car file has limits of its own", *parts) if own else parts
