"""Databases put together: all that a DBC says survives, and what contradicts is shown with both sides."""

from buswright.findings import Severity
from buswright.layout.databases.making import load, make
from buswright.layout.databases.merging import Given, merge_databases
from buswright.messages.database import database_of_text

ENGINE = """VERSION "engine"
NS_ :
BS_:
BU_: ECM TCM
VAL_TABLE_ onoff 1 "on" 0 "off" ;
BO_ 256 SPEED: 8 ECM
 SG_ rpm : 0|16@1+ (0.25,0) [0|16000] "rpm" TCM
 SG_ page M : 16|8@1+ (1,0) [0|0] "" TCM
 SG_ oil m1 : 24|8@1- (1,-40) [0|0] "C" TCM
 SG_ fuel m2 : 24|8@1+ (1,0) [0|0] "l" TCM
CM_ BO_ 256 "engine speed; and \\"more\\"";
CM_ SG_ 256 rpm "of the crankshaft";
BA_DEF_ BO_ "Kind" ENUM "slow","fast";
BA_DEF_ SG_ "Weight" INT 0 9;
BA_DEF_DEF_ "Kind" "slow";
BA_DEF_DEF_ "Weight" 0;
BA_ "Kind" BO_ 256 1;
BA_ "Weight" SG_ 256 rpm 7;
VAL_ 256 page 1 "oil" 2 "fuel" ;
SIG_GROUP_ 256 all 1 : rpm page;
"""
GEARBOX = """VERSION ""
NS_ :
BS_:
BU_: TCM
BO_ 512 GEAR: 2 TCM
 SG_ gear : 7|8@0+ (1,0) [0|6] "" ECM
CM_ SG_ 512 gear "0 is neutral";
BA_DEF_ BO_ "Kind" ENUM "fast","fixed";
BA_DEF_DEF_ "Kind" "fast";
BA_ "Kind" BO_ 512 1;
"""


def make_of(tmp_path, **texts):
    given = []
    for name, text in texts.items():
        path = tmp_path / f"{name}.dbc"
        path.write_text(text, encoding="utf-8")
        given.append((str(path), *load(path)))
    return make(given)


def test_comments_attributes_value_tables_and_multiplexers_survive(tmp_path):
    made = make_of(tmp_path, engine=ENGINE, gearbox=GEARBOX)
    (default,) = made.conflicts
    assert (default.severity, default.subject) == (Severity.NOTE, "BA_DEF_DEF_ Kind")
    assert not [note for note in made.notes if note.rule == "not-kept"]
    speed, gear = made.database.find("SPEED"), made.database.find("GEAR")
    assert speed.comment == 'engine speed; and "more"'
    assert speed.signal("rpm").comment == "of the crankshaft"
    assert speed.signal("rpm").attributes["Weight"] == 7
    assert dict(speed.signal("page").choices) == {1: "oil", 2: "fuel"}
    assert [each.mux_values for each in speed.signals] == [(), (), ((1, 1),), ((2, 2),)]
    assert gear.signal("gear").comment == "0 is neutral"
    assert "VAL_TABLE_ onoff" in made.text
    assert "SIG_GROUP_ 256 all" in made.text
    assert {node.name for node in made.database.nodes} == {"ECM", "TCM"}


def test_words_of_an_enumeration_keep_their_meaning_when_two_files_number_them_otherwise(tmp_path):
    made = make_of(tmp_path, engine=ENGINE, gearbox=GEARBOX)
    assert made.database.find("SPEED").attributes["Kind"] == "fast"
    assert made.database.find("GEAR").attributes["Kind"] == "fixed"


def test_a_message_that_both_have_alike_stands_there_once(tmp_path):
    made = make_of(tmp_path, engine=ENGINE, again=ENGINE.replace('CM_ SG_ 256 rpm "of the crankshaft";\n', ""))
    assert not made.conflicts
    assert len(made.database) == 1
    assert made.database.find("SPEED").signal("rpm").comment == "of the crankshaft"


def test_what_contradicts_is_shown_with_both_sides_and_the_later_counts(tmp_path):
    other = ENGINE.replace("(0.25,0)", "(0.125,0)").replace("0|16@1+", "8|16@0+")
    made = make_of(tmp_path, engine=ENGINE, other=other)
    assert made.opposed
    found = {each.part: each for each in made.conflicts}
    assert found["rpm scale"].sides == ("0.25", "0.125")
    assert [path.rpartition("/")[2] for path in found["rpm scale"].paths] == ["engine.dbc", "other.dbc"]
    assert found["rpm bits"].sides == ("16 from bit 0, little-endian", "16 from bit 8, big-endian")
    assert made.database.find("SPEED").signal("rpm").scale == 0.125


def test_two_comments_are_a_note_and_no_contradiction(tmp_path):
    made = make_of(tmp_path, engine=ENGINE, other=ENGINE.replace("of the crankshaft", "of the camshaft"))
    assert not made.opposed
    assert [(each.severity, each.sides) for each in made.conflicts] == [
        (Severity.NOTE, ("of the crankshaft", "of the camshaft"))
    ]


def test_one_name_for_two_identifiers_is_a_contradiction(tmp_path):
    made = make_of(tmp_path, engine=ENGINE, other=ENGINE.replace(" 256 ", " 257 "))
    assert ("identifier", ("100", "101")) in [(each.part, each.sides) for each in made.conflicts]


def test_a_signal_that_the_later_file_dropped_leaves_nothing_behind(tmp_path):
    later = "\n".join(line for line in ENGINE.splitlines() if " oil " not in line) + "\n"
    made = make_of(tmp_path, engine=ENGINE.replace("of the", "of"), later=later)
    assert "oil" not in [signal.name for signal in made.database.find("SPEED").signals]
    assert ("oil", "not there") in [(each.part, each.sides[1]) for each in made.conflicts]


def test_one_database_is_written_as_it_stands(tmp_path):
    assert make_of(tmp_path, engine=ENGINE).text == ENGINE


def test_merging_is_the_same_as_reading_both(tmp_path):
    given = [Given(name, database_of_text(text, name), text) for name, text in (("a", ENGINE), ("b", GEARBOX))]
    merged = database_of_text(merge_databases(given).text, "merged")
    assert [message.name for message in merged] == ["SPEED", "GEAR"]
