"""A DBC cut into statements, and what is left out of one that doesn't load: on texts small enough to see through."""

import pytest

from buswright.messages.dbc import text as module
from buswright.messages.dbc.text import Refused, Statement, objection, only, statements, without_broken, without_excess


def cut(text):
    """Each statement as (keyword, line, text, message)."""
    return [(each.keyword, each.line, each.text, each.message) for each in statements(text)]


def test_a_quote_that_is_never_closed_costs_its_own_line():
    """Everything behind it would be text; the statements there are taken, and the lines before it stay its own."""
    text = 'BO_ 1 M: 8 A\nCM_ BO_ 1\n  "left open;\nVAL_ 1 S 0 "a" ;\n\nBO_ 2 N: 8 A\n'
    assert cut(text) == [
        ("BO_", 1, "BO_ 1 M: 8 A\n", "1"),
        ("CM_", 2, 'CM_ BO_ 1\n  "left open;\n', "1"),
        ("VAL_", 4, 'VAL_ 1 S 0 "a" ;\n\n', "1"),
        ("BO_", 6, "BO_ 2 N: 8 A\n", "2"),
    ]


def test_a_quote_that_is_never_closed_costs_not_even_the_last_line():
    assert [each.keyword for each in statements('CM_ BU_ A "open;\nBO_ 2 N: 8 A\n')] == ["CM_", "BO_"]


def test_two_quotes_that_are_never_closed_cost_a_line_each():
    text = 'CM_ BU_ A "one;\nBO_ 1 M: 8 A\nCM_ BO_ 1 "two;\nBO_ 2 N: 8 A\nCM_ BO_ 2 "three;\n'
    # The second closes the first, as far as anybody can tell; the third opens what nothing closes, in the last line.
    assert [(each.keyword, each.line) for each in statements(text)] == [("CM_", 1), ("BO_", 4), ("CM_", 5)]


def test_a_quote_may_span_lines_only_where_texts_are_long():
    text = 'CM_ "two\nBO_ lines";\nBO_ 1 M: 8 "A\nBO_ 2 N: 8 A\nBA_ "Say" "a \\" quoted\nBO_ sign";\nBO_ 3 O: 8 A'
    assert cut(text) == [
        ("CM_", 1, 'CM_ "two\nBO_ lines";\n', ""),
        ("BO_", 3, 'BO_ 1 M: 8 "A\n', "1"),
        ("BO_", 4, "BO_ 2 N: 8 A\n", "2"),
        ("BA_", 5, 'BA_ "Say" "a \\" quoted\nBO_ sign";\n', ""),
        ("BO_", 7, "BO_ 3 O: 8 A\n", "3"),
    ]


def test_the_words_of_a_new_symbol_list_are_no_statements():
    text = "junk\nNS_ :\n\tCM_\n BA_\nBS_:\n"
    assert cut(text) == [("NS_", 2, "NS_ :\n\tCM_\n BA_\n", ""), ("BS_", 5, "BS_:\n", "")]
    # At the start of a line, with more behind it, or after another statement it is one.
    assert [each.keyword for each in statements("NS_ :\nCM_\n")] == ["NS_", "CM_"]
    assert [each.keyword for each in statements('NS_ :\n CM_ "x";\n')] == ["NS_", "CM_"]
    assert [each.keyword for each in statements("BS_:\n CM_\n")] == ["BS_", "CM_"]


@pytest.mark.parametrize(
    ("text", "message", "signal"),
    [
        ("BO_ 100 M: 8 A", "100", ""),
        ("BO_ broken", "line 2", ""),
        ('CM_ BO_ 100 "x";', "100", ""),
        ('CM_ SG_ 100 S "x";', "100", "S"),
        ('CM_ BU_ A "x";', "", ""),
        ('BA_ "Name" BO_ 100 1;', "100", ""),
        ('BA_ "Name" SG_ 100 S 1;', "100", "S"),
        ('BA_ "Name" 1;', "", ""),
        ('BA_REL_ "Name" BU_SG_REL_ A SG_ 100 S 1;', "100", ""),
        ('BA_REL_ "Name" BU_BO_REL_ A 100 1;', "100", ""),
        ('VAL_ 100 S 0 "off" ;', "100", "S"),
        ("SIG_VALTYPE_ 100 S : 1;", "100", "S"),
        ("SG_MUL_VAL_ 100 S M 1-1;", "100", "S"),
        ("BO_TX_BU_ 100 : A,B;", "100", ""),
        ("SIG_GROUP_ 100 G 1 : S;", "100", ""),
        ('VAL_TABLE_ T 0 "off" ;', "", ""),
    ],
)
def test_a_statement_knows_the_message_and_signal_that_it_speaks_of(text, message, signal):
    (found,) = statements(f"\n{text}\n")
    assert (found.line, found.message, found.signal) == (2, message, signal)


