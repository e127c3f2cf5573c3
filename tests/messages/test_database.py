"""Loading: encodings, attributes, and what happens to a file with something broken in it."""

from __future__ import annotations

import logging
import sys
from math import inf
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages import database as module
from buswright.messages.database import dbc_text_of, load_database, open_database, part_of
from buswright.messages.dbc import text as dbc_text
from buswright.messages.lint import lint
from buswright.messages.model import J1939, merge, parse_identifier
from tests.messages.databases import from_text

GOOD = """VERSION "1.2"

NS_ :
\tCM_
\tBA_

BS_:

BU_: engine dash
BO_ 416 DAMPERS: 8 engine
 SG_ AIN1 : 0|16@1+ (0.0001,0) [0|5] "V" dash
 SG_ AIN2 : 23|16@0- (0.0001,0) [0|5] "V" dash,Vector__XXX

BO_ 2147484064 ENGINE: 8 Vector__XXX
 SG_ speed : 0|16@1+ (0.25,0) [0|0] "rpm" Vector__XXX
 SG_ mux M : 16|4@1+ (1,0) [0|0] "" dash
 SG_ oil m1 : 24|8@1+ (1,-40) [0|0] "°C" dash
 SG_ air m2 : 24|8@1+ (1,-40) [0|0] "°C" dash

CM_ BO_ 416 "Both
dampers: BO_ 12 is no message here";
CM_ SG_ 416 AIN1 "left";
CM_ BU_ engine "The engine's controller";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","OnChange";
BA_DEF_ SG_ "GenSigStartValue" INT 0 65535;
BA_DEF_ "Title" STRING ;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "Cyclic";
BA_DEF_DEF_ "GenSigStartValue" 0;
BA_DEF_DEF_ "Title" "";
BA_ "Title" "Wrenfell 3 chassis";
BA_ "GenMsgCycleTime" BO_ 416 5;
BA_ "GenMsgSendType" BO_ 2147484064 1;
BA_ "GenSigStartValue" SG_ 416 AIN1 25000;
BO_TX_BU_ 416 : engine,dash;
VAL_ 2147484064 mux 1 "oil" 2 "air" ;
"""


def test_everything_that_later_parts_need_is_there(tmp_path: Path) -> None:
    database = from_text(tmp_path, GOOD)
    assert (database.version, database.attributes["Title"]) == ("1.2", "Wrenfell 3 chassis")
    assert [(node.name, node.comment) for node in database.nodes] == [
        ("engine", "The engine's controller"),
        ("dash", ""),
    ]
    dampers, engine = database
    assert (dampers.name, dampers.identifier, dampers.length, dampers.line) == ("DAMPERS", "1A0", 8, 10)
    assert dampers.comment == "Both\ndampers: BO_ 12 is no message here"
    assert (dampers.cycle_time_ms, dampers.senders) == (5.0, ("engine", "dash"))
    assert not dampers.change_driven
    ain1, ain2 = dampers.signals
    assert (ain1.comment, ain1.initial, ain1.minimum, ain1.maximum, ain1.unit) == ("left", 25000, 0, 5, "V")
    assert (ain2.big_endian, ain2.signed, ain2.start, ain2.length, ain2.receivers) == (True, True, 23, 16, ("dash",))
    assert (engine.identifier, engine.extended, engine.senders, engine.cycle_time_ms) == ("000001A0", True, (), None)
    assert (engine.send_type, engine.change_driven, engine.line) == ("OnChange", True, 14)
    mux, oil = engine.signal("mux"), engine.signal("oil")
    assert mux.is_multiplexer
    assert dict(mux.choices) == {1: "oil", 2: "air"}
    assert (oil.multiplexer, oil.mux_values, oil.unit, oil.line) == ("mux", ((1, 1),), "°C", 17)
    assert (oil.minimum, oil.maximum) == (None, None)
    assert database.notes == ()


@pytest.mark.parametrize(
    ("encoding", "read_as"),
    [("utf-8", "utf-8"), ("cp1252", "cp1252"), ("utf-8-sig", "utf-8"), ("utf-16", "utf-16")],
)
def test_degrees_come_out_right_in_every_encoding(tmp_path: Path, encoding: str, read_as: str) -> None:
    path = tmp_path / "degrees.dbc"
    path.write_bytes(GOOD.encode(encoding))
    database = load_database(path)
    assert database.find("ENGINE").signal("oil").unit == "°C"
    assert database.encoding == read_as


