"""Who stopped together, and how it came back; two senders of one identifier."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, Frames
from buswright.health.model.gaps import GapGroup
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.model import Database, Message
from tests.health.traffic import MS, START, S, comb, measured, mixed, serialised, special, without

COUNTER = Counter(24, 4)
ENGINE, PUMP, DASH = (0x100, 0x101), (0x200, 0x201), (0x300,)
SENDERS = {0x100: "ecu", 0x101: "ecu", 0x200: "pump", 0x201: "pump", 0x300: "dash"}
PERIODS = {0x100: 5, 0x101: 10, 0x200: 20, 0x201: 100, 0x300: 50}
DATABASE = Database(
    ("x.dbc",),
    tuple(
        Message(f"M{number:X}", number, False, 8, senders=(SENDERS[number],), cycle_time_ms=PERIODS[number])
        for number in SENDERS
    ),
)


def parts(seconds: float = 30, seed: int = 1) -> list[Frames]:
    ppm = {"ecu": 20.0, "pump": -60.0, "dash": 5.0}
    return [
        comb(
            number, PERIODS[number], seconds, phase_ms=phase, jitter_us=60, ppm=ppm[sender], counter=COUNTER, seed=seed
        )
        for phase, (number, sender) in enumerate(SENDERS.items())
    ]


def groups(frames: Frames) -> tuple[GapGroup, ...]:
    return measured(frames, databases=DATABASE).gap_groups


def names(group: GapGroup) -> set[int]:
    return {member.name.id for member in group.members}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_in_a_clean_capture(seed: int) -> None:
    assert groups(mixed(*parts(120, seed))) == ()


@pytest.mark.parametrize("size", [0.06, 0.3, 2.0])
def test_a_loss_in_the_recorder(size: float) -> None:
    """Everything stops, keeps its phase, and the counters have gone on."""
    (group,) = groups(without(mixed(*parts()), 10.0, 10.0 + size))
    assert names(group) >= {n for n, period in PERIODS.items() if period < 900 * size}
    assert group.share == 1.0
    assert group.phase_kept == group.phase_known == len(group.members)
    assert group.silence_ns > 0.9 * size * S
    assert group.start_ns == pytest.approx(START + 10 * S, abs=0.1 * S)
    assert group.chance is not None
    assert group.chance < 0.1


def test_what_came_first_as_a_silence_ended_was_not_due_in_it() -> None:
    new = comb(0x400, 5, 19.7, start=START + 10_298 * MS)
    (group,) = measured(mixed(without(mixed(*parts()), 10.0, 10.3), new), databases=DATABASE).gap_groups
    assert 0x400 not in names(group)
    assert group.share == 1.0


def test_one_identifier_that_was_skipped() -> None:
    """The others that were due came."""
    (group,) = groups(without(mixed(*parts()), 10.0, 10.025, 0x101))
    assert names(group) == {0x101}
    assert group.share < 0.5
    assert group.modules == ()


def test_a_module_that_restarts() -> None:
    later = [
        comb(number, PERIODS[number], 15, phase_ms=phase, jitter_us=60, counter=COUNTER, start=START + 10_437 * MS)
        for number, phase in ((0x200, 2), (0x201, 3))
    ]
    whole = mixed(without(mixed(*parts(25)), 10.0, 99.0, *PUMP), *later)
    (group,) = groups(without(whole, 25.0, 99.0))
    assert names(group) == set(PUMP)
    assert group.modules == (("can0", "pump"),)
    assert (group.phase_kept, group.phase_known) == (0, 2)


def test_a_module_that_never_comes_back() -> None:
    health = measured(without(mixed(*parts()), 12.0, 99.0, *PUMP), databases=DATABASE)
    (group,) = health.gap_groups
    assert names(group) == set(PUMP)
    assert [member.end_ns for member in group.members] == [None, None]
    assert group.modules == (("can0", "pump"),)
    assert group.end_ns >= START + 29 * S
    assert health.modules["can0", "pump"].last_ns < START + 12 * S  # type: ignore[operator]
    assert health.modules["can0", "ecu"].last_ns > START + 29 * S  # type: ignore[operator]


def test_a_jump_of_the_clock() -> None:
    """One shift common to all, counters going on, phases not kept."""
    whole = mixed(*parts())
    jumped = dataclasses.replace(whole, time_ns=whole.time_ns + np.where(whole.time_ns > START + 12 * S, 3123 * MS, 0))
    (group,) = groups(jumped)
    assert names(group) == set(SENDERS)
    assert group.excess_ns == pytest.approx(3123 * MS, abs=MS)
    assert group.excess_share == 1.0
    assert group.phase_kept == 0


def test_errors_nearby_are_counted() -> None:
    errors = special(START + 10 * S - 50 * MS, 0x88, Flag.ERROR, bytes(8), n=32)
    (group,) = groups(mixed(without(mixed(*parts()), 10.0, 10.3, *PUMP), errors))
    assert group.errors == 32
    assert names(group) == set(PUMP)


def test_two_separate_silences_are_two_groups() -> None:
    whole = without(without(mixed(*parts()), 10.0, 10.2, *PUMP), 20.0, 20.2, *DASH)
    assert [names(group) for group in groups(whole)] == [set(PUMP), set(DASH)]


def test_a_babbling_identifier_holds_up_those_of_lower_priority() -> None:
    babble = comb(0x010, 0.25, 1, start=START + 10 * S)
    whole = mixed(*parts(), babble)
    sent = serialised(whole, np.full(len(whole), 250_000))
    health = measured(sent, databases=DATABASE, bitrates={"*": 500_000})
    late = [group for group in health.gap_groups if START + 10 * S <= group.start_ns <= START + 10.9 * S]
    assert any(group.lower_priority and 0x010 not in names(group) for group in late)
    assert (health.buses["can0"].peak_1s or (0, 0))[1] > 0.7  # type: ignore[operator]


@pytest.mark.parametrize("elsewhere", [0x001, 0x7F0])
@pytest.mark.parametrize(("quiet", "lower"), [(0x300, True), (0x200, False), (0x100, False)])
def test_priority_is_that_on_the_own_bus(quiet: int, lower: bool, elsewhere: int) -> None:
    """What loses arbitration against all that came on its bus; buses don't compete with one another."""
    both = ("can0", "can1")
    ids = [comb(number, 10, 20, phase_ms=n, jitter_us=60, buses=both) for n, number in enumerate((0x100, 0x200, 0x300))]
    frames = mixed(*ids, comb(elsewhere, 10, 20, bus=1, buses=both, jitter_us=60))
    (group,) = measured(without(frames, 10.0, 10.5, quiet)).gap_groups
    assert names(group) == {quiet}
    assert group.lower_priority is lower


