"""Does the module talk as it should? Presence, rate, jitter, counters, checksums, lengths, layout, error frames."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from buswright.bench.judge.making import Tested, judged, unjudged
from buswright.bench.measure.talk import missing_ids
from buswright.bench.measure.watching import TRAP
from buswright.bench.plan.model import ExpectedFrame, Step
from buswright.bench.result import Check, StepResult, Talk
from buswright.bench.words import BENCH_ONLY
from buswright.diagnosis.words import METER, MODULE_POWER, TERMINATION
from buswright.wording import listed, percent, plural

LAYOUT: Mapping[str, str] = MappingProxyType(
    {
        "byte-order": "the byte order of the database looks wrong",
        "signedness": "the sign of the database looks wrong",
        "bit-position": "the position of the database looks wrong",
        "mux-undefined": "a multiplexer has a value that the database does not know",
        "out-of-range": "values leave the range of the database",
        "sender-invalid": "the module itself says that it has no value",
    }
)
"""Findings of diagnosis that say that database and frames don't fit."""

OTHER = frozenset({"duplicate-id", "babbling-node", "bus-overload", "bus-off", "wrong-bitrate", "module-reset"})
"""Findings of diagnosis that no check of this page asks for."""

_FEWEST = 20
"""Frames from which a rate is judged (as for the rhythm of identifiers)."""


def talk_checks(test: Tested) -> Iterator[Check]:
    """Judge what came in the steps in which the module ran undisturbed; the last of them decides."""
    done = test.done("listen")
    if not done:
        return
    step, result = done[-1]
    if any(fault == "no-acknowledge" for fault, _, _ in result.findings):
        yield _trapped(test, step, result)
        return
    yield from _presence(test, step, result)
    for name, expected in test.plan.frames.items():
        talk = result.talk.get(str(name))
        if talk is not None and talk.frames:
            yield from _identifier(test, step, result, expected, talk)
    yield from _strangers(test, step, result)
    yield _errors(test, step, result)
    for fault, subject, said in result.findings:
        if fault in OTHER:
            yield judged(step, False, fault, subject, said, next_check="buswright diagnose has the evidence.")


def module_subject(test: Tested) -> str:
    """Return what a check of the whole module is about, as findings name it."""
    module = test.plan.about.module
    return f"module:{module}" if module else "bus:" + ",".join(dict.fromkeys(name.bus for name in test.plan.frames))


def _trapped(test: Tested, step: Step, result: StepResult) -> Check:
    seen = next(said for fault, _, said in result.findings if fault == "no-acknowledge")
    return judged(
        *(step, False, "acknowledged", module_subject(test)),
        f"{seen} Nothing else can be judged before this is put right.",
        "somebody must acknowledge",
        next_check=TRAP,
        caution=BENCH_ONLY,
    )


def _presence(test: Tested, step: Step, result: StepResult) -> Iterator[Check]:
    missing = missing_ids(test.plan, result.talk)
    if len(missing) == len(test.plan.frames) and missing:
        said = "Nothing came from the module."
        power = f"{MODULE_POWER} {TERMINATION}"
        yield judged(
            *(step, False, "presence", module_subject(test), said, "every identifier of the plan", 0.0),
            next_check=power,
            caution=METER,
        )
        return
    for name, expected in test.plan.frames.items():
        talk = result.talk.get(str(name))
        frames = talk.frames if talk is not None else 0
        message = test.car.entries.message(name)
        called = f"{name} {message.name}" if message is not None else str(name)
        said = f"{called} came {plural(frames, 'time')}." if frames else f"{called} never came."
        yield judged(
            *(step, frames > 0, "presence", f"id:{name}", said, "it must come", float(frames), "frames"),
            required=expected.required,
            next_check="The module sends others, so its bus is fine: look at its settings, and at its firmware.",
        )


def _identifier(test: Tested, step: Step, result: StepResult, expected: ExpectedFrame, talk: Talk) -> Iterator[Check]:
    subject = f"id:{expected.name}"
    if expected.period_ms is not None:
        yield from _timing(test, step, expected, talk)
    if expected.length is not None:
        off = sum(count for length, count in talk.lengths.items() if length != expected.length)
        came = listed([f"{length} bytes" for length in sorted(talk.lengths)])
        yield judged(
            *(step, not off, "length", subject, f"Its frames have {came}.", f"{expected.length} bytes"),
            value=float(off),
            unit="frames with another length",
            next_check="Is this the database of this firmware?",
            required=expected.required,
        )
    for what, planned, share in (
        ("counter", expected.counter, talk.counter_wrong),
        ("checksum", expected.checksum, talk.checksum_wrong),
    ):
        if planned:
            yield _protection(what, step, expected, share)
    yield from _layout(test, step, result, expected, talk)


