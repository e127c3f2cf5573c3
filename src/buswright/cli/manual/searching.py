"""Finding the passages of the manual that a word, several words or a whole question speak of."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

_SMALL_WORDS = frozenset(
    word
    for line in (
        "a an and are as at be but by can did do does for from get has have how i if in is it its me mine my of on or",
        "so that the their there these this to was what when where which who why will with you your",
    )
    for word in line.split()
)
_SAME: Mapping[str, str] = {
    "fault": "wrong",
    "broken": "open",
    "computer": "laptop",
    "pc": "laptop",
    "setup": "install",
    "ids": "identifier",
    "id": "identifier",
    "add": "new",
    "tyre": "tire",
}
"""Words that mean the same to who searches."""
_WORD = re.compile(r"[a-z0-9]+(?:[.][0-9]+)?|°c")
_JOINED = re.compile(r"[a-z0-9]+(?:_[a-z0-9]+)+")
_LONG = 40
"""Words of a passage from which on it counts less: a long one has every word."""
_IN_HEADING = 2.0
_REFERENCE = {"commands": 0.5, "changes": 0.5, "practice": 0.6, "sensors": 0.8, "roles": 0.6, "units": 0.7}
"""Pages that name everything say less about it."""
_LEAST = 0.45
"""Share of the best passage's weight that a further one must have."""

_MOST_OF_PAGE = 2
_MOST_LINES = 100
"""Passages of one page, and lines of all passages, that are shown at most."""


@dataclass(frozen=True, slots=True)
class Passage:
    """A part of a page that can be read by itself.

    Attributes
    ----------
    topic
        Its page.
    headings
        The page's title and the headings above it.
    text
        Markdown.
    """

    topic: str
    headings: tuple[str, ...]
    text: str


def passages(topic: str, page: str) -> Iterator[Passage]:
    """Cut a page into what stands between its headings, and long tables into rows."""
    headings: list[str] = []
    block: list[str] = []
    in_code = False
    for line in [*page.splitlines(), "# "]:
        in_code ^= line.lstrip().startswith("```")
        heading = None if in_code else re.match(r"(#+) (.*)", line)
        if heading is None:
            block.append(line)
            continue
        if text := "\n".join(block).strip("\n"):
            yield from _parts(topic, tuple(headings), text)
        block = []
        headings = [*headings[: len(heading[1]) - 1], heading[2]]


_WHOLE = 60
"""Lines up to which a section is one passage, so that a recipe is shown whole."""
_TABLE = 16
"""Rows from which a table is one passage a row: it is one for looking up."""


def _parts(topic: str, headings: tuple[str, ...], text: str) -> Iterator[Passage]:
    blocks = list(_blocks(text))
    tables = [block for block in blocks if block.startswith("|") and block.count("\n") > _TABLE]
    if text.count("\n") < _WHOLE and not tables:
        yield Passage(topic, headings, text)
        return
    for block in blocks:
        rows = block.splitlines()
        if block in tables:
            yield from (Passage(topic, headings, "\n".join([*rows[:2], row])) for row in rows[2:])
        else:
            yield Passage(topic, headings, block)


def _blocks(text: str) -> Iterator[str]:
    """Cut at empty lines, but not inside code; code stays with the paragraph above it."""
    block: list[str] = []
    in_code = False
    lines = [*text.splitlines(), ""]
    for line, after in zip(lines, [*lines[1:], ""], strict=True):
        in_code ^= line.lstrip().startswith("```")
        if line.strip() or in_code or after.lstrip().startswith("```"):
            block.append(line)
        elif block:
            yield "\n".join(block)
            block = []


def words_of(text: str) -> list[str]:
    """Return the words of a text as they are compared: small letters, without endings; a_b is a, b and a_b."""
    found = _JOINED.findall(text.lower())
    for word in _WORD.findall(text.lower()):
        stem = re.sub(r"(?<=[a-z]{3})(ings?|ed|es|s)$", "", word)
        found.append(_SAME.get(word, _SAME.get(stem, stem)))
    return found


def search(query: str, pages: Mapping[str, str], most: int) -> Sequence[Passage]:
    """Return the passages that are nearest to a query, the nearest first.

    Words that few passages have weigh more; those in a heading weigh more than those below it.

    Parameters
    ----------
    query
        Words in any order.
    pages
        Markdown by topic.
    most
        How many to return at most.
    """
    wanted = [word for word in dict.fromkeys(words_of(query)) if word not in _SMALL_WORDS]
    every = [
        (each, words_of(" ".join([*each.headings[:-1], each.text])), words_of(each.headings[-1]))
        for topic, page in pages.items()
        for each in passages(topic, page)
    ]
    common = Counter(word for _, body, above in every for word in {*body, *above})
    weights = {word: math.log(1 + len(every) / common[word]) ** 2 for word in wanted if common[word]}
    scored = []
    for order, (passage, body, above) in enumerate(every):
        held = {word for word in weights if word in body or word in above}
        if not held:
            continue
        score = sum(weights[word] * (_IN_HEADING if word in above else 1.0) for word in held)
        score *= sum(weights[word] for word in held) / sum(weights.values())
        score *= _REFERENCE.get(passage.topic, 1.0) / (1 + max(0.0, math.log(len(body) / _LONG + 1e-9)) / 8)
        scored.append((-score, order, passage))
    scored.sort(key=lambda each: each[:2])
    shown: Counter[str] = Counter()
    found: list[Passage] = []
    lines = 0
    for score, _, passage in scored:
        if len(found) == most or score > _LEAST * scored[0][0]:
            break
        lines += passage.text.count("\n") + 1
        if found and lines > _MOST_LINES:
            break
        if shown[passage.topic] < _MOST_OF_PAGE:
            shown[passage.topic] += 1
            found.append(passage)
    return found
