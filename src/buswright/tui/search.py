"""Search: what fits what a person types, and everything that has a name in the command palette."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING, NamedTuple, cast

from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content
from textual.fuzzy import Matcher
from textual.markup import escape

from buswright.tui.bench import Bench
from buswright.tui.targets import key_of
from buswright.wording import visible

if TYPE_CHECKING:
    from buswright.worker.snapshot import Snapshot

_SHORTEST = 2
_VOWELS, _DOUBLED, _WORD = re.compile("[aeiou]"), re.compile(r"(.)\1"), re.compile(r"[^\W\d_]+")


def fits(sought: str, *texts: str) -> bool:
    """Whether texts contain every word that is searched for, in any order; a space stands for an underscore too.

    A word may be shortened to its beginning, or to its consonants.
    """
    inside = visible("\n".join(texts), keep="\n").casefold().replace("_", " ")
    words = sought.casefold().split()
    return all(word.replace("_", " ") in inside or _shortened(word, inside) for word in words)


def _shortened(word: str, inside: str) -> bool:
    """Whether a word is one of the text without vowels and doubled letters, or its beginning: tmp, prs, brk."""
    if len(word) < _SHORTEST or _VOWELS.search(word) or not word.isalpha():
        return False
    return any(_DOUBLED.sub(r"\1", _VOWELS.sub("", each)).startswith(word) for each in _WORD.findall(inside))


class Place(NamedTuple):
    """Something with a name, and where it is shown."""

    text: str
    what: str
    screen: str
    key: object


def places(snapshot: Snapshot) -> Iterator[Place]:
    """Everything that can be gone to by name."""
    from buswright.channels import units

    for channel in snapshot.channels:
        words = f"channel {units.shown(channel.unit)} {channel.module} {channel.message}"
        yield Place(channel.name, " ".join(words.split()), "channels", channel.name)
    for name in snapshot.verdicts.ids:
        figures = snapshot.health.ids[name]
        words = " ".join(each for each in (str(name), figures.message, figures.module) if each)
        yield Place(words, "identifier", "identifiers", name)
    for finding in snapshot.findings:
        yield Place(f"{finding.fault} {finding.subject}", "finding", "findings", key_of(finding))


class Everything(Provider):
    """Names of the newest snapshot."""

    async def search(self, query: str) -> Hits:
        """Yield what fits."""
        bench = cast("Bench", self.app)
        if bench.snapshot is None:
            return
        matcher = self.matcher(query)
        for place in places(bench.snapshot):
            text = visible(place.text)
            score = max(matcher.match(text), float(fits(query, text, place.what)))
            if score > 0:
                go: Callable[[], None] = partial(bench.go_to, place.screen, place.key)
                yield Hit(score, _marked(matcher, text), go, help=escape(visible(place.what)))


class Commands(Provider):
    """What the workbench can do, found by the words of its names and of what it says about them."""

    async def discover(self) -> Hits:
        """Yield everything."""
        for title, about, do in self._commands():
            yield DiscoveryHit(title, do, help=about)

    async def search(self, query: str) -> Hits:
        """Yield what fits."""
        matcher = self.matcher(query)
        for title, about, do in self._commands():
            score = max(matcher.match(title), float(fits(query, title, about)))
            if score > 0:
                yield Hit(score, _marked(matcher, title), do, help=about)

    def _commands(self) -> Iterator[tuple[str, str, Callable[[], object]]]:
        for command in self.app.get_system_commands(self.screen):
            yield visible(command.title), visible(command.help), command.callback


def _marked(matcher: Matcher, text: str) -> Content:
    """Mark in a text what was typed; the matcher would take a bracket in a name for markup."""
    return Content(text) if "[" in text else matcher.highlight(text)
