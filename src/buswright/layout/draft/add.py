"""Adding drafted tables to a car file that a person has edited: text is put in, none is changed.

A new table goes behind the last one of its group, or to the end of the file. Every old line stays as it is and in
its order, down to its line ending.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

from buswright.channels.keys.positions import find_positions
from buswright.errors import CarFileError
from buswright.layout.draft.car_file import GROUPS, Draft
from buswright.layout.draft.text import Table


def with_added(text: str, draft: Draft) -> str:
    """Return a car file's text with the tables of a draft put in.

    Parameters
    ----------
    text
        The car file, line endings as they are in the file.
    draft
        What it lacks.

    Raises
    ------
    CarFileError
        The file is written in a way that nothing can be added to, e.g. all channels in one inline table.
    """
    ending = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True) if "\r" not in text.replace("\r\n", "") else text.split("\n")
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += ending
    headers = _headers(text)
    places: dict[int, list[Table]] = {}
    for group in GROUPS:
        tables = draft.of(group)
        if tables:
            places.setdefault(_place(group, headers, lines), []).extend(tables)
    new: list[str] = []
    for number in range(len(lines) + 1):
        for table in places.get(number, ()):
            blank = [""] if number or new else []
            new += [f"{line}{ending}" for line in [*blank, *table.text.splitlines()]]
        new += lines[number : number + 1]
    joined = "".join(new)
    try:
        tomllib.loads(joined.removeprefix("\ufeff").replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise CarFileError(
            f"nothing can be added to this car file as it is written: {error}",
            hint="write its tables under headers of their own, like [channel.NAME]",
        ) from None
    return joined


def _headers(text: str) -> list[tuple[int, str]]:
    """Return line (from 0) and group of every table header, in order."""
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    lines = plain.split("\n")
    found: dict[int, str] = {}
    for path, position in find_positions(plain).values.items():
        row = position.line - 1
        if (
            row < len(lines)
            and lines[row][position.column - 1 : position.column] == "["
            and _alone(lines[row], position)
        ):
            found.setdefault(row, str(path[0]))
    return sorted(found.items())


def _alone(line: str, position: tuple[int, int]) -> bool:
    """Whether only blanks stand before a bracket: a header, not an array behind its key."""
    return not line[: position[1] - 1].strip()


def _place(group: str, headers: Sequence[tuple[int, str]], lines: Sequence[str]) -> int:
    """Return before which line (from 0) tables of a group go: behind the last of them, else at the end."""
    rows = [row for row, name in headers if name == group]
    if not rows:
        return len(lines)
    following = next((row for row, _ in headers if row > rows[-1]), len(lines))
    last = following - 1
    while last > rows[-1] and _is_blank_or_comment(lines[last]):
        last -= 1
    # Comments right below the table's last line belong to it: keys commented out, say.
    while last + 1 < following and lines[last + 1].lstrip().startswith("#"):
        last += 1
    return last + 1


def _is_blank_or_comment(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")
