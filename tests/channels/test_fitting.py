"""A capture of another bus or car is told, and what would fit is named; one that may be right is left alone."""

from dataclasses import replace
from pathlib import Path

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import Module
from buswright.channels.fitting import (
    Absent,
    Misfit,
    keys_by_bus,
    keys_in,
    known_share,
    misfit,
    misfit_of,
    never_came,
    wrong_names,
)
from buswright.frames.table import Flag
from buswright.messages.database import load_database
from buswright.messages.match import Group, Kind
from buswright.messages.model import Database, Message
from tests.frames.frame_batches import batch_of

EXAMPLES = Path(__file__).parent.parent.parent / "dbc_examples"
ENGINE = load_database(EXAMPLES / "wrenfell_engine.dbc")
CHASSIS = load_database(EXAMPLES / "wrenfell_chassis.dbc")
BOTH = {"engine": ENGINE, "chassis": CHASSIS}
NAMES = {"can0": "engine", "can1": "chassis"}


def keys_of(database, count=None):
    return {(message.id, message.extended) for message in list(database)[:count]}


STRANGE = {(number, False) for number in range(0x700, 0x720)}


@pytest.mark.parametrize("few", [None, 3])
def test_exchanged_interfaces_are_told_with_the_options_that_fit(few):
    seen = {"engine": keys_of(CHASSIS, few), "chassis": keys_of(ENGINE, few)}
    found = misfit(seen, BOTH, NAMES, ["can0", "can1"])
    assert found is not None
    assert found.sure
    assert sorted(found.hint.split()) == ["--bus", "--bus", "chassis=can0", "engine=can1"]


def test_an_interface_that_nobody_named_is_told_by_what_it_carries():
    found = misfit({"can7": keys_of(ENGINE) | STRANGE}, BOTH, NAMES, ["can7"])
    assert found is not None
    assert found.hint == "--bus engine=can7"


def test_the_capture_of_another_car_fits_nothing():
    found = misfit({"engine": STRANGE}, BOTH, NAMES, ["can0"])
    assert found is not None
    assert found.sure
    assert found.text == "no database knows any identifier of the capture: 700, 701, 702, 703, ..."


def test_identifiers_that_two_cars_have_by_chance_are_no_proof():
    found = misfit({"engine": STRANGE | keys_of(ENGINE, 1)}, BOTH, NAMES, ["can0"])
    assert found == Misfit(
        f"only 1 of the capture's {len(STRANGE) + 1} identifiers are in a database", found.hint, False
    )


@pytest.mark.parametrize(
    "seen",
    [
        {"engine": keys_of(ENGINE), "chassis": keys_of(CHASSIS)},
        {"engine": keys_of(ENGINE, 2)},  # most modules are off
        {"engine": keys_of(ENGINE) | STRANGE, "chassis": STRANGE},  # more on the bus than the database says
        {"engine": keys_of(ENGINE), "can2": keys_of(ENGINE)},  # the same bus, tapped twice
        {"engine": keys_of(ENGINE), "can2": STRANGE},
        {"engine": set()},
        {},
    ],
)
def test_a_capture_that_may_be_right_is_left_alone(seen):
    assert misfit(seen, BOTH, NAMES, ["can0", "can1", "can2"]) is None


def test_a_database_for_every_bus_need_not_know_all_of_them():
    assert misfit({"can0": keys_of(ENGINE), "can1": keys_of(CHASSIS)}, ENGINE, {}, ["can0", "can1"]) is None
    assert misfit({"can0": STRANGE}, {}, {}, ["can0"]) is None


def test_names_that_do_not_exist_are_told():
    assert wrong_names({"can0": "engine"}, ["engine"], ["can0"], None) is None
    assert wrong_names({"can0": "engine", "can9": "chassis"}, [], ["can0"], None) is None  # that bus is silent
    found = wrong_names({"can9": "engine"}, [], ["can0", "can1"], None)
    assert found == Misfit("--bus engine=can9: the capture has no interface can9", "the capture has can0, can1")
    found = wrong_names({}, ["engin"], ["can0"], None)
    assert found is not None
    assert "no bus is called engin" in found.text
    assert found.hint == "name it: --bus engin=can0"


# -- how much of a bus databases know ---------------------------------------------------------------------------------


