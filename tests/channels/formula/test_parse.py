"""Formulas: what is accepted, what is refused and where, and in which order computed channels come."""

from __future__ import annotations

import ast
import sys

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from buswright.channels.formula.parse import BRACKET_LIMIT, TEXT_LIMIT, parse_formula
from buswright.channels.formula.tree import FUNCTIONS, RESERVED, Call, Channel, Comparison, Number, Operation
from buswright.channels.formula.units import formula_unit
from buswright.errors import FormulaError, UserError


def refusal(text: str) -> FormulaError:
    with pytest.raises(FormulaError) as caught:
        parse_formula(text)
    return caught.value


def test_a_formula_knows_its_inputs_and_functions_in_order():
    formula = parse_formula("max(b, a) + rate_of_change(b) / low_pass(c, 10) > max(a, 1)")
    assert formula.inputs == ("b", "a", "c")
    assert formula.functions == ("max", "rate_of_change", "low_pass")
    assert formula.column_of("c") == 41
    assert formula.column_of("nobody") == 0


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ("a", Channel("a", 0)),
        ("-a", Operation("neg", (Channel("a", 1),), 0)),
        ("a ** 2", Operation("**", (Channel("a", 0), Number(2.0, 5)), 0)),
        ("0 < a <= 1", Comparison(("<", "<="), (Number(0.0, 0), Channel("a", 4), Number(1.0, 9)), 0)),
        ("a and not b", Operation("and", (Channel("a", 0), Operation("not", (Channel("b", 10),), 6)), 0)),
        ("lagged(a, -0.5)", Call("lagged", (Channel("a", 7), Number(-0.5, 10)), 0)),
        ("lagged(a, 2 * 3)", Call("lagged", (Channel("a", 7), Number(6.0, 10)), 0)),
        ('convert(a, "°C")', Call("convert", (Channel("a", 8),), 0, "°C")),
        ('convert(a, "°C") + b', Operation("+", (Call("convert", (Channel("a", 8),), 0, "°C"), Channel("b", 19)), 0)),
        ("  a\n  + b ", Operation("+", (Channel("a", 2), Channel("b", 8)), 2)),
    ],
)
def test_tree(text, tree):
    assert parse_formula(text).tree == tree


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_parses_as_its_usage_says(name):
    usage = FUNCTIONS[name].usage.replace(", ...", "").replace(", hz)", ", 5)").replace(", s)", ", 0.1)")
    assert name in parse_formula(usage).functions
    assert name in RESERVED


