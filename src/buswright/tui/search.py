"""Search: what fits what a person types, and everything that has a name in the command palette."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple, cast

from textual.command import Hit, Hits, Provider
from textual.content import Content

from buswright.tui.bench import Bench
from buswright.tui.targets import key_of
from buswright.wording import visible
from buswright.worker.snapshot import Snapshot


def fits(sought: str, *texts: str) -> bool:
    """Whether texts contain every word that is searched for, in any order; a space stands for an underscore too."""
    inside = visible("\n".join(texts), keep="\n").casefold().replace("_", " ")
    return all(word.replace("_", " ") in inside for word in sought.casefold().split())


class Place(NamedTuple):
    """Something with a name, and where it is shown."""

    text: str
    what: str
    screen: str
    key: object


def places(snapshot: Snapshot) -> Iterator[Place]:
    """Everything that can be gone to by name."""
    for channel in snapshot.channels:
        yield Place(channel.name, "channel", "channels", channel.name)
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
            score = max(matcher.match(text), float(fits(query, text)))
            if score > 0:
                go: Callable[[], None] = partial(bench.go_to, place.screen, place.key)
                # The matcher would take a bracket in a name for markup.
                yield Hit(score, Content(text) if "[" in text else matcher.highlight(text), go, help=place.what)
