"""The grid of bits, against cantools: which bit of the payload each bit of a signal is."""

import cantools
import numpy as np
import pytest

from buswright.messages.database import load_database
from buswright.messages.model import Message, Signal
from buswright.tui.widgets.bit_grid import (
    LETTERS,
    LEVELS,
    MANY,
    bit_words,
    bits_of,
    grid_lines,
    grid_of,
    letters_of,
    level_of,
    notes_of,
    present,
    raw_of,
)

MADE = """VERSION ""
NS_ :
BS_:
BU_: damper_node
BO_ 291 MIXED: 8 damper_node
 SG_ Selector M : 7|4@0+ (1,0) [0|15] "" damper_node
 SG_ Inner m1M : 8|3@1+ (1,0) [0|7] "" damper_node
 SG_ Deep m5 : 21|11@0- (0.5,3) [0|0] "mm" damper_node
 SG_ Other m2 : 13|13@1- (1,0) [0|0] "" damper_node
 SG_ Always : 39|12@0+ (1,0) [0|0] "" damper_node
 SG_ Low : 48|9@1+ (1,0) [0|0] "" damper_node

SG_MUL_VAL_ 291 Inner Selector 1-1, 3-4;
SG_MUL_VAL_ 291 Deep Inner 5-6;
SG_MUL_VAL_ 291 Other Selector 2-2;
"""


def files(tmp_path):
    made = tmp_path / "made.dbc"
    made.write_text(MADE, encoding="utf-8")
    return [
        made,
        *(f"dbc_examples/wrenfell_{each}.dbc" for each in ("chassis", "engine", "chassis_fd")),
    ]


def selection(message, signal):
    """Raw values of the selectors that make a signal present."""
    chosen = {}
    while signal.multiplexer:
        chosen[signal.multiplexer] = signal.mux_values[0][0]
        signal = message.signal(signal.multiplexer)
    return chosen


def test_each_bit_of_each_signal_is_where_cantools_writes_it(tmp_path):
    tried = 0
    for path in files(tmp_path):
        reference = cantools.database.load_file(path)
        for message in load_database(path):
            theirs = reference.get_message_by_name(message.name)
            leaf = next((each for each in message.signals if each.multiplexer and not each.is_multiplexer), None)
            for signal in message.signals:
                if signal.is_float or signal.is_multiplexer:  # selectors are held against decoding below
                    continue
                chosen = selection(message, signal if signal.multiplexer or leaf is None else leaf)
                without = encoded(theirs, chosen)
                for k, place in enumerate(reversed(bits_of(signal))):
                    raw = (1 << k) - (1 << signal.length if signal.signed and k == signal.length - 1 else 0)
                    payload = encoded(theirs, {**chosen, signal.name: raw})
                    moved = int.from_bytes(payload, "little") ^ int.from_bytes(without, "little")
                    assert moved == 1 << place, (message.name, signal.name, k)
                    tried += 1
    assert tried > 800


def encoded(theirs, raws):
    """Encode raw values with cantools, zero for what else it wants in this selection."""
    values = dict.fromkeys((signal.name for signal in theirs.signals), 0) | raws
    return theirs.encode(values, scaling=False, strict=False)


def test_present_signals_are_those_that_cantools_decodes(tmp_path):
    path = files(tmp_path)[0]
    message, theirs = load_database(path).find("MIXED"), cantools.database.load_file(path).get_message_by_name("MIXED")
    rng = np.random.default_rng(1)
    seen = set()
    for selector in range(16):
        for _ in range(8):
            payload = bytes([selector << 4, *rng.integers(0, 256, 7).tolist()])
            try:
                decoded = theirs.decode(payload, scaling=False, decode_choices=False)
            except cantools.database.DecodeError:
                continue  # a selection that the database doesn't have
            here = present(message, payload)
            assert here == decoded.keys()
            for name, value in decoded.items():
                signal = message.signal(name)
                assert raw_of(signal, payload) == value % (1 << signal.length)
            seen |= here
    assert seen == {"Selector", "Inner", "Deep", "Other", "Always", "Low"}


def test_the_example_with_two_byte_orders_looks_as_its_database_says():
    # WHEEL_SPEEDS: 16-bit big-endian signals; BRAKES: little-endian ones behind a checksum and a counter.
    database = load_database("dbc_examples/wrenfell_chassis.dbc")
    changes = np.zeros(512, dtype=np.int64)
    grid = grid_of(database.find("WHEEL_SPEEDS"), bytes(range(8)), changes, 100)
    assert ["".join(bit.letter for bit in row) for row in grid.rows] == [each * 8 for each in "AABBCCDD"]
    grid = grid_of(database.find("BRAKES"), bytes(8), changes, 100)
    assert ["".join(bit.letter for bit in row) for row in grid.rows] == [
        "A" * 8,
        "    BBBB",
        *(each * 8 for each in "CCDDEE"),
    ]


