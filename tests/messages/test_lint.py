"""Every rule on a database that breaks it, and silence on one that breaks none."""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.findings import Severity
from buswright.messages.database import open_database
from buswright.messages.lint import lint
from buswright.messages.model import Database, Signal
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
