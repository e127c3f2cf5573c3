"""Cautions and checks that several detectors print."""

from __future__ import annotations

METER = (
    "Key off, battery isolated, and some minutes for the modules to power down, before any resistance or continuity "
    "is measured: a powered bus gives false readings and can damage the meter."
)
LIVE_LOOM = (
    "Do it with the engine off where that is possible: fans start by themselves, exhausts burn. With the engine "
    "running: sleeves and hair tied back, a second person at the kill switch, and never indoors without extraction."
)
WHEELS = (
    "If wheels may turn: car on rated stands on hard ground, chocked, in neutral, nobody under it, a second person "
    "at the kill switch."
)
UNPLUG = (
    "Only with the engine off and the car standing: unplugging a module can switch pumps, fans and brake or "
    "steering functions. Leave networks of airbags, brakes and steering to their maker's procedure."
)
NO_SCAN = (
    "Listen only: an adapter in normal mode at a wrong bit rate destroys the traffic of a live car. Never try bit "
    "rates on one."
)
TERMINATION = (
    "Frames cannot prove a termination fault: measure between CANH and CANL, power off. 54-66 ohm is right, about "
    "120 one resistor missing, about 40 one too many, under 10 a short, over 1 kohm none."
)
FEED = (
    "Measure the voltage drop along the module's feed and its ground under load (under 0.2 V each), then look at its "
    "fuse, relay and crimps."
)