def test_signals_belong_to_the_message_above_them_whatever_stands_between():
    text = 'BO_ 1 M: 8 A\n SG_ a : 0|8@1+ (1,0) [0|0] "" B\nCM_ BO_ 2 "x";\n SG_ b : 0|8@1+ \nBO_ ?\n SG_ c'
    assert [(each.message, each.signal) for each in statements(text)] == [
        ("1", ""), ("1", "a"), ("2", ""), ("1", "b"), ("line 5", ""), ("line 5", "c"),
    ]  # fmt: skip


PART = """VERSION "1"
BU_: A B C
BO_ 1 M: 8 A
 SG_ s : 0|8@1+ (1,0) [0|0] "" B
BO_ 2147483649 N: 8 B
 SG_ t : 0|8@1+ (1,0) [0|0] "" A
CM_ BU_ A "first";
CM_ BU_ B "second";
CM_ BO_ 1 "one";
CM_ SG_ 2147483649 t "two";
BA_ "Say" BU_ B 1;
BA_ "Say" BO_ 1 1;
VAL_TABLE_ T 0 "off" ;
EV_ E: 0 [0|0] "" 0 1 DUMMY_NODE_VECTOR0 B;
BA_REL_ "Rel" BU_BO_REL_ A 1 1;
"""


def test_a_part_of_a_dbc_has_its_messages_and_nodes_and_what_is_said_of_them():
    assert only(PART, {1}, ("A",)) == (
        'VERSION "1"\nBU_: A\nBO_ 1 M: 8 A\n SG_ s : 0|8@1+ (1,0) [0|0] "" B\nCM_ BU_ A "first";\n'
        'CM_ BO_ 1 "one";\nBA_ "Say" BO_ 1 1;\nVAL_TABLE_ T 0 "off" ;\n'
    )
    assert only(PART, {1 | 1 << 31}, ("B", "C")) == (
        'VERSION "1"\nBU_: B C\nBO_ 2147483649 N: 8 B\n SG_ t : 0|8@1+ (1,0) [0|0] "" A\nCM_ BU_ B "second";\n'
        'CM_ SG_ 2147483649 t "two";\nBA_ "Say" BU_ B 1;\nVAL_TABLE_ T 0 "off" ;\n'
    )


def padded(start, size):
    """A line of so many characters."""
    return start + " " * (size - len(start) - 1) + "\n"


@pytest.mark.parametrize(
    ("start", "most"),
    [("BO_ 1 M: 8 A", module.MAX_LINE), (" SG_ s : 0|8@1+", module.MAX_LINE), ("CM_", module.MAX_STATEMENT)],
)
def test_a_statement_is_as_long_as_is_taken_and_not_a_character_longer(start, most):
    (fits,), (longer,) = statements(padded(start, most)), statements(padded(start, most + 1))
    assert objection(fits) == ""
    assert objection(longer) == f"has {most + 1:,} characters; more than {most:,} are not taken"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("BO_ 1 M: 4095 A\n", ""),
        ("BO_ 1 M: 4096 A\n", "a message of 4096 bytes; more than 4095 are not taken"),
        (f"BO_ 1 M: {'9' * 30} A\n", f"a message of {'9' * 20} bytes; more than 4095 are not taken"),
        (f"BO_ 1 M: {'0' * 30}8 A\n", ""),
        (" SG_ s : 32760|8@1+\n", ""),
        (" SG_ s : 32761|8@1+\n", "lies beyond the 4095 bytes of the longest message that is taken"),
        (" SG_ s m3 : 0|32761@1+\n", "lies beyond the 4095 bytes of the longest message that is taken"),
        ("SG_MUL_VAL_ 1 s m 0-65535;\n", ""),
        ("SG_MUL_VAL_ 1 s m 0-65535, 70000-70000;\n", "lists 65537 multiplexer values; more than 65536 are not taken"),
        ("SG_MUL_VAL_ 1 s m 9-0, 0-65535;\n", ""),  # a range the wrong way round lists none
    ],
)
def test_what_would_fill_the_memory_is_objected_to(text, said):
    (statement,) = statements(text)
    assert objection(statement) == said


