"""Every rule on a database that breaks it, and silence on one that breaks none."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from buswright.findings import Severity
from buswright.messages.database import open_database
from buswright.messages.lint import lint
from buswright.messages.model import Database, LintNote, Message, Signal
from tests.messages.databases import from_text, one_message
from tests.source_distributions import source_distribution

HEAD = """VERSION ""
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 10;
BU_: A B
"""


def rules(database: Database, *, least: Severity = Severity.SUSPECT) -> list[tuple[str, int, str]]:
    return [(note.rule, note.line, note.signal) for note in lint(database) if note.severity >= least]


def check(tmp_path: Path, body: str, *, least: Severity = Severity.SUSPECT) -> list[tuple[str, int, str]]:
    return rules(from_text(tmp_path, HEAD + body), least=least)


def test_a_clean_database_has_no_notes(tmp_path: Path) -> None:
    body = """BO_ 256 M: 8 A
 SG_ a : 0|16@1+ (0.1,0) [0|100] "V" B
 SG_ b : 23|16@0+ (0.1,0) [0|0] "V" B
 SG_ alive_counter : 32|8@1+ (1,0) [0|0] "" B
 SG_ door : 40|1@1+ (1,0) [0|0] "" B
 SG_ gear : 48|8@1+ (1,0) [0|0] "" B
