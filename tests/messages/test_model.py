"""What a database says, as data: bits, identifiers, ways of sending, and how messages are found and put together."""

import pytest

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages.model import (
    J1939,
    Database,
    LintNote,
    Message,
    Node,
    Signal,
    identifier_text,
    merge,
    parse_identifier,
)  # fmt: skip


@pytest.mark.parametrize(
    ("signal", "first", "end", "bits"),
    [
        (Signal("s", 0, 8), 0, 8, {0, 1, 2, 3, 4, 5, 6, 7}),
        (Signal("s", 6, 4), 6, 10, {6, 7, 8, 9}),
        (Signal("s", 7, 8, big_endian=True), 0, 8, {0, 1, 2, 3, 4, 5, 6, 7}),
        # Bits 2, 1, 0 of byte 0, then 7 and 6 of byte 1.
        (Signal("s", 2, 5, big_endian=True), 5, 10, {2, 1, 0, 15, 14}),
        (Signal("s", 12, 3, big_endian=True), 11, 14, {12, 11, 10}),
        (Signal("s", 5, 0), 5, 5, set()),
    ],
)
def test_a_signal_takes_the_bits_that_the_format_gives_it(signal, first, end, bits):
    assert (signal.first_bit, signal.end_bit) == (first, end)
    assert signal.bits == sum(1 << bit for bit in bits)


@pytest.mark.parametrize(
    ("word", "on_change", "on_request"),
    [
        ("", False, False),
        ("Cyclic", False, False),
        ("OnChange", True, False),
        ("spontanous", True, False),
        ("Event", True, False),
        ("IfActive", True, False),
        ("OnWrite", True, False),
        ("Triggered", True, False),
        ("OnRequest", True, True),
        ("cyclicAndOnChange", False, False),  # by the clock too
        ("CyclicOnRequest", False, False),
        ("NoMsgSendType", False, False),
    ],
)
def test_a_way_of_sending_is_told_by_its_word(word, on_change, on_request):
    message = Message("M", 0x100, False, 8, send_type=word)
    assert (message.change_driven, message.on_request) == (on_change, on_request)


@pytest.mark.parametrize(
    ("identifier", "extended", "text"),
    [(0, False, "000"), (0x7FF, False, "7FF"), (0x1A, True, "0000001A"), (0x1FFFFFFF, True, "1FFFFFFF")],
)
def test_an_identifier_has_three_digits_or_eight(identifier, extended, text):
    assert identifier_text(identifier, extended) == text
    assert parse_identifier(text) == (identifier, extended)
    assert Message("M", identifier, extended, 8).identifier == text


SHORT, LONG = Message("SHORT", 0x100, False, 8), Message("LONG", 0x100, True, 8)
LATER, ONLY_LONG = Message("LATER", 0x100, False, 8), Message("ONLY", 0x200, True, 8)
NAMED_LIKE = Message("100", 0x300, False, 8)
AGAIN = Message("SHORT", 0x400, False, 8)


@pytest.mark.parametrize(
    ("key", "extended", "found"),
    [
        ("SHORT", None, AGAIN),  # of two of one name the last counts
        ("00000100", None, LONG),
        ("7ff", None, None),
        (0x100, None, LATER),
        (0x100, True, LONG),
        (0x100, False, LATER),
        (0x200, None, ONLY_LONG),
        (0x200, False, None),
        ("100", None, NAMED_LIKE),  # a name before an identifier
        ("300", None, NAMED_LIKE),
    ],
)
def test_a_message_is_found_by_name_identifier_or_number(key, extended, found):
    database = Database(("a.dbc", "b.dbc"), (SHORT, LONG, LATER, ONLY_LONG, NAMED_LIKE, AGAIN))
    if found is None:
        with pytest.raises(DatabaseError, match=r"in a\.dbc, b\.dbc"):
            database.find(key, extended=extended)
    else:
        assert database.find(key, extended=extended) is found


def test_a_number_of_both_widths_is_one_of_29_bits_only_where_that_is_asked():
    """With both there, 11 bits count: `extended` None means those if they are there."""
    assert Database((), (SHORT, LONG)).find(0x100) is SHORT
    assert Database((), (LONG, SHORT)).find(0x100) is SHORT


def test_what_is_not_there_is_said_with_what_it_could_be():
    database = Database((), (Message("DAMPERS", 0x1A0, False, 8, (Signal("AIN1", 0, 8),)),))
    with pytest.raises(DatabaseError, match="no message 'DAMPER' in the database") as missing:
        database.find("DAMPER")
    assert "DAMPERS" in missing.value.hint
    with pytest.raises(DatabaseError, match="no message '0x7' in the database") as missing:
        database.find(7)
    assert missing.value.hint == "identifiers have three hex digits (11 bits) or eight (29)"
    with pytest.raises(DatabaseError, match="message 'DAMPERS' has no signal 'AIN'"):
        database.find("DAMPERS").signal("AIN")


def test_databases_of_one_bus_are_put_together_and_later_ones_win():
    note = LintNote("rule", Severity.NOTE, "", "", "a.dbc", 3, "text")
    one = Database(
        ("a.dbc",), (SHORT,), nodes=(Node("engine", "old"), Node("dash")), version="1", bitrate=500_000,
        attributes={"Title": "a", "Kept": 1}, encoding="cp1252", notes=(note,),
    )  # fmt: skip
    two = Database(("b.dbc",), (LONG,), nodes=(Node("engine", "new"),), attributes={"Title": "b"})
    both = merge([one, two])
    assert (both.paths, both.messages) == (("a.dbc", "b.dbc"), (SHORT, LONG))
    assert both.nodes == (Node("engine", "new"), Node("dash"))
    assert (both.version, both.bitrate, both.encoding) == ("1", 500_000, "utf-8")
    assert both.attributes == {"Title": "b", "Kept": 1}
    assert both.notes == (note,)
    newer = Database(("c.dbc",), (), version="3", bitrate=1_000_000)
    assert (merge([one, newer]).version, merge([one, newer]).bitrate) == ("3", 1_000_000)
    assert merge([two, two, one]).encoding == "cp1252"
    assert merge([]).paths == ()


def test_a_note_and_a_database_say_where_they_are_from():
    assert str(LintNote("rule", Severity.NOTE, "", "", "a.dbc", 3, "wrong")) == "a.dbc:3: wrong"
    assert str(LintNote("rule", Severity.NOTE, "", "", "a.kcd", 0, "wrong")) == "a.kcd: wrong"
    assert repr(Database(("a.dbc", "b.dbc"), (SHORT, LONG))) == "<Database of a.dbc, b.dbc: 2 messages>"
    assert repr(Database((), (SHORT,))) == "<Database of no file: 1 message>"
    assert (len(Database((), (SHORT,))), list(Database((), (SHORT,)))) == (1, [SHORT])


def test_only_the_same_object_is_the_same_message():
    """Two modules may define one alike, and each is counted for itself."""
    assert Message("M", 1, False, 8) != Message("M", 1, False, 8)
    assert Message("M", 1, False, 8, protocol=J1939).protocol == "j1939"