MALICIOUS = [
    # text, column of the fault, word in the message
    ("a.__class__", 1, "attributes"),
    ("().__class__.__bases__", 2, "attributes"),
    ("1 .real + a", 2, "attributes"),
    ("__import__('os')", 0, "__import__"),
    ("a + eval('1')", 4, "eval"),
    ("exec('import os')", 0, "exec"),
    ("open('/etc/passwd')", 0, "open"),
    ("getattr(a, 'b')", 0, "getattr"),
    ("globals()", 0, "globals"),
    ("a + breakpoint()", 4, "breakpoint"),
    ("9**9**9 + a", 3, "exponent"),
    ("a ** 1000", 5, "exponent"),
    ("a ** -17", 5, "exponent"),
    ("a ** (4 * 4 * 4)", 6, "exponent"),
    ("a ** (1 / 0)", 6, "exponent"),
    ("a ** (9.9 ** 16 ** 16)", 13, "exponent"),
    ("1e999 * a", 0, "number"),
    ("9" * 41 + "+ a", 0, "number"),
    ("0x10 + a", 1, "missing"),
    ("1_000 + a", 1, "missing"),
    ("5j + a", 1, "missing"),
    ("017 + a", 0, "start with 0"),
    ("(a := 3)", 3, "':'"),
    ("a = 3", 2, "assign"),
    ("a; b", 1, "one expression"),
    ("[a for a in b]", 0, "index or build lists"),
    ("a[0]", 1, "index"),
    ("{a}", 0, "sets"),
    ("{**a}", 0, "sets"),
    ("(a for a in b)", 3, "for"),
    ("lambda: a", 0, "lambda"),
    ("a if b else c", 2, "if"),
    ("await a", 0, "await"),
    ("(yield a)", 1, "yield"),
    ("a is b", 2, "is"),
    ("a in b", 2, "in"),
    ("None", 0, "None"),
    ("True + a", 0, "True"),
    ("not", 0, "not a formula"),
    ("f'{a}'", 1, ""),
    ("f'a'", 1, "follow"),
    ("b'a' + a", 1, "follow"),
    ("'a' + a", 0, "unit"),
    ("a + 'km/h'", 4, "unit"),
    ("convert(a, 'km' '/h')", 16, "follow"),
    ("convert(a, b)", 11, "quotes"),
    ("convert(a, '')", 11, "quotes"),
    ("convert(a, '{a}')", 11, "quotes"),
    ("convert(a, '" + "m" * 25 + "')", 11, "not a unit"),
    ("convert('m', 'm')", 8, "unit"),
    ("min(*a)", 0, "arguments"),
    ("min(a, *b)", 7, "unpacked"),
    ("min(a, key=b)", 10, "assign"),
    ("min(a)", 0, "arguments"),
    ("sqrt()", 0, "arguments"),
    ("sqrt(a, b)", 0, "arguments"),
    ("where(a, b)", 0, "arguments"),
    ("a(b)", 0, "no function"),
    ("(a)(b)", 0, "no function"),
    ("sqrt(a)(b)", 0, "only a function's name"),
    ("min + a", 0, "is a function"),
    ("lagged(a, b)", 10, "number"),
    ("lagged(a, 61)", 10, "between"),
    ("lagged(a, -1e9)", 10, "between"),
    ("lagged(a, 1 / 0)", 10, "between"),
    ("low_pass(a, 0)", 12, "between"),
    ("low_pass(a, 1e-9)", 12, "between"),
    ("low_pass(a, b * 2)", 12, "number"),
    ("a, b", 0, "list of values"),
    ("()", 0, "list of values"),
    ("a // 2", 2, "write / to divide"),
    ("a << 2", 2, "write < or > to compare"),
    ("2 >> a", 2, "write < or > to compare"),
    ("a ^ 2", 2, "**"),
    ("a && b", 2, "write and"),
    ("a | b", 2, "write or"),
    ("!a", 0, "write not"),
    ("~a", 0, "'~'"),
    ("a @ b", 2, "'@'"),
    ("a <> b", 2, "not a formula"),
    ("a # b", 2, "comment"),
    ("a \\\n + b", 2, "backslash"),
    ("`a`", 0, "'`'"),
    ("$a", 0, "'$'"),
    ("a\0", 1, "null"),
    ("\ufeffa", 0, "ufeff"),
    ("a\u202e + b", 1, "u202e"),
    ("\uff45\uff56\uff41\uff4c(a)", 0, "uff45"),  # full-width letters, which Python would read as eval
    ("µ + 1", 0, "xb5"),
    ("a − b", 2, "u2212"),
    ("a × b", 2, "xd7"),
    ("٣ + a", 0, "u0663"),
    ("'a", 0, "isn't closed"),
    ('convert(a, "km', 11, "isn't closed"),
    ('convert(a, "k\nm")', 11, "isn't closed"),
    ("a b", 2, "missing"),
    ("2a", 1, "missing"),
    ("a 2", 2, "missing"),
    ("1and 2", 1, "missing"),
    ("a +", None, "not a formula"),
    ("* a", 0, "not a formula"),
    ("", 0, "empty"),
    (" \n ", 0, "empty"),
    ("3", 0, "no channel"),
    ("2 * 3 > 1", 0, "no channel"),
    ("(a", 2, "isn't closed"),
    ("a)", 1, "never opened"),
    ("1) + (a", 1, "never opened"),
    ("(" * 41 + "a" + ")" * 41, 40, "parentheses"),
    ("(" * 1000, 40, "parentheses"),
    ("-" * 500 + "a", 101, "deep"),
    ("not " * 120 + "a", 404, "deep"),
    ("+".join("a" * 150), None, "deep"),
    ("a**" * 150 + "a", None, "deep"),
    ("sqrt(" * 30 + "-" * 100 + "a" + ")" * 30, None, "deep"),
    ("min(" + ",".join("a" * 400) + ")", None, "parts"),
    ("a" * 2001, 2000, "longer"),
]