VAL_ 256 gear 0 "N" ;
"""
    assert check(tmp_path, body, least=Severity.NOTE) == []


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (
            'BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1,0) [0|0] "V" B\n SG_ b : 8|16@1+ (1,0) [0|0] "V" B\n',
            [("overlap", 7, "b")],
        ),
        (
            'BO_ 256 M: 8 A\n SG_ a : 7|16@0+ (1,0) [0|0] "V" B\n SG_ b : 8|4@1+ (1,0) [0|0] "V" B\n',
            [("overlap", 7, "b")],
        ),
        ('BO_ 256 M: 4 A\n SG_ a : 24|16@1+ (1,0) [0|0] "V" B\n', [("beyond-length", 6, "a")]),
        ('BO_ 256 M: 4 A\n SG_ a : 27|8@0+ (1,0) [0|0] "V" B\n', [("beyond-length", 6, "a")]),
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (0,5) [0|0] "V" B\n', [("zero-scale", 6, "a")]),
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1e999,0) [0|0] "V" B\n', [("endless-scale", 6, "a")]),
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1,1e999) [0|0] "V" B\n', [("endless-scale", 6, "a")]),
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1,0) [5|5] "V" B\n', [("empty-range", 6, "a")]),
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1,0) [5|2] "V" B\n', [("empty-range", 6, "a")]),
        ("BO_ 256 M: 8 A\nBO_ 256 N: 8 A\n", [("duplicate-identifier", 5, "")]),
        ("BO_ 256 M: 8 A\nBO_ 257 M: 8 A\n", [("duplicate-name", 6, "")]),
        ("BO_ 256 M: 8 A\nBO_ 2147483904 N: 8 A\n", [("identifier-width", 6, "")]),
        (
            'BO_ 256 M: 8 A\n SG_ a : 0|8@1+ (1,0) [0|0] "V" B\n SG_ a : 8|8@1+ (1,0) [0|0] "V" B\n',
            [("duplicate-name", 7, "a_2")],
        ),
        ('BO_ 256 M: 16 A\n SG_ a : 0|80@1+ (1,0) [0|0] "V" B\n', [("not-decodable", 6, "a")]),
        ('VAL_ 12 a 1 "x" ;\nBO_ 256 M: 8 A\n', [("not-loaded", 5, "a")]),
    ],
)
def test_each_fault_is_found_at_its_line(tmp_path: Path, body: str, expected: list[tuple[str, int, str]]) -> None:
    assert check(tmp_path, body) == expected


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ('BO_ 256 M: 8 A\n SG_ a : 0|16@1+ (1,0) [0|0] "" B\n', [("no-unit", 6, "a")]),
        (
            'BO_ 256 M: 8 A\n SG_ g : 0|2@1+ (1,0) [0|0] "" B\nVAL_ 256 g 9 "far" ;\n',
            [("unreachable-choice", 6, "g")],
        ),
    ],
)
def test_what_is_left_unsaid_is_noted(tmp_path: Path, body: str, expected: list[tuple[str, int, str]]) -> None:
    assert check(tmp_path, body, least=Severity.NOTE) == expected


FITS = Signal("a", 48, 16, unit="V")


@pytest.mark.parametrize(
    ("signal", "length", "found"),
    [
        (FITS, 8, []),
        (FITS, 7, [("beyond-length", Severity.FAULT, "a needs 8 bytes, the message has 7",
                    "check start bit and length, or the message's length")]),
        (Signal("a", 55, 9, big_endian=True, unit="V"), 8, []),
        (Signal("a", 55, 9, big_endian=True, unit="V"), 7, [
            ("beyond-length", Severity.FAULT, "a needs 8 bytes, the message has 7",
             "check start bit and length, or the message's length")]),
        (Signal("a", 0, 64, unit="V"), 8, []),
        (Signal("a", 0, 0, unit="V"), 8, [
            ("not-decodable", Severity.FAULT, "a has 0 bits; 1 to 64 are decoded", "")]),
        (Signal("a", 0, 65, unit="V"), 16, [
            ("not-decodable", Severity.FAULT, "a has 65 bits; 1 to 64 are decoded", "")]),
        (Signal("a", 504, 8, unit="V"), 64, []),
        (Signal("a", 505, 8, unit="V"), 65, [
            ("not-decodable", Severity.FAULT, "a lies beyond the 64 bytes of the longest frame", "")]),
        (Signal("a", 0, 16, unit="V", is_float=True), 8, []),
        (Signal("a", 0, 24, unit="V", is_float=True), 8, [
            ("not-decodable", Severity.FAULT, "a is a float of 24 bits; there are floats of 16, 32 and 64", "")]),
        (Signal("a", 0, 8, unit="V", scale=0, offset=3), 8, [
            ("zero-scale", Severity.FAULT, "a has scale 0: it always reads 3", "a scale of 1 was probably meant")]),
        (Signal("a", 0, 8, unit="V", offset=-math.inf), 8, [
            ("endless-scale", Severity.FAULT, "a has scale 1, offset -inf: it never reads a number",
             "write the scale and offset of the data sheet")]),
        (Signal("a", 0, 8, unit="V", minimum=0.0, maximum=0.001), 8, []),
        (Signal("a", 0, 8, unit="V", minimum=5.0, maximum=5.0), 8, [
            ("empty-range", Severity.SUSPECT, "a has minimum 5, maximum 5", "write [0|0] where there is no range")]),
        (Signal("a", 0, 8, unit="V", minimum=5.0), 8, []),
        (Signal("a", 0, 8, unit="V", maximum=-5.0), 8, []),
        (Signal("a", 0, 4), 8, []),  # counters, states and flags need no unit
        (Signal("a", 0, 5), 8, [("no-unit", Severity.NOTE, "a has no unit", "")]),
        (Signal("a", 0, 5, is_multiplexer=True), 8, []),
        (Signal("OilStatus", 0, 8), 8, []),
        (Signal("a", 0, 8, choices={255: "all"}), 8, []),
        (Signal("a", 0, 8, choices={256: "more"}), 8, [
            ("unreachable-choice", Severity.NOTE, "a names the value 256, which its 8 bits can't hold", "")]),
        (Signal("a", 0, 8, signed=True, choices={-128: "low", 127: "high"}), 8, []),
        (Signal("a", 0, 8, signed=True, choices={1: "fine", -129: "low"}), 8, [
            ("unreachable-choice", Severity.NOTE, "a names the value -129, which its 8 bits can't hold", "")]),
        (Signal("a", 0, 8, signed=True, choices={128: "high"}), 8, [
            ("unreachable-choice", Severity.NOTE, "a names the value 128, which its 8 bits can't hold", "")]),
        (Signal("a", 0, 32, unit="V", is_float=True, choices={-1: "none"}), 8, []),
        (Signal("a", 0, 8, unit="V", multiplexer="gone", mux_values=((0, 0),)), 8, [
            ("never-selected", Severity.FAULT, "no value of gone selects a, so it is never there", "")]),
    ],
)  # fmt: skip
def test_each_rule_of_a_signal_says_what_is_wrong_and_what_to_try(signal, length, found) -> None:
    message = Message("M", 0x100, False, length, (signal,), cycle_time_ms=10.0, path="made.dbc", line=7)
    database = Database(("made.dbc",), (message,))
    assert lint(database) == tuple(
        LintNote(rule, severity, "M", signal.name, "made.dbc", 7, f"M: {text}", hint)
        for rule, severity, text, hint in found
    )


def test_a_selector_that_selects_nothing_or_is_none_leaves_a_signal_out() -> None:
    selected = Signal("a", 8, 8, unit="V", multiplexer="m", mux_values=((1, 1),))
    plain, selector = Signal("m", 0, 8, unit="V"), Signal("m", 0, 8, is_multiplexer=True)
    assert rules(one_message(selector, selected)) == []
    assert [rule for rule, _, _ in rules(one_message(plain, selected))] == ["never-selected"]
    assert [rule for rule, _, _ in rules(one_message(selector, replace(selected, mux_values=())))] == ["never-selected"]


@pytest.mark.parametrize(
    ("message", "found"),
    [
        ({"cycle_time_ms": 10.0}, []),
        ({}, [("no-cycle-time", Severity.NOTE, "M has no cycle time")]),
        ({"send_type": "OnChange"}, []),
        ({"attributes": {"GenMsgCycleTime": 0}}, [("no-cycle-time", Severity.NOTE, "M has no cycle time")]),
        ({"attributes": {"GenMsgCycleTime": "soon"}}, [
            ("no-cycle-time", Severity.SUSPECT, "M has 'soon' where its cycle time belongs")]),
        ({"attributes": {"GenMsgCycleTime": "x" * 41}}, [
            ("no-cycle-time", Severity.SUSPECT, f"M has {'x' * 40!r} where its cycle time belongs")]),
        ({"attributes": {"GenMsgCycleTime": "soon"}, "cycle_time_ms": 10.0}, []),
        ({"cycle_time_ms": 10.0, "is_container": True}, [
            ("container", Severity.SUSPECT, "M contains other messages; they are not decoded")]),
    ],
)  # fmt: skip
def test_each_rule_of_a_message(message, found) -> None:
    database = Database((), (Message("M", 0x100, False, 8, (Signal("a", 0, 8, unit="V"),), **message),))
    assert [(note.rule, note.severity, note.text) for note in lint(database)] == found


def test_a_message_without_signals_needs_no_cycle_time() -> None:
    assert lint(Database((), (Message("M", 0x100, False, 8),))) == ()


def test_the_overlap_of_two_signals_is_counted_in_bits() -> None:
    for start, text in ((7, "M: b overlaps a in 1 bit"), (4, "M: b overlaps a in 4 bits"), (8, None)):
        notes = lint(one_message(Signal("a", 0, 8, unit="V"), Signal("b", start, 8, unit="V")))
        assert [note.text for note in notes if note.rule == "overlap"] == ([text] if text else [])
        assert all(note.signal == "b" for note in notes if note.rule == "overlap")


def test_messages_that_claim_each_others_names_and_identifiers_are_told() -> None:
    def named(name: str, identifier: int, line: int, *, extended: bool = False, path: str = "a.dbc") -> Message:
        return Message(name, identifier, extended, 8, path=path, line=line)

    notes = lint(
        Database(
            ("a.dbc", "b.dbc"),
            (named("ONE", 0x100, 3), named("ONE", 0x200, 4), named("TWO", 0x100, 5, extended=True),
             named("THREE", 0x100, 9, path="b.dbc"), named("FOUR", 0x100, 1, path="b.dbc"),
             named("ONE", 0x200, 0, path="")),
        )
    )  # fmt: skip
    assert [(note.rule, note.severity, note.path, note.line, note.text) for note in notes] == [
        ("duplicate-identifier", Severity.FAULT, "a.dbc", 3,
         "ONE and FOUR (b.dbc:1) both claim 100; FOUR decodes it"),
        ("duplicate-identifier", Severity.FAULT, "a.dbc", 4,
         "ONE and ONE (the same file) both claim 200; ONE decodes it"),
        ("duplicate-name", Severity.FAULT, "a.dbc", 4,
         "ONE is also the name of 100 (a.dbc:3); this one's signals stand under ONE_200"),
        ("identifier-width", Severity.SUSPECT, "a.dbc", 5,
         "TWO (00000100) and FOUR (100, b.dbc:1) differ only in having 29 or 11 bits"),
        ("duplicate-identifier", Severity.FAULT, "b.dbc", 9,
         "THREE and FOUR (b.dbc:1) both claim 100; FOUR decodes it"),
        ("duplicate-name", Severity.FAULT, "", 0,
         "ONE is also the name of 100 (a.dbc:3); this one's signals stand under ONE_200"),
    ]  # fmt: skip


def test_a_missing_cycle_time_is_noted_unless_sent_on_change(tmp_path: Path) -> None:
    text = """VERSION ""
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","OnChange";
BA_DEF_DEF_ "GenMsgSendType" "Cyclic";
BO_ 256 M: 8 A
 SG_ a : 0|16@1+ (1,0) [0|0] "V" B
