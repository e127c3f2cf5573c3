"""What a bus carries, from measured frames and from databases; the fold behind it, however a run is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.capacity.carried.plan import envelope, plan_of
from buswright.capacity.carried.traffic import RUNS, TrafficFold
from buswright.capacity.timing.bounds import mean_load, worst_load
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag
from buswright.frames.wire.bits import wire_bits
from buswright.health.described import Described
from tests.health.traffic import MS, START, S, comb, cut, measured, mixed, special
from tests.messages.databases import from_text

DATABASE = """VERSION ""
BU_: NODE
BO_ 256 SEEN: 8 NODE
BO_ 512 SILENT: 4 NODE
BO_ 513 UNTOLD: 4 NODE
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 512 20;
"""


def traffic_of(batches):
    fold = TrafficFold({})
    for frames in batches:
        fold.update(frames)
    return fold.result()


def everything():
    back = comb(0x100, 10, 2, start=START + S)  # the clock goes back by a second
    return mixed(
        comb(0x100, 10, 2, jitter_us=300),
        comb(0x18FF1A42, 50, 2, extended=True, jitter_us=300),
        comb(0x300, 20, 2, length=24),
        special(START + S, 0x88, Flag.ERROR, bytes(8), n=20),
        special(START + S, 0x123, Flag.REMOTE, n=9),
        special(START + S, 0x124, Flag.UNTIMED, b"\1\2\3", n=4),
        back,
        ordered=False,
    )


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 600), max_size=12))
def test_the_same_however_the_run_is_cut(places):
    whole, parts = traffic_of([everything()]), traffic_of(cut(everything(), places))
    assert dict(whole.ids) == dict(parts.ids)
    assert np.array_equal(whole.sample.time_ns, parts.sample.time_ns)


def test_closest_runs_and_lengths_are_those_of_a_plain_count():
    frames = everything()
    own = frames.take(np.flatnonzero((frames.id == 0x100) & (frames.flags == 0)))
    found = traffic_of([frames]).ids[FrameName("can0", 0x100, False)]
    times = own.time_ns.tolist()
    stretches = [times[:200], times[200:]]
    for run in RUNS:
        shortest = min(part[k + run - 1] - part[k] for part in stretches for k in range(len(part) - run + 1))
        assert found.shortest_ns[run] == shortest
    bits = wire_bits(own)
    assert found.bits.shortest == (bits.nominal.min(), 0)
    assert found.bits.longest == (bits.nominal.max(), 0)
    assert found.bits.mean == pytest.approx((bits.nominal.mean(), 0))


@given(st.lists(st.integers(1, 10_000), min_size=2, max_size=20))
def test_no_run_is_closer_than_its_envelope_allows(spacings):
    times = np.cumsum(spacings).tolist()
    count = len(times)
    runs = {run: min(times[k + run - 1] - times[k] for k in range(count - run + 1)) for run in range(2, count + 1)}
    period, jitter = envelope({run: took for run, took in runs.items() if run in RUNS})
    for run, took in runs.items():  # longer ones than were looked at, too
        assert (run - 1) * period - jitter <= took + 1e-6


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    return from_text(tmp_path_factory.mktemp("database"), DATABASE)


def plan(frames, database, **more):
    described = Described(None, {"can0": database}, {})
    health = measured(frames, databases={"can0": database}, bitrates={"*": 500_000})
    rate = described.bitrate("can0", {"*": 500_000}, {})
    return plan_of("can0", described, rate, health=health, traffic=traffic_of([frames]), **more), health


def test_declared_and_measured_identifiers_are_planned_with(database):
    frames = mixed(comb(0x100, 10, 4, jitter_us=200), comb(0x345, 25, 4), special(START + S, 0x400, Flag(0), b"\1"))
    found, health = plan(frames, database)
    streams = {stream.label or str(stream.name): stream for stream in found.streams}
    seen, silent, unknown = streams["SEEN"], streams["SILENT"], streams["can0/345"]
    assert (seen.period_from, seen.origin, seen.clocked) == ("database", "capture", True)
    assert 9.9 * MS < seen.period_ns <= 10 * MS
    assert 100_000 < seen.jitter_ns < 1_500_000
    assert (silent.period_ns, silent.length, silent.origin) == (20 * MS, 4, "declared")
    assert unknown.period_from == "measured"
    assert [(str(each.name), each.frames) for each in found.unplanned] == [("can0/201", 0), ("can0/400", 1)]
    assert {str(name) for name in found.declared} == {"can0/200", "can0/201"}
    own = [stream for stream in found.streams if stream.origin == "capture"]
    assert mean_load(own, found.rates) == pytest.approx(health.buses["can0"].load, rel=0.02)
    assert worst_load(own, found.rates) > mean_load(own, found.rates)
    fewer, _ = plan(frames, database, seen_only=True)
    assert {stream.origin for stream in fewer.streams} == {"capture"}


@pytest.mark.parametrize(("comes_ms", "plans_ms"), [(8.5, 8.5), (11.5, 10)])
def test_the_shorter_of_the_declared_and_the_measured_period_is_planned_with(database, comes_ms, plans_ms):
    found, _ = plan(comb(0x100, comes_ms, 4), database, seen_only=True)
    (seen,) = found.streams
    assert seen.period_ns == pytest.approx(plans_ms * MS, rel=1e-4)
    assert seen.period_from == ("measured" if comes_ms == plans_ms else "database")


def test_an_identifier_of_one_state_of_the_car_is_named(database):
    frames = mixed(comb(0x100, 10, 10), comb(0x222, 10, 2, start=START + 3 * S))
    found, _ = plan(frames, database)
    assert [(str(each.name), round(each.from_s), round(each.to_s)) for each in found.some_time] == [("can0/222", 3, 5)]


def test_what_comes_in_bursts_keeps_to_its_envelope(database):
    bursts = mixed(*(comb(0x250, 1, 0.004, start=START + k * S // 2) for k in range(20)), comb(0x100, 10, 10))
    found, _ = plan(bursts, database)
    burst = next(stream for stream in found.streams if stream.name.id == 0x250)
    assert not burst.clocked
    assert burst.jitter_ns > 2 * burst.period_ns  # four at once
    assert burst.jitter_from == "closest 9 frames"
    assert burst.period_from == "comes in bursts"