def test_values_stand_bit_seven_first():
    grid = grid_of(None, bytes([0x81, 0x0F]), np.zeros(512, dtype=np.int64), 10)
    assert ["".join(str(bit.value) for bit in row) for row in grid.rows] == ["10000001", "00001111"]
    lines = ["".join(span.text for span in spans) for spans in grid_lines(grid, bytes([0x81, 0x0F]))]
    assert lines[0].split() == ["byte", "hex", *"76543210"]
    assert lines[1].split()[:2] == ["0", "81"]
    assert len({len(each) for each in lines}) == 1


@pytest.mark.parametrize(
    ("share", "level"),
    [(0.0, 0), (0.001, 1), (0.0099, 1), (0.01, 2), (0.0999, 2), (0.1, 3), (0.499, 3), (0.5, 4), (1, 4)],
)
def test_activity_has_levels_by_character(share, level):
    assert level_of(share) == level
    assert len(set(LEVELS)) == len(LEVELS) == 5


def test_activity_is_the_share_of_frames_that_changed_it():
    changes = np.zeros(512, dtype=np.int64)
    changes[[0, 3, 7]] = 100, 25, 1
    row = grid_of(None, b"\x00", changes, 101).rows[0]
    assert [bit.activity for bit in row] == [0.01, 0, 0, 0, 0.25, 0, 0, 1.0]
    assert [bit.level for bit in row] == [2, 0, 0, 0, 3, 0, 0, 4]


def message_of(*signals, length=8):
    return Message(name="M", id=0x100, extended=False, length=length, signals=signals)


def test_what_moves_without_a_signal_is_called_out():
    message = message_of(Signal("Level", 0, 8), length=2)
    changes = np.zeros(512, dtype=np.int64)
    changes[[0, 8, 12, 13, 14, 200]] = 5
    grid = grid_of(message, bytes(2), changes, 100)
    assert grid.stray == (8, 12, 13, 14)  # bit 200 is in no frame
    assert "".join(bit.letter for bit in grid.rows[1]) == " ???   ?"
    assert "? moves, but no signal here: byte 1 bits 6-4, 0" in list(notes_of(grid, message, 100))
    assert grid_of(None, bytes(2), changes, 100).stray == ()  # without a database all are unassigned


def test_bits_of_another_selection_are_no_strays():
    message = message_of(
        Signal("Select", 0, 8, is_multiplexer=True),
        Signal("One", 8, 8, multiplexer="Select", mux_values=((1, 1),)),
        Signal("Two", 16, 8, multiplexer="Select", mux_values=((2, 2),)),
        length=3,
    )
    changes = np.ones(512, dtype=np.int64)
    grid = grid_of(message, bytes([1, 0, 0]), changes, 10)
    assert ["".join(bit.letter for bit in row) for row in grid.rows] == ["AAAAAAAA", "BBBBBBBB", "        "]
    assert grid.stray == ()
    assert "all selections" in list(notes_of(grid, message, 10))[-1]
    assert ["".join(b.letter for b in row) for row in grid_of(message, bytes([2, 0, 0]), changes, 10).rows][
        2
    ] == "C" * 8


def test_signals_that_lie_on_each_other():
    message = message_of(Signal("Whole", 0, 16), Signal("Low", 0, 4))
    grid = grid_of(message, bytes(8), np.zeros(512, dtype=np.int64), 10)
    assert "".join(bit.letter for bit in grid.rows[0]) == "AAAA&&&&"
    assert grid.shared == (("Whole", "Low"),)
    assert "& Whole and Low lie on the same bits" in list(notes_of(grid, message, 10))


def test_a_frame_that_is_too_short():
    message = message_of(Signal("Level", 0, 8), Signal("Far", 8, 8), length=2)
    grid = grid_of(message, b"\x05", np.zeros(512, dtype=np.int64), 10)
    assert [bit.value for bit in grid.rows[1]] == [None] * 8
    assert grid.rows[1][0].text == "B- "
    assert raw_of(message.signals[1], b"\x05") is None


def test_letters_stay_and_run_out():
    message = message_of(*(Signal(f"S{n}", n, 1) for n in range(100)), length=64)
    letters = letters_of(message)
    assert letters["S0"] == "A"
    assert letters["S99"] == MANY
    assert len(set(LETTERS)) == len(LETTERS)
    assert not set(LETTERS) & set("01?&-* ")


def test_a_selector_that_selects_itself_carries_nothing():
    message = message_of(Signal("Odd", 0, 8, is_multiplexer=True, multiplexer="Odd", mux_values=((0, 255),)))
    assert present(message, bytes(8)) == frozenset()


def test_places_in_words():
    assert bit_words([0]) == "byte 0 bit 0"
    assert bit_words([8, 9, 10, 15, 16]) == "byte 1 bits 7, 2-0; byte 2 bit 0"
