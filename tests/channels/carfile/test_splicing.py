"""Changes of a TOML text, each with the whole text afterwards."""

from __future__ import annotations

import pytest

from buswright.channels.carfile.rendering import Table
from buswright.channels.carfile.splicing import BYTE_ORDER_MARK, Drop, Put, as_written, changed, with_tables
from buswright.errors import CarFileError


@pytest.mark.parametrize(
    ("old", "change", "new"),
    [
        # A key of a table under its header.
        ("[a]\nx = 1\n", Put(("a",), "x", 2), "[a]\nx = 2\n"),
        ("[a]\nx = 1\n", Put(("a",), "y z", 2), '[a]\nx = 1\n"y z" = 2\n'),
        ("[a]\n", Put(("a",), "y", 2), "[a]\ny = 2\n"),
        ("[a]\nx = 1", Put(("a",), "y", 2), "[a]\nx = 1\ny = 2\n"),  # a last line without an end
        ("[a]\nx = 1\n\n# of b\n[b]\n", Put(("a",), "y", 2), "[a]\nx = 1\ny = 2\n\n# of b\n[b]\n"),
        ("x = 1\n[a]\n", Put((), "y", 2), "x = 1\ny = 2\n[a]\n"),
        ("[a]\n", Put((), "y", 2), "y = 2\n[a]\n"),
        ("[a]\nx = 1 # one\nz = 3\n", Drop(("a",), "x"), "[a]\nz = 3\n"),
        ("[a]\nx = [\n 1, # one\n]\nz = 3\n", Drop(("a",), "x"), "[a]\nz = 3\n"),
        ("[a]\nx = [\n 1, # one\n] # all\n", Put(("a",), "x", [2]), "[a]\nx = [2] # all\n"),
        ("[a]\nx = 1\n", Drop(("a",), "y"), "[a]\nx = 1\n"),
        # A table on one line.
        ("a = { x = 1 }\n", Put(("a",), "x", 2), "a = { x = 2 }\n"),
        ("a = { x = 1, y = 2 } # both\n", Put(("a",), "z", 3), "a = { x = 1, y = 2, z = 3 } # both\n"),
        ("a = {} # none\n", Put(("a",), "z", 3), "a = { z = 3 } # none\n"),
        ("a = { x = 1, y = 2, z = 3 }\n", Drop(("a",), "x"), "a = { y = 2, z = 3 }\n"),
        ("a = { x = 1, y = 2, z = 3 }\n", Drop(("a",), "y"), "a = { x = 1, z = 3 }\n"),
        ("a = { x = 1, y = 2, z = 3 }\n", Drop(("a",), "z"), "a = { x = 1, y = 2 }\n"),
        ("a = { x = 1 , y = 2 }\n", Drop(("a",), "x"), "a = { y = 2 }\n"),
        ("a = { x = 1 }\n", Drop(("a",), "x"), "a = { }\n"),
        ("a = { x = 1 } # one\n", Put((), "a", {"y": 2}), "a = { y = 2 } # one\n"),
        # Dotted keys, and tables of their own below.
        ("[a]\nb.x = 1\nc = 2\n", Put(("a", "b"), "y", 3), "[a]\nb.x = 1\nb.y = 3\nc = 2\n"),
        ("a.b.x = 1\n", Put(("a", "b"), "y", 3), "a.b.x = 1\na.b.y = 3\n"),
        ("[a]\nb.x = 1\n", Put(("a",), "b", {"y": 3}), "[a]\nb.y = 3\n"),
        ("[a.b]\nx = 1 # one\nz = 9\n", Put(("a",), "b", {"x": 2, "y": 3}), "[a.b]\nx = 2 # one\ny = 3\n"),
        # Lists.
        ("l = [{ x = 1 }]\n", Table("l", "", "[[l]]\nx = 2"), "l = [{ x = 1 }, { x = 2 }]\n"),
        ("[[l]]\nx = 1\n", Table("l", "", "[[l]]\nx = 2"), "[[l]]\nx = 1\n\n[[l]]\nx = 2\n"),
        # Line ends stay as the file has them.
        ("[a]\r\nx = 1\r\n", Put(("a",), "y", 2), "[a]\r\nx = 1\r\ny = 2\r\n"),
        ("[a]\r\nx = 1\r\n", Put(("a",), "x", ["y" * 99]), f'[a]\r\nx = [\r\n    "{"y" * 99}",\r\n]\r\n'),
    ],
)
def test_a_change(old, change, new):
    assert changed(old, [change]) == new


