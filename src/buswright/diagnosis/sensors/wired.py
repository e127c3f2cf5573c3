"""One input as the car file describes it: its wire and plug, what an open wire reads, what to mind at its sensor."""

from __future__ import annotations

from collections.abc import Sequence

from buswright.channels import units
from buswright.diagnosis.case import Why
from buswright.health.channels.evidence import ChannelEvidence

POWER_OFF = "Power off before you unplug or measure ohms: ignition off, battery isolated."
NO_VOLTS = Why(
    "its module sends the finished number and no volts",
    "Have the module send millivolts; or measure the signal wire at the module's plug, key on.",
)
_WIRED_UNITS = ("V", "A", "ohm")
"""Inputs that a broken or shorted wire sends to an end; a frequency of 0 is a wheel that stands."""
_THREE_WIRES = ("linear", "ratiometric", "table", "polynomial")


def is_wired(each: ChannelEvidence) -> bool:
    """Whether a channel's quantity is one of a wire."""
    return any(units.compatible(each.quantity_unit, unit) for unit in _WIRED_UNITS)


def in_volts(each: ChannelEvidence) -> bool:
    """Whether a channel's quantity is a voltage that a module's input measured."""
    return not each.computed and each.per_volt is not None


def kind_of(each: ChannelEvidence) -> str:
    """Return the kind of calibration of its sensor; empty without one."""
    return each.sensor.calibration.kind if each.sensor is not None else ""


def is_fed(each: ChannelEvidence) -> bool:
    """Whether a supply feeds its sensor; thermistors may be fed by the module itself."""
    return kind_of(each) in _THREE_WIRES


def open_reads(each: ChannelEvidence) -> str | None:
    """Return what an open wire of it reads: high, low or floating; None where nobody says."""
    return each.sensor.open_reads if each.sensor is not None else None


def is_biased(each: ChannelEvidence) -> bool:
    """Whether a bias is said to hold it where its wire is open."""
    return open_reads(each) in ("high", "low")


def plug_of(each: ChannelEvidence, otherwise: str) -> str:
    """Name its plug in a sentence, or what to say where nobody names one."""
    plug = each.shares("plug")
    return f"plug {plug}" if plug else otherwise


def careful(members: Sequence[ChannelEvidence], *first: str) -> str:
    """Say what a person must mind, then what there is to mind at these sensors."""
    own = [text for each in members if each.sensor is not None for text in each.sensor.cautions]
    return " ".join([*first, *dict.fromkeys(own)])
