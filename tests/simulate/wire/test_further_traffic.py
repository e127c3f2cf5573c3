"""Loaded buses and the change-driven message: clean, realistic, and known to a database."""

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.errors import UserError
from buswright.frames.wire.arbitration import rank
from buswright.messages.database import load_database
from buswright.simulate.car import networks as car
from buswright.simulate.run import simulate_run
from buswright.simulate.source import write_car
from buswright.simulate.wire.further_traffic import DRIVER_EVENTS, filler_messages, further_messages
from tests.simulate.fault_runs import SECONDS, at, clean, load, possible, same, seen


@pytest.mark.parametrize("share", [0.20, 0.40, 0.55])
def test_a_loaded_run_reaches_its_load_and_keeps_the_cars_own_frames(share):
    run = seen(load=share)
    for number, bus in enumerate(car.buses()):
        assert load(run, number, 1.0, SECONDS) == pytest.approx(share, abs=0.005)
        further = filler_messages(bus, share)
        assert len({message.id for message in further}) == len(further)
    assert possible(run)
    for message in car.messages():
        old, new = clean().of(message.id), run.of(message.id)
        assert same(old.take(np.arange(len(new))), new, times=False)
        deviation = np.abs(np.diff(at(new)) - message.period_ms / 1000.0).max()
        assert deviation < 0.45 * message.period_ms / 1000.0  # nothing that could be taken for a missing frame
    assert not len(run.errors())


def test_fillers_stand_among_all_priorities_and_periods():
    further = filler_messages(car.ENGINE_BUS, 0.55)
    own = [rank(m.id, m.extended) for m in car.messages() if m.bus == "engine"]
    ranks = [rank(m.id, m.extended) for m in further]
    assert min(ranks) < sorted(own)[2]
    assert max(ranks) > max(own)
    assert {5, 10, 20, 50, 100, 200} <= {m.period_ms for m in further}
    assert len({m.length for m in further}) >= 3


def test_a_load_that_the_car_has_already_or_that_is_none_is_refused():
    with pytest.raises(UserError, match="already"):
        simulate_run(1.0, load=0.05)
    with pytest.raises(UserError, match="too high for a clean bus"):
        simulate_run(1.0, load=0.95)


def test_the_change_driven_message_comes_with_changes_only():
    run = seen(change_driven=True)
    frames = run.of(DRIVER_EVENTS.id)
    assert 20 < len(frames) < 200
    changed = (frames.payload[1:] != frames.payload[:-1]).any(axis=1)
    assert changed.all()
    gaps = np.diff(at(frames))
    assert gaps.max() > 20 * gaps.min()
    assert set((frames.payload[:, 0] & 15).tolist()) >= {0, 1, 2, 3}  # gears
    assert same(run.bus(1), clean().bus(1))


def test_the_further_messages_are_in_databases_of_their_own(tmp_path):
    path = write_car(tmp_path, load=0.40, change_driven=True)
    car_file = load_car_file(path)
    assert {bus: len(spec.databases) for bus, spec in car_file.buses.items()} == {"engine": 2, "chassis": 2}
    for bus in car.buses():
        known = {message.id for message in load_database(tmp_path / f"further_{bus.name}.dbc").messages}
        assert known == {message.id for message in further_messages(bus, load=0.40, change_driven=True)}
    plain = tmp_path / "plain"
    plain.mkdir()
    write_car(plain)
    assert not list(plain.glob("further_*"))
