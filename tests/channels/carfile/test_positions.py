"""The position finder against the standard library's parser: every path it yields has a place, and the right one."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.keys.positions import MOST_DEPTH, MOST_ITEMS, KeyPath, Position, Positions, find_positions

TEXT = '''\
format = 1
title = """
not.a.key = 1
[not_a_table]
"""   # a comment with = and [brackets]

[car]
name = "Wrenfell 3"    # "quotes" here
engine.cylinders = 3
"engine" . 'strokes' = 4

[sensor."oil pot"]
points = [
    [0.5, 0.0],  # first
    [4.5,
     150.0],
]
zero = { add = -71.2, why = { state = "driver in, [x] = 1" } }

[sensor]
note = 'C:\\dbc'

[[log]]
date = 2026-04-02 10:00:00
[log.by]
name = "crew"
[[log]]
values = [{ a = 1 }, { a = 2, "b\\u0063" = [] }]
'''


def paths_of(value: object, at: KeyPath = ()) -> list[KeyPath]:
    below: list[KeyPath] = []
    if isinstance(value, dict):
        for name, item in value.items():
            below += paths_of(item, (*at, name))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            below += paths_of(item, (*at, index))
    return [at, *below] if at else below


def key_at(text: str, place: Position) -> str:
    """Let the standard parser read the one key that begins at a place."""
    rest = text.split("\n")[place.line - 1][place.column - 1 :]
    for end in range(1, len(rest) + 1):
        try:
            (key,) = tomllib.loads(f"{rest[:end]} = 0")
        except (tomllib.TOMLDecodeError, ValueError):
            continue
        if rest[end : end + 1] in {"", " ", "\t", ".", "=", "]"}:
            return key
    raise AssertionError(f"no key at {place}: {rest!r}")


def assert_places(text: str) -> None:
    document = tomllib.loads(text)
    positions = find_positions(text)
    assert positions.still_open is None
    paths = paths_of(document)
    assert set(positions.keys) == set(paths)
    assert set(positions.values) == set(paths)
    for path in paths:
        if isinstance(path[-1], str):
            assert key_at(text, positions.keys[path]) == path[-1], path


@pytest.mark.parametrize(
    ("path", "key", "value"),
    [
        (("format",), (1, 1), (1, 10)),
        (("title",), (2, 1), (2, 9)),
        (("car",), (7, 2), (7, 1)),
        (("car", "engine"), (9, 1), (9, 1)),
        (("car", "engine", "cylinders"), (9, 8), (9, 20)),
        (("car", "engine", "strokes"), (10, 12), (10, 24)),
        (("sensor",), (20, 2), (20, 1)),  # its own header, not the one of its sub-table before
        (("sensor", "oil pot"), (12, 9), (12, 1)),
        (("sensor", "oil pot", "points", 1), (15, 5), (15, 5)),
        (("sensor", "oil pot", "points", 1, 1), (16, 6), (16, 6)),
        (("sensor", "oil pot", "zero", "why", "state"), (18, 31), (18, 39)),
        (("log",), (23, 3), (23, 3)),
        (("log", 0, "by", "name"), (26, 1), (26, 8)),
        (("log", 1), (27, 3), (27, 1)),
        (("log", 1, "values", 1, "bc"), (28, 31), (28, 43)),
    ],
)
def test_places_in_a_text_that_uses_every_form(path, key, value):
    positions = find_positions(TEXT)
    assert positions.of_key(path) == key
    assert positions.of_value(path) == value


def test_every_path_of_that_text_is_found():
    assert_places(TEXT)


def test_a_path_that_is_not_there_takes_the_place_of_the_table_around_it():
    positions = find_positions(TEXT)
    assert positions.of_key(("car", "nmae")) == (7, 2)
    assert positions.of_value(("log", 1, "by", "name")) == (27, 1)
    assert positions.of_key(("nothing",)) == (1, 1)


def test_windows_line_ends_do_not_move_lines():
    assert find_positions("a = 1\r\n[b]\r\nc = [\r\n1,\r\n2]\r\n").of_key(("b", "c", 1)) == (5, 1)


@pytest.mark.parametrize(
    ("text", "open_at"),
    [
        ("a = [1,\n2\nb = 3\n", (1, 5)),
        ("a = 1\nb = { c = [1, 2 }\n", (2, 11)),
        ("a = 1\nb = 'c\nd = 2\n", (2, 5)),
        ("[a\nb = 1\n", (1, 1)),
        ("a = = 2\n", None),
        ('"\\q" = 2\n', None),
    ],
)
def test_broken_text_says_what_is_still_open(text, open_at):
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    assert find_positions(text).still_open == open_at


def test_places_are_kept_to_a_depth_and_a_number_of_items():
    assert (MOST_DEPTH, MOST_ITEMS) == (64, 10_000)
    deep = find_positions("a." * 63 + "a = 1\nb = 2\n")
    assert (deep.of_key(("a",) * 64), deep.of_value(("a",) * 64)) == ((1, 127), (1, 131))
    assert deep.of_key(("b",)) == (2, 1)
    deeper = find_positions("a." * 64 + "a = 1\nb = 2\n")
    assert deeper.of_key(("a",) * 65) == deeper.of_key(("a",) * 64) == (1, 127)
    assert deeper.of_key(("b",)) == (1, 1)  # nothing is looked for behind it
    many = find_positions("l = [" + "0, " * 10_001 + "]\nb = 2\n")
    assert many.of_value(("l", 9_999)) == (1, 6 + 3 * 9_999)
    assert many.of_value(("l", 10_000)) == many.of_value(("l",)) == (1, 5)
    assert many.of_key(("b",)) == (2, 1)
    assert ("l", 9_999) in many.ends
    assert ("l", 10_000) not in many.ends


@pytest.mark.parametrize(
    ("text", "path", "end"),
    [
        ("a = 1  # one", ("a",), (1, 6)),  # the blanks behind a number aren't its own
        ("a = 'x' ", ("a",), (1, 8)),
        ("a = [1 , 2]\n", ("a", 0), (1, 7)),
        ("a = [1 , 2]\n", ("a",), (1, 12)),
        ("a = { b = 1 , c = 2 }\n", ("a", "b"), (1, 12)),
        ("a = [\n 1,\n]\nb = 2", ("a",), (3, 2)),
        ('a = """x\ny"""\n', ("a",), (2, 5)),
    ],
)
def test_where_a_value_ends(text, path, end):
    assert find_positions(text).ends[path] == end


def test_malicious_nesting_ends():
    assert isinstance(find_positions("a = " + "[" * 100_000), Positions)
    assert isinstance(find_positions("a." * 50_000 + "b = 1"), Positions)


# -- texts of every shape ---------------------------------------------------------------------------------------

names = st.one_of(
    st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True), st.text(st.characters(codec="utf-8"), max_size=6)
)
scalars = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.dates(),
    st.text(st.characters(codec="utf-8"), max_size=12),
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3), max_leaves=8
)
documents = st.dictionaries(
    names, values | st.lists(st.dictionaries(names, values, max_size=3), min_size=1), max_size=5
)


class Writer:
    """Writes a document as TOML, choosing among the ways TOML offers."""

    def __init__(self, draw):
        self.draw = draw
        self.lines: list[str] = []

    def choose(self, *ways):
        return self.draw(st.sampled_from(ways))

    def blank(self) -> str:
        return self.choose("", " ", "\t", "  ")

    def quoted(self, text: str, *, key: bool = False) -> str:
        printable = text.isprintable()
        ways = ["basic"]
        if printable and "'" not in text:
            ways.append("literal")
        if not key and "\r" not in text and all(c.isprintable() or c == "\n" for c in text):
            ways.append("long")
            if "'" not in text:
                ways.append("long literal")
        way = self.choose(*ways)
        if way == "literal":
            return f"'{text}'"
        if way == "long literal":
            return f"'''\n{text}'''"
        escaped = "".join(
            f"\\U{ord(c):08X}" if c in '"\\' or not (c.isprintable() or (way == "long" and c == "\n")) else c
            for c in text
        )
        return f'"""\n{escaped}"""' if way == "long" else f'"{escaped}"'

    def key(self, name: str) -> str:
        bare = bool(name) and all(c.isascii() and (c.isalnum() or c in "-_") for c in name)
        return name if bare and self.choose(True, True, False) else self.quoted(name, key=True)

    def value(self, value: object) -> str:
        if isinstance(value, bool):
            return "true" if value else "false"
        if isinstance(value, str):
            return self.quoted(value)
        if isinstance(value, list):
            gap = self.choose(" ", "\n", " # [x], = 'y\n  ")
            items = f",{gap}".join(self.value(item) for item in value)
            return f"[{gap}{items}{self.choose('', ',') if value else ''}{gap}]"
        if isinstance(value, dict):
            items = ", ".join(f"{self.key(name)} = {self.value(item)}" for name, item in value.items())
            return f"{{ {items} }}"
        return f"{value!r}" if isinstance(value, float) else str(value)

    def table(self, table: dict[str, object], path: tuple[str, ...]) -> None:
        headed = []
        for name, value in table.items():
            tables = isinstance(value, list) and value and all(isinstance(item, dict) for item in value)
            if tables or (isinstance(value, dict) and value and self.choose(True, False)):
                headed.append((name, value))
            elif isinstance(value, dict) and value and self.choose(True, False):
                for inner, item in value.items():
                    dot = self.blank() + "." + self.blank()
                    self.lines.append(f"{self.key(name)}{dot}{self.key(inner)} = {self.value(item)}")
            else:
                self.lines.append(f"{self.blank()}{self.key(name)}{self.blank()}={self.blank()}{self.value(value)}")
            if self.choose(True, False, False):
                self.lines.append(self.choose("", "# a = [1", "\t"))
        for name, value in headed:
            dotted = ".".join(self.blank() + self.key(part) + self.blank() for part in (*path, name))
            for item in value if isinstance(value, list) else [value]:
                self.lines.append(f"[[{dotted}]]" if isinstance(value, list) else f"[{dotted}]")
                self.table(item, (*path, name))


@settings(max_examples=60, deadline=None)
@given(document=documents, data=st.data())
def test_every_path_of_any_text_has_its_place(document, data):
    writer = Writer(data.draw)
    writer.table(document, ())
    text = data.draw(st.sampled_from(["\n", "\r\n"])).join(writer.lines).replace("\r\n", "\n") + "\n"
    assert tomllib.loads(text) == document  # the writer itself is right
    assert_places(text)


@settings(max_examples=150, deadline=None)
@given(st.text(st.sampled_from("a.=[]{}\"'#\n ,1\\é"), max_size=60))
def test_no_text_makes_the_finder_fail(text):
    positions = find_positions(text)
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError):
        return
    assert set(positions.keys) == set(paths_of(document))