def test_an_encoding_can_be_forced(tmp_path: Path) -> None:
    path = tmp_path / "degrees.dbc"
    path.write_bytes(GOOD.encode("utf-8"))
    assert load_database(path, encoding="cp1252").find("ENGINE").signal("oil").unit == "Â°C"
    with pytest.raises(DatabaseError, match="klingon"):
        load_database(path, encoding="klingon")


def test_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "windows.dbc"
    path.write_bytes(GOOD.replace("\n", "\r\n").encode())
    database = load_database(path)
    assert [message.line for message in database] == [10, 14]


@pytest.mark.parametrize(
    ("broken", "line", "lost"),
    [
        (' SG_ AIN2 : 23|16@0- (0.0001,0 [0|5] "V" dash,Vector__XXX', 12, {"AIN2"}),
        (' SG_ AIN2 : 23|0@0- (0.0001,0) [0|5] "V" dash', 12, {"AIN2"}),
        (' SG_ AIN2 : 23|16@0- (0.0001,0) [0|5] "V dash', 12, {"AIN2"}),
        (" SG_ AIN2 $$$$", 12, {"AIN2"}),
        ('SG_ AIN2 : : 1|1@1+ (1,0) [0|0] "" dash', 12, {"AIN2"}),
    ],
)
def test_one_broken_signal_does_not_cost_the_others(tmp_path: Path, broken: str, line: int, lost: set[str]) -> None:
    lines = GOOD.splitlines()
    lines[line - 1] = broken
    database = from_text(tmp_path, "\n".join(lines))
    kept = {signal.name for message in database for signal in message.signals}
    assert kept == {"AIN1", "AIN2", "speed", "mux", "oil", "air"} - lost
    (note,) = database.notes
    assert (note.line, note.rule, note.path) == (line, "not-loaded", str(tmp_path / "test.dbc"))
    assert database.find("DAMPERS").signal("AIN1").initial == 25000
    assert [message.line for message in database] == [10, 14]


def test_one_broken_message_does_not_cost_the_others(tmp_path: Path) -> None:
    text = GOOD.replace("BO_ 416 DAMPERS: 8 engine", "BO_ 416 DAMPERS 8 engine")
    database = from_text(tmp_path, text)
    assert [message.name for message in database] == ["ENGINE"]
    assert {note.line for note in database.notes} >= {10}


def test_an_identifier_that_cannot_be_costs_one_message(tmp_path: Path) -> None:
    database = from_text(tmp_path, GOOD + 'BO_ 4096 TOO_WIDE: 8 engine\n SG_ x : 0|8@1+ (1,0) [0|0] "" dash\n')
    assert [message.name for message in database] == ["DAMPERS", "ENGINE"]
    note = database.notes[0]
    assert (note.message, note.line) == ("TOO_WIDE", len(GOOD.splitlines()) + 1)
    assert "more than 11 bits" in note.text


@pytest.mark.parametrize(
    "line",
    [
        'VAL_ 416 GONE 1 "x" ;',
        'VAL_ 99 AIN1 1 "x" ;',
        "SIG_VALTYPE_ 416 GONE : 1;",
        'BA_ "NoSuchAttribute" BO_ 416 7;',
        'BA_ "GenMsgCycleTime" BO_ 416 "fast" oops;',
        'CM_ SG_ 416 AIN1 "never closed;',
        "nonsense at the start of a line",
    ],
)
def test_one_broken_line_elsewhere_costs_only_itself(tmp_path: Path, line: str) -> None:
    database = from_text(tmp_path, GOOD + line + "\n")
    assert {signal.name for message in database for signal in message.signals} >= {"AIN1", "AIN2", "speed", "mux"}
    assert database.notes
    assert all(note.line >= len(GOOD.splitlines()) for note in database.notes)


def test_without_its_type_or_its_multiplexer_a_signal_would_mean_something_else_so_it_goes(tmp_path: Path) -> None:
    text = GOOD + "SIG_VALTYPE_ 2147484064 oil : ;\nSG_MUL_VAL_ 2147484064 air mux 1;\n"
    database = from_text(tmp_path, text)
    assert [signal.name for signal in database.find("ENGINE").signals] == ["speed", "mux"]
    assert any("would mean something else" in note.text for note in database.notes)


