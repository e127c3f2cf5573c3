"""One sample, explained from the frame on."""

from __future__ import annotations

from buswright.channels.explained import explain_sample
from buswright.channels.session import Session
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car


def test_another_channel_that_came_later_is_said_to_have_no_sample_by_then():
    car = demo_car(())
    session = Session(list(simulate_run(3.0, 2)), car)
    pressure, supply = session["oil_pressure"], session["sensor_supply"]
    later = supply.take(supply.time_ns > pressure.time_ns[0])
    texts = [step.text for step in explain_sample(car, pressure, 0, {"sensor_supply": later}).steps]
    assert "sensor_supply: no sample by then" in texts