def database(first, count=10, sender="") -> Database:
    """A database of so many messages, M100, M101 and so on."""
    senders = (sender,) if sender else ()
    numbers = range(first, first + count)
    return Database((), tuple(Message(f"M{each:X}", each, False, 8, (), senders=senders) for each in numbers))


def ids(first, count) -> set[tuple[int, bool]]:
    return {(number, False) for number in range(first, first + count)}


A, B = database(0x100), database(0x200)


@pytest.mark.parametrize(
    ("keys", "databases", "known"),
    [
        (ids(0x100, 3) | ids(0x300, 1), A, (3, 0.75)),
        (ids(0x100, 10) | ids(0x300, 10), A, (10, 1.0)),  # it could not know more than its ten
        (ids(0x100, 10) | ids(0x300, 10), [A, B], (10, 0.5)),
        (ids(0x100, 1) | ids(0x200, 1), [A, B], (2, 1.0)),
        ({(0x100, True)}, A, (0, 0.0)),  # the same number with 29 bits is another identifier
        (set(), A, (0, 0.0)),
        (ids(0x100, 2), Database((), ()), (0, 0.0)),
    ],
)
def test_the_known_share_is_of_what_could_be_known(keys, databases, known):
    assert known_share(keys, databases) == known


@pytest.mark.parametrize(
    ("own", "other", "strange", "told"),
    [
        (2, 7, 1, True),  # 0.2 of its own, 0.7 of the other
        (2, 6, 2, False),
        (3, 7, 0, False),  # 0.3 of its own are enough to be it
        (0, 2, 0, True),
        (0, 1, 0, False),  # one may fit by chance
    ],
)
def test_a_bus_is_another_one_from_shares_on(own, other, strange, told):
    keys = ids(0x100, own) | ids(0x200, other) | ids(0x300, strange)
    found = misfit({"a": keys}, {"a": A, "b": B}, {"can0": "a", "can1": "x"}, ["can0", "can1"])
    expected = f"the buses are named wrongly: a carries bus b: {other} of its {len(keys)} identifiers are known there"
    assert (found == Misfit(expected, "--bus b=can0")) is told


def test_a_bus_that_is_settled_is_no_other_ones():
    both = {"a": A, "b": database(0x100)}  # the same identifiers in both
    seen = {"b": ids(0x100, 8), "c": ids(0x100, 8)}
    assert misfit({**seen, "a": ids(0x100, 9)}, both, {}, []) is None
    found = misfit({"c": ids(0x100, 8)}, both, {"can0": "c", "can1": "c"}, ["can0", "can1"])
    assert found is not None
    assert found.hint == "--bus a=can0 --bus a=can1"


def test_every_wrong_bus_is_named_in_order():
    found = misfit({"b": ids(0x100, 10), "a": ids(0x200, 9)}, {"a": A, "b": [B]}, {"x": "b", "y": "a"}, ["x", "y"])
    assert found == Misfit(
        "the buses are named wrongly: a carries bus b: 9 of its 9 identifiers are known there; "
        "b carries bus a: 10 of its 10 identifiers are known there",
        "--bus b=y --bus a=x",
    )


@pytest.mark.parametrize(
    ("count", "shown"), [(1, "300"), (4, "300, 301, 302, 303"), (5, "300, 301, 302, 303, ..."), (0, None)]
)
def test_four_identifiers_that_nobody_knows_are_shown(count, shown):
    found = misfit({"a": ids(0x300, count)}, A, {}, [])
    text = f"no database knows any identifier of the capture: {shown}"
    hint = "is it the right car, the right database? `buswright contents` lists what the capture holds"
    assert found == (None if shown is None else Misfit(text, hint, sure=True))


@pytest.mark.parametrize(("known", "told"), [(2, True), (3, False)])
def test_few_known_identifiers_may_still_be_the_right_car(known, told):
    found = misfit({"a": ids(0x100, known) | ids(0x300, 10 - known), "b": ids(0x400, 5)}, {"a": A}, {}, [])
    assert (found is not None) is told
    if found is not None:
        assert (found.text, found.sure) == ("only 2 of the capture's 15 identifiers are in a database", False)


def test_a_misfit_says_what_to_try():
    assert str(Misfit("it is another car", "name the right one")) == "it is another car\n  try: name the right one"