def test_endless_multiplexer_ranges_do_not_fill_the_memory(tmp_path: Path) -> None:
    database = from_text(tmp_path, GOOD + "SG_MUL_VAL_ 2147484064 oil mux 0-4294967295;\n")
    assert [signal.name for signal in database.find("ENGINE").signals] == ["speed", "mux", "air"]
    assert "4294967296 multiplexer values" in database.notes[0].text


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damage_anywhere_is_either_loaded_or_refused_in_words(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray(GOOD.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        kind = data.draw(st.sampled_from(["cut", "byte", "drop"]))
        if kind == "cut":
            del content[at : at + data.draw(st.integers(1, 200))]
        elif kind == "byte":
            content[at] = data.draw(st.integers(0, 255))
        else:
            content[at:at] = data.draw(st.binary(min_size=1, max_size=8))
        if not content:
            break
    path = tmp_path / "damaged.dbc"
    path.write_bytes(bytes(content))
    refusal = ""
    try:
        for message in load_database(path):
            assert len({signal.name for signal in message.signals}) == len(message.signals)
    except DatabaseError as error:
        refusal = str(error)
    assert not refusal or str(path) in refusal


@pytest.mark.parametrize(
    ("content", "name"), [(b"", "empty.dbc"), (b"\x00\xff\xfe junk", "junk.dbc"), (b"<html>", "page.kcd"), (b"x", "x")]
)
def test_what_is_no_database_is_refused(tmp_path: Path, content: bytes, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(DatabaseError) as caught:
        load_database(path)
    assert name in caught.value.message
    assert caught.value.hint


def test_missing_files_and_folders_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "gone.dbc", tmp_path):
        with pytest.raises(DatabaseError, match=path.name):
            load_database(path)
    with pytest.raises(DatabaseError, match="no database"):
        open_database()


def test_a_dbc_under_another_name_is_recognised(tmp_path: Path) -> None:
    assert [message.line for message in from_text(tmp_path, GOOD, "chassis.txt")] == [10, 14]


def test_nothing_is_printed_about_duplicates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD + 'BO_ 416 AGAIN: 8 engine\n SG_ x : 0|8@1+ (1,0) [0|0] "" dash\n'
    root = logging.getLogger()
    handlers, root.handlers = root.handlers, []
    try:
        database = from_text(tmp_path, text)
    finally:
        root.handlers = handlers
    assert [message.name for message in database] == ["DAMPERS", "ENGINE", "AGAIN"]
    captured = capsys.readouterr()
    assert captured.out + captured.err == ""


def test_the_second_of_two_signals_of_one_name_gets_its_own(tmp_path: Path) -> None:
    text = """VERSION ""
BO_ 1 M: 8 A
 SG_ x : 0|8@1+ (1,0) [0|0] "" B
 SG_ x_2 : 8|8@1+ (1,0) [0|0] "" B
 SG_ x : 16|8@1+ (1,0) [0|0] "" B
"""
    signals = from_text(tmp_path, text).messages[0].signals
    assert [(s.name, s.start, s.line) for s in signals] == [
        ("x", 0, 3),
        ("x_2", 8, 4),
        ("x_3", 16, 5),
    ]


def test_finding_messages(tmp_path: Path) -> None:
    database = from_text(tmp_path, GOOD)
    assert database.find("1a0") is database.find(0x1A0) is database.find("DAMPERS")
    assert database.find("000001A0") is database.find(0x1A0, extended=True) is database.find("ENGINE")
    with pytest.raises(DatabaseError, match="did you mean 'DAMPERS'"):
        database.find("DAMPER")
    with pytest.raises(DatabaseError, match="did you mean 'AIN2'"):
        database.find("DAMPERS").signal("AIN")


def test_several_files_of_one_bus(tmp_path: Path) -> None:
    one = from_text(tmp_path, GOOD, "one.dbc")
    from_text(tmp_path, 'VERSION "9"\nBU_: dash\nBO_ 5 M: 8 dash\n', "two.dbc")
    both = open_database(tmp_path / "one.dbc", [tmp_path / "two.dbc"])
    assert [message.name for message in both] == ["DAMPERS", "ENGINE", "M"]
    assert [Path(message.path).name for message in both] == ["one.dbc", "one.dbc", "two.dbc"]
    assert both.version == "9"
    assert merge([one]) is one


def test_j1939_by_frame_format_and_by_protocol_type(tmp_path: Path) -> None:
    head = 'VERSION ""\nBO_ 2566844926 A: 8 X\nBO_ 2566844414 B: 8 X\nBO_ 5 C: 8 X\n'
    formats = ",".join(f'"{name}"' for name in ["StandardCAN", "ExtendedCAN", "reserved", "J1939PG"])
    by_frame = head + f'BA_DEF_ BO_ "VFrameFormat" ENUM {formats};\nBA_ "VFrameFormat" BO_ 2566844926 3;\n'
    assert [message.protocol for message in from_text(tmp_path, by_frame)] == [J1939, "", ""]
    by_file = head + 'BA_DEF_ "ProtocolType" STRING ;\nBA_ "ProtocolType" "J1939";\n'
    assert [message.protocol for message in from_text(tmp_path, by_file)] == [J1939, J1939, ""]
    both = by_file + f'BA_DEF_ BO_ "VFrameFormat" ENUM {formats};\nBA_ "VFrameFormat" BO_ 2566844414 1;\n'
    assert [message.protocol for message in from_text(tmp_path, both)] == [J1939, "", ""]


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1A0", (0x1A0, False)), ("000001a0", (0x1A0, True)), ("1FFFFFFF", (0x1FFFFFFF, True)), ("800", None)]
    + [(text, None) for text in ("20000000", "1A", "0x1A0", "", "12345")],
)
def test_identifiers_as_text(text: str, expected: tuple[int, bool] | None) -> None:
    assert parse_identifier(text) == expected


def test_statements_know_their_lines_and_messages() -> None:
    parts = dbc_text.statements(GOOD)
    by_line = {part.line: part for part in parts}
    lines = GOOD.splitlines()
    for line, part in by_line.items():
        assert part.text.splitlines()[0] == lines[line - 1]
    assert "".join(part.text for part in parts) == GOOD
    assert [part.message for part in parts if part.keyword == "CM_"] == ["416", "416", ""]
    assert by_line[17].message == "2147484064"
    assert by_line[17].signal == "oil"


HEAD = 'VERSION ""\nBU_: A\n'


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ('BO_ 1 HUGE: 4294967296 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n', 3, "4294967296 bytes"),
        ('BO_ 1 M: 8 A\n SG_ S : 0|4294967295@1+ (1,0) [0|0] "" A\n', 4, "beyond the 4095 bytes"),
        ('BO_ 1 M: 8 A\n SG_ S : 99999999999999999999|8@1+ (1,0) [0|0] "" A\n', 4, "beyond the 4095 bytes"),
    ],
)
def test_an_absurd_length_costs_its_statement_alone(text, line, said, tmp_path):
    good = 'BO_ 2 GOOD: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n'
    (tmp_path / "x.dbc").write_text(HEAD + text + good)
    database = load_database(tmp_path / "x.dbc")
    assert database.find("GOOD").signal("S").length == 8
    assert [note.line for note in database.notes if said in note.text] == [line]


