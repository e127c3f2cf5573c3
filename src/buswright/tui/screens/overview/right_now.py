"""What is wrong at the moment shown: seen within a second or two, and put before whatever was found earlier.

A finding is judged over the whole run, so it comes later, may speak of the past, and may be explained by another one.
Somebody who moves a plug must see at once what that does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from buswright.findings import Finding
from buswright.tui.screens.overview.bus_lines import silent_since
from buswright.tui.screens.overview.heartbeat import Sender, id_text, is_silent, last_ns
from buswright.worker.snapshot import Snapshot

PLUG_IN = "Plug the adapter in again: it is opened by itself, and a recording goes on."
BUS_SILENT = (
    "Key on? Then the fuse of the modules, the plug between adapter and bus, and both wires: nobody on this bus is "
    "heard."
)
MODULE_AWAY = "Power at the module's plug first, then the fuse, then the CAN pair to it, then the modules behind it."
IDS_AWAY = "The module sends other messages, so it has power: look at its settings, and at what these depend on."
ONE_BY_ONE = 3
"""Where nobody says which module sends what, so many silent identifiers of a bus have a row each; more share one."""
ID_AWAY = "Power at the plug of the module that sends it first, then its fuse, then the CAN pair to it."


class NowKey(str):
    """Tells a row of this list from a finding's: the subject."""


@dataclass(frozen=True, slots=True)
class RightNow:
    """One thing that is wrong now.

    Attributes
    ----------
    what, subject
        In the words of the findings, where they have one for it.
    since_ns
        The last moment at which it was well; None where it never was.
    check, seen
        What to do next, and what is seen.
    finding
        The finding that says the same with its evidence, once there is one.
    """

    what: str
    subject: str
    since_ns: int | None
    check: str
    seen: str
    finding: Finding | None = None

    @property
    def key(self) -> NowKey:
        """What tells it from the others from snapshot to snapshot."""
        return NowKey(self.subject)


def right_now(snapshot: Snapshot, senders: Sequence[Sender]) -> list[RightNow]:
    """Return what is wrong now: buses first, then modules, then single identifiers."""
    away = dict(_buses(snapshot))
    found = [*away.values(), *_senders(snapshot, senders, away)]
    return [_with_finding(each, snapshot.findings) for each in found]


def _buses(snapshot: Snapshot) -> Iterator[tuple[str, RightNow]]:
    for each in snapshot.source.receptions:
        if not each.connected:
            figures = snapshot.health.buses.get(each.bus)
            last = figures.last_ns if figures is not None else None
            yield each.bus, RightNow("no adapter", f"bus:{each.bus}", last, PLUG_IN, f"{each.source} is gone.")
    lost = {each.bus for each in snapshot.source.receptions if not each.connected}
    for name, figures in snapshot.health.buses.items():
        since = None if name in lost else silent_since(snapshot, figures)
        if since is not None:
            yield name, RightNow("bus silent", f"bus:{name}", since, BUS_SILENT, "No frame of any identifier comes.")


def _senders(snapshot: Snapshot, senders: Iterable[Sender], away: dict[str, RightNow]) -> Iterator[RightNow]:
    concerned = [each for each in senders if each.bus not in away and each.state in ("MISSING", "partly")]
    single = Counter(each.bus for each in concerned if each.module is None)
    for bus in [bus for bus, number in single.items() if number > ONE_BY_ONE]:
        own = [each for each in concerned if each.bus == bus and each.module is None]
        since = min((each.last_ns for each in own if each.last_ns is not None), default=None)
        names = ", ".join(id_text(each.ids[0]) for each in own)
        yield RightNow("id-missing", f"bus:{bus}", since, ID_AWAY, f"{len(own)} identifiers are silent: {names}.")
    for each in concerned:
        if each.module is None:
            if single[each.bus] > ONE_BY_ONE:
                continue
            name = each.ids[0]
            yield RightNow("id-missing", f"id:{name}", each.last_ns, ID_AWAY, f"It is silent{each.words}.")
        elif each.state == "MISSING":
            yield RightNow(
                "module-missing",
                f"module:{each.module}",
                each.last_ns,
                MODULE_AWAY,
                f"None of its {each.total} identifiers comes.",
            )
        else:
            silent = [name for name in each.ids if is_silent(snapshot, snapshot.health.ids[name])]
            lasts = [last_ns(snapshot, snapshot.health.ids[name]) for name in silent]
            since = min((last for last in lasts if last is not None), default=None)
            names = ", ".join(id_text(name) for name in silent)
            seen = f"{names} silent; the other {each.coming} of {each.total} come."
            yield RightNow("id-missing", f"module:{each.module}", since, IDS_AWAY, seen)


def _with_finding(one: RightNow, findings: Iterable[Finding]) -> RightNow:
    """Give it the finding that speaks of it, whose next check knows more."""
    for each in findings:
        if each.subject == one.subject and one.since_ns is not None and (each.end_ns or 0) >= one.since_ns:
            seen = each.evidence[0] if each.evidence else one.seen
            return replace(one, what=each.fault, check=each.next_check, seen=seen, finding=each)
    return one
