"""Every key of a bench plan: the one table that the reader, the checks and the manual are made from."""

from __future__ import annotations

from typing import Any

from buswright.bench.limits import LIMITS
from buswright.bench.plan import model
from buswright.channels.carfile.names import parse_frame_name
from buswright.channels.keys.kinds import (
    CHANNEL_NAME,
    NOT_NEGATIVE,
    POSITIVE,
    Choice,
    Flag,
    Items,
    Number,
    Span,
    Text,
    whole,
)
from buswright.channels.keys.tables import FOR_PEOPLE, Key, KeyLine, Named, NumberTable, Record, lines

FORMAT = 1

_TEXT = Text()
_ANY = Number()

LIMIT_TABLE = NumberTable(
    "limit",
    tuple(
        Key(
            name,
            NOT_NEGATIVE,
            f"{limit.meaning[0].upper()}{limit.meaning[1:]} ({limit.source}).",
            limit.default,
            unit=limit.unit,
        )
        for name, limit in LIMITS.items()
    ),
)

ABOUT = Record(
    "a table [plan]",
    (
        Key("name", _TEXT, "What the sheet is headed with.", required=True),
        Key("car", _TEXT, "The car file, relative to the plan; --car names another.", required=True),
        Key("module", _TEXT, "The module under test.", otherwise="the whole car is tested"),
        Key("note", _TEXT, "What whoever tests should know.", unread=FOR_PEOPLE),
    ),
    model.About,
)


def _build_frame(name: str, **values: Any) -> model.ExpectedFrame | None:
    frame, _, _ = parse_frame_name(name)
    return model.ExpectedFrame(frame, **values) if frame else None


FRAME = Record(
    'a table [frame."bus/ID"]',
    (
        Key("period_ms", POSITIVE, "How often it should come.", otherwise="its rate is not judged"),
        Key("length", whole(0, 64), "Its payload bytes.", otherwise="its length is not judged"),
        Key("counter", Flag(), "Whether it carries a counter, as the car file describes it.", False),
        Key("checksum", Flag(), "Whether it carries a checksum, as the car file describes it.", False),
        Key("required", Flag(), "Whether the test fails with it.", True),
    ),
    _build_frame,
    named=True,
)

INPUT = Record(
    "a table [input.CHANNEL]",
    (
        Key(
            "span",
            Span(),
            "Both ends of its travel, [low, high] in the channel's unit, before the car file's zero.",
            required=True,
            also_called="range travel",
        ),
        Key("limits", LIMIT_TABLE, "Limits that this input overrides, by name."),
    ),
    model.PlannedInput,
    named=True,
)

TRUTH = Record(
    "a table [[truth]]",
    (
        Key(
            "channels",
            Items(CHANNEL_NAME, 'a list of channels, like ["engine_speed"]', least=1, distinct=True),
            "One channel; or several, for the length of their vector, or to agree with each other.",
            required=True,
            also_called="channel",
        ),
        Key("low", _ANY, "The least that it may be, in the channel's unit.", also_called="min"),
        Key("high", _ANY, "The most that it may be.", also_called="max"),
        Key("within", NOT_NEGATIVE, "How close several channels must be to each other."),
        Key("why", _TEXT, "What stands behind it; printed on the sheet."),
    ),
    model.Truth,
)

STEP = Record(
    "a table [[step]]",
    (
        Key("name", _TEXT, "Its name, unique in the plan. A marker in a capture names it.", required=True),
        Key("kind", Choice("a kind of step", tuple(model.KINDS)), "What is done.", required=True),
        Key("channel", CHANNEL_NAME, "The input that it is about; a table [input.CHANNEL] says its span."),
        Key("value", _ANY, "hold, jump: the value that is applied, in the channel's unit, before the zero."),
        Key("volts", _ANY, "hold, jump: the same at the input, in the sensor's unit. supply: what to set."),
        Key("begin", Choice("an end", ("low", "high")), "move: the end to begin at.", "low"),
        Key("unit", _TEXT, "meter: the unit that is read."),
        Key("low", _ANY, "meter: the least that it may be.", also_called="min"),
        Key("high", _ANY, "meter: the most that it may be.", also_called="max"),
        Key("seconds", POSITIVE, "listen, wiggle: how long. Others: after how long help is shown.", 20.0),
        Key("off_s", POSITIVE, "dip: about how long the supply is off, in seconds.", 0.5),
        Key("places", Items(_TEXT, "a list of places", distinct=True), "wiggle: the plugs to move, in order."),
        Key("truths", Flag(), "listen: whether the truths of the plan are judged.", False),
        Key("say", _TEXT, "What to do, in place of the program's words."),
        Key("caution", _TEXT, "What to mind, beside the program's cautions."),
        Key("required", Flag(), "Whether the test fails with it.", True),
    ),
    model.Step,
)

DOCUMENT = Record(
    "a bench plan",
    (
        Key(
            "format",
            Choice("a format that this version reads", (FORMAT,)),
            "Version of the plan's format, the number 1.",
            required=True,
        ),
        Key("plan", ABOUT, "What is tested.", required=True),
        Key("limits", LIMIT_TABLE, "Limits that the plan overrides, by name."),
        Key(
            "frame",
            Named(FRAME, '[frame."bus/ID"]', lambda name: parse_frame_name(name)[1:]),
            "What should come; three hexadecimal digits are 11 bits, eight are 29.",
            also_called="message id",
        ),
        Key("input", Named(INPUT, "[input.CHANNEL]"), "The channels that are moved, by name.", also_called="channel"),
        Key("truth", Items(TRUTH, "tables [[truth]]"), "What must hold while nothing moves."),
        Key("step", Items(STEP, "tables [[step]]", least=1), "What is done, in order.", required=True),
    ),
    dict,
)


def key_lines() -> tuple[KeyLine, ...]:
    """Return every key of the file with its dotted path, for the manual."""
    return tuple(lines(DOCUMENT.keys))