@pytest.mark.parametrize("size", ["4294967296", "100000000", "9" * 400])
def test_where_nothing_can_be_loaded_the_line_is_told(size, tmp_path):
    (tmp_path / "x.dbc").write_text(f'{HEAD}BO_ 1 HUGE: {size} A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n')
    with pytest.raises(DatabaseError, match=r"x\.dbc:3: a message of \d+ bytes; more than 4095 are not taken"):
        load_database(tmp_path / "x.dbc")


def test_a_number_that_no_float_holds_is_infinite(tmp_path):
    huge = "9" * 400
    signal = f' SG_ S : 0|8@1+ ({huge},-{huge}) [-{huge}|{huge}] "" A\n'
    (tmp_path / "x.dbc").write_text(f"{HEAD}BO_ 1 M: 8 A\n{signal}")
    database = load_database(tmp_path / "x.dbc")
    signal = database.find("M").signal("S")
    assert (signal.scale, signal.offset, signal.minimum, signal.maximum) == (inf, -inf, -inf, inf)
    assert "endless-scale" in {note.rule for note in lint(database)}


def test_a_line_without_end_is_left_out_before_anything_is_tried(tmp_path, monkeypatch):
    tried = []
    load_text = module._load_text
    monkeypatch.setattr(module, "_load_text", lambda *it: tried.append(len(it[0])) or load_text(*it))
    long = " SG_ L : 0|8@1+ " + "[" * 1_000_000 + "\n"
    (tmp_path / "x.dbc").write_text(f'{HEAD}BO_ 1 M: 8 A\n{long} SG_ S : 0|8@1+ (1,0) [0|0] "" A\n')
    database = load_database(tmp_path / "x.dbc")
    assert [signal.name for signal in database.find("M").signals] == ["S"]
    assert [note.line for note in database.notes] == [4]
    assert max(tried) < 1000


