"""Names, modules and declared things of the example car, from its car file and from its databases alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.frames.table import concatenate
from buswright.health.model.health import BusHealth
from buswright.messages.database import load_database
from buswright.messages.match import EVERY_BUS
from buswright.messages.model import Database
from buswright.simulate.car.networks import NODES, messages
from buswright.simulate.run import simulate_run
from tests.health.traffic import comb, measured

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture(scope="module")
def frames():  # type: ignore[no-untyped-def]
    return concatenate(list(simulate_run(8, seed=5)))


def health_of(frames, **options) -> BusHealth:  # type: ignore[no-untyped-def]
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


# Who wins -------------------------------------------------------------------------------------------------------------

MESSAGES = """VERSION ""
BU_: node_a node_b
BO_ 256 {name}: {length} {sender}
 SG_ Level : 0|8@1+ (1,0) [0|0] "" Vector__XXX
BO_ 768 {name}_SILENT: 8 {sender}
 SG_ Level : 0|8@1+ (1,0) [0|0] "" Vector__XXX
BA_DEF_ "Baudrate" INT 0 1000000;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100000;
BA_DEF_DEF_ "Baudrate" 500000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "Baudrate" {rate};
BA_ "GenMsgCycleTime" BO_ 256 {period};
"""


def database_of(folder: Path, name: str, sender: str, period: int, length: int, rate: int) -> Database:
    path = folder / f"{name}.dbc"
    path.write_text(MESSAGES.format(name=name, sender=sender, period=period, length=length, rate=rate))
    return load_database(path)


def said_of(health: BusHealth) -> tuple[object, ...]:
    """Return what descriptions say: of the identifier that came, of the one that never came, of the bus."""
    (figures,) = health.ids.values()
    expected = {module.name: tuple(one.text for one in module.never_came) for module in health.modules.values()}
    expected = {name: texts for name, texts in expected.items() if texts}
    (bus,) = health.buses.values()
    period, length = figures.expected.period_ns, figures.expected.length
    return (
        *(figures.message, figures.module, period.value, period.source, length.value),
        *(expected, bus.bitrate.bits_per_s, bus.bitrate.source),
    )


@pytest.fixture
def two_databases(tmp_path: Path) -> tuple[Database, Database]:
    """One that is right for the bus, and one that says otherwise of everything."""
    right = database_of(tmp_path, "RIGHT", "node_a", 20, 6, 250_000)
    return right, database_of(tmp_path, "WRONG", "node_b", 10, 4, 500_000)


TRAFFIC = comb(0x100, 20, 5.0, length=6)
OF_RIGHT = ("RIGHT", "node_a", 20e6, "database", 6, {"node_a": ("RIGHT_SILENT",)}, 250_000, "database")


@pytest.mark.parametrize("turned", [False, True])
def test_a_buss_own_database_wins_over_that_for_every_bus(two_databases, turned: bool) -> None:  # type: ignore[no-untyped-def]
    right, wrong = two_databases
    given = [("can0", right), (EVERY_BUS, wrong)]
    assert said_of(health_of(TRAFFIC, databases=dict(given[::-1] if turned else given))) == OF_RIGHT


CAR = """format = 1
[car]
name = "Wrenfell 3"
[bus.engine]
bitrate = 125_000
interfaces = ["can0"]
databases = ["RIGHT.dbc"]
"""


@pytest.mark.parametrize("bound", ["engine", EVERY_BUS])
def test_the_car_file_wins_over_databases_and_its_own_database_over_others(
    two_databases,  # type: ignore[no-untyped-def]
    tmp_path: Path,
    bound: str,
) -> None:
    _, wrong = two_databases
    (tmp_path / "car.toml").write_text(CAR)
    car = load_car_file(tmp_path / "car.toml")
    of_car = (*OF_RIGHT[:-2], 125_000, "car file")
    assert said_of(health_of(TRAFFIC, car=car, databases={bound: wrong})) == of_car
    (tmp_path / "car.toml").write_text(
        CAR + '[module.node_z]\nbus = "engine"\nmessages = ["RIGHT"]\n[frame."engine/100"]\nperiod_ms = 40\n'
    )
    of_frame = ("RIGHT", "node_z", 40e6, "car file", *of_car[4:])
    assert said_of(health_of(TRAFFIC, car=load_car_file(tmp_path / "car.toml"), databases={bound: wrong})) == of_frame
