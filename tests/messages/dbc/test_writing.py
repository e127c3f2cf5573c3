"""Messages as the text of a DBC: each statement in its place, and read by cantools as what was meant."""

from math import inf
from types import MappingProxyType

import cantools
import pytest

from buswright.messages.database import database_of_text
from buswright.messages.dbc.writing import dbc_of, frame_id, number_text, quoted, short_text
from buswright.messages.model import J1939, Database, Message, Node, Signal
from buswright.messages.sheet.write import table_bytes

PLAIN = Message(
    "PLAIN",
    0x1A0,
    False,
    8,
    (
        Signal("a", 0, 16, scale=0.1, offset=-40, minimum=-40.0, maximum=125.5, unit="°C", comment='the "left" one',
               receivers=("dash", "logger"), initial=400.0, attributes={"Group": "oil", "SPN": 9}),
        Signal("b", 23, 12, big_endian=True, signed=True, scale=2, offset=1.0, initial=-1.5, receivers=("extra",),
               choices=MappingProxyType({0: "off", 1: 'o"n'})),
        Signal("c", 32, 32, is_float=True, signed=True),
    ),
    cycle_time_ms=10.0, send_type="cyclic", senders=("engine", "spare"), comment="once",
    attributes={"GenMsgCycleTime": 99, "Rate": 2.5},
)  # fmt: skip
MUXED = Message(
    "MUXED",
    0x18FEE500,
    True,
    8,
    (
        Signal("page", 0, 8, is_multiplexer=True),
        Signal("one", 8, 8, multiplexer="page", mux_values=((1, 1),)),
        Signal("inner", 8, 8, is_multiplexer=True, multiplexer="page", mux_values=((2, 2), (4, 5))),
        Signal("deep", 16, 8, multiplexer="inner", mux_values=((0, 3),), spn=110),
        Signal("wide", 0, 64, is_float=True),
    ),
    protocol=J1939, attributes={"Rate": 1},
)  # fmt: skip


def test_every_statement_is_written_where_a_dbc_has_it():
    """Checked by hand against the format: orders 0 big 1 little, kinds of float 1 and 2, bit 31 for 29-bit frames."""
    database = Database(
        (), (PLAIN, MUXED), nodes=(Node("engine", "the engine's"), Node("dash")), version="1.2",
        attributes={"Title": "Wrenfell 3", "Stamp": 7},
    )  # fmt: skip
    wanted = """VERSION "1.2"

NS_ :

BS_:

BU_: engine dash spare logger extra

BO_ 416 PLAIN: 8 engine
 SG_ a : 0|16@1+ (0.1,-40) [-40|125.5] "°C" dash,logger
 SG_ b : 23|12@0- (2,1.0) [0|0] "" extra
 SG_ c : 32|32@1- (1,0) [0|0] "" Vector__XXX

BO_ 2566841600 MUXED: 8 Vector__XXX
 SG_ page M : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ one m1 : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ inner m2M : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ deep m0 : 16|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ wide : 0|64@1+ (1,0) [0|0] "" Vector__XXX

BO_TX_BU_ 416 : engine,spare;
CM_ BU_ engine "the engine's";
CM_ BO_ 416 "once";
CM_ SG_ 416 a "the \\"left\\" one";
BA_DEF_ "Title" STRING ;
BA_DEF_ "Stamp" INT 7 7;
BA_DEF_ BO_ "GenMsgCycleTime" INT 10 10;
BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic","";
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG","reserved","reserved","reserved",\
"reserved","reserved","reserved","reserved","reserved","reserved","reserved","StandardCAN_FD","ExtendedCAN_FD";
BA_DEF_ BO_ "Rate" FLOAT 1 2.5;
BA_DEF_ SG_ "GenSigStartValue" FLOAT -1.5 400;
BA_DEF_ SG_ "Group" STRING ;
BA_DEF_ SG_ "SPN" INT 110 110;
BA_DEF_DEF_ "Title" "";
BA_DEF_DEF_ "Stamp" 0;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "cyclic";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_DEF_DEF_ "Rate" 0;
BA_DEF_DEF_ "GenSigStartValue" 0;
BA_DEF_DEF_ "Group" "";
BA_DEF_DEF_ "SPN" 0;
BA_ "Title" "Wrenfell 3";
BA_ "Stamp" 7;
BA_ "GenMsgCycleTime" BO_ 416 10;
BA_ "GenMsgSendType" BO_ 416 0;
BA_ "GenMsgSendType" BO_ 2566841600 1;
BA_ "VFrameFormat" BO_ 416 0;
BA_ "VFrameFormat" BO_ 2566841600 3;
BA_ "Rate" BO_ 416 2.5;
BA_ "Rate" BO_ 2566841600 1;
BA_ "GenSigStartValue" SG_ 416 a 400;
BA_ "GenSigStartValue" SG_ 416 b -1.5;
BA_ "Group" SG_ 416 a "oil";
BA_ "SPN" SG_ 2566841600 deep 110;
VAL_ 416 b 0 "off" 1 "o\\"n" ;
SIG_VALTYPE_ 416 c : 1;
SIG_VALTYPE_ 2566841600 wide : 2;
SG_MUL_VAL_ 2566841600 one page 1-1;
SG_MUL_VAL_ 2566841600 inner page 2-2, 4-5;
SG_MUL_VAL_ 2566841600 deep inner 0-3;
"""
    assert dbc_of((PLAIN, MUXED), of=database) == wanted