def test_a_file_broken_in_every_line_is_not_tried_without_end(tmp_path, monkeypatch):
    tried = []
    load_text = module._load_text
    monkeypatch.setattr(module, "_load_text", lambda *it: tried.append(len(it[0])) or load_text(*it))
    monkeypatch.setattr(module, "_LEAST_TRIED", 30_000)
    good = 'BO_ 5000 GOOD: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n'
    text = HEAD + good + "".join(f'BO_ {k} M{k}: 8 A\n SG_ S : 0|8@1+ broken "" A\n' for k in range(1, 200))
    (tmp_path / "x.dbc").write_text(text)
    database = load_database(tmp_path / "x.dbc")
    assert sum(tried) < 12 * len(text)
    assert any("not tried" in note.text for note in database.notes)
    told = {(note.line + 1) // 2 for note in database.notes}  # by the message's first line, or its signal's
    assert told >= set(range(3, 202))


def test_what_is_left_out_is_never_handed_to_the_parser(tmp_path, monkeypatch):
    monkeypatch.setattr(dbc_text, "MAX_SIGNALS", 100)
    many = "".join(f' SG_ S{k} : {k % 64}|1@1+ (1,0) [0|0] "" A\n' for k in range(1_000))
    alike = ' SG_ S : 0|8@1+ (1,0) [0|0] "" A\n' * 90
    sizes = []
    load_text = module._load_text
    monkeypatch.setattr(
        module, "_load_text", lambda text, form: sizes.append(text.count("SG_")) or load_text(text, form)
    )
    (tmp_path / "x.dbc").write_text(f"{HEAD}BO_ 1 MANY: 8 A\n{many}BO_ 2 ALIKE: 8 A\n{alike}")
    database = load_database(tmp_path / "x.dbc")
    assert sizes == [190]
    assert len(database.find("MANY").signals) == 100
    (note,) = database.notes
    assert (note.line, note.signal) == (3 + 1 + 100, "S100")
    assert "1,000 signals of one message, of which 100 are taken" in note.text
    assert len({signal.name for signal in database.find("ALIKE").signals}) == 90


def test_text_in_place_of_a_cycle_time_is_none(tmp_path):
    text = (
        f'{HEAD}BO_ 1 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n'
        'BA_DEF_ BO_ "GenMsgCycleTime" STRING ;\nBA_DEF_DEF_ "GenMsgCycleTime" "";\n'
        'BA_ "GenMsgCycleTime" BO_ 1 "soon";\n'
    )
    (tmp_path / "x.dbc").write_text(text)
    database = load_database(tmp_path / "x.dbc")
    assert database.find("M").cycle_time_ms is None
    (note,) = [note for note in lint(database) if note.rule == "no-cycle-time"]
    assert note.line == 3
    assert "'soon'" in note.text


def test_an_absurd_length_of_another_format_is_refused_with_its_line(tmp_path):
    text = '<NetworkDefinition>\n<Message id="0x1" length="4294967296" name="M"/>\n</NetworkDefinition>\n'
    (tmp_path / "x.kcd").write_text(text)
    with pytest.raises(DatabaseError, match=r"x.kcd:2: length"):
        load_database(tmp_path / "x.kcd")


# --- what cantools loaded, as our own data --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "ranges"),
    [
        ((), ()),
        ((3,), ((3, 3),)),
        ((1, 2, 3), ((1, 3),)),
        ((5, 1, 2), ((1, 2), (5, 5))),
        ((0, 2, 4, 5), ((0, 0), (2, 2), (4, 5))),
    ],
)
def test_single_values_are_joined_to_ranges(values, ranges):
    assert module._ranges(values) == ranges


