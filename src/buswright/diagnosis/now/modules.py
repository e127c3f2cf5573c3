"""Whether modules are there at the moment: each from the verdicts on its identifiers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Window, subject_of
from buswright.diagnosis.now.identifiers import IdState, Rank, Unseen
from buswright.diagnosis.now.moment import Moment, id_text, period_of
from buswright.diagnosis.silence import came_meanwhile
from buswright.findings import Finding, Severity
from buswright.health.model.identifiers import IdFigures

State = Literal["MISSING", "never came", "partly", "not received", "now and then", "waiting", "present"]
STATES: tuple[State, ...] = get_args(State)
"""Of a module or an identifier; in this order a list is read, the ones to look at first."""


@dataclass(frozen=True, slots=True)
class Sender:
    """A module with its identifiers, or a single identifier that belongs to none.

    Attributes
    ----------
    bus, name
        Where, and what it is called.
    module
        None for an identifier of its own.
    ids
        Identifiers that came at least once.
    silent
        Those of them that are missing at the moment.
    absent
        Messages that it should send and that never came.
    last_ns
        Its latest frame.
    state, severity
        At the moment; the gravest of what is silent, never came, or was found of it. None: nothing is wrong, or
        nothing can be judged.
    period_ns
        Of a single identifier that is well; None otherwise.
    missing, missing_until_ns
        Frames that were missing in gaps that ended, and the end of the last of those.
    found
        The gravest finding about it or its identifiers, if that is suspect or worse.
    """

    bus: str
    name: str
    module: str | None
    ids: tuple[FrameName, ...]
    silent: tuple[FrameName, ...]
    absent: tuple[str, ...]
    last_ns: int | None
    state: State
    severity: Severity | None
    period_ns: float | None
    missing: int
    missing_until_ns: int | None
    found: Finding | None

    @property
    def key(self) -> tuple[str, str]:
        """Bus and name."""
        return self.bus, self.name

    @property
    def total(self) -> int:
        """Identifiers that came, and messages that never did."""
        return len(self.ids) + len(self.absent)

    @property
    def coming(self) -> int:
        """How many of them come at the moment."""
        return 0 if self.state == "not received" else len(self.ids) - len(self.silent)


def judge_modules(moment: Moment, ids: Mapping[FrameName, IdState], unseen: Sequence[Unseen]) -> tuple[Sender, ...]:
    """Judge all modules, and the identifiers that belong to none, those to look at first in front."""
    absent: dict[tuple[str, str], list[IdState]] = {}
    for each in unseen:
        if each.module:
            absent.setdefault((each.key.bus, each.module), []).append(each.state)
    only = moment.scope.module if moment.scope is not None else None
    keys = [key for key in moment.health.modules if only in (None, key[1])]
    found = [_module(moment, ids, key, absent.get(key, ())) for key in keys]
    found += [single(moment, ids, name) for name in moment.ids if moment.health.ids[name].module is None]
    # Stable, so that equals stay in the order of the bus.
    return tuple(sorted(found, key=_importance))


def _importance(sender: Sender) -> tuple[int, int, bool, bool]:
    grave = -1 if sender.severity is None else int(sender.severity)
    return STATES.index(sender.state), -grave, not sender.missing, sender.module is None


def _module(
    moment: Moment, ids: Mapping[FrameName, IdState], key: tuple[str, str], absent: Sequence[IdState]
) -> Sender:
    bus, name = key
    module = moment.health.modules[key]
    figures = [moment.health.ids[each] for each in module.ids]
    silent = tuple(each for each in module.ids if ids[each].rank is Rank.MISSING)
    judged = sum(period_of(each) is not None for each in figures)
    overdue = [each for each in absent if each.rank is Rank.MISSING]
    state: State
    if bus in moment.unheard:
        state = "not received"
    elif not module.ids:
        state = "never came" if overdue else "waiting"
    elif silent:
        # What has no period can't be silent, but it may show that its module still sends.
        dues = [(moment.last_ns(each) or 0) + round(period_of(each) or 0) for each in figures if each.name in silent]
        since = Window(min(dues), moment.heard_ns)
        alone = all(period_of(each) or not came_meanwhile(moment.last_ns(each), since) for each in figures)
        state = "MISSING" if alone and len(silent) == judged else "partly"
    else:
        state = "present" if judged else "now and then"
    found = moment.found.worst(f"module:{name}", *(subject_of(each) for each in module.ids))
    texts = tuple(each.text for each in module.never_came)
    now = [*(ids[each] for each in silent), *overdue]
    return _sender(moment, key, name, figures, silent, texts, state, [each.severity for each in now], found)


def single(moment: Moment, ids: Mapping[FrameName, IdState], name: FrameName) -> Sender:
    """Judge an identifier by itself, as if it were a module."""
    figures, own = moment.health.ids[name], ids[name]
    silent = (name,) if own.rank is Rank.MISSING else ()
    state: State
    if name.bus in moment.unheard:
        state = "not received"
    elif period_of(figures) is None:
        state = "now and then"
    else:
        state = "MISSING" if silent else "present"
    title = id_text(name) + (f" {figures.message}" if figures.message else "")
    grave = [own.severity] if silent else []
    found = moment.found.worst(subject_of(name))
    return _sender(moment, (name.bus, title), None, [figures], silent, (), state, grave, found)


def _sender(
    moment: Moment,
    key: tuple[str, str],
    module: str | None,
    figures: Sequence[IdFigures],
    silent: tuple[FrameName, ...],
    absent: tuple[str, ...],
    state: State,
    grave: Sequence[Severity | None],
    found: Finding | None,
) -> Sender:
    found = found if found is not None and found.severity > Severity.NOTE else None
    severities = [each for each in (*grave, found.severity if found else None) if each is not None]
    if state == "not received":
        severities.append(Severity.FAULT)
    lasts = [last for each in figures if (last := moment.last_ns(each)) is not None]
    missing, until = _missing(figures)
    return Sender(
        bus=key[0],
        name=key[1],
        module=module,
        ids=tuple(each.name for each in figures),
        silent=silent,
        absent=absent,
        last_ns=max(lasts, default=None),
        state=state,
        severity=max(severities, default=None),
        period_ns=period_of(figures[0]) if module is None else None,
        missing=missing,
        missing_until_ns=until,
        found=found,
    )


def _missing(figures: Iterable[IdFigures]) -> tuple[int, int | None]:
    """Count the frames that were missing, and say until when."""
    gaps = [each.gaps for each in figures if each.gaps.missing]
    ends = [int(each.end_ns[each.is_missing].max()) for each in gaps if each.is_missing.any()]
    return sum(each.missing for each in gaps), max(ends, default=None)
