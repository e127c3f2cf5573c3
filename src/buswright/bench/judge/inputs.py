"""Is each input what it should be? Noise, the right channel, sign, gain, range, linearity, response, wiring faults.

The checks of one input are a ladder. What stands on a rung that failed is not judged: an input that moves another
channel has no gain, and one with a wrong gain has no offset worth a number.
"""

from __future__ import annotations

from collections.abc import Iterator

from buswright.bench.judge.lines import line_of
from buswright.bench.judge.making import Tested, judged, span_text, unjudged
from buswright.bench.plan.model import WIRED, PlannedInput, Step
from buswright.bench.result import Check, Level, Line, Move, StepResult
from buswright.bench.words import where
from buswright.diagnosis.sensors.numbers.levels import MIXED
from buswright.diagnosis.words import METER
from buswright.findings import THRESHOLDS
from buswright.wording import percent

_ALIKE = 0.5
"""From this correlation on a small copy of another channel's movement is one (`crosstalk_correlation`)."""
_WRONG_CHANNEL = 0.5
"""A channel that goes more than this share of the way of the one that was moved is itself moved."""


def input_checks(test: Tested) -> Iterator[Check]:
    """Judge every input under test, and the noise of all channels that have a limit for it."""
    yield from _noise(test)
    for planned in test.plan.inputs.values():
        yield from _ladder(test, planned)


# Noise ----------------------------------------------------------------------------------------------------------------


def _noise(test: Tested) -> Iterator[Check]:
    done = test.done("listen")
    if not done:
        return
    step, result = done[-1]
    for name, level in result.levels.items():
        if name not in test.plan.inputs:
            continue
        if not level.span:
            yield unjudged("noise", step, f"channel:{name}", "Its span is not known.")
            continue
        steps, share = test.plan.limit("noise_steps", name), test.plan.limit("noise_span", name)
        most = max(steps * level.step, share * level.span)
        counted = f", {level.noise / level.step:.1f} steps" if level.step else ""
        said = (
            f"At rest {level.sd:.3g} {level.unit} rms, {level.noise:.3g} {level.unit} peak to peak{counted}; "
            f"{percent(level.noise / level.span, 2)} of its span."
        )
        yield judged(
            *(step, level.noise <= most, "noise", f"channel:{name}", said),
            test.limit_words(
                "noise_steps",
                f"peak to peak at most {span_text(most, level.unit)}: {steps:g} steps or {percent(share)} of its span",
                name,
            ),
            level.noise,
            level.unit,
            f"Put a fixed resistor in place of the sensor of {where(name, test.car)}: noise that stays is its own. "
            "Then look at the shield, the sensor ground and the bench supply.",
            METER,
        )


# The ladder of one input ----------------------------------------------------------------------------------------------


def _ladder(test: Tested, planned: PlannedInput) -> Iterator[Check]:
    name, subject = planned.name, f"channel:{planned.name}"
    came = test.rest is None or name in test.rest.levels
    moves = test.done("move", channel=name)
    line = line_of(test, planned)
    stopped = "" if came else "Its frames did not come."
    if moves and not stopped:
        step, result = moves[-1]
        rung = _moved_channel(test, step, planned, result)
        yield rung
        stopped = "" if rung.verdict == "pass" else "Put the input right first: it does not move its own channel."
        if not stopped:
            yield _crosstalk(test, step, planned, result)
    elif moves:
        yield unjudged("moves its channel", moves[-1][0], subject, stopped)
    curve = list(_curve(test, planned, moves, line, stopped))
    yield from curve
    yield from _responses(test, planned, stopped)
    if any(check.name == "gain" and check.verdict == "fail" for check in curve):
        stopped = "Put its gain right first."
    yield from _wires(test, planned, stopped)