@pytest.mark.parametrize(
    ("number", "bounded"),
    [
        (5, 5),
        (-0.5, -0.5),
        (2**1023, 2**1023),
        (2**1024, inf),
        (-(2**1024), -inf),
        (int(sys.float_info.max), int(sys.float_info.max)),
    ],
)
def test_a_whole_number_is_infinite_where_no_float_holds_it(number, bounded):
    assert module._bounded(number) == bounded
    assert module._number(number) == float(bounded)
    assert module._number(None) is None


@pytest.mark.parametrize(
    ("length", "said", "fd", "protocol"),
    [(8, "", False, ""), (9, "", True, ""), (64, "", True, ""), (65, "", False, ""), (9, "J1939", False, J1939)],
)
def test_a_message_of_nine_to_sixty_four_bytes_is_can_fd(length, said, fd, protocol, tmp_path):
    head = f'BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "{said}";\n'
    text = f'VERSION ""\nBU_: A\nBO_ 2147483904 M: {length} A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n{head}'
    (message,) = from_text(tmp_path, text)
    assert (message.length, message.fd, message.protocol) == (length, fd, protocol)


@pytest.mark.parametrize(("cycle", "period"), [("0", None), ("-5", None), ("20", 20.0)])
def test_a_period_is_longer_than_nothing(cycle, period, tmp_path):
    text = (
        f'{HEAD}BO_ 1 M: 8 A\nBA_DEF_ BO_ "GenMsgCycleTime" INT -9 100;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
        f'BA_ "GenMsgCycleTime" BO_ 1 {cycle};\n'
    )
    assert from_text(tmp_path, text).messages[0].cycle_time_ms == period


def test_an_attribute_that_is_one_of_several_words_is_its_word(tmp_path):
    text = (
        f"{HEAD}BO_ 1 M: 8 A\nBO_ 2 N: 8 A\nBO_ 3 O: 8 A\n"
        'BA_DEF_ BO_ "Kind" ENUM "one","two";\nBA_DEF_ BO_ "Count" INT 0 9;\n'
        'BA_DEF_DEF_ "Kind" "one";\nBA_DEF_DEF_ "Count" 0;\n'
        'BA_ "Kind" BO_ 1 0;\nBA_ "Kind" BO_ 2 1;\nBA_ "Kind" BO_ 3 2;\nBA_ "Count" BO_ 1 1;\n'
    )
    messages = from_text(tmp_path, text).messages
    assert [message.attributes.get("Kind") for message in messages] == ["one", "two", 2]  # 2 names none
    assert messages[0].attributes["Count"] == 1


def test_signals_of_no_message_move_no_line(tmp_path):
    parked = 'BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n SG_ lost : 0|8@1+ (1,0) [0|0] "" A\n'
    text = f'{HEAD}{parked}BO_ 1 M: 8 A\n SG_ s : 0|8@1+ (1,0) [0|0] "" A\n SG_ t : 8|8@1+ (1,0) [0|0] "" A\n'
    (message,) = from_text(tmp_path, text)
    assert (message.name, message.line, [signal.line for signal in message.signals]) == ("M", 5, [6, 7])


KCD = """<?xml version="1.0" encoding="{}"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/>
<Bus name="chassis" baudrate="250000"><Message id="0x1A0" name="M" length="8">
<Signal name="temp" offset="0" length="8"><Value unit="°C"/></Signal></Message></Bus>
</NetworkDefinition>
"""


@pytest.mark.parametrize(
    ("declared", "written", "read_as"),
    [("UTF-8", "utf-8", "utf-8"), ("iso-8859-1", "iso-8859-1", "iso-8859-1"), ("klingon", "cp1252", "cp1252")],
)
def test_an_xml_file_says_its_encoding_and_a_bus_its_bit_rate(declared, written, read_as, tmp_path):
    path = tmp_path / "x.kcd"
    path.write_bytes(KCD.format(declared).encode(written))
    database = load_database(path)
    assert (database.find("M").signal("temp").unit, database.bitrate, database.encoding) == ("°C", 250_000, read_as)
    assert [message.line for message in database] == [0]


