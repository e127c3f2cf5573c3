"""The manual.

Without TOPIC it lists the topics. In a pipe a page is plain text, 80 columns wide; --markdown prints Markdown.
`buswright guide sensors > sensors.toml` writes the starter sensors as TOML, to copy from.
`buswright guide --markdown > manual.md` writes the whole manual.
"""

from __future__ import annotations

import argparse
import re
import sys

from buswright.errors import UserError

COLUMNS = 80
"""Width of a page in a pipe, and the most on a terminal where lines would become too long to read."""
WIDEST = 100
_UNBROKEN = 30
"""Code up to this many characters stays on one line."""
_JOINED = "␠"
"""Stands for a blank of such code while lines are broken."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("topic", nargs="?", metavar="TOPIC", help="a page of the manual; default: list the pages")
    parser.add_argument("--markdown", action="store_true", help="print Markdown; without TOPIC the whole manual")


def run(options: argparse.Namespace) -> int:
    """Print the list, a page, or the manual."""
    from buswright.cli.manual import TOPICS, page, whole_manual

    if options.topic is None:
        print(whole_manual() if options.markdown else _list(), end="")
        return 0
    topic = _topic(options.topic, list(TOPICS))
    if options.markdown:
        print(page(topic), end="")
    elif topic == "sensors" and not sys.stdout.isatty():
        from buswright.cli.manual.parts import starter_sensors

        print(starter_sensors(), end="")
    else:
        _show(page(topic))
    return 0


def _topic(word: str, topics: list[str]) -> str:
    import difflib

    folded = word.strip().lower().replace("_", "-").replace(" ", "-")
    if folded in topics:
        return folded
    near = difflib.get_close_matches(folded, topics, n=1, cutoff=0.7) or [
        topic for topic in topics if topic.startswith(folded) or folded in topic
    ]
    hint = f"buswright guide {near[0]}" if near else _mention(word.strip(), topics)
    raise UserError(f'the manual has no topic "{word}"', hint=hint)


def _mention(word: str, topics: list[str]) -> str:
    """Say which page has a heading of this word, or else speaks of it as a key, a function, a unit."""
    from buswright.cli.manual import page

    pages = {topic: page(topic) for topic in topics}
    for sign in (f"\n## {word}\n", f"`{word}`", f"`{word}("):
        for topic, text in pages.items():
            if sign in text:
                return f"buswright guide {topic} explains it"
    return "`buswright guide` lists the topics"


def _list() -> str:
    from buswright.cli.manual import TOPICS

    width = max(map(len, TOPICS))
    lines = [f"  {name.ljust(width)}  {text}" for name, text in TOPICS.items()]
    head = "The manual of Buswright. `buswright guide TOPIC` prints a page:"
    foot = "`buswright COMMAND --help` explains a command."
    return "\n".join([head, "", *lines, "", foot, ""])


def _show(text: str) -> None:
    if not sys.stdout.isatty():
        print(plain(text), end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    console.print(Markdown(text, code_theme="ansi_dark"), width=min(console.width, WIDEST))


def plain(text: str, columns: int = COLUMNS) -> str:
    """Lay a page of Markdown out as plain text: headings are underlined, and code keeps its backticks."""
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.markdown import Heading, Markdown

    class Underlined(Heading):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            line = {"h1": "=", "h2": "-"}.get(self.tag, "·")
            yield f"{self.text.plain}\n{line * len(self.text)}"

    class Plain(Markdown):
        elements = {**Markdown.elements, "heading_open": Underlined}  # noqa: RUF012  (a class variable there, too)

    laid_out = Plain(text)
    in_table = False  # there, columns tell code from words
    for token in laid_out.parsed:
        in_table = token.type != "table_close" and (in_table or token.type == "table_open")
        for part in token.children or ():
            if part.type == "code_inline" and not in_table:
                kept = part.content.replace(" ", _JOINED) if len(part.content) <= _UNBROKEN else part.content
                part.content = f"`{kept}`"
    console = Console(width=columns, color_system=None, force_terminal=False, highlight=False)
    with console.capture() as captured:
        console.print(laid_out)
    lines = "\n".join(line.replace(_JOINED, " ").rstrip() for line in captured.get().splitlines())
    return re.sub(r"\n{3,}", "\n\n", lines).strip("\n") + "\n"