def _moved_channel(test: Tested, step: Step, planned: PlannedInput, result: StepResult) -> Check:
    name = planned.name
    least = test.plan.limit("moved_span", name)
    moved = [
        other
        for other, move in result.moves.items()
        if move.travel >= least and abs(move.copied or 0.0) >= _WRONG_CHANNEL
    ]
    own = result.moves.get(name)
    others = [other for other in moved if other != name]
    right = name in moved and not others
    if right and own is not None:
        said = f"Moving it moved {name} over {percent(own.travel, 0)} of its span, and no other channel."
    elif name in moved:
        said = f"Moving it moved {name} and {' and '.join(others)} too."
    elif others:
        said = f"Moving it moved {' and '.join(others)} in its place."
    else:
        said = "Moving it moved no channel."
    advice = (
        f"Is the sensor on the right input? {where(name, test.car)} should move. Look at the plug, then at the wiring "
        "table."
        if others
        else f"Check the wire, the pin and the supply of {where(name, test.car)}; then the module's settings."
    )
    return judged(
        *(step, right, "moves its channel", f"channel:{name}", said),
        test.limit_words("moved_span", f"it alone, over more than {percent(least, 0)} of its span", name),
        own.travel if own is not None else 0.0,
        "of span",
        advice,
        METER,
    )


def _crosstalk(test: Tested, step: Step, planned: PlannedInput, result: StepResult) -> Check:
    most = test.plan.limit("other_share", planned.name)
    copies = {
        other: abs(move.copied)
        for other, move in result.moves.items()
        if other != planned.name and move.copied is not None and abs(move.alike or 0.0) >= _ALIKE
    }
    worst = max(copies, key=lambda other: copies[other], default="")
    said = (
        f"{worst} copies {percent(copies[worst], 2)} of its movement."
        if worst
        else "No other channel copies its movement."
    )
    return judged(
        *(step, copies.get(worst, 0.0) <= most, "cross-talk", f"channel:{planned.name}", said),
        test.limit_words("other_share", f"at most {percent(most)}", planned.name),
        copies.get(worst, 0.0),
        "",
        f"Ground the input of {worst}: if it still copies, the module does it. If not, its source is too weak."
        if worst
        else "",
    )


def _curve(
    test: Tested, planned: PlannedInput, moves: list[tuple[Step, StepResult]], line: Line, stopped: str
) -> Iterator[Check]:
    """Judge sign, gain, offset, range, linearity and hysteresis."""
    subject = f"channel:{planned.name}"
    holds = test.done("hold", channel=planned.name)
    if not moves and not holds:
        return
    step = (holds or moves)[-1][0]
    if stopped:
        for name in ("sign", "gain"):
            yield unjudged(name, step, subject, stopped)
        return
    own = moves[-1][1].moves.get(planned.name) if moves else None
    sign = _sign(test, step, planned, line, moves[-1] if moves else None, own)
    yield sign
    gain = _gain(test, step, planned, line, moves[-1][0] if moves else None, own)
    yield gain
    if gain.verdict == "fail" or sign.verdict == "fail":
        yield unjudged("offset", step, subject, "Put its sign and gain right first.")
    elif line.offset is not None:
        span = _span_of(line, planned, holds)
        most = test.plan.limit("offset_span", planned.name)
        yield judged(
            *(step, abs(line.offset) <= most * span, "offset", subject),
            f"In the middle of its span it reads {line.offset:+.3g} {line.unit} too much.",
            test.limit_words("offset_span", f"at most {span_text(most * span, line.unit)}", planned.name),
            line.offset,
            line.unit,
            "Calibrate it: buswright calibrate.",
        )
    yield from _range(test, planned, moves, own, line)
    yield from _straightness(test, step, planned, line, holds)


def _sign(
    test: Tested,
    step: Step,
    planned: PlannedInput,
    line: Line,
    moved: tuple[Step, StepResult] | None,
    own: Move | None,
) -> Check:
    subject = f"channel:{planned.name}"
    if line.gain is not None:
        right, said = line.gain > 0, f"Known values that rise {'raise' if line.gain > 0 else 'lower'} what it reads."
    elif own is not None and moved is not None and own.first:
        step, wanted = moved[0], 1 if moved[0].begin == "low" else -1
        right = own.first == wanted
        way = "rose" if own.first > 0 else "fell"
        said = f"It {way} first, moved from its {moved[0].begin} end."
    elif own is not None and moved is not None and own.travel >= test.plan.limit("moved_span", planned.name):
        step = moved[0]
        why = f"It did not go from one end to the other and back. Do it again from its {step.begin} end."
        return unjudged("sign", step, subject, why)
    else:
        return unjudged("sign", step, subject, "It did not move far enough to tell.")
    wires = f"re two wires of {where(planned.name, test.car)} exchanged, or is it mounted the other way round?"
    ask = "A" if line.gain is not None else f"Did it begin at its {step.begin} end? If not, do it again. If so: a"
    return judged(step, right, "sign", subject, said, "more is more", next_check=f"{ask}{wires}", caution=METER)


