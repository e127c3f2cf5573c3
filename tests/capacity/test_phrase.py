"""Phrases: what is understood, and what is said about the rest."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.capacity.proposed.addition import addition_of
from buswright.capacity.proposed.phrase import parse
from buswright.errors import UserError
from tests.health.traffic import MS

UNDERSTOOD = {
    "4 channels of 16 bit at 200 Hz": [(8, 5 * MS)],
    "5 CHANNELS 16-bit @ 200hz": [(8, 5 * MS), (2, 5 * MS)],
    "3 channels of 12 bits at 0.1 kHz": [(5, 10 * MS)],
    "4 channels of 2 bytes each every 20 ms": [(8, 20 * MS)],
    "2 frames of 8 bytes every 0.01 s": [(8, 10 * MS)] * 2,
    "1 frame of 0 bytes at 1 Hz": [(0, 1000 * MS)],
    "2 channels of 32 bit and 2 channels of 16 bit at 50 Hz": None,
    "1 channel of 48 bit at 50 Hz, 1 channel of 16 bit at 50 Hz": [(8, 20 * MS)],
    "1 channel of 48 bit at 50 Hz + 1 channel of 16 bit at 25 Hz": [(6, 20 * MS), (2, 40 * MS)],
    "20 channels of 16 bit at 100 Hz, CAN FD": [(48, 10 * MS)],
}


@pytest.mark.parametrize("text", [text for text, frames in UNDERSTOOD.items() if frames])
def test_understood(text):
    assert [(frame.length, frame.period_ns) for frame in parse(text).frames] == UNDERSTOOD[text]


def test_options():
    found = parse("1 frame of 8 bytes at 10 Hz from 18FF0000 as CAN FD with jitter 0.5 ms")
    assert (found.first, found.extended, found.fd, found.jitter_ns) == (0x18FF0000, True, True, 500_000)
    assert parse("1 frame of 8 bytes at 10 Hz with 29-bit identifiers").extended
    assert parse("1 frame of 8 bytes at 10 Hz, 29-bit, CAN FD").fd
    assert parse("29 channels of 1 bit at 10 Hz").frames[0].holds == "29 channels"


@given(st.integers(1, 512), st.integers(1, 64), st.booleans())
def test_channels_are_packed_and_none_is_lost(count, bits, fd):
    frames = parse(f"{count} channels of {bits} bit at 10 Hz{', CAN FD' if fd else ''}").frames
    assert sum(int(frame.holds.split()[0]) for frame in frames) == count
    room = (512 if fd else 64) // bits
    assert len(frames) == -(-count // room)
    assert all(8 * frame.length >= int(frame.holds.split()[0]) * bits for frame in frames)


REFUSED = {
    "": "nothing is asked for",
    "some channels": "expected how many there are, a number up to 512 first, not 'some'",
    "0 channels of 8 bit at 1 Hz": "not '0'",
    "999 channels of 8 bit at 1 Hz": "not '999'",
    "1.5 channels of 8 bit at 1 Hz": "not '1.5'",
    "4 wires of 16 bit at 200 Hz": "expected channels or frames after '4', not 'wires'",
    "4 channels of 99 bit at 200 Hz": "expected 1 to 64 bit for a channel after '4 channels of', not '99'",
    "4 channels of 16 volt at 200 Hz": "expected bit or bytes",
    "4 channels of 16 bit by 200 Hz": "expected at … Hz or every … ms after '4 channels of 16 bit', not 'by'",
    "4 channels of 16 bit at 200": "expected Hz or kHz after '4 channels of 16 bit at 200', not the end",
    "4 channels of 16 bit at 0 Hz": "expected a rate",
    "4 channels of 16 bit at 90 kHz": "between 0.0001 and 20,000 Hz",
    "4 channels of 16 bit at 200 Hz from 900": "three hex digits (11 bits) or eight (29 bits)",
    "4 channels of 16 bit at 200 Hz please": "not 'please'",
    "4 channels of 16 bit at 200 Hz CAN XL": "expected CAN FD",
    "4 frames of 12 bytes at 10 Hz": "a classic frame has 0 to 8 bytes",
    "4 frames of 99 bytes at 10 Hz": "0 to 8 bytes for a frame, or up to 64 in CAN FD",
}


@pytest.mark.parametrize("text", REFUSED)
def test_refused(text):
    with pytest.raises(UserError) as raised:
        parse(text)
    assert REFUSED[text] in str(raised.value)
    assert raised.value.hint


@given(st.text(max_size=60), st.sampled_from(["", "4 channels of ", "4 channels of 16 bit at 200 Hz "]))
def test_any_other_text_is_refused_in_words(text, before):
    try:
        frames = parse(before + text).frames
    except UserError as error:
        said = error.hint
    else:
        said = frames
    assert said


def test_an_addition_knows_its_bus_and_where_its_identifiers_begin():
    found = addition_of("chassis = 5 channels of 16 bit at 200 Hz from 6A0", jitter_ns=7)
    assert (found.bus, found.placed) == ("chassis", True)
    assert [str(stream.name) for stream in found.on("chassis")] == ["chassis/6A0", "chassis/6A1"]
    assert {stream.jitter_ns for stream in found.streams} == {7}
    with pytest.raises(UserError, match="too few identifiers"):
        addition_of("5 frames of 8 bytes at 10 Hz from 7FE")


DATABASE = """VERSION ""
BU_: FAST SLOW
BO_ 256 FAST_1: 8 FAST
BO_ 512 SLOW_1: 4 SLOW
BO_ 513 SLOW_2: 4 SLOW
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 512 100;
"""


def test_a_database_or_one_of_its_modules(tmp_path):
    path = tmp_path / "module.dbc"
    path.write_text(DATABASE, encoding="utf-8")
    whole, slow = addition_of(str(path)), addition_of(f"main={path}:slow")
    assert [stream.label for stream in whole.streams] == ["FAST_1", "SLOW_1"]
    assert whole.left_out == ("SLOW_2",)
    assert [(stream.label, stream.period_ns) for stream in slow.streams] == [("SLOW_1", 100 * MS)]
    assert slow.bus == "main"
    with pytest.raises(UserError, match="did you mean SLOW"):
        addition_of(f"{path}:SLOWW")
    path.write_text("\n".join(line for line in DATABASE.splitlines() if not line.startswith("BA_ ")), encoding="utf-8")
    with pytest.raises(UserError, match="none of the 3 messages has a period"):
        addition_of(str(path))