BO_ 257 N: 8 A
 SG_ a : 0|16@1+ (1,0) [0|0] "V" B
BA_ "GenMsgSendType" BO_ 257 1;
"""
    assert rules(from_text(tmp_path, text), least=Severity.NOTE) == [("no-cycle-time", 4, "")]


def test_signals_of_one_multiplexer_may_share_bits_but_not_in_one_frame() -> None:
    mux = Signal("m", 0, 8, is_multiplexer=True)
    apart = one_message(
        mux,
        Signal("a", 8, 8, unit="V", multiplexer="m", mux_values=((0, 3),)),
        Signal("b", 8, 8, unit="V", multiplexer="m", mux_values=((4, 9),)),
    )
    assert rules(apart) == []
    together = one_message(
        mux,
        Signal("a", 8, 8, unit="V", multiplexer="m", mux_values=((0, 4),)),
        Signal("b", 8, 8, unit="V", multiplexer="m", mux_values=((4, 9),)),
    )
    assert [rule for rule, _, _ in rules(together)] == ["overlap"]
    one_of_several = one_message(
        mux,
        Signal("a", 8, 8, unit="V", multiplexer="m", mux_values=((0, 0), (5, 6))),
        Signal("b", 8, 8, unit="V", multiplexer="m", mux_values=((6, 9), (20, 20))),
    )
    assert [rule for rule, _, _ in rules(one_of_several)] == ["overlap"]
    over_the_multiplexer = one_message(mux, Signal("a", 4, 8, unit="V", multiplexer="m", mux_values=((0, 0),)))
    assert [rule for rule, _, _ in rules(over_the_multiplexer)] == ["overlap"]


def test_inner_multiplexers_keep_signals_apart_through_the_chain() -> None:
    database = one_message(
        Signal("m", 0, 8, is_multiplexer=True),
        Signal("n", 8, 8, is_multiplexer=True, multiplexer="m", mux_values=((1, 1),)),
        Signal("a", 8, 8, unit="V", multiplexer="m", mux_values=((0, 0),)),
        Signal("b", 16, 8, unit="V", multiplexer="n", mux_values=((1, 1),)),
        Signal("c", 16, 8, unit="V", multiplexer="n", mux_values=((2, 2),)),
    )
    assert rules(database) == []


def test_a_signal_that_nothing_selects(tmp_path: Path) -> None:
    database = one_message(Signal("a", 0, 8, unit="V", multiplexer="gone", mux_values=((0, 0),)))
    assert [rule for rule, _, _ in rules(database)] == ["never-selected"]


def test_a_float_of_an_odd_size() -> None:
    assert [rule for rule, _, _ in rules(one_message(Signal("a", 0, 24, unit="V", is_float=True)))] == ["not-decodable"]


def test_two_files_of_one_bus_that_claim_the_same_frame(tmp_path: Path) -> None:
    body = 'BO_ 256 {name}: 8 A\n SG_ a : 0|16@1+ (1,0) [0|0] "V" B\n'
    for name in ("one", "two"):
        (tmp_path / f"{name}.dbc").write_text(HEAD + body.format(name=name.upper()))
    database = open_database(tmp_path / "one.dbc", tmp_path / "two.dbc")
    (note,) = [note for note in lint(database) if note.severity is Severity.FAULT]
    assert note.rule == "duplicate-identifier"
    assert note.path == str(tmp_path / "one.dbc")
    assert "two.dbc:5) both claim 100; TWO decodes it" in note.text
    assert str(note).startswith(f"{tmp_path / 'one.dbc'}:5: ")


def test_the_overlaps_and_overlong_signals_that_cantools_refuses_are_found() -> None:
    """cantools' strict mode raises on these two of its own files and on no other DBC of its corpus."""
    corpus = source_distribution("cantools") / "tests" / "files" / "dbc"
    refused = {}
    for path in sorted(corpus.iterdir()):
        if not path.name.startswith("issue_199"):
            wrong = {note.rule for note in lint(open_database(path))} & {"overlap", "beyond-length"}
            if wrong:
                refused[path.name] = wrong
    assert refused == {"bad_message_length.dbc": {"beyond-length"}, "issue_63.dbc": {"overlap"}}