def _gain(test: Tested, step: Step, planned: PlannedInput, line: Line, moved: Step | None, own: Move | None) -> Check:
    subject, most = f"channel:{planned.name}", test.plan.limit("gain_error", planned.name)
    if line.gain is not None:
        gain, said = abs(line.gain), "through the known values"
    elif own is not None and moved is not None and planned.travel and own.high > own.low:
        gain, step = (own.high - own.low) / planned.travel, moved
        said = f"from its travel: {span_text(own.high - own.low, '')} of {planned.travel:g}"
    else:
        return unjudged("gain", step, subject, "It takes two known values, or the whole travel.")
    return judged(
        *(step, abs(gain - 1) <= most, "gain", subject),
        f"Its gain is {gain:.4g}, {said}.",
        test.limit_words("gain_error", f"1 within {percent(most, 0)}", planned.name),
        gain,
        "",
        _unit_mixup(gain) or "Is it the right sensor, with the right curve? Then calibrate it: buswright calibrate.",
    )


def _unit_mixup(gain: float) -> str:
    """Name two units that are this far apart, as diagnosis does."""
    mixed = min(MIXED, key=lambda one: abs(gain / one.factor - 1.0))
    close = abs(gain / mixed.factor - 1.0) <= THRESHOLDS["unit_guess"].default
    return f"That is {mixed.words}: look at the units of sensor and channel." if close else ""


def _range(
    test: Tested, planned: PlannedInput, moves: list[tuple[Step, StepResult]], own: Move | None, line: Line
) -> Iterator[Check]:
    if own is None:
        return
    step, least = moves[-1][0], test.plan.limit("range_share", planned.name)
    gain = abs(line.gain) if line.gain is not None and not line.electrical else None
    share = (own.high - own.low) / planned.travel / (gain or 1.0) if planned.travel else 0.0
    if gain is None:  # its gain is that of the travel, so that the travel is whole by itself
        share = 1.0
    railed = f" {percent(own.railed)} of its samples are at a rail." if own.railed else ""
    yield judged(
        *(step, share >= least and not own.railed, "range", f"channel:{planned.name}"),
        f"It went from {own.low:.4g} to {own.high:.4g}, {percent(share, 0)} of its travel.{railed}",
        test.limit_words("range_share", f"at least {percent(least, 0)}, and never at a rail", planned.name),
        share,
        "of travel",
        "Was it moved from end to end? At a rail: the sensor, or its supply, does not fit the input.",
    )


def _span_of(line: Line, planned: PlannedInput, holds: list[tuple[Step, StepResult]]) -> float:
    """Return what shares of the span are taken of, in the unit of the line's points."""
    if not line.electrical:
        return planned.travel
    level = next((result.levels.get(planned.name) for _, result in holds if planned.name in result.levels), None)
    return level.span if level is not None and level.span else 1.0


def _straightness(
    test: Tested, step: Step, planned: PlannedInput, line: Line, holds: list[tuple[Step, StepResult]]
) -> Iterator[Check]:
    span, subject = _span_of(line, planned, holds), f"channel:{planned.name}"
    for name, limit, value, few in (
        ("linearity", "linearity_span", line.worst, "It takes three known values."),
        ("hysteresis", "hysteresis_span", line.hysteresis, "No value was held on the way up and on the way down."),
    ):
        if value is None:
            if holds:
                yield unjudged(name, step, subject, few)
            continue
        most = test.plan.limit(limit, planned.name)
        what = "off the straight line" if name == "linearity" else "apart on the way up and down"
        yield judged(
            *(step, value <= most * span, name, subject, f"At most {value:.3g} {line.unit} {what}."),
            test.limit_words(limit, f"at most {span_text(most * span, line.unit)}", planned.name),
            value,
            line.unit,
            "Hold the values again, slowly. If it stays, play in the linkage or a worn sensor makes it.",
        )


