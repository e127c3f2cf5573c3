"""What to mind while a sensor is calibrated, by what it measures."""

from __future__ import annotations

from collections.abc import Sequence

from buswright.channels import units

_HEAT = (
    "Boiling water and hot oil burn: ice bath first, hot last. Oil only with a lid, a thermometer and gloves, and no "
    "water near it. Never heat fuel or brake fluid."
)
_PRESSURE = (
    "Press with a fluid, not with air, above 10 bar, and with hoses rated for it. Let the pressure off before a "
    "fitting is opened. Wear eye protection."
)
_BRAKES = "A fitting in a brake line changes the brakes: bleed them and look for leaks before the car drives."
_MOVING = (
    "Keep hands clear of springs and joints. Wheels off the ground: stands on hard level ground, never a jack alone."
)
_ENGINE_HOT = "Exhaust parts burn long after the engine has stopped."


def cautions_of(unit: str, *, role: str | None = None, kind: str = "", own: Sequence[str] = ()) -> tuple[str, ...]:
    """Return what to mind, the sensor's own cautions first.

    `role`: of the channel, if it has one.
    """
    known = units.find(unit)
    quantity = known.quantity if known is not None else ""
    said = list(own)
    if quantity == "temperature":
        said += [_ENGINE_HOT] if kind == "thermocouple" else [_HEAT]
    if "pressure" in quantity:
        said.append(_PRESSURE)
    if role == "brake_pressure":
        said.append(_BRAKES)
    if role == "damper_travel":
        said.append(_MOVING)
    return tuple(dict.fromkeys(said))
