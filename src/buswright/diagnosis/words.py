"""Cautions and checks that several detectors print."""

from __future__ import annotations

METER = (
    "Before you measure ohms or continuity: key off, battery isolated, and wait some minutes until the modules are "
    "off. A powered bus gives false readings and can damage the meter."
)
LIVE_LOOM = (
    "Do it with the engine off where you can: fans start by themselves, exhausts burn. With the engine running: tie "
    "back sleeves and hair, have a second person at the kill switch, and never run it indoors without extraction."
)
UNPLUG = (
    "Unplug only with the engine off and the car standing: a missing module can switch pumps, fans, brakes or "
    "steering. For airbag, brake and steering networks follow the maker's procedure."
)
NO_SCAN = (
    "Listen only: an adapter in normal mode at a wrong bit rate destroys the traffic of a live car. Never try bit "
    "rates on one."
)
TERMINATION = (
    "Measure between CANH and CANL, power off: 54-66 ohm is right, about 120 means one resistor missing, about 40 one "
    "too many, under 10 a short, over 1 kohm none. Frames cannot prove a termination fault."
)
FEED = (
    "Measure the voltage drop along the module's feed and its ground under load (under 0.2 V each), then look at its "
    "fuse, relay and crimps."
)
MODULE_POWER = (
    "Power at the module's plug first, then the fuse, then the CAN pair to it, then the modules behind it in the "
    "daisy chain."
)
WIGGLE = "Keep hands clear of fans, belts and hot parts. Never reach under a car that isn't on rated stands."
CLEAR_FILTERS = "Clear the receive filters of the adapter and of the recording program, and record a few seconds again."