@pytest.mark.parametrize(
    ("fd", "extended", "protocol", "word"),
    [
        (True, False, "", "StandardCAN_FD"),
        (True, True, "", "ExtendedCAN_FD"),
        (False, True, J1939, "J1939PG"),
        (True, True, J1939, "J1939PG"),
    ],
)
def test_the_kind_of_frame_is_read_by_cantools_as_it_was_meant(fd, extended, protocol, word):
    message = Message("M", 0x100, extended, 8, (Signal("s", 0, 8),), fd=fd, protocol=protocol)
    other = Message("PLAIN", 0x200, True, 8, (Signal("s", 0, 8),))
    database = cantools.database.load_string(dbc_of([message, other]), "dbc")
    read = database.get_message_by_name("M")
    kinds = read.dbc.attributes["VFrameFormat"]
    assert kinds.definition.choices[kinds.value] == word
    assert (read.is_fd, read.is_extended_frame, read.protocol) == (fd and not protocol, extended, protocol or None)
    kinds = database.get_message_by_name("PLAIN").dbc.attributes["VFrameFormat"]
    assert kinds.definition.choices[kinds.value] == "ExtendedCAN"


def test_two_signals_of_one_name_keep_what_is_said_of_it():
    text = """VERSION ""
BU_: A
BO_ 1 M: 8 A
 SG_ x : 0|8@1+ (1,0) [0|0] "" A
 SG_ x : 8|32@1+ (1,0) [0|0] "" A
CM_ SG_ 1 x "said";
BA_DEF_ SG_ "Group" STRING ;
BA_DEF_DEF_ "Group" "";
BA_ "Group" SG_ 1 x "oil";
VAL_ 1 x 0 "off" ;
"""
    read = database_of_text(text, "two.dbc")
    made = database_of_text(dbc_of(read.messages, of=read), "made.dbc")
    assert not made.notes
    said = [
        [(one.name, one.comment, dict(one.choices), dict(one.attributes)) for one in database.find("M").signals]
        for database in (read, made)
    ]
    assert said[0] == said[1]
    assert said[0][0] == ("x", "said", {0: "off"}, {"Group": "oil"})
    assert said[0][1][:2] == ("x_2", "said")


def test_what_nobody_says_is_not_written():
    text = dbc_of([Message("M", 0x100, False, 8, (Signal("s", 0, 8),))])
    assert text == (
        'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: \n\nBO_ 256 M: 8 Vector__XXX\n'
        ' SG_ s : 0|8@1+ (1,0) [0|0] "" Vector__XXX\n\n'
    )


@pytest.mark.parametrize(
    ("spans", "written"), [(((3, 3),), False), (((3, 4),), True), (((3, 3), (7, 7)), True), (((0, 0),), False)]
)
def test_one_value_of_one_multiplexer_needs_no_more_than_its_mark(spans, written):
    message = Message(
        "M",
        0x100,
        False,
        8,
        (Signal("m", 0, 8, is_multiplexer=True), Signal("s", 8, 8, multiplexer="m", mux_values=spans)),
    )
    text = dbc_of([message])
    assert ("SG_MUL_VAL_" in text) is written
    assert f" SG_ s m{spans[0][0]} :" in text
    read = cantools.database.load_string(text, "dbc").get_message_by_name("M").get_signal_by_name("s")
    assert sorted(read.multiplexer_ids) == [value for low, high in spans for value in range(low, high + 1)]


def test_an_attribute_of_numbers_and_texts_is_a_text_and_a_multiplexer_without_values_lists_none():
    signals = (Signal("m", 0, 8, is_multiplexer=True), Signal("s", 8, 8, multiplexer="m"))
    messages = [
        Message("M", 0x100, False, 8, signals, attributes={"Mixed": 1}),
        Message("N", 0x200, False, 8, attributes={"Mixed": "one"}),
    ]
    text = dbc_of(messages)
    assert 'BA_DEF_ BO_ "Mixed" STRING ;' in text
    assert 'BA_DEF_DEF_ "Mixed" "";' in text
    assert "SG_MUL_VAL_" not in text


@pytest.mark.parametrize(
    ("value", "number", "short"),
    [
        (inf, "1e999", "1e999"),
        (-inf, "-1e999", "-1e999"),
        (1, "1", "1"),
        (1.0, "1.0", "1"),
        (0.1, "0.1", "0.1"),
        (-40, "-40", "-40"),
        (1e300, "1e+300", str(int(1e300))),
    ],
)
def test_a_number_is_read_as_the_same(value, number, short):
    assert (number_text(value), short_text(value)) == (number, short)
    assert float(short_text(value)) == value


def test_numbers_beyond_float64_are_infinite_there_and_back(tmp_path):
    text = 'VERSION ""\nBU_: A\nBO_ 1 M: 8 A\n SG_ x : 0|8@1+ (1e999,-1e999) [-1e999|1e999] "" A\n'
    read = database_of_text(text, "far.dbc")
    made = database_of_text(dbc_of(read.messages, of=read), "made.dbc")
    (signal,) = made.find("M").signals
    assert (signal.scale, signal.offset, signal.minimum, signal.maximum) == (inf, -inf, -inf, inf)
    assert table_bytes(read, tmp_path / "t.csv").count(b"1e999") == 4


def test_a_frame_of_29_bits_has_bit_31():
    assert frame_id(Message("M", 0x100, False, 8)) == 0x100
    assert frame_id(Message("M", 0x100, True, 8)) == 0x80000100
    assert quoted('a "b"') == '"a \\"b\\""'
