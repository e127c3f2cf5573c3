"""Names, modules and declared things of the example car, from its car file and from its databases alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.frames.table import concatenate
from buswright.health.model.health import BusHealth
from buswright.messages.database import load_database
from buswright.simulate.car.networks import NODES, messages
from buswright.simulate.run import simulate_run

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture(scope="module")
def frames():  # type: ignore[no-untyped-def]
    return concatenate(list(simulate_run(8, seed=5)))


def health_of(frames, **options) -> BusHealth:  # type: ignore[no-untyped-def]
    from tests.health.traffic import measured

    return measured(frames, **options)


def test_the_example_car_with_its_car_file(frames) -> None:  # type: ignore[no-untyped-def]
    health = health_of(frames, car=load_car_file(EXAMPLES / "wrenfell.toml"))
    assert list(health.buses) == ["engine", "chassis"]
    assert [bus.bitrate.source for bus in health.buses.values()] == ["car file", "car file"]
    assert [bus.spacing.impossible for bus in health.buses.values()] == [0, 0]
    by_name = {figures.message: figures for figures in health.ids.values()}
    for message in messages():
        figures = by_name[message.name]
        assert (figures.name.bus, figures.name.id, figures.module) == (message.bus, message.id, message.sender)
        assert figures.known
        assert figures.expected.due_ns == message.period_ms * 1e6
        assert figures.lengths.off == 0
        assert (figures.counter is not None) >= (message.counter is not None)
        if message.counter is not None:
            assert figures.counter is not None
            assert (figures.counter.source, figures.counter.share) == ("car file", 1.0)
        if message.checksum is not None:
            assert figures.checksum is not None
            assert (figures.checksum.source, figures.checksum.wrong) == ("car file", 0)
    assert {module for _, module in health.modules} == {node.name for node in NODES}
    assert all(module.never_came == () for module in health.modules.values())
    for bus in health.buses.values():
        own = [module.share for module in health.modules.values() if module.bus == bus.name]
        assert sum(own) == pytest.approx(1.0)
    assert health.gap_groups == ()


def test_the_example_car_with_databases_alone(frames) -> None:  # type: ignore[no-untyped-def]
    databases = {
        "can0": load_database(EXAMPLES / "wrenfell_engine.dbc"),
        "can1": load_database(EXAMPLES / "wrenfell_chassis.dbc"),
    }
    quiet = frames.take(frames.id != messages()[0].id)
    health = health_of(quiet, databases=databases)
    assert {figures.expected.period_ns.source for figures in health.ids.values()} == {"database"}
    assert all(figures.known and figures.module for figures in health.ids.values())
    missing = [module for module in health.modules.values() if module.never_came]
    assert [(one.module, one.text) for module in missing for one in module.never_came] == [
        (messages()[0].sender, messages()[0].name)
    ]