def test_priority_of_a_silence_on_two_buses_is_that_on_each_of_them() -> None:
    both = ("can0", "can1")
    ids = [(0, 0x100), (0, 0x300), (1, 0x600), (1, 0x700)]
    frames = mixed(
        *(comb(number, 10, 20, bus=bus, buses=both, phase_ms=n, jitter_us=60) for n, (bus, number) in enumerate(ids))
    )
    (group,) = measured(without(frames, 10.0, 10.5, 0x300, 0x700)).gap_groups
    assert names(group) == {0x300, 0x700}
    assert group.lower_priority


def double(separation_ms: float, ppm: float, seconds: float = 60, jitter_us: float = 60) -> Frames:
    first = np.full((int(seconds * 100), 4), 0x11, dtype=np.uint8)
    second = np.full((int(seconds * 100), 4), 0xEE, dtype=np.uint8)
    return mixed(
        comb(0x100, 10, seconds, payload=first, counter=Counter(32, 4), jitter_us=jitter_us),
        comb(0x100, 10, seconds, payload=second, phase_ms=separation_ms, ppm=ppm, jitter_us=jitter_us, seed=2),
    )


@pytest.mark.parametrize("separation_ms", [2.0, 3.3, 5.0])
@pytest.mark.parametrize("declared", [True, False])
def test_two_senders_show_as_two_combs_and_two_families(separation_ms: float, declared: bool) -> None:
    database = {"databases": DATABASE} if declared else {}
    if declared:
        database = {"databases": Database(("x",), (Message("M", 0x100, False, 8, cycle_time_ms=10),))}
    (figures,) = measured(double(separation_ms, ppm=-40.0), **database).ids.values()
    found = figures.two_senders
    if separation_ms == 5.0 and not declared:
        # Just half a period apart they are one comb of twice the rate, until they drift.
        assert found is None or found.first_ns is not None
        return
    assert found is not None
    assert found.split == found.windows >= 5
    assert found.period_ns == pytest.approx(10 * MS, rel=1e-4)
    assert found.last_ns is not None
    drifted = separation_ms * MS + (found.last_ns - START) * 40e-6
    assert found.separation_ns == pytest.approx(min(drifted, 10 * MS - drifted), abs=0.3 * MS)
    if separation_ms == 2.0:
        assert found.drift_ppm == pytest.approx(40, abs=10)
    assert found.minority == pytest.approx(0.5, abs=0.02)
    assert found.between_bits > 5 * max(1, found.within_bits)
    assert figures.period.sending != "change-driven"