# -- what a capture carries -------------------------------------------------------------------------------------------


def test_keys_are_collected_by_bus_from_what_a_matcher_met():
    (message,) = database(0x100, 1)
    wide = replace(message, id=0x18FF0000, extended=True)
    groups = [
        Group(Kind.MESSAGE, "a", message),
        Group(Kind.MESSAGE, "a", wide, source=5),
        Group(Kind.UNMATCHED, "b", id=0x7, extended=False),
        Group(Kind.UNMATCHED, "b", id=0x7, extended=True),
        Group(Kind.ERROR, "c"),
    ]
    assert keys_by_bus(groups) == {"a": {(0x100, False), (0x18FF0000, True)}, "b": {(7, False), (7, True)}}


def test_keys_of_a_batch_are_those_of_its_data_frames():
    wide, error, remote = int(Flag.EXTENDED), int(Flag.ERROR), int(Flag.REMOTE)
    frames = batch_of(
        [
            (0, 1, 0x7FF, 0, 0, b""),
            (1, 0, 0x100, 0, 0, b""),
            (2, 0, 0x100, wide, 0, b""),
            (3, 0, 0x1FFFFFFF, wide, 0, b""),
            (4, 0, 0x101, error, 8, bytes(8)),
            (5, 0, 0x102, remote, 0, b""),
            (6, 2, 0x103, 0, 0, b""),
        ],
        ("can0", "can1", "can2"),
    )
    assert keys_in(frames, {"can1": "engine", "can2": "engine"}) == {
        "can0": {(0x100, False), (0x100, True), (0x1FFFFFFF, True)},
        "engine": {(0x7FF, False), (0x103, False)},
    }


# -- names ------------------------------------------------------------------------------------------------------------

CAR = load_car_file(Path(__file__).parents[1] / "data" / "car_file" / "car.toml")
"""Its buses: engine on can0 and 1, chassis on can1 and 2."""
RPM = {(0x1A0, False)}


def fit(seen, interfaces, *, car=CAR, databases=None, bus_names=None):
    return misfit_of(seen, interfaces, car=car, databases=databases or {}, bus_names=bus_names or {})


def test_what_fits_a_car_file_is_left_alone():
    assert fit({"engine": RPM}, ["can0"]) is None
    assert fit({"engine": RPM}, ["can9"], bus_names={"can9": "engine"}) is None
    assert fit({}, []) is None
    assert fit({"x": RPM}, ["x"], car=None) is None


@pytest.mark.parametrize(
    ("interfaces", "car", "text", "hint"),
    [
        (["can8", "can9"], CAR,
         "no interface of the capture (can8, can9) stands in the car file: it knows can0, 1, can1, 2",
         "say which bus it is: --bus engine=can8 or --bus chassis=can8"),
        (["can8"], replace(CAR, buses={"engine": replace(CAR.buses["engine"], interfaces=())}),
         "no interface of the capture (can8) stands in the car file: it knows none",
         "say which bus it is: --bus engine=can8"),
    ],
)  # fmt: skip
def test_a_capture_of_other_interfaces_is_asked_about(interfaces, car, text, hint):
    assert fit({}, interfaces, car=car) == Misfit(text, hint)
    assert fit({}, [*interfaces, "engine"], car=car) is None  # an interface may be called as its bus
    assert fit({}, interfaces, car=replace(car, buses={})) is None


def test_a_database_bound_to_a_mistyped_bus_is_told_before_all_else():
    found = fit({"engin": ids(0x700, 3)}, ["can7"], databases={"engin": A, "*": A}, bus_names={"can9": "engine"})
    assert found == Misfit("--dbc engin=...: no bus is called engin", "write --dbc engine=...")
    assert fit({"engine": RPM}, ["can0"], databases={"engine": A}) is None
    assert fit({"engine": RPM}, ["can0"], databases=A) is None


