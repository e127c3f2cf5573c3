"""Frames stamped by a busy computer: nothing is wrong with the car, and who is truly late is found all the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.capture.host_lag import Smear, smear
from buswright.diagnosis.case import Case
from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding, Severity
from buswright.frames.table import Clock, Frames, concatenate
from buswright.health.model.health import Silences
from buswright.health.model.identifiers import IdFigures
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import START_EPOCH_NS, simulate_run

from ..made import S, bus, gaps, health, identifier
from ..matrix import wrenfell

MS = 1_000_000
SLICE_NS = 2 * MS
PASS_NS = 10_000
SECONDS = 30.0


def fetched(batches: Iterable[Frames], seed: int, worst_ms: float) -> list[Frames]:
    """Stamp frames as a computer does that looks every 2 ms, and every now and then for `worst_ms` not at all.

    They keep their order on each bus, as those of any queue do.
    """
    rng = np.random.default_rng(seed)
    looks: list[int] = []
    result = []
    for frames in batches:
        if not looks:
            at = int(frames.time_ns[0])
            while at < frames.time_ns[0] + (SECONDS + 2) * 1e9:
                looks.append(at)
                asleep = rng.random() < 0.004
                at += SLICE_NS + int(rng.exponential(0.4 * MS)) + int(asleep * rng.uniform(0.1, 1.0) * worst_ms * MS)
        moments = np.array(looks)
        look = np.searchsorted(moments, frames.time_ns)
        first = np.searchsorted(look, look)
        stamps = moments[look] + (np.arange(len(look)) - first) * PASS_NS
        result.append(replace(frames, time_ns=np.maximum.accumulate(stamps)))
    return result


def driven(seed: int = 1, *faults: Fault) -> list[Frames]:
    return list(simulate_run(SECONDS, seed, faults=faults))


def found_in(batches: Iterable[Frames], *, said: bool = True, car: bool = True) -> tuple[Finding, ...]:
    """Findings; `said`: the capture says who stamped it."""
    tracker = HealthTracker(car=wrenfell() if car else None)
    for frames in batches:
        tracker.update(frames)
    clock = Clock(source="host") if said else None
    return diagnose(tracker.result(clock=clock), car=wrenfell() if car else None)


def serious(found: Iterable[Finding]) -> list[tuple[str, str]]:
    return [(one.fault, one.subject) for one in found if one.severity >= Severity.SUSPECT]


@pytest.mark.parametrize("worst_ms", [20.0, 120.0, 700.0])
@pytest.mark.parametrize("car", [True, False])
def test_a_clean_drive_on_a_busy_computer_gives_nothing_at_suspect(worst_ms: float, car: bool) -> None:
    found = found_in(fetched(driven(), 3, worst_ms), car=car)
    assert serious(found) == []
    assert {one.fault for one in found} >= {"host-timestamps"}


def in_clumps(batches: Iterable[Frames], seed: int, longest_ms: float, apart_ns: int) -> list[Frames]:
    """Stamp frames as a computer does that is far too busy: it wakes up when it may, and fetches what is in the queue.

    Each bus has a queue of its own, and keeps its order.
    """
    rng = np.random.default_rng(seed)
    frames = concatenate(list(batches))
    stamps = frames.time_ns.copy()
    for number in range(len(frames.buses)):
        rows = np.flatnonzero(frames.bus == number)
        sleeps = rng.uniform(1.0, longest_ms, int(3 * SECONDS * 1000 / longest_ms) + 100)
        wakes = stamps[0] + (np.cumsum(sleeps) * MS).astype(np.int64)
        woken = np.searchsorted(wakes, stamps[rows])
        behind = np.arange(len(rows)) - np.searchsorted(woken, woken)
        stamps[rows] = np.maximum.accumulate(wakes[woken] + behind * apart_ns)
    return [replace(frames, time_ns=stamps).take(np.argsort(stamps, kind="stable"))]


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.acceptance) for seed in (2, 5))])
@pytest.mark.parametrize(("longest_ms", "apart_ns"), [(80.0, 0), (80.0, PASS_NS), (30.0, 0), (200.0, 6 * PASS_NS)])
def test_frames_that_were_fetched_late_and_in_clumps_were_sent(seed: int, longest_ms: float, apart_ns: int) -> None:
    found = found_in(in_clumps(driven(seed), seed, longest_ms, apart_ns))
    assert [one for one in serious(found) if one[0] != "host-timestamps"] == []
    assert {one.fault for one in found} >= {"host-timestamps"}


@pytest.mark.parametrize("drive", [2, 3])
def test_a_message_due_at_the_edge_of_the_computers_grid_is_not_late(drive: int) -> None:
    """A look every 2 ms by the clock, each a little late; once none for 160 ms. GNSS_POSITION is due with the looks."""
    looks = START_EPOCH_NS + SLICE_NS * np.arange(6100)
    looks = np.maximum.accumulate(looks + (np.random.default_rng(0).exponential(0.2, 6100) * MS).astype(np.int64))
    looks = looks[np.abs(looks - START_EPOCH_NS - 7_080 * MS) > 80 * MS]
    frames = concatenate(list(simulate_run(12.0, drive)))
    look = np.searchsorted(looks, frames.time_ns)
    stamps = looks[look] // 1000 * 1000 + (np.arange(len(look)) - np.searchsorted(look, look)) * 2 * PASS_NS
    assert serious(found_in([replace(frames, time_ns=np.maximum.accumulate(stamps))])) == []


def test_what_is_noted_is_explained_by_the_stamps() -> None:
    found = found_in(fetched(driven(), 3, 120.0))
    assert "late-frames" not in [one.fault for one in found]
    told = [one for root in found if root.fault == "host-timestamps" for one in root.explains]
    late = [one for one in told if one.fault == "late-frames"]
    assert late
    assert all(one.severity is Severity.NOTE for one in late)
    said = " ".join(late[0].evidence)
    assert "no more irregular than the computer's stamps make" in said
    assert "A computer stamped the frames" in said


def test_the_same_stamps_from_hardware_would_be_a_fault() -> None:
    frames = fetched(driven(), 3, 120.0)
    tracker = HealthTracker()
    for batch in frames:
        tracker.update(batch)
    assert serious(diagnose(tracker.result(clock=Clock(source="hardware"))))


LATE = ("id:chassis/0F1", "id:engine/180", "module:wheel_node")


def is_late(subject: str, found: Iterable[Finding]) -> bool:
    """Whether what was made late is a fault, and nothing else is."""
    wanted = {subject} if subject.startswith("id:") else {f"id:chassis/{n}" for n in ("110", "111", "112")}
    late = {one.subject for one in found if one.fault == "late-frames" and one.severity >= Severity.SUSPECT}
    return bool(late) and late <= wanted and not [one for one in serious(found) if one[0] != "late-frames"]


@pytest.mark.parametrize("worst_ms", [20.0, 120.0])
@pytest.mark.parametrize("subject", LATE)
def test_who_is_late_over_a_busy_computers_stamps_is_found(subject: str, worst_ms: float) -> None:
    late = replace(Fault("late-frames"), severity=0.8, subject=subject)
    found = found_in(fetched(driven(1, late), 5, worst_ms))
    assert is_late(subject, found)
    (one, *_) = [each for each in found if each.fault == "late-frames"]
    assert any("computer's stamps" in sentence for sentence in one.ruled_out)


@pytest.mark.parametrize("said", [True, False])
@pytest.mark.parametrize("step_ms", [1.0, 4.0])
def test_who_is_late_over_the_stamps_of_transfers_is_found(step_ms: float, said: bool) -> None:
    host = replace(Fault("host-timestamps"), severity=step_ms, onset_s=0.0)
    late = replace(Fault("late-frames"), severity=0.8)
    found = [one for one in found_in(driven(1, host, late), said=said) if one.fault != "host-timestamps"]
    assert serious(found) == [("late-frames", "id:chassis/0F1")]


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("severity", [0.6, 0.9])
@pytest.mark.parametrize("subject", LATE)
def test_every_severity_is_found_over_transfers_and_busy_computers(subject: str, severity: float, seed: int) -> None:
    late = replace(Fault("late-frames"), severity=severity, subject=subject, seed=seed)
    for step_ms in (1.0, 2.0, 4.0):
        host = replace(Fault("host-timestamps"), severity=step_ms, onset_s=0.0)
        found = [one for one in found_in(driven(seed, host, late)) if one.fault != "host-timestamps"]
        assert is_late(subject, found), step_ms
    for worst_ms in (20.0, 120.0, 400.0):
        assert is_late(subject, found_in(fetched(driven(seed, late), seed, worst_ms))), worst_ms


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("car", [True, False])
def test_clean_drives_on_busy_computers_give_nothing_at_suspect(seed: int, car: bool) -> None:
    for worst_ms in (5.0, 50.0, 300.0, 700.0):
        assert serious(found_in(fetched(driven(seed), seed, worst_ms), car=car)) == [], worst_ms


@pytest.mark.parametrize(
    ("stamped", "seconds", "found"),
    [("clock", 1, []), ("unknown", 1, ["bus-overload"]), ("clock", 5, ["bus-overload"])],
)
def test_a_backlog_is_no_load_of_the_bus(stamped: Any, seconds: int, found: list[str]) -> None:
    load = [0.3] * 61
    load[20 : 20 + seconds] = [0.9] * seconds
    measured = health(buses=[bus(load=load, host_stamped=stamped)])
    assert [one.fault for one in diagnose(measured) if one.fault != "host-timestamps"] == found


# -- who stands out, by figures made by hand --------------------------------------------------------------------------


def usual(number: int, off_ms: float, period_ms: float = 10.0, module: str | None = None, **changes: Any) -> IdFigures:
    """An identifier that is usually so much off its period; each of a module of its own."""
    one = identifier(number, period_ms, module or f"node_{number:x}", **changes)
    return replace(one, period=replace(one.period, p50_ns=off_ms * MS))


def compared(*ids: IdFigures, stamped: Any = "clock", silences: Silences | None = None) -> Smear | None:
    """Compare the first one with the others."""
    quiet = {"silences": silences} if silences is not None else {}
    return smear(Case(health(ids, [bus(host_stamped=stamped, **quiet)])), ids[0])


def test_without_a_host_or_a_period_there_is_nothing_to_compare() -> None:
    assert compared(usual(0x100, 1.0), stamped="unknown") is None
    assert compared(usual(0x100, 1.0), stamped="spacings") is not None
    assert compared(identifier(0x100, None)) is None


def test_those_of_one_period_share_what_a_host_does() -> None:
    """Of others within 2 % of its period the largest, from three of them on with a small margin."""
    same = [usual(0x200 + n, off, 10.1) for n, off in enumerate((0.5, 0.9, 0.7))]
    further = usual(0x300, 4.0, 10.3)
    found = compared(usual(0x100, 3.0), *same, further)
    assert found is not None
    assert (found.own_ns, found.others_ns, found.others, found.margin_ns) == (3.0 * MS, 0.9 * MS, 4, 0.2 * MS)
    two = compared(usual(0x100, 3.0), *same[:2], further)
    assert two is not None
    assert (two.others_ns, two.margin_ns) == (0.9 * MS, 2.5 * MS)


def test_others_of_its_own_module_count_only_where_no_other_has_its_period() -> None:
    brother = usual(0x200, 2.0, module="node_100")
    strangers = [usual(0x300, 0.5, 50.0), usual(0x400, 0.6, 50.0)]
    found = compared(usual(0x100, 3.0), brother, *strangers)
    assert found is not None
    assert (found.others_ns, found.others) == (2.0 * MS, 2)
    found = compared(usual(0x100, 3.0), brother, usual(0x500, 0.7), *strangers)
    assert found is not None
    assert (found.others_ns, found.others) == (0.7 * MS, 3)
    nameless = compared(replace(usual(0x100, 3.0), module=None), replace(usual(0x200, 2.0), module=None))
    assert nameless is not None
    assert nameless.others == 1


def test_of_other_periods_three_quarters_stay_below_what_is_usual() -> None:
    """A stall hits the likelier the longer a spacing is: what is usual at 20 ms counts twice for 40 ms."""
    others = [usual(0x200 + n, off, period) for n, (off, period) in enumerate(((1.0, 20.0), (3.0, 80.0), (0.5, 20.0)))]
    found = compared(usual(0x100, 3.0, 40.0), *others)
    assert found is not None
    assert found.others_ns == pytest.approx(np.percentile([2.0, 3.0, 1.0], 75) * MS)
    alone = compared(usual(0x100, 3.0))
    assert alone is not None
    assert (alone.others_ns, alone.others, alone.usual_share, alone.stands_out) == (0.0, 0, 0.0, False)


@pytest.mark.parametrize(("spacings", "others"), [(99, 0), (100, 1)])
def test_too_few_spacings_tell_nothing_of_what_is_usual(spacings: int, others: int) -> None:
    one = usual(0x200, 1.0)
    found = compared(usual(0x100, 3.0), replace(one, period=replace(one.period, spacings=spacings)))
    assert found is not None
    assert found.others == others


def overtaken(count: int, excess_ms: float = 8.0, **columns: Any) -> dict[str, Any]:
    """So many frames of a period of 10 ms came late, at a second each, and 6,000 in all."""
    rows = [(n * S, n * S + round((10 + excess_ms) * MS)) for n in range(count)]
    return {"gaps": gaps(rows, **({"is_missing": np.zeros(count, np.bool_)} | columns))}


@pytest.mark.parametrize(
    ("late", "count"),
    [
        (overtaken(6), 6),
        (overtaken(6, 5.0), 0),
        (overtaken(6, 5.001), 6),
        (overtaken(3, is_missing=[True, False, False]), 2),
        (overtaken(3, is_missing=[False] * 3, unheard=[False, True, True]), 1),
    ],
)
def test_late_frames_that_others_overtook_are_counted(late: dict[str, Any], count: int) -> None:
    found = compared(usual(0x100, 0.0, **late))
    assert found is not None
    assert (found.overtaken, found.share) == (count, pytest.approx(count / 5_999))


@pytest.mark.parametrize(("silent_ms", "count"), [(3.9, 1), (4.0, 0), (4.1, 0)])
def test_a_bus_that_was_silent_for_half_of_the_lateness_was_not_overtaken(silent_ms: float, count: int) -> None:
    """Due 10 ms after the last one, 8 ms late: of these the bus was silent for the first part."""
    start = np.array([10 * MS - 20 * MS])
    quiet = Silences(start, np.array([10 * MS + round(silent_ms * MS)]), 1)
    found = compared(usual(0x100, 0.0, **overtaken(1)), silences=quiet)
    assert found is not None
    assert found.overtaken == count
    unknown = compared(usual(0x100, 0.0, **overtaken(1)), silences=replace(quiet, count=2))
    assert unknown is not None
    assert unknown.overtaken == 0


def test_the_others_share_is_the_median_one() -> None:
    others = [usual(0x200 + n, 0.0, **overtaken(count)) for n, count in enumerate((0, 6, 30))]
    found = compared(usual(0x100, 0.0), *others)
    assert found is not None
    assert found.usual_share == pytest.approx(6 / 5_999)


@pytest.mark.parametrize(
    ("changed", "stands_out"),
    [
        ({}, False),
        ({"own_ns": 2.71e6}, True),  # 2.5 times 1 ms and the margin of 0.2 ms
        ({"own_ns": 2.70e6}, False),
        ({"own_ns": 2.71e6, "others": 1}, False),
        ({"own_ns": 2.71e6, "others": 2}, True),
        ({"overtaken": 5, "share": 0.0061}, True),
        ({"overtaken": 4, "share": 0.0061}, False),
        ({"overtaken": 5, "share": 0.006}, False),
        ({"overtaken": 5, "share": 0.0091, "usual_share": 0.003}, True),
        ({"overtaken": 5, "share": 0.009, "usual_share": 0.003}, False),
    ],
)
def test_who_stands_out_is_later_than_a_host_makes_him(changed: dict[str, Any], stands_out: bool) -> None:
    calm = Smear(1e6, 1e6, 5, 0.2e6, 0, 0.0, 0.0)
    assert replace(calm, **changed).stands_out is stands_out
