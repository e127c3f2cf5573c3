"""What a cold engine shows before its first start: temperatures that agree, a manifold at the pressure of the air."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels.calibration.circuit import Divider
from buswright.channels.calibration.kind import nominal_references
from buswright.channels.calibration.resistor import Rtd, Thermistor
from buswright.channels.samples.series import Bools
from buswright.diagnosis.case import Case, Sighting
from buswright.diagnosis.sensors.numbers.zeroes import REST_LEAST, Rest, SeenAtRest, level_in, wrong_zero
from buswright.health.channels.driving import Driving
from buswright.health.channels.evidence import ChannelEvidence

WARMED_DEG = 30.0
"""How much warmer than the rest of the car the coolant may be after a short run, °C (a choice)."""


def seen_after_soak(case: Case) -> Iterator[SeenAtRest]:
    """Yield what temperatures show that must agree before the first start, and manifold pressures beside the air's.

    Temperatures only of a cold engine: the others agree closely, a fluid's among them.
    """
    channels = case.decoded
    rests = before_start(channels.driving)
    if rests.sum() < REST_LEAST:
        return
    levels = {}
    for each in channels.values():
        if (each.role or "").endswith("_temperature") and each.measures:
            level = level_in(case, each, rests, "degC")
            if level is not None:
                levels[each.name] = level
    fluids = {name for name in levels if channels[name].role in ("oil_temperature", "coolant_temperature")}
    if len(levels) >= 4:
        middle = float(np.median(list(levels.values())))
        spread = float(np.median(np.abs(np.array(list(levels.values())) - middle)))
        far = {name for name, level in levels.items() if abs(level - middle) > max(10.0, 6 * spread)}
        # A fluid that is as cold as the air shows that the engine is cold; without one it may still be warm.
        # Several at once are one sensor's curve, or its pull-up; a warm engine is never colder than the air.
        one_curve = len({channels[name].sensor for name in far}) == 1
        colder = bool(far) and all(levels[name] < middle for name in far)
        if spread < 3.0 and (len(far) <= 1 or one_curve) and (fluids - far or (one_curve and colder)):
            words = f"the other {len(levels) - max(1, len(far))} temperatures agree after a cold night"
            for name, level in levels.items():
                # A minute of running warms the coolant, and hardly the oil.
                warmed = level > middle and channels[name].role == "coolant_temperature"
                least = WARMED_DEG if warmed and not _fahrenheit(middle, level - middle) else max(10.0, 6 * spread)
                yield SeenAtRest(channels[name], Rest("degC", middle, least, 25.0, words), level, least, 25.0)
    for each in channels.with_role("manifold_pressure"):
        for air in channels.with_role("barometric_pressure")[:1]:
            level, outside = level_in(case, each, rests, "kPa"), level_in(case, air, rests, "kPa")
            if level is not None and outside is not None:
                rest = Rest("kPa", outside, 4.0, 10.0, "with the engine off it is the pressure of the air")
                yield SeenAtRest(each, rest, level, rest.suspect, rest.fault)


def before_start(driving: Driving) -> Bools:
    """Tell in which windows the key was on before the engine first turned; bool[k]."""
    before: Bools = driving.is_doing("key-on") & (np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0)
    return before


def wrong_after_soak(case: Case) -> Iterator[Sighting]:
    """Find one of several temperatures, or a manifold pressure, that disagrees before the first start."""
    for seen in seen_after_soak(case):
        severity, rest, off = seen.severity, seen.rest, seen.off
        if severity is None:
            continue
        if rest.unit == "degC":
            resistor = _other_resistor(seen.each, rest.value, off)
            words = _fahrenheit(rest.value, off) or resistor
            check = ""
            if words and words == resistor:
                check = (
                    "Look up the fixed resistor of this input in the module's manual, and correct it in the car file."
                )
            yield wrong_zero("offset", severity, seen.each, off, rest, words, 0.7, check=check)
        else:
            gauge = abs(abs(off) - rest.value) < 6.0
            words = "It shows gauge pressure where absolute is expected." if gauge else ""
            yield wrong_zero("unit-mixup" if gauge else "offset", severity, seen.each, off, rest, words, 0.8)


def _other_resistor(each: ChannelEvidence, celsius: float, off: float) -> str:
    """Say which fixed resistor would make a thermistor or a platinum probe agree; empty where none is far off."""
    if each.sensor is None:
        return ""
    calibration = each.sensor.calibration
    if not isinstance(calibration, Thermistor | Rtd) or not isinstance(calibration.circuit, Divider):
        return ""
    circuit = calibration.circuit
    inputs = calibration.invert(np.array([celsius + off, celsius]), nominal_references(calibration))
    shown_ohm, true_ohm = circuit.ohm(inputs, None).tolist()
    ratio = true_ohm / shown_ohm
    if not 1.5 <= max(ratio, 1 / ratio) <= _MOST_RATIO:
        return ""
    likely = float(f"{circuit.fixed * ratio:.2g}")
    return (
        f"With {likely:g} ohm instead of {circuit.fixed:g} ohm as the fixed resistor of sensor {each.sensor.name} it "
        "would agree."
    )


_MOST_RATIO = 40.0
"""Fixed resistors of inputs lie between some hundred ohm and some ten kiloohm."""


def _fahrenheit(celsius: float, off: float) -> str:
    if abs(celsius * 1.8 + 32 - (celsius + off)) < 3.0:
        return "It is what the others show, in degrees Fahrenheit: °F read as °C."
    return ""
