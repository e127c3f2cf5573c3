"""What is wrong at the moment: seen within a second or two, and put before whatever was found earlier.

A finding is judged over the whole run, so it comes later, may speak of the past, and may be explained by another one.
Somebody who moves a plug must see at once what that does. Nothing is detected here: each entry follows from the
verdict on a bus, a module or an identifier.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from buswright.diagnosis.case import subject_of
from buswright.diagnosis.found import Found, every
from buswright.diagnosis.now.buses import BusState
from buswright.diagnosis.now.modules import Sender
from buswright.diagnosis.now.moment import Moment, id_text
from buswright.findings import FAULTS, Finding
from buswright.wording import capital, listed

PLUG_IN = "Plug the adapter back in: it reconnects by itself, and a recording goes on."
BUS_SILENT = (
    "Key on? Then the fuse of the modules, the plug between adapter and bus, and both wires: nobody on this bus is "
    "heard."
)
MODULE_AWAY = "Power at the module's plug first, then the fuse, then the CAN pair to it, then the modules behind it."
IDS_AWAY = "The module sends other messages, so it has power: look at its settings, and at what these depend on."
ONE_BY_ONE = 3
"""Where nobody says which module sends what, so many silent identifiers of a bus have a row each; more share one."""
ID_AWAY = "Power at the plug of the module that sends it first, then its fuse, then the CAN pair to it."

SAME_SILENCE: Mapping[str, frozenset[str]] = {
    "no adapter": frozenset({"capture-drop"}),
    "bus silent": frozenset({"bus-off", "segment-open", "no-acknowledge", "wrong-bitrate"}),
    "module-missing": frozenset({"module-missing"}),
    "id-missing": frozenset({"id-missing"}),
}
"""The faults that speak of the same silence as an entry."""
if unknown := frozenset().union(*SAME_SILENCE.values()) - FAULTS.keys():
    raise ValueError(f"no fault of the catalogue: {', '.join(sorted(unknown))}")


@dataclass(frozen=True, slots=True)
class WrongNow:
    """One thing that is wrong now.

    Attributes
    ----------
    what, subject
        In the words of the findings, where they have one for it.
    about
        The subjects that are silent.
    since_ns
        The last moment at which it was well; None where it never was.
    check, seen
        What to do next, and what is seen.
    finding
        The finding that speaks of the same silence, with its evidence, once there is one.
    """

    what: str
    subject: str
    about: frozenset[str]
    since_ns: int | None
    check: str
    seen: str
    finding: Finding | None = None


def wrong_now(moment: Moment, buses: Sequence[BusState], senders: Sequence[Sender]) -> tuple[WrongNow, ...]:
    """Return what is wrong now: first that it is another car, then buses, modules, and single identifiers."""
    away = {each.name for each in buses if not each.received or each.silent_since_ns is not None}
    found = [
        *_misfit(moment),
        *_buses(moment, buses),
        *_elsewhere(moment),
        *_senders(moment, [each for each in senders if each.bus not in away]),
    ]
    return tuple(_with_finding(each, moment.found) for each in found)


def _misfit(moment: Moment) -> Iterator[WrongNow]:
    misfit = moment.misfit
    if misfit is not None:
        check = f"Start again with {misfit.hint}" if misfit.hint.startswith("--") else capital(misfit.hint)
        yield WrongNow("does not fit", "capture", frozenset({"capture"}), None, check, capital(misfit.text))


def _buses(moment: Moment, buses: Sequence[BusState]) -> Iterator[WrongNow]:
    for each in buses:
        subject = f"bus:{each.name}"
        if not each.received and each.reception is not None:
            last, seen = moment.bus_last_ns(each.name), f"{each.reception.source} is gone."
            yield WrongNow("no adapter", subject, frozenset({subject, "capture"}), last, PLUG_IN, seen)
    for each in buses:
        if each.silent_since_ns is not None:
            subject, seen = f"bus:{each.name}", "No frame of any identifier comes."
            yield WrongNow("bus silent", subject, frozenset({subject}), each.silent_since_ns, BUS_SILENT, seen)


def _elsewhere(moment: Moment) -> Iterator[WrongNow]:
    """Tell that the module in view belongs on a bus that isn't received here."""
    scope = moment.scope
    own = scope.buses(moment.health) if scope is not None else frozenset()
    if scope is not None and moment.health.buses and own.isdisjoint(moment.buses):
        bus = next(iter(sorted(own)), "its bus")
        check = f"Say which interface {bus} is: --bus {bus}=INTERFACE."
        seen = f"{bus} is not received here; {listed(moment.buses)} is."
        subject = f"module:{scope.module}"
        yield WrongNow("module-missing", subject, frozenset({subject}), None, check, seen)


def _senders(moment: Moment, senders: Sequence[Sender]) -> Iterator[WrongNow]:
    concerned = [each for each in senders if each.silent and each.state != "not received"]
    alone = Counter(each.bus for each in concerned if each.module is None)
    for bus in [bus for bus, number in alone.items() if number > ONE_BY_ONE]:
        own = [each for each in concerned if each.bus == bus and each.module is None]
        yield _silent(moment, f"bus:{bus}", own, ID_AWAY, f"{len(own)} identifiers are silent: {{}}.")
    for each in concerned:
        if each.module is None:
            if alone[each.bus] <= ONE_BY_ONE:
                yield _silent(moment, subject_of(each.ids[0]), [each], ID_AWAY, "It is silent.")
        elif each.state == "MISSING":
            subject, seen = f"module:{each.module}", f"None of its {each.total} identifiers comes."
            yield WrongNow("module-missing", subject, frozenset({subject}), each.last_ns, MODULE_AWAY, seen)
        else:
            seen = f"{{}} silent; the other {each.coming} of {each.total} come."
            yield _silent(moment, f"module:{each.module}", [each], IDS_AWAY, seen)


def _silent(moment: Moment, subject: str, senders: Sequence[Sender], check: str, seen: str) -> WrongNow:
    """Make the entry of identifiers that are silent; `{}` in what is seen stands for their names."""
    names = [name for each in senders for name in each.silent]
    lasts = [moment.last_ns(moment.health.ids[name]) for name in names]
    since = min((last for last in lasts if last is not None), default=None)
    about = frozenset(subject_of(name) for name in names)
    return WrongNow("id-missing", subject, about, since, check, seen.format(listed([id_text(each) for each in names])))


def _with_finding(one: WrongNow, found: Found) -> WrongNow:
    """Give it the finding that speaks of the same silence: one of its kind, of its subjects, that is not over.

    Where another accounts for that one, the other knows more: it is the one that is shown.
    """
    if one.since_ns is None:
        return one
    for root in found.roots:
        for each in every([root]):
            same = each.fault in SAME_SILENCE[one.what] and each.subject in one.about
            if same and each.end_ns is not None and each.end_ns > one.since_ns:
                seen = root.evidence[0] if root.evidence else one.seen
                return replace(one, what=root.fault, check=root.next_check, seen=seen, finding=root)
    return one