@pytest.mark.parametrize(("text", "column", "word"), MALICIOUS, ids=range(len(MALICIOUS)))
def test_refused_with_its_position(text, column, word):
    fault = refusal(text)
    assert word in f"{fault.message} {fault.hint}"
    if column is not None:
        assert fault.column == column
    _, line, caret = fault.message.split("\n")
    at = caret.index("^")
    assert at == len(caret) - 1
    if fault.column < len(text) and text[fault.column].isprintable():
        assert line[at] == text[fault.column]
    assert isinstance(fault, UserError)


def test_a_long_formula_is_shown_around_its_fault():
    text = "+".join(f"channel_{n}" for n in range(50)) + " + nothing.here + " + "+".join("b" * 60)
    fault = refusal(text)
    _, line, caret = fault.message.split("\n")
    assert line[caret.index("^")] == "."
    assert len(line) < 120
    assert line.strip().startswith("...")
    assert line.endswith("...")


def test_a_slip_in_a_functions_name_is_answered_with_the_nearest():
    assert "rate_of_change(x)" in refusal("rate_of_chnge(a)").hint
    assert "keep_last" in refusal("zzzz(a)").hint


def test_what_just_fits_is_accepted():
    parse_formula("(" * BRACKET_LIMIT + "a" + ")" * BRACKET_LIMIT)
    parse_formula("+".join(f"a{n}" for n in range(100)))
    parse_formula("a" * TEXT_LIMIT)
    parse_formula("a ** 16 + a ** 0.5 + a ** b + 2 ** a")


@pytest.mark.parametrize(
    ("fits", "refused", "word"),
    [
        ("(" * 40 + "a" + ")" * 40, "(" * 41 + "a" + ")" * 41, "parentheses"),
        ("a" * 2000, "a" * 2001, "longer"),
        ("-" * 100 + "a", "-" * 101 + "a", "deep"),
        ("a + " + "1" * 40, "a + " + "1" * 41, "too large or too long"),
        ("a ** 16", "a ** 16.01", "exponent"),
        ("a ** -16", "a ** -16.01", "exponent"),
        ("lagged(a, 60)", "lagged(a, 60.01)", "isn't between -60 and 60"),
        ("lagged(a, -60)", "lagged(a, -60.01)", "isn't between -60 and 60"),
        ("low_pass(a, 0.01)", "low_pass(a, 0.009)", "isn't between 0.01 and 10000"),
        ("low_pass(a, 10000)", "low_pass(a, 10001)", "isn't between 0.01 and 10000"),
        (f'convert(a, "{"m" * 24}")', f'convert(a, "{"m" * 25}")', "not a unit"),
        ("0 + a", "00.5 + 01 + a", "start with 0"),
        ("00 + a", "01 + a", "start with 0"),
        ("0.5 + a", "007 + a", "start with 0"),
        ("min(a, b, a, b)", "min(a)", "arguments"),
        ("where(a, b, 1)", "where(a, b, 1, 2)", "arguments"),
        ("1e308 + a", "1e309 + a", "too large or too long"),
    ],
)
def test_what_just_fits_and_what_just_does_not(fits, refused, word):
    assert parse_formula(fits).text == fits
    assert word in str(refusal(refused))