def _responses(test: Tested, planned: PlannedInput, stopped: str) -> Iterator[Check]:
    for step, result in test.done("jump", channel=planned.name):
        subject, response = f"channel:{planned.name}", result.response
        if stopped or response is None:
            yield unjudged("time constant", step, subject, stopped or "No step was seen.")
            continue
        most = test.plan.limit("time_constant_s", planned.name)
        tau = response.time_constant_s
        if tau is None or response.period_s > most:
            why = f"It sends every {response.period_s * 1e3:.0f} ms: too slow to tell."
            yield unjudged("time constant", step, subject, why)
            continue
        yield judged(
            *(step, tau <= most, "time constant", subject),
            f"{tau * 1e3:.0f} ms, to {response.period_s * 1e3:.0f} ms.",
            test.limit_words("time_constant_s", f"at most {most:g} s", planned.name),
            tau,
            "s",
            "Look at the filter of this input in the module's settings; then at the sensor.",
        )
        if response.delay_s is None:
            yield unjudged("delay", step, subject, "Nobody marked the moment of the jump.")
            continue
        latest = test.plan.limit("delay_s", planned.name)
        yield judged(
            *(step, response.delay_s <= latest, "delay", subject),
            f"{response.delay_s * 1e3:.0f} ms after the mark.",
            test.limit_words("delay_s", f"at most {latest:g} s", planned.name),
            response.delay_s,
            "s",
            "A mark set by hand is late by some tenths: do it again. Then look at the module's settings.",
        )


# Wiring faults --------------------------------------------------------------------------------------------------------

_FAULT_WORDS = {"open": "with its wire off", "to_ground": "on ground", "to_supply": "on its supply"}


def _wires(test: Tested, planned: PlannedInput, stopped: str) -> Iterator[Check]:
    for step, result in test.done(*WIRED, channel=planned.name):
        subject, level = f"channel:{planned.name}", result.levels.get(planned.name)
        if stopped or level is None:
            yield unjudged("wiring fault", step, subject, stopped or "No sample came.")
            continue
        yield _fault_shows(test, step, planned, level)
        stored: float | None = getattr(test.car.channels[step.channel].fingerprints, step.kind)
        if stored is not None:
            most = test.plan.limit("fingerprint_v", planned.name)
            yield judged(
                *(step, abs(level.mean - stored) <= most, "fingerprint", subject),
                f"It reads {span_text(level.mean, level.unit)} {_FAULT_WORDS[step.kind]}; stored is {stored:g}.",
                test.limit_words("fingerprint_v", f"within {most:g} {level.unit}", planned.name),
                level.mean,
                level.unit,
                "Do it again. If it stays, store it: buswright bench --store.",
            )


def _fault_shows(test: Tested, step: Step, planned: PlannedInput, level: Level) -> Check:
    name = planned.name
    channel = test.car.channels[name]
    sensor = test.car.sensors.get(channel.sensor) if channel.sensor else None
    said = f"It reads {span_text(level.mean, level.unit)} {_FAULT_WORDS[step.kind]}"
    if sensor is None or sensor.healthy is None or not level.electrical:
        return unjudged("wiring fault", step, f"channel:{name}", f"{said}. Nobody says what healthy is.")
    low, high = sensor.healthy
    if step.kind == "open" and sensor.open_reads == "floating":
        return unjudged("wiring fault", step, f"channel:{name}", f"{said}. An open wire floats here (open_reads).")
    side = "low" if level.mean <= low else "high" if level.mean >= high else ""
    wanted = {"to_ground": "low", "to_supply": "high"}.get(step.kind, sensor.open_reads or side or "low")
    return judged(
        *(step, side == wanted, "wiring fault", f"channel:{name}"),
        f"{said}: {'outside' if side else 'inside'} its healthy band.",
        f"{'below' if wanted == 'low' else 'above'} its healthy band, {low:g} to {high:g} {level.unit} (car file)",
        level.mean,
        level.unit,
        "Then such a fault looks like a good reading in the car. Was the wire really off, or connected? If so, look at "
        "the bias resistor of the input, and change open_reads or healthy in the car file.",
        METER,
    )