def test_a_part_of_a_dbc_keeps_its_encoding(tmp_path):
    path = tmp_path / "whole.dbc"
    path.write_bytes(GOOD.encode("cp1252"))
    engine = load_database(path).find("ENGINE")
    part = part_of(path, [engine])
    assert part is not None
    text = part.decode("cp1252")
    assert "°C" in text
    assert "DAMPERS" not in text
    assert "BU_: \n" in text  # it has no sender
    both = part_of(path, load_database(path))
    assert both is not None
    assert "BU_: engine dash\n" in both.decode("cp1252")
    assert part_of(tmp_path / "whole.kcd", []) is None
    assert dbc_text_of(tmp_path / "whole.kcd") is None
    assert dbc_text_of(path) == GOOD


def test_what_is_left_out_is_said_in_one_line(tmp_path):
    """Where it is, what it is about, how it begins, and what to do."""
    long = " ".join(["word"] * 40)
    text = f'{GOOD}BO_ 4096 TOO_WIDE: 8 engine\nVAL_ 416 GONE 1 "{long}" ;\nBO_ ?\n'
    notes = from_text(tmp_path, text).notes
    last = len(GOOD.splitlines())
    assert {(note.rule, note.severity) for note in notes} == {("not-loaded", Severity.FAULT)}
    by_line = {note.line - last: note for note in notes}
    shown = f'VAL_ 416 GONE 1 "{long}" ;'[:80]
    assert by_line[2].text.startswith(f"left out: {shown!r}: ")
    assert by_line[1].hint == "correct this line; everything else of the file is used"
    assert (by_line[1].message, by_line[3].message, by_line[2].signal) == ("TOO_WIDE", "", "GONE")
    assert all("\n" not in note.text and "line 1" not in note.text for note in notes)


@pytest.mark.parametrize(
    ("name", "text", "line"),
    [
        ("x.kcd", '<a>\n<Message length="1000000"/>', 2),
        ("x.kcd", "<a>\n\n<Message offset='999999999'/>", 3),
        ("x.arxml", "<a>\n<BIT-LENGTH>1000000</BIT-LENGTH>", 2),
        ("x.arxml", "<LENGTH>1000000</LENGTH>", 1),
        ("x.sym", "{SEND}\n\n[M]\nID=1h\nDLen=1000000", 5),
        ("x.sym", "{SEND}\n[M]\nLen = 1000000", 3),
    ],
)
def test_a_length_that_no_message_has_is_refused_in_every_other_format(name, text, line, tmp_path):
    (tmp_path / name).write_text(text)
    with pytest.raises(DatabaseError, match=rf"{name}:{line}: .*: more than 4095 bytes are not taken") as refused:
        load_database(tmp_path / name)
    assert refused.value.hint == "correct this length"
    (tmp_path / name).write_text(text.replace("1000000", "99999").replace("999999999", "99999"))
    with pytest.raises(DatabaseError) as refused:
        load_database(tmp_path / name)
    assert "not taken" not in str(refused.value)


def test_a_name_that_is_taken_is_not_given_again(tmp_path):
    """x_2 is in the file, x_3 is given to the second x, and the third x is x_4; a y has its own count."""
    names = ["x", "x_2", "x", "x", "y", "y"]
    lines = "".join(f' SG_ {name} : {8 * k}|8@1+ (1,0) [0|0] "" A\n' for k, name in enumerate(names))
    signals = from_text(tmp_path, f"{HEAD}BO_ 1 M: 8 A\n{lines}").messages[0].signals
    assert [(signal.name, signal.renamed_from) for signal in signals] == [
        ("x", ""), ("x_2", ""), ("x_3", "x"), ("x_4", "x"), ("y", ""), ("y_2", "y"),
    ]  # fmt: skip


@pytest.mark.parametrize("where", ["between", "at the end"])
@pytest.mark.parametrize("broken", ["BO_", "SG_", "CM_", "VAL_", "VAL_ x", "BA_", "BU_", "EV_ x", "SG_MUL_VAL_"])
def test_a_statement_that_breaks_off_costs_only_itself(broken, where, tmp_path):
    """The library takes one at the very end without a word, and then can't read what follows."""
    before = f'{HEAD}BO_ 1 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n'
    after = 'BO_ 2 N: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\nCM_ BO_ 1 "said";\n'
    parts = [before, f"{broken}\n", after] if where == "between" else [before, after, f"{broken}\n"]
    database = from_text(tmp_path, "".join(parts))
    assert [(message.name, message.comment) for message in database] == [("M", "said"), ("N", "")]
    (note,) = database.notes
    assert note.line == (5 if where == "between" else 8)
