"""What a signal may stand for, guessed from its name, its message's name and its unit.

A guess is a help for drafting a car file and for finding out when a car stands still; it is always said to be one.
The rules are the words that people write into databases (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from buswright.channels import units

_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])")
_NO_QUANTITY = re.compile(r"\b(counter|count|cnt|checksum|crc|parity|alive|rolling|sequence)\b")

PRESSURES = frozenset({"pressure", "gauge pressure", "absolute pressure"})
_ROTATION = frozenset({"rotation"})
_SPEED = frozenset({"speed"})
_ANGLE = frozenset({"angle"})
_ACCELERATION = frozenset({"acceleration"})
_TEMPERATURE = frozenset({"temperature"})
_VOLTAGE = frozenset({"voltage"})
_NUMBER = frozenset({"ratio", "state", "gear"})

_OTHER_QUANTITIES = {
    "temperature": r"press|\b(level|flow|current|knock)\b",
    "pressure": r"temp|\b(level|flow|current)\b",
    "length": r"press|temp|\b(force|load)\b",
}
"""Words that speak against a role of such a quantity."""

_NO_TARGET = r"target|desired|request|limit|max|min|set ?point|error|status|fault"


@dataclass(frozen=True, slots=True)
class _Rule:
    """A role that a name in plain lower-case words speaks for, unless it speaks for something else."""

    role: str
    words: str
    quantities: frozenset[str]
    not_words: str = r"(?!)"


_RULES = (
    _Rule("wheel_speed", r"wheel.*(speed|spd|freq)|(speed|spd|freq).*wheel|\bwspd", _SPEED, r"steer"),
    _Rule("engine_speed", r"\b(engine|eng|motor|crank\w*) (speed|spd|rpm)|\brpm\b|\bn mot\b", _ROTATION, r"idle|shift"),
    _Rule("vehicle_speed", r"\b(vehicle|car|veh|road) (speed|spd)|\bspeed$", _SPEED, r"gnss|gps|ground|wheel|turbo"),
    _Rule("throttle", r"\b(throttle|tps)\b", frozenset({"ratio"}), r"pedal|driver|rate"),
    _Rule("gear", r"\b(gear|gear (position|pos|number|actual|current))$", _NUMBER, r"next|lever"),
    _Rule("brake_pressure", r"brak.*press|press.*brak", PRESSURES, r"bias"),
    _Rule("steering_angle", r"\b(steer|steering|steered)\b", _ANGLE, r"rate|speed"),
    _Rule("accel_long", r"\b(accel|acc|acceleration|g) ?(long|longitudinal|x)\b|\blong accel", _ACCELERATION),
    _Rule("accel_lat", r"\b(accel|acc|acceleration|g) ?(lat|lateral|y)\b|\blat accel", _ACCELERATION),
    _Rule("accel_vert", r"\b(accel|acc|acceleration|g) ?(vert|vertical|z)\b|\bvert accel", _ACCELERATION),
    _Rule("yaw_rate", r"\byaw\b|\bgyro z\b", _ROTATION),
    _Rule("damper_travel", r"\b(damper|shock|suspension|susp)", frozenset({"length"}), r"speed|velocity|temp"),
    _Rule("manifold_pressure", r"\b(manifold|map|boost)\b", PRESSURES, r"temp"),
    _Rule("barometric_pressure", r"\b(baro|barometric|barometer|atmospheric|ambient)\b", PRESSURES),
    _Rule("oil_pressure", r"\boil\b.*\b(pressure|press|p)\b|\bp oil\b", PRESSURES, r"gearbox|trans|diff"),
    _Rule("fuel_pressure", r"\bfuel\b.*\b(pressure|press|p)\b|\bp fuel\b", PRESSURES, r"pump|flow"),
    _Rule("oil_temperature", r"\boil\b", _TEMPERATURE, r"gearbox|trans|diff"),
    _Rule("coolant_temperature", r"\b(coolant|water|ect|clt)\b", _TEMPERATURE, r"radiator|out"),
    _Rule("air_temperature", r"\b(air|intake|inlet|iat|charge)\b", _TEMPERATURE, r"ambient|outside|brake"),
    _Rule("exhaust_temperature", r"\b(exhaust|egt|exh)\b", _TEMPERATURE, r"junction|ambient|board"),
    _Rule("lambda", r"\blambda\b", frozenset({"lambda", "ratio"}), r"trim|corr|heater|duty|state"),
    _Rule("battery_voltage", r"\b(battery|batt|vbat|ubat|v bat)\b", _VOLTAGE),
    _Rule("reference_voltage", r"\b(reference|vref|5 v|sensor supply|sensor ref)\b", _VOLTAGE),
    _Rule("module_supply", r"\b(supply|supply voltage|input voltage|vin|kl 30|kl 15)\b", _VOLTAGE),
    _Rule("fan_state", r"\bfan\b", _NUMBER, r"current|speed|duty|pwm|temp"),
    _Rule("latitude", r"\b(latitude|lat)\b", _ANGLE),
    _Rule("longitude", r"\b(longitude|lon|lng)\b", _ANGLE),
)

_CORNERS = {
    "front-left": r"\b(front left|left front|fl|lf|f l)\b",
    "front-right": r"\b(front right|right front|fr|rf|f r)\b",
    "rear-left": r"\b(rear left|left rear|rl|lr|r l)\b",
    "rear-right": r"\b(rear right|right rear|rr|r r)\b",
}
_SIDES = {
    "front": r"\b(front|frt)\b",
    "rear": r"\b(rear)\b",
    "left": r"\b(left)\b",
    "right": r"\b(right)\b",
}


@dataclass(frozen=True, slots=True)
class Guess:
    """What a signal may be.

    Attributes
    ----------
    role
        As in a car file; None if no rule fits.
    position
        As in a car file; None if the name says none.
    fits
        The unit is one of the role's: the signal can stand for it without a sensor.
    by_message
        Only the message's name made it fit.
    """

    role: str | None
    position: str | None
    fits: bool
    by_message: bool = False


def words_of(name: str) -> str:
    """Take a name apart into lower-case words: `PressureFront` and `pressure_front` become "pressure front"."""
    return re.sub(r"[^A-Za-z0-9]+", " ", _CAMEL.sub(" ", name)).strip().lower()


def is_bookkeeping(name: str) -> bool:
    """Whether a name is one of counters and checksums, which measure nothing."""
    return bool(_NO_QUANTITY.search(words_of(name)))


def guess(signal: str, message: str = "", unit: str = "", comment: str = "") -> Guess:
    """Guess what a signal stands for.

    Parameters
    ----------
    signal, message
        Names as the database writes them.
    unit
        Unit of the signal; a unit that doesn't fit a role's quantity rules the role out, volts and counts don't:
        a sensor may turn them into it (then `fits` is False).
    comment
        The database's comment; it says what is wired to an input that is only called AIN6.
    """
    known = units.find(unit) if unit else None
    quantity = known.quantity if known else ("ratio" if not unit else "")
    own, both = words_of(signal), f"{words_of(message)} {words_of(signal)}"
    if _electrical(quantity, unit) and comment:
        own = f"{own} {words_of(comment)}"
    position = _position(own) or (_position(both) if message else None)
    if is_bookkeeping(signal):
        return Guess(None, position, False)
    for text, by_message in ((own, False), (both, True)):
        for needs_sensor in (False, True):
            for rule in _RULES:
                fits = quantity in rule.quantities
                if fits == needs_sensor or (needs_sensor and not _electrical(quantity, unit)):
                    continue
                if needs_sensor and rule.quantities & (_VOLTAGE | _NUMBER):
                    continue
                if needs_sensor and _contradicts(rule, text):
                    continue
                if re.search(rule.words, text) and not re.search(f"{rule.not_words}|{_NO_TARGET}", text):
                    return Guess(rule.role, position, fits, by_message)
    return Guess(None, position, False)


def role_takes(role: str, unit: str) -> bool:
    """Whether a role's quantity may have this unit."""
    known = units.find(unit)
    return known is not None and any(rule.role == role and known.quantity in rule.quantities for rule in _RULES)


def _contradicts(rule: _Rule, text: str) -> bool:
    """Whether the words name another quantity: with volts, no unit tells a coolant's pressure from its temperature."""
    if rule.role == "barometric_pressure" and not re.search(r"baro|press|atmos", text):
        return True  # ambient air has a temperature, too
    others = _OTHER_QUANTITIES.get(min(rule.quantities & _OTHER_QUANTITIES.keys(), default=""), "")
    return bool(others and re.search(others, text))


def _electrical(quantity: str, unit: str) -> bool:
    return quantity in {"voltage", "count", "frequency", "resistance", "current"} or not unit


def _position(text: str) -> str | None:
    for names in (_CORNERS, _SIDES):
        for position, pattern in names.items():
            if re.search(pattern, text):
                return position
    return None