@pytest.mark.parametrize(
    ("names", "bound", "interfaces", "car", "said"),
    [
        ({"can0": "engin"}, [], ["can0"], CAR, ("--bus engin=can0: the car file has no bus engin",
                                               "it has chassis, engine")),
        ({"can0": "engin"}, ["engin"], ["can0"], CAR, None),  # a database of the user's own describes it
        ({"can0": "engin"}, [], ["can0"], None, None),
        ({}, ["can0"], ["can0"], CAR, None),  # bound to an interface
        ({}, ["chassis"], ["can0"], CAR, None),
        ({}, ["wing"], ["can0"], CAR, ("--dbc wing=...: no bus is called wing; the capture has can0",
                                       "name it: --bus wing=can0")),
        ({"can0": "engine"}, ["wing"], ["can0", "can5"], None,
         ("--dbc wing=...: no bus is called wing; the capture has can0, can5", "name it: --bus wing=can5")),
        ({"can0": "engine"}, ["wing"], ["can0"], None,
         ("--dbc wing=...: no bus is called wing; the capture has can0", "name it: --bus wing=can0")),
        ({"can0": "engine"}, ["wing"], [], None, None),  # nothing was read, so nothing is known
        ({"can9": "engine"}, [], [], None, None),
    ],
)  # fmt: skip
def test_names_of_a_user_are_held_against_car_and_capture(names, bound, interfaces, car, said):
    assert wrong_names(names, bound, interfaces, car) == (None if said is None else Misfit(*said))


# -- what never came --------------------------------------------------------------------------------------------------


def met(*names: str, bus="engine") -> list[Group]:
    """Groups of messages of the test car's databases that came."""
    return [Group(Kind.MESSAGE, bus, CAR.message(bus, name)) for name in names]


def test_modules_of_a_car_file_and_channels_that_never_came():
    asked = list(CAR.channels)
    everything = met("ENGINE_A", "ENGINE_B", "POWER") + met("DAMPERS_A", "BRAKES", "PLUG_STATES", bus="chassis")
    assert never_came(CAR, CAR.databases, everything, asked) == Absent()
    # Without ENGINE_A: the engine controller still sent ENGINE_B. Without DAMPERS_A: the rate that is made of it, too.
    found = never_came(CAR, CAR.databases, met("ENGINE_B", "POWER") + met("BRAKES", bus="chassis"), asked)
    assert found.modules == ("chassis/damper_node", "chassis/power_box")
    assert found.channels == ("engine_speed", "oil_pressure", "coolant", "damper_fl", "damper_fl_speed")
    nothing = never_came(CAR, CAR.databases, [], ["baro"])
    assert set(nothing.modules) == {
        "engine/engine_controller", "engine/power_node", "chassis/damper_node", "chassis/brake_node",
        "chassis/power_box",
    }  # fmt: skip
    assert nothing.channels == ("baro",)


def test_a_module_came_that_is_listed_by_identifier():
    # The power box lists 7F0, which no database has, and 1a4.
    for one in (Group(Kind.UNMATCHED, "chassis", id=0x7F0), *met("PLUG_STATES", bus="chassis")):
        assert "chassis/power_box" not in never_came(CAR, CAR.databases, [one]).modules
    assert "chassis/power_box" in never_came(CAR, CAR.databases, [Group(Kind.UNMATCHED, "engine", id=0x7F0)]).modules


def test_a_module_that_lists_what_no_database_has_and_one_of_a_bus_that_the_car_file_has_not():
    car = replace(CAR, modules={"wing": Module("wing", "chassis", ("7F1", "7F2"))})
    assert "chassis/wing" in never_came(car, {}, []).modules
    assert never_came(car, {}, [Group(Kind.UNMATCHED, "chassis", id=0x7F2)]).modules == ()
    more = {**CAR.databases, "spare": database(0x100, 1, "spare_node")}
    assert {"spare/spare_node", "engine/power_node"} <= set(never_came(CAR, more, []).modules)


def test_senders_of_databases_never_came():
    both = {"a": database(0x100, 2, "one"), "*": [database(0x200, 1, "two"), database(0x300, 1)]}
    (first, second), (other,) = both["a"], both["*"][0]
    assert never_came(None, both, []) == Absent(("a/one", "two"))
    assert never_came(None, both, [Group(Kind.MESSAGE, "a", second)]) == Absent(("two",))
    assert never_came(None, both, [Group(Kind.MESSAGE, "b", other), Group(Kind.MESSAGE, "b", first)]) == Absent(
        ("a/one",)
    )
    assert never_came(None, both["a"], [Group(Kind.MESSAGE, "x", first)]) == Absent()
    assert never_came(None, both["a"], [], ["engine_speed"]) == Absent(("one",))
