"""Names, modules and declared things of the example car, from its car file and from its databases alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.health.described import Described
from buswright.health.model.health import BusHealth
from buswright.health.track import HealthTracker
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


# Each question by itself ----------------------------------------------------------------------------------------------

WHOLE = """format = 1
[car]
name = "Wrenfell 3"
[bus.engine]
bitrate = 125_000
data_bitrate = 2_000_000
fd = "non-iso"
interfaces = ["can0"]
databases = ["RIGHT.dbc"]
[bus.chassis]
bitrate = 1_000_000
interfaces = ["can1"]
[module.node_z]
bus = "engine"
messages = ["RIGHT", "2A0", "2a1"]
[module.other]
bus = "chassis"
messages = ["100"]
[frame."chassis/123"]
period_ms = 40
"""


@pytest.fixture
def described(two_databases, tmp_path: Path) -> Described:  # type: ignore[no-untyped-def]
    (tmp_path / "car.toml").write_text(WHOLE)
    return Described(load_car_file(tmp_path / "car.toml"), {}, {"can0": "engine", "can1": "chassis"})


@pytest.mark.parametrize(
    ("bus", "number", "message", "module", "known"),
    [
        ("engine", 0x100, "RIGHT", "node_z", True),
        ("engine", 0x300, "RIGHT_SILENT", "node_a", True),
        ("engine", 0x2A0, None, "node_z", True),
        ("engine", 0x7AB, None, None, False),
        ("chassis", 0x100, None, "other", True),
        ("chassis", 0x123, None, None, True),
        ("chassis", 0x7AB, None, None, None),
        ("can5", 0x100, None, None, None),
    ],
)
def test_who_an_identifier_is(
    described: Described, bus: str, number: int, message: str | None, module: str | None, known: bool | None
) -> None:
    found = described.identity(FrameName(bus, number, False))
    assert (found.message.name if found.message else None, found.module, found.known) == (message, module, known)


def test_what_the_modules_of_a_bus_should_send(described: Described) -> None:
    due = [(one.name.id, one.text, one.message, one.module, one.by) for one in described.due("engine")]
    assert due == [
        (0x100, "RIGHT", "RIGHT", "node_z", "car file"),
        (0x300, "RIGHT_SILENT", "RIGHT_SILENT", "node_a", "database"),
        (0x2A0, "2A0", "", "node_z", "car file"),
        (0x2A1, "2a1", "", "node_z", "car file"),
    ]
    assert [one.text for one in described.due("chassis")] == ["100"]
    assert list(described.due("can5")) == []
    first, silent, *_ = described.due("engine")
    assert (first.period_ms, silent.period_ms) == (20, None)


def test_the_bit_rate_is_the_callers_then_the_car_files_then_the_databases(described: Described, two_databases) -> None:  # type: ignore[no-untyped-def]
    right, _ = two_databases
    bare = Described(None, {"can0": right}, {})
    for one, bus, options, expected in (
        (described, "engine", {}, (125_000, 2_000_000, "car file")),
        (described, "engine", {"*": 10}, (10, 2_000_000, "option")),
        (described, "engine", {"*": 10, "engine": 20}, (20, 2_000_000, "option")),
        (described, "chassis", {"engine": 20}, (1_000_000, None, "car file")),
        (bare, "can0", {}, (250_000, None, "database")),
        (bare, "can1", {}, (None, None, "unknown")),
    ):
        found = one.bitrate(bus, options, {})
        assert (found.bits_per_s, found.data_bits_per_s, found.source) == expected
        assert found.support == (0.0 if found.source == "unknown" else 1.0)
    assert described.bitrate("engine", {}, {"*": 5}).data_bits_per_s == 5
    assert described.bitrate("engine", {}, {"*": 5, "engine": 6}).data_bits_per_s == 6
    assert bare.bitrate("can1", {}, {"can1": 7}).data_bits_per_s == 7
    assert [described.non_iso(bus) for bus in ("engine", "chassis", "can5")] == [True, False, False]
    assert not bare.non_iso("can0")


def test_bits_of_another_batch_are_refused() -> None:
    tracker = HealthTracker()
    with pytest.raises(ValueError, match="bits of 250 frames, not of 249"):
        tracker.update(TRAFFIC.slice(0, 249), wire_bits(TRAFFIC))
    tracker.update(TRAFFIC, wire_bits(TRAFFIC))
    assert tracker.result().capture.frames == 250


def test_bits_are_of_the_dialect_of_their_bus(described: Described, tmp_path: Path) -> None:
    """Of two buses with CAN FD frames one speaks the dialect without a stuff count."""
    frames = comb(0x300, 10, 1, length=24, buses=("can0", "can1"))
    frames = replace(frames, bus=(np.arange(100) % 2).astype(np.uint8))
    tracker = HealthTracker(car=described.car)
    bits, iso, old = tracker.bits_of(frames), wire_bits(frames), wire_bits(frames, fd="non-iso")
    assert (iso.nominal + iso.data != old.nominal + old.data).any()
    for column in ("nominal", "data", "stuff"):
        expected = np.where(frames.bus == 0, getattr(old, column), getattr(iso, column))
        assert getattr(bits, column).tolist() == expected.tolist()
