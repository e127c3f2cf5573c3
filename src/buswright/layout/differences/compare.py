"""Two car files compared by meaning: order, comments, spelling and how files are split make no difference."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from buswright.channels.carfile.keys import BUS, CAR, FRAME, MODULE
from buswright.channels.carfile.model import CalibrationRecord, CarFile, Channel, Sensor
from buswright.findings import Severity
from buswright.layout.differences import channels
from buswright.layout.differences.difference import Difference, number
from buswright.layout.differences.messages import databases
from buswright.layout.differences.tables import named, record


@dataclass(frozen=True, slots=True)
class Compared:
    """What was compared: differences, subjects with a suspect one first, then in the order of a car file.

    `counts` says how many of each kind were in both, by kind in several (channels, sensors, messages); `users` are the
    channels that use a sensor of B, by sensor.
    """

    differences: tuple[Difference, ...]
    counts: Mapping[str, int]
    users: Mapping[str, tuple[str, ...]]


def compare(before: CarFile, after: CarFile, beside: Iterable[Difference] = ()) -> Compared:
    """Compare two car files; `beside` is what else differs, of the packs that they come from."""
    found = [*_all(before, after), *beside]
    found.sort(key=_order(found))
    both = ("channels", "sensors", "modules", "frames", "buses")
    counts = {name: len(getattr(before, name).keys() & getattr(after, name).keys()) for name in both}
    counts["messages"] = sum(len(before.databases[bus]) for bus in before.databases if bus in after.databases)
    users = {
        name: tuple(each.name for each in after.channels.values() if each.sensor == name) for name in after.sensors
    }
    return Compared(tuple(found), counts, users)


def _order(found: list[Difference]) -> Callable[[Difference], tuple[int, ...]]:
    """Return the key to sort by: subjects with a suspect first, kind by kind, what is gone or new as a whole first."""
    worst: dict[str, Severity] = {}
    for each in found:
        worst[each.subject] = max(worst.get(each.subject, Severity.NOTE), each.severity)
    kinds = list(dict.fromkeys(each.subject.partition(":")[0] for each in found))
    whole = {each.subject for each in found if not each.part}
    place = {subject: index for index, subject in enumerate(worst)}

    def key(each: Difference) -> tuple[int, ...]:
        subject = each.subject
        kind = kinds.index(subject.partition(":")[0])
        return -worst[subject], kind, subject not in whole, place[subject], -each.severity

    return key


def _all(before: CarFile, after: CarFile) -> Iterator[Difference]:
    yield from record(CAR, "car", before.car, after.car)
    yield from named(before.buses, after.buses, "bus", partial(record, BUS, leave={"databases"}))
    for bus in before.buses:
        if bus in after.buses and (bus in before.databases) != (bus in after.databases):
            gone = bus not in after.databases
            text = "has no database any more" if gone else "has a database now"
            yield Difference(Severity.SUSPECT if gone else Severity.NOTE, f"bus:{bus}", "databases", text)
    yield from named(before.modules, after.modules, "module", partial(record, MODULE))
    yield from databases(before.databases, after.databases)
    yield from named(before.frames, after.frames, "id", partial(record, FRAME))
    yield from _renaming(before.sensors, after.sensors, "sensor", channels.sensor)
    compare_channel = partial(channels.channel, cars=(before, after))
    yield from _renaming(before.channels, after.channels, "channel", compare_channel)
    yield from _calibrations(before, after)


def _renaming(
    before: Mapping[str, object], after: Mapping[str, object], kind: str, compare: object
) -> Iterator[Difference]:
    """Compare sensors or channels; what is gone and there under another name is only called otherwise."""
    gone = {name: each for name, each in before.items() if name not in after}
    new = {name: each for name, each in after.items() if name not in before}
    renamed: dict[str, str] = {}
    for name, old in gone.items():
        for other, candidate in new.items():
            if other not in renamed.values() and _alike(old, candidate) and not [*compare("", old, candidate)]:  # type: ignore[operator]
                renamed[name] = other
                break
    for name, other in renamed.items():
        text = f"is called {other} now; all else is the same"
        yield Difference(Severity.NOTE, f"{kind}:{name}", "name", text, name, other)
    yield from named(before, after, kind, compare, {*renamed, *renamed.values()})  # type: ignore[arg-type]


def _alike(before: object, after: object) -> bool:
    """Whether it is worth comparing two under different names."""
    if isinstance(before, Channel) and isinstance(after, Channel):
        return before.signal == after.signal and (before.formula is None) == (after.formula is None)
    if isinstance(before, Sensor) and isinstance(after, Sensor):
        return before.calibration.unit == after.calibration.unit
    return False


def _calibrations(before: CarFile, after: CarFile) -> Iterator[Difference]:
    counted = [Counter(map(_told, car.calibration_log)) for car in (before, after)]
    for severity, words, these in (
        (Severity.SUSPECT, "calibration record is gone", counted[0] - counted[1]),
        (Severity.NOTE, "calibration record is new", counted[1] - counted[0]),
    ):
        for subject, text in these:
            ends = (text, "") if severity is Severity.SUSPECT else ("", text)
            yield Difference(severity, subject, "calibration_log", f"{words}: {text}", *ends)


def _told(one: CalibrationRecord) -> tuple[str, str]:
    """Return what a calibration record is about, and what it says."""
    subject = f"channel:{one.channel}" if one.channel else f"sensor:{one.sensor}"
    said = [one.date.isoformat(), f"by {one.by}" if one.by else "", f"with {one.reference}" if one.reference else ""]
    said += [f"found {one.as_found}" if one.as_found else "", f"left {one.as_left}" if one.as_left else ""]
    said += [f"residual {number(one.residual)}" if one.residual is not None else ""]
    said += [f"due {one.due}" if one.due else ""]
    said += [f"{len(one.readings)} readings {one.readings}" if one.readings else ""]
    return subject, ", ".join(filter(None, said))