@pytest.mark.parametrize("described", [True, False])
def test_counter_and_checksum_are_no_difference_between_frames_of_one_sender(tmp_path: Path, described: bool) -> None:
    car_file = tmp_path / "car.toml"
    car_file.write_text(
        """
        format = 1
        [car]
        name = "Wrenfell 3"
        [bus.chassis]
        bitrate = 1_000_000
        interfaces = ["can0"]
        [frame."chassis/100"]
        period_ms = 10
        counter = { start = 32, length = 4 }
        checksum = { kind = "crc8-autosar", byte = 7 }
        """
        if described
        else 'format = 1\n[car]\nname = "Wrenfell 3"\n'
    )
    how = {"counter": Counter(32, 4), "checksum": Checksum("crc8-autosar", 7), "jitter_us": 60}
    first, second = (np.full((6000, 4), value, dtype=np.uint8) for value in (0x11, 0xEE))
    frames = mixed(
        comb(0x100, 10, 60, payload=first, **how),  # type: ignore[arg-type]
        comb(0x100, 10, 60, payload=second, phase_ms=2, ppm=-40, seed=2, **how),  # type: ignore[arg-type]
    )
    (figures,) = measured(frames, car=load_car_file(car_file)).ids.values()
    assert figures.two_senders is not None
    assert figures.two_senders.between_bits >= 32
    assert (figures.two_senders.within_bits == 0) == described


@pytest.mark.parametrize("jitter_us", [50, 500, 1500])
def test_one_sender_is_not_two(jitter_us: float) -> None:
    (figures,) = measured(comb(0x100, 10, 60, jitter_us=jitter_us)).ids.values()
    assert figures.two_senders is None or figures.two_senders.split == 0


def test_events_are_not_two_senders() -> None:
    rng = np.random.default_rng(5)
    frames = comb(0x100, 10, 30)
    random = dataclasses.replace(frames, time_ns=START + np.cumsum(rng.exponential(10 * MS, 3000).astype(np.int64)))
    (figures,) = measured(random).ids.values()
    assert figures.two_senders is None or figures.two_senders.split == 0


def test_a_gap_group_names_rows_of_the_gaps() -> None:
    health = measured(without(mixed(*parts()), 10.0, 10.3), databases=DATABASE)
    for member in health.gap_groups[0].members:
        gaps = health.ids[FrameName("can0", member.name.id, False)].gaps
        assert member.gap is not None
        assert gaps.start_ns[member.gap] == member.start_ns
        assert gaps.frames[member.gap] == member.missing
