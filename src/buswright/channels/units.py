"""The units of a race car: a small explicit table with exact factors, and conversion of arrays.

Pint would do this and far more, but importing it (0.09 s) and building its registry (0.13 s; measured on two shared
cores with numpy loaded) would add 0.2 s to the start of every command. So the table is here, and the tests hold every
entry of it against Pint.

Gauge and absolute pressure have names of their own (`barg`, `bara`) and are never converted into each other:
the difference is the weather and the altitude. Plain `bar` says neither.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.errors import UserError

Floats = npt.NDArray[np.float64]


class UnitError(UserError):
    """A unit isn't known, or two units measure different things."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: base value = value × factor + offset.

    Attributes
    ----------
    name
        The spelling used in files; `shown` gives that of the screen.
    quantity
        What it measures; only units of one quantity convert into each other.
    factor, offset
        Exact, to the quantity's base unit.
    aliases
        Other spellings understood.
    """

    name: str
    quantity: str
    factor: Fraction
    offset: Fraction
    aliases: tuple[str, ...]


# Exact by definition (international yard and pound, 1959; standard gravity, CGPM 1901).
_INCH = Fraction("0.0254")
_MILE = Fraction("1609.344")
_POUND = Fraction("0.45359237")
_GRAVITY = Fraction("9.80665")
_PSI = _POUND * _GRAVITY / _INCH**2
_PI = Fraction(math.pi)  # the float64 nearest to it: the error is below what a float64 can show
_US_GALLON = 231 * _INCH**3
_UK_GALLON = Fraction("0.00454609")
# Conventional mercury, 13 595.1 kg/m3 at standard gravity (ISO 80000-4 as used by Pint's `inHg` and `mmHg`).
_MERCURY = Fraction("13595.1") * _GRAVITY
# Mechanical horsepower is 550 foot-pounds a second; the metric one 75 kilogram-force metres a second.
_HORSEPOWER = 550 * 12 * _INCH * _POUND * _GRAVITY
_METRIC_HORSEPOWER = 75 * _GRAVITY

_Row = tuple[str, Fraction | int | str, str]

# Per quantity, base unit first: name, factor, other spellings (separated by spaces).
_TABLE: dict[str, tuple[_Row, ...]] = {
    "length": (
        ("m", 1, "metre meter metres meters"),
        ("mm", "0.001", "millimetre millimeter"),
        ("cm", "0.01", "centimetre centimeter"),
        ("um", "0.000001", "micron micrometre micrometer"),
        ("km", 1000, "kilometre kilometer"),
        ("in", _INCH, "inch inches"),
        ("ft", 12 * _INCH, "foot feet"),
        ("mile", _MILE, "mi miles"),
    ),
    "speed": (
        ("m/s", 1, "mps m.s-1 m*s^-1"),
        ("km/h", Fraction(1000, 3600), "kph kmh kmph km/hr"),
        ("mph", _MILE / 3600, "mi/h mile/h"),
        ("kn", Fraction(1852, 3600), "knot knots kt"),
        ("mm/s", "0.001", "mm/sec"),
        ("cm/s", "0.01", "cm/sec"),
        ("in/s", _INCH, "in/sec"),
        ("ft/s", 12 * _INCH, "ft/sec"),
    ),
    "acceleration": (
        ("m/s^2", 1, "m/s2 m/s/s m/s**2 mps2 m/s²"),
        ("g", _GRAVITY, "gn g0 g_n g-force"),
        ("mg", _GRAVITY / 1000, "milli-g"),
        ("ft/s^2", 12 * _INCH, "ft/s2 ft/s²"),
    ),
    "angle": (
        ("deg", _PI / 180, "° degree degrees degs"),
        ("rad", 1, "radian radians"),
        ("mrad", "0.001", "milliradian"),
        ("rev", 2 * _PI, "turn turns revolution revolutions"),
        ("arcmin", _PI / 10800, "minute-of-arc"),
    ),
    "rotation": (
        ("rpm", 2 * _PI / 60, "1/min r/min rev/min min-1 revs/min u/min"),
        ("deg/s", _PI / 180, "°/s deg/sec dps degree/s degrees/s"),
        ("rad/s", 1, "rad/sec"),
        ("rev/s", 2 * _PI, "rps turn/s r/s"),
    ),
    "angular acceleration": (
        ("rad/s^2", 1, "rad/s2 rad/s²"),
        ("deg/s^2", _PI / 180, "deg/s2 °/s² °/s2 deg/s²"),
        ("rpm/s", 2 * _PI / 60, "rpm/sec"),
    ),
    "pressure": (
        ("Pa", 1, "pascal"),
        ("kPa", 1000, "kilopascal"),
        ("MPa", 1_000_000, "megapascal"),
        ("hPa", 100, "hectopascal"),
        ("bar", 100_000, "bars"),
        ("mbar", 100, "millibar"),
        ("psi", _PSI, "lbf/in^2 lb/in2 lbs/in2"),
        ("atm", 101_325, "atmosphere"),
        ("mmHg", _MERCURY / 1000, "torr"),
        ("inHg", _MERCURY * _INCH, "in-Hg"),
    ),
    "mass": (
        ("kg", 1, "kilogram"),
        ("gram", "0.001", "grams"),
        ("lb", _POUND, "lbs pound pounds"),
        ("t", 1000, "tonne"),
    ),
    "force": (
        ("N", 1, "newton newtons"),
        ("kN", 1000, "kilonewton"),
        ("daN", 10, "decanewton"),
        ("kgf", _GRAVITY, "kp"),
        ("lbf", _POUND * _GRAVITY, "lb-force"),
    ),
    "stiffness": (
        ("N/m", 1, ""),
        ("N/mm", 1000, ""),
        ("lbf/in", _POUND * _GRAVITY / _INCH, "lb/in lbs/in"),
    ),
    "damping": (
        ("N*s/m", 1, "N.s/m Ns/m N/(m/s)"),
        ("N*s/mm", 1000, "N.s/mm Ns/mm"),
    ),
    "torque": (
        ("Nm", 1, "N*m N.m N·m N-m newton-metre"),
        ("kNm", 1000, "kN*m kN.m"),
        ("lbf*ft", _POUND * _GRAVITY * 12 * _INCH, "lb-ft lb.ft lbft ft-lb ft.lb ftlb lbf.ft ft*lbf ft-lbf"),
        ("lbf*in", _POUND * _GRAVITY * _INCH, "lb-in lb.in in-lb in*lbf"),
    ),
    "power": (
        ("W", 1, "watt watts"),
        ("kW", 1000, "kilowatt"),
        ("hp", _HORSEPOWER, "bhp horsepower"),
        ("PS", _METRIC_HORSEPOWER, "cv metric-horsepower"),
    ),
    "energy": (
        ("J", 1, "joule"),
        ("kJ", 1000, "kilojoule"),
        ("MJ", 1_000_000, "megajoule"),
        ("Wh", 3600, "watt-hour"),
        ("kWh", 3_600_000, "kilowatt-hour"),
    ),
    "time": (
        ("s", 1, "sec second seconds"),
        ("ms", "0.001", "msec millisecond milliseconds"),
        ("us", "0.000001", "usec microsecond microseconds"),
        ("ns", "0.000000001", "nanosecond nanoseconds"),
        ("min", 60, "minute minutes"),
        ("h", 3600, "hr hour hours"),
        ("day", 86400, "days"),
    ),
    "frequency": (
        ("Hz", 1, "hertz 1/s s-1"),
        ("kHz", 1000, "kilohertz"),
        ("MHz", 1_000_000, "megahertz"),
    ),
    "current": (
        ("A", 1, "amp amps ampere"),
        ("mA", "0.001", "milliamp milliampere"),
        ("uA", "0.000001", "microamp"),
    ),
    "voltage": (
        ("V", 1, "volt volts"),
        ("mV", "0.001", "millivolt millivolts"),
        ("uV", "0.000001", "microvolt microvolts"),
        ("kV", 1000, "kilovolt"),
    ),
    "resistance": (
        ("ohm", 1, "ohms Ω"),
        ("kohm", 1000, "kilohm kΩ kohms"),
        ("mohm", "0.001", "milliohm mΩ"),
        ("Mohm", 1_000_000, "megohm MΩ"),
    ),
    "charge": (
        ("As", 1, "A*s coulomb"),
        ("Ah", 3600, "amp-hour"),
        ("mAh", "3.6", "milliamp-hour"),
    ),
    "volume": (
        ("l", "0.001", "L litre liter litres liters"),
        ("ml", "0.000001", "mL cc cm^3 cm3 millilitre milliliter"),
        ("m^3", 1, "m3 m³"),
        ("galUS", _US_GALLON, "gal gallon US-gallon"),
        ("galUK", _UK_GALLON, "UK-gallon imperial-gallon"),
    ),
    "volume flow": (
        ("l/min", Fraction(1, 60_000), "L/min lpm"),
        ("l/h", Fraction(1, 3_600_000), "L/h"),
        ("l/s", "0.001", "L/s"),
        ("ml/s", "0.000001", "mL/s cc/s"),
        ("ml/min", Fraction(1, 60_000_000), "cc/min mL/min"),
        ("m^3/s", 1, "m3/s m³/s"),
        ("m^3/h", Fraction(1, 3600), "m3/h m³/h"),
    ),
    "mass flow": (
        ("kg/s", 1, ""),
        ("kg/h", Fraction(1, 3600), "kg/hr"),
        ("g/s", "0.001", "gram/s"),
        ("lb/h", _POUND / 3600, "lb/hr pph"),
    ),
    "density": (
        ("kg/m^3", 1, "kg/m3 kg/m³"),
        ("kg/l", 1000, "kg/L g/cm3 g/cm^3"),
    ),
    "ratio": (
        ("1", 1, "ratio - unitless none"),
        ("%", "0.01", "percent pct"),
        ("permille", "0.001", "‰"),
        ("ppm", "0.000001", ""),
    ),
    "field": (("T", 1, "tesla"), ("mT", "0.001", "millitesla"), ("uT", "0.000001", "microtesla")),
    "information": (("byte", 8, "bytes B"), ("bit", 1, "bits"), ("kB", 8000, "kilobyte")),
    "information rate": (("bit/s", 1, "bps"), ("kbit/s", 1000, "kbps"), ("Mbit/s", 1_000_000, "Mbps")),
    # Without conversions: the name alone keeps them apart from everything else.
    "lambda": (("lambda", 1, "λ"),),
    "air-fuel ratio": (("AFR", 1, "air-fuel"),),
    "count": (("count", 1, "counts raw lsb codes"),),
    "state": (("state", 1, "enum bool boolean on/off flag"),),
    "gear": (("gear", 1, ""),),
}

# What a rate is called where it has a name; the base units agree, so `kg/min` converts to `g/s`.
_RATES = {
    "length rate": "speed",
    "speed rate": "acceleration",
    "angle rate": "rotation",
    "rotation rate": "angular acceleration",
    "mass rate": "mass flow",
    "volume rate": "volume flow",
    "energy rate": "power",
    "charge rate": "current",
}

# Written with "g" (gauge) or "a" (absolute) behind; each its own quantity.
_PRESSURE_SIDES = {"gauge pressure": ("g", "gauge"), "absolute pressure": ("a", "abs")}
_SIDED = ("bar", "mbar", "Pa", "kPa", "hPa", "psi")

# Kelvin = value × factor + offset.
_TEMPERATURES: tuple[tuple[str, Fraction, Fraction, str], ...] = (
    ("degC", Fraction(1), Fraction("273.15"), "°C C deg_C deg-C celsius degreeC degrees-C degCelsius"),
    ("degF", Fraction(5, 9), Fraction("459.67") * 5 / 9, "°F F deg_F deg-F fahrenheit degreeF degrees-F"),
    ("K", Fraction(1), Fraction(0), "kelvin degK °K"),
)

# Look-alike characters that keyboards, data sheets and databases write for the same sign.
_LOOKALIKES = str.maketrans({"º": "°", "˚": "°", "µ": "u", "μ": "u", "Ω": "Ω", "⋅": "·", "\u00a0": " "})


def _units() -> dict[str, Unit]:
    units = {}
    for quantity, rows in _TABLE.items():
        for name, factor, aliases in rows:
            units[name] = Unit(name, quantity, Fraction(factor), Fraction(0), tuple(aliases.split()))
    for quantity, (letter, word) in _PRESSURE_SIDES.items():
        for name in _SIDED:
            sides = (f"{name}({letter})", f"{name}_{letter}", f"{name}-{word}", f"{name}_{word}", f"{name}-{letter}")
            units[name + letter] = Unit(name + letter, quantity, units[name].factor, Fraction(0), sides)
    for name, factor, offset, spellings in _TEMPERATURES:
        units[name] = Unit(name, "temperature", factor, offset, tuple(spellings.split()))
    return units


UNITS: MappingProxyType[str, Unit] = MappingProxyType(_units())
"""Every unit by its canonical name."""


def _squeeze(name: str) -> str:
    return name.translate(_LOOKALIKES).replace(" ", "")


def _spellings() -> tuple[dict[str, str], dict[str, str]]:
    """Exact spellings, and case-folded ones where only one unit answers to them."""
    exact = {_squeeze(word): unit.name for unit in UNITS.values() for word in (unit.name, *unit.aliases)}
    folded: dict[str, set[str]] = {}
    for word, name in exact.items():
        folded.setdefault(word.casefold(), set()).add(name)
    return exact, {word: next(iter(names)) for word, names in folded.items() if len(names) == 1}


_EXACT, _FOLDED = _spellings()


@lru_cache(maxsize=512)
def find(name: str) -> Unit | None:
    """Return the unit with this spelling, or None. Capitals matter only where two units differ by them.

    A rate that isn't in the table is built from what is: `bar/s`, `degC/min`. Rates of temperature are rates of
    a difference, so nothing is added to them.
    """
    word = _squeeze(name)
    known = _EXACT.get(word) or _FOLDED.get(word.casefold())
    if known:
        return UNITS[known]
    above, slash, below = word.rpartition("/")
    top, bottom = (find(above), find(below)) if slash and above and below else (None, None)
    if top is None or bottom is None or bottom.quantity != "time" or top.quantity.endswith(" rate"):
        return None
    quantity = f"{top.quantity} rate"
    quantity = _RATES.get(quantity, quantity)
    return Unit(f"{top.name}/{bottom.name}", quantity, top.factor / bottom.factor, Fraction(0), ())


def get(name: str) -> Unit:
    """Return the unit with this spelling.

    Raises
    ------
    UnitError
        There is none; the hint names the nearest.
    """
    unit = find(name)
    if unit is None:
        raise UnitError(f'unit "{name}" is not known', hint=suggestion(name))
    return unit


def suggestion(name: str) -> str:
    """Hint for an unknown unit: the nearest spelling, or where the list is."""
    word = _squeeze(name)
    close = [each for each in _EXACT if sorted(each) == sorted(word)][:2]  # "bra" is less like "bar" than like "bara"
    close = close or difflib.get_close_matches(word, _EXACT, n=2, cutoff=0.6)
    close = close or difflib.get_close_matches(word.casefold(), _FOLDED, n=2, cutoff=0.6)
    names = list(dict.fromkeys(_EXACT.get(near) or _FOLDED[near] for near in close))
    if names:
        return "did you mean " + " or ".join(f'"{near}"' for near in names) + "?"
    return 'write "1" for a number without a unit, or one of the units in the manual (degC, bar, km/h, mm, V ...)'


def canonical(name: str) -> str:
    """Return the spelling used in files.

    Raises
    ------
    UnitError
        The unit isn't known.
    """
    return get(name).name


@lru_cache(maxsize=512)
def shown(name: str) -> str:
    """Return the spelling used on screen: one for all that databases and car files write; an unknown unit's own."""
    unit = find(name)
    return name if unit is None else unit.name.replace("degC", "°C").replace("degF", "°F")


