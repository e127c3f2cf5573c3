"""What is said of a survey, in short sentences that text and page share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from buswright.frames.table import Problems
from buswright.survey.changed import Change
from buswright.survey.likeness import Likeness
from buswright.survey.look import Field
from buswright.survey.survey import Survey, Surveyed, pace
from buswright.wording import duration, percent, plural, times

SAFETY = "A likeness is no calibration. Hold each channel against a gauge before anybody relies on it."
RHYTHMS = {
    "heartbeat": "on change, and by the clock at least",
    "change-driven": "on change",
    "burst": "in bursts",
    "on request": "on request",
    "irregular": "irregularly",
    "too few": "too seldom for its rhythm to be told",
}


@dataclass(frozen=True, slots=True, eq=False)
class Surveying:
    """A survey of captures, the draft that was written ("" without one) with its messages and signals.

    `problems` are what could not be read.
    """

    survey: Survey
    files: tuple[str, ...]
    out: str = ""
    drafted: tuple[int, int] = (0, 0)
    problems: Problems = field(default_factory=Problems)


def summary(surveying: Surveying) -> str:
    """Say in a line what was looked at and found."""
    survey = surveying.survey
    if not survey.ids:
        return f"Every bit that moved is explained: {plural(survey.explained, 'message')} of the database."
    unknown = sum(each.message is None for each in survey.ids)
    partly = len(survey.ids) - unknown
    sure = sum(field.sure for each in survey.ids for field in each.layout.fields)
    fields = sum(len(each.layout.fields) for each in survey.ids)
    texts = [f"{plural(unknown, 'identifier')} without a database"]
    if partly:
        texts.append(f"{plural(partly, 'message')} with bits that the database leaves unexplained")
    if survey.explained:
        texts.append(f"{plural(survey.explained, 'message')} explained whole")
    return f"{', '.join(texts)}. {plural(fields, 'field')} found, {sure} of them sure."


def title(each: Surveyed) -> str:
    """Name an identifier."""
    return f"{each.name}{f' {each.message.name}' if each.message is not None else ''}"


def rhythm(each: Surveyed) -> str:
    """Say how it comes."""
    texts = [f"{each.frames:,} frames", plural(each.layout.length, "byte")]
    if each.sending == "periodic" and each.period_ns:
        texts.append(f"every {duration(each.period_ns)}")
    elif each.sending is not None:
        texts.append(RHYTHMS.get(each.sending, each.sending))
    still = int((each.layout.constant & ~each.layout.known).sum())
    if still:
        texts.append(f"{still} of {8 * each.layout.length} bits never moved")
    return ", ".join(texts)


def place(field: Field) -> str:
    """Say where a field lies, as a person counts: byte and bits."""
    bits = field.token.bits
    first, last = min(bits) // 8, max(bits) // 8
    if first == last:
        low, high = min(bits) % 8, max(bits) % 8
        return f"byte {first}" if high - low == 7 else f"byte {first} bit{'' if low == high else 's'} " + (
            f"{low}" if low == high else f"{low}-{high}"
        )  # fmt: skip
    return f"bytes {first}-{last}, {field.length} bits {'big' if field.big_endian else 'little'}-endian"


def sign(field: Field) -> str:
    """Say whether its numbers have a sign."""
    if field.length == 1 or field.kind in ("counter", "checksum", "multiplexer", "flag"):
        return ""
    return ("signed" if field.signed else "unsigned") + ("?" if field.sign_confidence < 0.7 else "")


def sure(field: Field) -> str:
    """Say how sure its place is."""
    return percent(field.confidence, 0)


def like(each: Likeness) -> str:
    """Say which channel a field follows, and how."""
    unit = f" {each.unit}" if each.unit else ""
    texts = [f"{each.scale:.6g}{unit} per bit"]
    if each.offset:
        texts.append(f"offset {each.offset:.6g}{unit}")
    texts.append(f"r = {each.r:.3f}")
    if abs(each.lag_ms) >= 50:
        texts.append(f"{abs(each.lag_ms):.0f} ms {'later' if each.lag_ms > 0 else 'earlier'}")
    start = "looks like" if abs(each.r) >= 0.98 else "may be"
    return f"{start} {each.channel}, {', '.join(texts)}"


def notes(each: Surveyed, number: int) -> Iterator[str]:
    """Yield what a field is like, else what speaks for it."""
    field, likeness = each.layout.fields[number], each.likeness[number]
    if likeness:
        yield like(likeness[0])
        close = [one.channel for one in likeness[1:] if abs(one.r) > abs(likeness[0].r) - 0.01]
        if close:
            yield f"nearly as like: {', '.join(close)}"
    speed = pace(each.crossing_s[number])
    if speed:
        yield speed
    else:
        yield field.why[0]
    if field.kind == "checksum" and each.layout.check is not None:
        yield f"over bytes {each.layout.check.over[0]}-{each.layout.check.over[1]}"


def change(each: Change, *, held: bool) -> str:
    """Say which bits changed."""
    bits = each.bits
    named = " ".join(part for part in (each.message, each.signal) if part)
    first, last = divmod(bits[0], 8), divmod(bits[-1], 8)
    where = f"byte {first[0]} bit {first[1]}"
    if len(bits) > 1:
        where += f" to byte {last[0]} bit {last[1]}" if first[0] != last[0] else f"-{last[1]}"
    said = f"changed {times(each.inside)} then, {times(each.outside)} else"
    if held:
        said = f"1 in {percent(each.share_inside, 0)} of the frames then, in {percent(each.share_outside, 0)} else"
    return f"{each.name} {where}{f' ({named})' if named else ''}: {said}"