def test_six_hundred_parts_are_the_most():
    """Sums in parentheses of a hundred channels each, so that no tree is too deep: 5 x 120 parts."""
    part = "max(" + ",".join("a" * 58) + ")"  # 4 + 115 + 1: name, two parentheses, 58 channels, 57 commas: 118
    text = f"max({part},{part},{part},{part},{part})"  # 5 * 118 + 4 + 3 = 597
    assert parse_formula(f"{text}*1").inputs == ("a",)  # 599
    assert parse_formula(f"-{text}*1").inputs == ("a",)  # 600
    assert "more than 600 parts" in str(refusal(f"--{text}*1"))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_takes_as_many_arguments_as_its_usage_says(name):
    words = FUNCTIONS[name].usage.partition("(")[2].rstrip(")").split(", ")
    many = words[-1] == "..."
    counts = [len(words) - many, None if many else len(words)]
    assert [FUNCTIONS[name].least, FUNCTIONS[name].most] == counts
    last = {"hz": ["5"], "s": ["0.1"]}.get(words[-1], ['"m"'] if FUNCTIONS[name].takes_unit else ["a"])
    for count in range(5):
        text = f"{name}({', '.join((['a'] * (count - 1) + last)[-count:] if count else [])}) + b"
        if counts[0] <= count and (many or count <= counts[0]):
            assert parse_formula(text).functions == (name,)
        else:
            assert f"{name} can't take {count} arguments" in str(refusal(text))


@pytest.mark.parametrize(("length", "line"), [(100, "$" + "a" * 99), (101, "$" + "a" * 99 + "...")])
def test_a_formula_of_a_hundred_characters_is_shown_whole(length, line):
    assert refusal("$" + "a" * (length - 1)).message.split("\n")[1] == f"  {line}"
    far = refusal("a" * (length - 1) + "$").message.split("\n")[1]
    assert far == ("  " + "a" * 99 + "$" if length == 100 else "  ..." + "a" * 50 + "$")


def test_each_hint_says_what_to_write():
    for text, hint in {
        "a = 3": "write == to compare",
        "True + a": "write 1",
        "False + a": "write 0",
        "a if b else c": "write where(condition, a, b) to choose",
        "a is b": "write == to compare",
        "017 + a": "write 17",
        "3": "a constant has no time stamps; use a channel in it",
        "a b": "an operator is missing",
        "min(a)": "write min(a, b, ...)",
        "lagged(a, b)": "write lagged(x, s)",
        "lagged(a, 99)": "write lagged(x, s)",
        "convert(a, 3)": 'write convert(x, "km/h")',
        "abs + a": "write abs(x)",
        "a // b": "write / to divide",
    }.items():
        assert refusal(text).hint == hint, text


def test_nothing_is_ever_compiled_to_code(monkeypatch):
    original = compile

    def only_to_a_tree(*arguments, **options):
        assert options.get("flags", arguments[3] if len(arguments) > 3 else 0) & ast.PyCF_ONLY_AST
        return original(*arguments, **options)

    def never(*_arguments):
        raise AssertionError("a formula was run")

    monkeypatch.setattr("builtins.compile", only_to_a_tree)
    monkeypatch.setattr("builtins.eval", never)
    monkeypatch.setattr("builtins.exec", never)
    assert parse_formula("max(a, b) > 3").inputs == ("a", "b")


def parsed_or_refused(text):
    try:
        return parse_formula(text), None
    except FormulaError as fault:
        return None, fault


def calls_to_parse(text):
    """Count the calls of functions: a measure of the work that does not depend on the machine."""
    calls = 0

    def count(_frame, event, _argument):
        nonlocal calls
        calls += event in {"call", "c_call"}

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        parsed_or_refused(text)
    finally:
        sys.setprofile(before)
    return calls


WORDS = ["a", "speed", "sqrt", "min", "where", "convert", "lagged", "lambda", "and", "not", "if", "1", "2.5", "1e400"]
SIGNS = [
    "(",
    ")",
    "+",
    "-",
    "**",
    "*",
    "/",
    "//",
    "%",
    "<",
    "==",
    ",",
    ".",
    "[",
    "]",
    "'",
    '"',
    "\\",
    "\n",
    " ",
    ":=",
    "#",
]
PIECES = st.lists(st.sampled_from(WORDS + SIGNS), max_size=60).map("".join)


