"""Where a channel comes from: the message and signal that carry it, and the input that its sensor is wired to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from buswright.errors import UserError
from buswright.simulate.car import networks as car
from buswright.simulate.car.channels import CHASSIS_CHANNELS, ENGINE_CHANNELS, Entry
from buswright.simulate.car.definition import Signal
from buswright.simulate.car.sensing import TEETH, Moment, sensor_mv
from buswright.simulate.car.sensors import INPUTS, SENSORS
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.inputs import on_for
from buswright.simulate.faults.plan import BusPlan, Plan, Record
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import Talker

Change = Callable[[Floats, Moment], Floats]
"""(values of a channel in its unit, moment) -> what they become; float64[n] each."""

_ENTRIES = {entry.name: entry for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS)}


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """One channel and where it comes from.

    Attributes
    ----------
    input
        Of the damper node, that its sensor is wired to; "" for a channel whose module sends it ready.
    per_unit
        What the signal has for each unit of the channel, if it has no input.
    """

    entry: Entry
    bus: BusPlan
    talker: Talker
    signal: Signal
    input: str
    per_unit: float

    @property
    def low(self) -> float:
        """Lower end of its plausible range, in its unit."""
        return float(self.entry.keys["plausible"][0])

    @property
    def span(self) -> float:
        """Width of its plausible range, in its unit."""
        return float(self.entry.keys["plausible"][1]) - self.low

    @property
    def subject(self) -> str:
        """The channel as the subject of a finding."""
        return f"channel:{self.entry.name}"

    @property
    def message(self) -> str:
        """Its message as the subject of a finding."""
        return self.bus.subject(self.talker.message)

    def carries(self, signal: Signal, moment: Moment) -> bool:
        """Whether this is the channel's signal."""
        return signal == self.signal and moment.message.name == self.talker.message.name


def place_of(fault: Fault, plan: Plan, *, subject: str = "", fits: Callable[[Place], bool] | None = None) -> Place:
    """Return where the channel of a fault, or another one, comes from.

    Raises
    ------
    UserError
        There is none, or it does not fit.
    """
    name = (subject or fault.subject).partition(":")[2]
    found = _place(name, plan) if name in _ENTRIES else None
    if found is None or (fits and not fits(found)):
        places = filter(None, (_place(other, plan) for other in _ENTRIES))
        known = ", ".join(place.entry.name for place in places if not fits or fits(place))
        raise UserError(
            f"{fault.kind}: the {car.NAME} has no channel {name!r} that can have it", hint=f"one of {known}"
        )
    return found


def _place(name: str, plan: Plan) -> Place | None:
    """Return where a channel comes from; None for a state."""
    entry = _ENTRIES[name]
    message, _, wanted = entry.source.partition("/")
    wired = wanted in INPUTS
    bus, talker, signal = next(
        (bus, talker, signal)
        for bus, talker in plan.talkers()
        for signal in talker.message.signals
        if (signal.source == wanted if wired else (talker.message.name, signal.name) == (message, wanted))
    )
    sensor = SENSORS.get(entry.keys.get("sensor", ""), {})
    if signal.choices or (sensor and not wired and sensor["kind"] != "frequency"):
        return None
    per_unit = 1.0 if wired or not sensor else TEETH / sensor["circumference"] / 3.6
    return Place(entry, bus, talker, signal, wanted if wired else "", per_unit)


def change_value(fault: Fault, plan: Plan, place: Place, change: Change, *others: str) -> Record:
    """Have a sensor, or its module, measure something else while the fault lasts; record it.

    What a wired sensor measures shows in its volts, so that the car file's calibration makes the wrong value of it.
    """
    start, end = plan.window(fault)

    def disturb(name: str, millivolts: Floats, moment: Moment) -> Floats:
        now = moment[place.entry.name]
        moved = sensor_mv(name, moment, change(now, moment)) - sensor_mv(name, moment, now)
        return millivolts + on_for(start, end, moment.seconds) * moved

    def adjust(signal: Signal, values: Floats, moment: Moment) -> Floats:
        if not place.carries(signal, moment):
            return values
        moved = change(values / place.per_unit, moment) * place.per_unit - values
        return values + ((moment.seconds >= start) & (moment.seconds < end)) * moved

    if place.input:
        plan.disturb({place.input}, disturb)
    else:
        plan.adjust(place.talker.node.name, adjust)
    return plan.lasting(fault, place.subject, [place.message, *others])