@pytest.mark.parametrize(
    ("old", "change", "said"),
    [
        ("[a]\nx = 1\n", Put(("b",), "y", 2), "there is no [b] in this car file"),
        ("[a]\nx = 1\n", Put(("a", "x"), "y", 2), "there is no [a.x] in this car file"),
        ("[a.b]\nx = 1\n[c]\n", Drop(("a",), "b"), "a.b can't be changed in this car file as it is written"),
        ("[a.b.c]\nx = 1\n", Put(("a", "b"), "y", 2), "a.b can't be added to as it is written"),
        ("[a\n", Put(("a",), "y", 2), "nothing can be added to this car file as it is written: "),
        ("channel = { a = 1 }\n", Table("channel", "b", "[channel.b]\nx = 1"), "nothing can be added to this car file"),
    ],
)
def test_a_change_that_can_not_be(old, change, said):
    with pytest.raises(CarFileError) as caught:
        changed(old, [change])
    assert caught.value.message.startswith(said)
    assert caught.value.hint in ("add it first", "write its tables under headers of their own, like [channel.NAME]")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("", "[g.n]\nx = 1\n"),
        ("a = 1\n", "a = 1\n\n[g.n]\nx = 1\n"),
        ("a = 1", "a = 1\n\n[g.n]\nx = 1\n"),
        ("[g.a]\ny = 1\n\n# next\n[h]\n", "[g.a]\ny = 1\n\n[g.n]\nx = 1\n\n# next\n[h]\n"),
        (
            "[g.a]\n[h]\n[g.b]\ny = 1\n# z = 2\n\n# end\n",
            "[g.a]\n[h]\n[g.b]\ny = 1\n# z = 2\n\n[g.n]\nx = 1\n\n# end\n",
        ),
        ("[h]\r\ny = 1\r\n", "[h]\r\ny = 1\r\n\r\n[g.n]\r\nx = 1\r\n"),
    ],
)
def test_a_new_table_stands_behind_the_last_of_its_group(old, new):
    assert with_tables(old, [Table("g", "n", "[g.n]\nx = 1")]) == new


def test_several_tables_keep_their_order():
    tables = [Table("g", name, f"[g.{name}]") for name in "cab"]
    assert with_tables("", tables) == "[g.c]\n\n[g.a]\n\n[g.b]\n"
    assert changed("[g.x]\n[h]\n", tables[:2]) == "[g.x]\n\n[g.c]\n\n[g.a]\n[h]\n"
    assert changed(BYTE_ORDER_MARK + "[g.x]\n", tables[:1]) == BYTE_ORDER_MARK + "[g.x]\n\n[g.c]\n"


FILE = """\
# the car
[g.a]  # first
x = 1
# y = 2

# all about b
# and more
[g.b]
x = 2

z = 3
# end of file
[g.c]
x = 4
[g.c.d]
y = 5
"""


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a", "# the car\n[g.a]  # first\nx = 1"),
        ("b", "# all about b\n# and more\n[g.b]\nx = 2\n\nz = 3"),
        ("c", None),  # a part of it stands under a header of its own
        ("d", None),
    ],
)
def test_a_table_is_shown_as_it_is_written(name, text):
    for whole in (FILE, FILE.replace("\n", "\r\n")):
        assert as_written(whole, "g", name) == (None if text is None else Table("g", name, text))