def _timing(test: Tested, step: Step, expected: ExpectedFrame, talk: Talk) -> Iterator[Check]:
    subject, planned = f"id:{expected.name}", expected.period_ms or 0.0
    if talk.frames < _FEWEST or talk.period_ms is None:
        why = f"Only {plural(talk.frames, 'frame')} came: too few for a rate. Listen longer."
        yield unjudged("rate", step, subject, why)
        return
    off = talk.period_ms / planned - 1
    most = test.plan.limit("period_error")
    right = abs(off) <= most
    yield judged(
        *(step, right, "rate", subject),
        f"It comes every {talk.period_ms:.4g} ms, {round(off * 100, 2) + 0.0:.2f} % off.",
        test.limit_words("period_error", f"every {planned:g} ms within {percent(most, 0)}"),
        1000.0 / talk.period_ms,
        "Hz",
        "Look at the rate in the module's settings; if it is meant, change the plan and the database.",
        required=expected.required,
    )
    total = talk.frames + talk.missing
    share = test.plan.limit("missing_share")
    if talk.missing and right:
        yield judged(
            *(step, talk.missing <= share * total, "missing frames", subject),
            f"{talk.missing} of {total:,} frames are missing.",
            test.limit_words("missing_share", f"at most {percent(share, 2)}"),
            float(talk.missing),
            "frames",
            "Did the recorder drop them? Listen again with nothing else running; then look at termination.",
            required=expected.required,
        )
    if talk.jitter_ms is not None and right:
        most = test.plan.limit("jitter_ms")
        yield judged(
            *(step, talk.jitter_ms <= most, "jitter", subject),
            f"999 of 1,000 spacings are within {talk.jitter_ms:.3g} ms of the period.",
            test.limit_words("jitter_ms", f"at most {most:g} ms"),
            talk.jitter_ms,
            "ms",
            "Is the computer busy, or the adapter slow? If not, the module's own program is late.",
            required=expected.required,
        )


def _protection(what: str, step: Step, expected: ExpectedFrame, share: float | None) -> Check:
    wrong = "it does not count" if what == "counter" else "it never fits"
    said = f"No {what} was seen where the car file has one." if share is None else f"{percent(share, 2)} are wrong."
    if share is not None and share > 0.99:
        said = f"All are wrong: {wrong}."
    return judged(
        *(step, share is not None and share <= 0.0, what, f"id:{expected.name}", said, f"every {what} right"),
        value=share,
        next_check=f"Is the {what} switched on in the module? Does the car file describe its place and kind?",
        required=expected.required,
    )


def _layout(test: Tested, step: Step, result: StepResult, expected: ExpectedFrame, talk: Talk) -> Iterator[Check]:
    message = test.car.entries.message(expected.name)
    if message is None:
        yield unjudged("layout", step, f"id:{expected.name}", "The database does not know it.")
        return
    said = [f"{listed(talk.unexplained)} moves, and no signal holds it" if talk.unexplained else ""]
    for fault, subject, _ in result.findings:
        name = subject.partition(":")[2]
        channel = test.car.channels.get(name)
        signal = channel.signal if channel is not None else None
        own = signal is not None and (signal.bus, signal.message_name) == (expected.name.bus, message.name)
        if own and fault in LAYOUT:
            said.append(f"{name}: {LAYOUT[fault]}")
    wrong = [text for text in said if text]
    yield judged(
        *(step, not wrong, "layout", f"id:{expected.name}"),
        f"{'; '.join(wrong)}." if wrong else "What moves in its payload is what the database describes.",
        "frames fit the database",
        next_check="Is this the database of this firmware? Compare it with the maker's table, byte by byte.",
        required=expected.required,
    )


def _strangers(test: Tested, step: Step, result: StepResult) -> Iterator[Check]:
    planned = {str(name) for name in test.plan.frames}
    strangers = [name for name, talk in result.talk.items() if name not in planned and talk.frames]
    if strangers:
        said = f"{listed(strangers)} came too, which the plan does not have. Who sends it?"
        yield Check("unplanned identifiers", step.name, module_subject(test), "note", said, value=float(len(strangers)))


def _errors(test: Tested, step: Step, result: StepResult) -> Check:
    count, seconds = result.bus.get("error_frames", 0.0), result.bus.get("seconds", 0.0)
    most = test.plan.limit("error_frames")
    return judged(
        *(step, count <= most, "error frames", module_subject(test)),
        f"{count:.0f} in {seconds:.0f} s. Many adapters show none: then this says nothing.",
        test.limit_words("error_frames", f"at most {most:g}"),
        count,
        "frames",
        TERMINATION,
        METER,
    )
