"""What a run shows of its channels."""

from __future__ import annotations

import numpy as np
import pytest

import buswright as bw
from buswright.channels.session import Session
from buswright.health.channels.evidence import measure_channels

RUN, CAR = "captures/wrenfell_run.log", "dbc_examples/wrenfell.toml"


@pytest.fixture(scope="module")
def channels():
    return measure_channels(Session(bw.open_capture(RUN), bw.load_car_file(CAR)))


def test_every_channel_of_the_car_file_is_there(channels):
    assert len(channels) == 91
    assert channels.absent == ()
    damper = channels["damper_fl"]
    assert (damper.role, damper.position, damper.module, damper.message) == (
        "damper_travel",
        "front-left",
        "damper_node",
        "chassis/DAMPERS_A",
    )
    assert damper.electrical
    assert damper.live_band == (0.25, 4.75)
    assert damper.volts is not None
    assert np.allclose(damper.volts, np.asarray(damper.series.raw) / 1000)
    assert channels["damper_fl_speed"].computed


def test_channels_are_found_by_role_and_by_what_they_share(channels):
    assert {each.name for each in channels.with_role("damper_travel")} == {
        f"damper_{at}" for at in ("fl", "fr", "rl", "rr")
    }
    assert len(channels.groups("module")["damper_node"]) >= 15
    assert set(channels.groups("bus")) == {"engine", "chassis"}


def test_a_database_alone_gives_signals_with_guessed_roles():
    files = [f"dbc_examples/wrenfell_{bus}.dbc" for bus in ("engine", "chassis")]
    session = Session(bw.open_capture(RUN), None, databases={"*": [bw.load_database(each) for each in files]})
    found = measure_channels(session)
    assert any(each.role == "engine_speed" for each in found.values())
    assert all(each.channel is None and each.live_band is None for each in found.values())
    assert found.driving.seconds("driving") > 5


def test_a_millivolt_sensor_speaks_in_volts(channels):
    thermocouple = channels["exhaust_temperature_1"]
    assert thermocouple.quantity_unit == "mV"
    assert thermocouple.per_volt == pytest.approx(1000)
