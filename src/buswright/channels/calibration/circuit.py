"""From the voltage at an input to the resistance of the sensor in its circuit, and what temperature kinds share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from buswright.channels.calibration.kind import Floats, Need, Range, Sheet
from buswright.channels.calibration.line import REFERENCE_KEY, SUPPLY_KEY, supply_need
from buswright.channels.keys.kinds import POSITIVE
from buswright.channels.keys.tables import Key

COLDEST = -270.0
"""degC; nothing here is asked for a colder temperature."""


@dataclass(frozen=True, slots=True)
class Resistance:
    """The input is the resistance itself."""

    electrical: ClassVar[str] = "ohm"
    needs: ClassVar[tuple[Need, ...]] = ()

    def ohm(self, electrical: Floats, _supply: Floats | None, /) -> Floats:
        """Resistance of the sensor from the input."""
        return electrical

    def input(self, ohm: Floats, _supply: Floats | None, /) -> Floats:
        """Input that the resistance of the sensor makes."""
        return ohm

    def describe(self) -> str:
        """Say how the resistance is measured."""
        return "from resistance"


@dataclass(frozen=True, slots=True)
class Divider:
    """The sensor in series with a fixed resistor; the input is the voltage between the two, V.

    At 0 V and at the supply the resistance is 0, infinite or negative: no sensor, and NaN further on.

    Attributes
    ----------
    fixed
        The fixed resistor, ohm.
    pull_up
        True: fixed resistor to the supply, sensor to ground. False: the other way round.
    supply
        Nominal supply, V.
    channel
        Channel that measures it; empty: taken as nominal.
    """

    electrical: ClassVar[str] = "V"
    fixed: float
    pull_up: bool
    supply: float
    channel: str = ""

    @property
    def needs(self) -> tuple[Need, ...]:
        """The measured supply, if one is named."""
        return supply_need(self.channel, self.supply)

    def ohm(self, electrical: Floats, supply: Floats | None, /) -> Floats:
        """Resistance of the sensor from the input: R V / (supply - V) for a pull-up, its reverse for a pull-down."""
        rest = np.subtract(self.supply if supply is None else supply, electrical)
        ohm: Floats = electrical / rest if self.pull_up else rest / electrical
        return ohm * self.fixed

    def input(self, ohm: Floats, supply: Floats | None, /) -> Floats:
        """Input that the resistance of the sensor makes."""
        part = (ohm if self.pull_up else self.fixed) / (ohm + self.fixed)
        result: Floats = part * (self.supply if supply is None else supply)
        return result

    def describe(self) -> str:
        """Say how the resistance is measured."""
        sense = "pull-up" if self.pull_up else "pull-down"
        source = f'{self.supply:g} V, measured by channel "{self.channel}"' if self.channel else f"{self.supply:g} V"
        return f"{self.fixed:g} ohm {sense}, supply {source}"


@dataclass(frozen=True, slots=True)
class Excited:
    """A known current through the sensor; the input is its voltage, V, times the gain of an amplifier."""

    electrical: ClassVar[str] = "V"
    needs: ClassVar[tuple[Need, ...]] = ()

    milliamps: float
    gain: float

    def ohm(self, electrical: Floats, _supply: Floats | None, /) -> Floats:
        """Resistance of the sensor from the input."""
        return electrical * (1000.0 / (self.milliamps * self.gain))

    def input(self, ohm: Floats, _supply: Floats | None, /) -> Floats:
        """Input that the resistance of the sensor makes."""
        return ohm * (self.milliamps * self.gain / 1000.0)

    def describe(self) -> str:
        """Say how the resistance is measured."""
        amplified = f", amplified {self.gain:g} times" if self.gain != 1.0 else ""
        return f"{self.milliamps:g} mA through it{amplified}"


Circuit = Resistance | Divider | Excited


def ends_in_words(outer: Range, electrical: str) -> str:
    """Give the outer points of a temperature sensor in words."""
    (x0, x1), (y0, y1) = outer.electrical, outer.value
    return f"{x0:.4g} {electrical} = {y0:g} °C to {x1:.4g} {electrical} = {y1:g} °C"


# -- from the car file --------------------------------------------------------------------------------------------

DIVIDER_KEYS = (
    Key("pull_up", POSITIVE, "Fixed resistor from the input to the supply, the sensor to ground.", unit="ohm",
        example="2200.0"),
    Key("pull_down", POSITIVE, "Fixed resistor from the input to ground, the sensor to the supply.", unit="ohm",
        example="2200.0"),
    SUPPLY_KEY,
    REFERENCE_KEY,
)  # fmt: skip


def build_circuit(sheet: Sheet) -> Circuit | None:
    """Circuit of the written keys; exactly one way to get at the resistance."""
    if sheet.electrical == "ohm":
        keys = ("pull_up", "pull_down", "supply", "reference", "current", "gain")
        sheet.misplaced(keys, "turns volts into resistance, and the input is in ohm")
        return Resistance()
    text = "volts become resistance by one fixed resistor or current, and here is"
    hint = "pull_up = 2200.0 if the resistor goes to the supply, pull_down if it goes to ground; "
    hint += 'or electrical = "ohm" if the module sends resistance'
    way = sheet.way(("pull_up", "pull_down", "current"), text, hint)
    if way is None:
        return None
    if way == "current":
        sheet.misplaced(("supply", "reference"), "goes with a divider, not with a current")
        return Excited(sheet["current"], sheet["gain"])
    sheet.misplaced(("gain",), "goes with a current, not with a divider")
    return Divider(sheet[way], way == "pull_up", sheet["supply"], sheet.get("reference") or "")


def band_of(sheet: Sheet, default: tuple[float, float]) -> tuple[float, float]:
    """Return the written range of temperatures or the default."""
    band: tuple[float, float] = sheet.get("range") or default
    if band[0] < COLDEST:
        sheet.error(("range", 0), f"{band[0]:g} degC is colder than any sensor works", "in degC")
    return band