def compatible(one: str, other: str) -> bool:
    """Whether both are known and measure the same quantity."""
    a, b = find(one), find(other)
    return a is not None and b is not None and a.quantity == b.quantity


def names_of(quantity: str) -> tuple[str, ...]:
    """Canonical names of a quantity's units, in the order of the table."""
    return tuple(unit.name for unit in UNITS.values() if unit.quantity == quantity)


@lru_cache(maxsize=512)
def line(source: str, target: str) -> tuple[float, float]:
    """Factor and offset of `target value = source value × factor + offset`, each correctly rounded.

    Raises
    ------
    UnitError
        A unit isn't known, or they measure different things.
    """
    a, b = get(source), get(target)
    if a.quantity != b.quantity:
        raise UnitError(f'"{source}" is {a.quantity} and "{target}" is {b.quantity}', hint=_why_not(a, b))
    return float(a.factor / b.factor), float((a.offset - b.offset) / b.factor)


def _why_not(a: Unit, b: Unit) -> str:
    if a.quantity.endswith("pressure") and b.quantity.endswith("pressure"):
        return (
            "gauge and absolute differ by the air pressure of the day, about 1.013 bar at sea level: name the same "
            "side on both, or compute one with a formula that adds the barometer channel"
        )
    if {a.quantity, b.quantity} == {"lambda", "air-fuel ratio"}:
        return "they differ by the stoichiometric ratio of the fuel (about 14.7 for petrol): write a formula with it"
    if {a.quantity, b.quantity} == {"frequency", "rotation"}:
        return 'pulses become turns with the tooth count: use a sensor of kind = "frequency"'
    others = ", ".join(names_of(a.quantity))
    return f"a unit of {a.quantity}: {others}" if others else f"both must be {a.quantity}"


def convert(values: Floats, source: str, target: str) -> Floats:
    """Convert an array of any shape; a new float64 array, or the same one where nothing changes.

    Raises
    ------
    UnitError
        A unit isn't known, or they measure different things.
    """
    factor, offset = line(source, target)
    values = np.asarray(values, dtype=np.float64)
    if factor == 1.0 and offset == 0.0:
        return values
    converted = np.multiply(values, factor)
    return converted + offset if offset else converted


def convert_difference(values: Floats, source: str, target: str) -> Floats:
    """Convert differences (a hysteresis, a zero, a rate): the factor only, so 10 degC is 18 degF."""
    factor, _ = line(source, target)
    return np.multiply(np.asarray(values, dtype=np.float64), factor)
