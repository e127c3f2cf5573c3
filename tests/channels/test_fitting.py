"""A capture of another bus or car is told, and what would fit is named; one that may be right is left alone."""

from pathlib import Path

import pytest

from buswright.channels.fitting import Misfit, misfit, wrong_names
from buswright.messages.database import load_database

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