@settings(max_examples=300)
@given(st.one_of(st.text(max_size=200), PIECES, PIECES.map(lambda text: text * 9)))
@example("(" * 300)
@example("-" * 1999 + "a")
@example("a" + "**a" * 299)
@example("not " * 400 + "a")
def test_no_text_does_worse_than_a_refusal(text):
    formula, fault = parsed_or_refused(text)
    if formula is not None:
        assert formula.inputs
        assert parse_formula(formula.text) == formula
    else:
        assert 0 <= fault.column <= len(text)
        assert len(fault.message) < 600
    assert calls_to_parse(text) < 1000 + 200 * len(text), "a long text is worked on for ever"


@pytest.mark.parametrize(
    ("text", "line", "caret"),
    [
        ("a + $", "a + $", "    ^"),
        ("a + $" + " + a" * 40, "a + $" + " + a" * 23 + " + ...", "    ^"),
        ("a + " * 40 + "$", "...+ " + "a + " * 12 + "$", " " * 53 + "^"),
    ],
)
def test_a_fault_is_marked_in_its_line_of_which_only_a_part_is_shown_where_it_is_long(text, line, caret):
    assert refusal(text).message.split("\n")[1:] == [f"  {line}", f"  {caret}"]


EXPRESSIONS = st.recursive(
    st.sampled_from(["a", "b", "2", "0.5"]),
    lambda part: st.one_of(
        st.tuples(part, st.sampled_from(["+", "-", "*", "/", "%", "<", ">=", "and", "or"]), part).map(
            lambda parts: f"({parts[0]} {parts[1]} {parts[2]})"
        ),
        part.map(lambda text: f"abs({text})"),
        part.map(lambda text: f"-{text}"),
        st.tuples(part, part, part).map(lambda parts: f"where({', '.join(parts)})"),
    ),
    max_leaves=12,
)


@given(EXPRESSIONS)
def test_what_python_would_accept_of_the_language_is_accepted(text):
    text = f"a + {text}"
    names = {node.id for node in ast.walk(ast.parse(text, mode="eval")) if isinstance(node, ast.Name)}
    assert set(parse_formula(text).inputs) == names - {"abs", "where"}


UNITS = {"v": "km/h", "w": "km/h", "d": "mm", "t": "degC", "t2": "degC", "n": ""}


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("v", "km/h"),
        ("-max(v, 5)", "km/h"),
        ("v - w", "km/h"),
        ("v + d", ""),
        ("t - t2", ""),  # a difference of temperatures must not be converted as a temperature
        ("v * 2", ""),
        ("where(t > 5, v, w)", "km/h"),
        ("where(t > 5, v, n)", ""),
        ("low_pass(lagged(abs(d), 1), 5)", "mm"),
        ("rate_of_change(d)", "mm/s"),
        ("accumulate(v)", ""),
        ("v > 3", ""),
        ('convert(v, "m/s")', "m/s"),
        ('convert(rate_of_change(d), "m/s")', "m/s"),
        ('convert(convert(t, "K"), "degF")', "degF"),
    ],
)
def test_unit_of_a_formula(text, unit):
    assert formula_unit(parse_formula(text), UNITS) == unit


@pytest.mark.parametrize(
    ("text", "column", "word"),
    [
        ('1 + convert(n, "m/s")', 12, "has no unit"),
        ('convert(v * 2, "m/s")', 8, "isn't certain"),
        ('convert(t - t2, "degF")', 8, "isn't certain"),
        ('1 + convert(v, "degC")', 4, "degC"),
        ('convert(v, "furlongs")', 0, "furlongs"),
    ],
)
def test_a_conversion_that_cannot_be_is_refused(text, column, word):
    with pytest.raises(FormulaError, match=word) as caught:
        formula_unit(parse_formula(text), UNITS)
    assert caught.value.column == column