def test_the_signals_of_a_message_beyond_the_most_are_left_out_and_counted(monkeypatch):
    monkeypatch.setattr(module, "MAX_SIGNALS", 2)
    text = 'BO_ 1 M: 8 A\n SG_ a :\n SG_ b :\nBO_ 2 N: 8 A\n SG_ c :\n SG_ d :\n SG_ e :\n SG_ f :\nCM_ BO_ 2 "x";\n'
    kept, refused = without_excess(statements(text))
    assert [each.signal or each.keyword for each in kept] == ["BO_", "a", "b", "BO_", "c", "d", "CM_"]
    (one,) = refused
    assert (one.statement.line, one.statement.signal) == (7, "e")
    assert one.reason == "this and every further one: 4 signals of one message, of which 2 are taken"


def loads(tried):
    """What can't load a text with a line that is BAD, nor a message's lines without its first."""

    def attempt(text):
        tried.append(text)
        defined = False
        for line in text.splitlines():
            word = line.split()[0] if line.split() else ""
            defined = defined or word == "BO_"
            if "BAD" in line:
                return f"can't read {line.strip()}"
            if word in ("SG_", "CM_", "SIG_VALTYPE_") and line not in module.END and not defined:
                return "no message yet"
        return ""

    return attempt


@pytest.mark.parametrize(
    ("text", "refused", "gone"),
    [
        ("BO_ 1 M: 8 A\n SG_ a :\n", [], set()),
        ("BO_ 1 M: 8 A\n SG_ a : BAD\n SG_ b :\n SG_ c :\n", [2], {2}),
        ("BO_ 1 M: 8 A\n SG_ a :\n SG_ b :\n SG_ c : BAD\n", [4], {4}),
        ("BO_ 1 M: 8 A\n SG_ a : BAD\n SG_ b :\n SG_ c : BAD\n", [2, 4], {2, 4}),
        # Without its first line there is no message.
        ("BO_ 1 M: BAD A\n SG_ a :\nBO_ 2 N: 8 A\n SG_ b :\n", [1], {1, 2}),
        ("BU_: BAD\nBO_ 1 M: 8 A\nBO_ 2 N: 8 A\nBO_ 3 BAD: 8 A\n", [1, 4], {1, 4}),
        ('CM_ SG_ 9 s "of nothing";\nBO_ 1 M: 8 A\n', [1], {1}),
        ('CM_ BO_ 1 "before it";\nBO_ 1 M: 8 A\n SG_ a :\n', [], set()),
        # Without its type a signal would mean something else: it goes as well, and what else is said of it.
        ("BO_ 1 M: 8 A\n SG_ a :\n SG_ b :\nSIG_VALTYPE_ 1 a BAD;\n", [4, 2], {4, 2}),
        ('BO_ 1 M: 8 A\n SG_ a :\nCM_ SG_ 1 a "";\nSIG_VALTYPE_ 1 a BAD;\n', [4, 2], {4, 2, 3}),
        ('BO_ 1 M: 8 A\n SG_ a :\nCM_ SG_ 1 a "BAD";\n', [3], {3}),
    ],
)
def test_only_what_is_broken_is_left_out(text, refused, gone):
    attempt = loads([])
    whole, found = without_broken(statements(text), attempt)
    assert attempt(whole) == ""
    assert [each.statement.line for each in found] == refused
    kept = [line for number, line in enumerate(text.splitlines(), 1) if number not in gone]
    assert sorted(whole.splitlines()) == sorted(['VERSION ""', *kept])


def test_a_message_whose_first_line_is_broken_is_left_out_with_its_reason():
    _, refused = without_broken(statements("BO_ 1 M: BAD A\n SG_ a :\nBO_ 2 N: 8 A\n"), loads([]))
    assert refused == [Refused(Statement("BO_", "BO_ 1 M: BAD A\n", 1, "1"), "can't read BO_ 1 M: BAD A")]


def test_a_single_broken_line_is_found_by_halves():
    """A thousand sound messages cost a number of tries like their logarithm, not like their count."""
    tried = []
    text = "".join(f"BO_ {n} M: 8 A\n" for n in range(1000)) + "BO_ 1000 M: BAD A\n"
    _, refused = without_broken(statements(text), loads(tried))
    assert [each.statement.line for each in refused] == [1001]
    assert len(tried) < 30
