"""A draft database of what a survey is sure of, marked as inferred."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from buswright.messages.dbc.writing import dbc_of
from buswright.messages.model import Message, Signal
from buswright.survey.look import Field
from buswright.survey.survey import Survey, Surveyed

MARK = "INFERRED by a survey of frames, not said by a maker"
_ATTRIBUTE = "Inferred"


def draft_messages(survey: Survey) -> tuple[Message, ...]:
    """Return a message for each identifier of which a field is sure; one that a database knows keeps its signals."""
    found, seen = [], set()
    for each in survey.ids:
        message = _message(each)
        if message is not None and (message.id, message.extended) not in seen:
            seen.add((message.id, message.extended))
            found.append(message)
    return tuple(found)


def draft_text(survey: Survey) -> str:
    """Return the draft as the text of a DBC."""
    return dbc_of(draft_messages(survey))


def _message(each: Surveyed) -> Message | None:
    signals = tuple(_signals(each))
    if not signals:
        return None
    period = round(each.period_ns / 1e6) if each.period_ns and each.sending == "periodic" else None
    name = each.name
    if each.message is not None:
        comment = f"{each.message.comment}\n{MARK}: signals with that word.".strip()
        return replace(each.message, signals=each.message.signals + signals, comment=comment)
    return Message(
        name=f"ID_{name.id:08X}" if name.extended else f"ID_{name.id:03X}",
        id=name.id,
        extended=name.extended,
        length=each.layout.length,
        signals=signals,
        fd=each.layout.length > 8,
        cycle_time_ms=period or None,
        comment=f"{MARK}: {each.frames} frames on {name.bus}.",
        attributes={_ATTRIBUTE: "yes"},
    )


def _signals(each: Surveyed) -> Iterator[Signal]:
    multiplexer = each.layout.selector
    taken = {signal.name for signal in each.message.signals} if each.message is not None else set()
    for field, likeness in zip(each.layout.fields, each.likeness, strict=True):
        if not field.sure or (field.mux_value is not None and multiplexer is None):
            continue
        signal = inferred(field, multiplexer)
        if signal.name in taken:
            signal = replace(signal, name=f"{signal.name}_inferred")
        if likeness:
            best = likeness[0]
            signal = replace(signal, comment=f"{signal.comment} Follows {best.channel}, r = {best.r:.3f}.")
            if best.clear and best.scale:
                signal = replace(signal, scale=best.scale, offset=best.offset, unit=best.unit)
        yield signal


def inferred(field: Field, multiplexer: Field | None) -> Signal:
    """Return a field as a signal whose comment says that it is inferred; the multiplexer's value selects it."""
    comment = f"{MARK}: {field.kind}, {field.why[0]}; {100 * field.confidence:.0f} % sure."
    signal = replace(field.signal(), comment=comment, is_multiplexer=field is multiplexer)
    if field.mux_value is None or multiplexer is None:
        return signal
    return replace(signal, multiplexer=multiplexer.name, mux_values=((field.mux_value, field.mux_value),))
