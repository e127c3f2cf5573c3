"""Wires, supplies, grounds and ranges: what a run can say of them, and what it lacks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.diagnosis.inconclusive.question import Asked, Question, Why, answered
from buswright.diagnosis.sensors.disturbed.crosstalk import COMMON, COPIED, move_together, neighbours
from buswright.diagnosis.sensors.disturbed.ground import loads_of
from buswright.diagnosis.sensors.disturbed.noise import LEAST_RUNNING, is_analogue, shakes, twins_of
from buswright.diagnosis.sensors.disturbed.sag import fed_by, what_it_feeds
from buswright.diagnosis.sensors.inputs.rail_stays import debounce_of
from buswright.diagnosis.sensors.sharing import named
from buswright.diagnosis.sensors.steps import in_volts
from buswright.health.channels.evidence import ChannelEvidence
from buswright.wording import duration, percent

_NO_VOLTS = Why(
    "its module sends the finished number and no volts",
    "Have the module send millivolts; or measure the signal wire at the module's plug, key on.",
)
_LOADS = "With the key on, switch fan, pump and lamps on and off, ten seconds each, while you record."


def wire_questions(asked: Asked) -> Iterator[Question]:
    """Ask of every measured channel about its wire, its contacts, its noise and its range; then of what they share."""
    beside = _neighbours(asked)
    for each in asked.measured:
        subject = each.subject
        yield answered(subject, "wire", "open-circuit short-to-ground short-to-supply", _wire(asked, each))
        yield answered(subject, "dropouts", "loose-contact chafed-wire", _dropouts(asked, each))
        if is_analogue(each) or (in_volts(each) and shakes(each)):
            yield answered(subject, "noise", "ignition-noise", _noise(asked, each))
        if in_volts(each):
            yield answered(subject, "cross-talk", "cross-talk", _copied(each, beside.get(each.name)))
        yield answered(subject, "range", "saturated", _range(asked, each))
    yield from _supplies(asked)
    yield from _grounds(asked)


def _wire(asked: Asked, each: ChannelEvidence) -> str | Why:
    if not each.electrical:
        return _NO_VOLTS
    if each.live_band is None:
        return Why("nobody says which volts of it are healthy", "Give its sensor `healthy` in the car file.")
    name, seconds = debounce_of(asked.case, each)
    low, high = each.live_band
    return f"beyond {low:g} to {high:g} {each.quantity_unit} for over {seconds:g} s ({name})"


def _dropouts(asked: Asked, each: ChannelEvidence) -> str | Why:
    if not each.electrical:
        return _NO_VOLTS
    least = asked.case.limit("spikes_per_minute", channel=each.name)
    return f"{least:g} a minute that each reach a sample (every {duration(each.series.step_s() * 1e9)})"


def _noise(asked: Asked, each: ChannelEvidence) -> str | Why:
    driving = asked.channels.driving
    if not np.isfinite(driving.engine_speed).any():
        return Why("no channel says how fast the engine turns", "Give the engine speed its role in the car file.")
    if driving.seconds("idle", "driving") < LEAST_RUNNING:
        return Why("the engine hardly ran", f"Run the engine {LEAST_RUNNING} s at least, slow and fast.")
    if twins := twins_of(asked.channels, each):
        return f"noise that grows with the engine speed, twice that of {named(twins)}"
    if shakes(each):
        return Why(
            "engine and road really shake it",
            "Plug a fixed resistor in its sensor's place and drive again: noise that stays is the wire's.",
        )
    ratio = asked.case.limit("noise_ratio_suspect", channel=each.name)
    return f"noise that grows with the engine speed to {ratio:g} times that at rest"


# Cross-talk -------------------------------------------------------------------------------------------------------


def _neighbours(asked: Asked) -> dict[str, list[ChannelEvidence]]:
    fed = [each for each in asked.measured if in_volts(each)]
    found: dict[str, list[ChannelEvidence]] = {}
    for members in asked.channels.groups("module", fed).values():
        for each, neighbour, _ in neighbours(members):
            found.setdefault(each.name, []).append(neighbour)
    return found


def _copied(each: ChannelEvidence, beside: list[ChannelEvidence] | None) -> str | Why:
    if not beside:
        return Why("nobody says which input is beside it", "Write its input and its neighbours' into the wiring.")
    ground = "Ground the input beside it, engine off, and see whether it still follows."
    if all(move_together(each, other) for other in beside):
        return Why("it really moves with the inputs beside it", ground)
    if each.role in COMMON or each.role == "oil_pressure":
        return Why("it moves with the engine or the car, as the inputs beside it do", ground)
    moved = max(float(np.nanstd(other.quantity[other.there])) / (other.per_volt or 1.0) for other in beside)
    quiet = max(each.fast_noise if np.isfinite(each.fast_noise) else 0.0, 0.5 * each.step) / (each.per_volt or 1.0)
    least = max(COPIED[0], 3 * quiet / moved if moved > 0 else np.inf)
    if least > COPIED[1]:
        return Why("the inputs beside it hardly moved", "Move the sensors beside it by hand while you record.")
    return f"a part of over {percent(least)} of the input beside it"


# Range, supply, ground --------------------------------------------------------------------------------------------


def _range(asked: Asked, each: ChannelEvidence) -> str:
    samples = asked.case.limit("saturation_samples", channel=each.name)
    share = asked.case.limit("saturation_share", channel=each.name)
    return f"{samples:g} samples in a row at the end, and {percent(share)} of the run"


def _supplies(asked: Asked) -> Iterator[Question]:
    channels, case = asked.channels, asked.case
    logged = {}
    for each in channels.with_role("reference_voltage"):
        _, subject, _ = what_it_feeds(channels, each)
        logged[subject] = each
    for subject, members in fed_by(channels):
        by = logged.get(subject)
        if by is not None:
            volts = case.limit("reference_off_suspect_v", channel=by.name)
            yield answered(subject, "supply", "supply-sag", f"more than {volts:g} V off, by {by.name}")
        elif len(members) > 1:
            why = "nothing measures it, and a module that measures against the same supply hides a sag"
            settles = "Log it as a channel, or measure it at a sensor's plug, engine running and loads on."
            yield answered(subject, "supply", "supply-sag", Why(why, settles))


def _grounds(asked: Asked) -> Iterator[Question]:
    channels = asked.channels
    could = [each for each in channels.values() if in_volts(each) and len(each.grid)]
    grounds = {f"ground:{name}": members for name, members in channels.groups("ground", could).items()}
    rest = [each for each in could if each.shares("ground") is None]
    grounds |= {f"module:{name}": members for name, members in channels.groups("module", rest).items()}
    loads = list(loads_of(channels))
    for subject, members in grounds.items():
        if len(members) < 2:
            why = "only one input in volts hangs on it"
            meter = "Measure the volts between it and battery negative, loads on: under 20 mV is sound."
            yield answered(subject, "ground", "ground-shift", Why(why, meter))
        elif not loads:
            yield answered(subject, "ground", "ground-shift", Why("no electrical load was switched", _LOADS))
        else:
            least = min(asked.case.limit("ground_shift_suspect_v", channel=each.name) for each in members)
            step = max(each.step / (each.per_volt or 1.0) for each in members)
            said = f"a shift of over {1000 * max(least, 4 * step):.0f} mV when {loads[0].words}"
            yield answered(subject, "ground", "ground-shift", said)
