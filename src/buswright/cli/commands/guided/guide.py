"""The manual.

Without TOPIC it lists the topics. A command leads to the page that explains it: buswright guide watch
Other words, or a whole question, are searched for on all pages, and the passages that are nearest are shown:
buswright guide which wire is open

In a pipe a page is plain text, 80 columns wide; --markdown prints Markdown.
`buswright guide sensors > sensors.toml` writes the starter sensors as TOML, to copy from.
`buswright guide --markdown > manual.md` writes the whole manual.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterable

from buswright.errors import UserError
from buswright.wording import visible

COLUMNS = 80
"""Width of a page in a pipe, and the most on a terminal where lines would become too long to read."""
WIDEST = 100
MOST_PASSAGES = 5
"""A search shows this many: what fits on two screens."""
_UNBROKEN = 30
"""Code up to this many characters stays on one line."""
_CODE_MARGIN = 4
"""Columns that code stands in, also in a list."""
_GOES_ON = " `" if sys.platform == "win32" else " \\"
"""What stands before the end of a line in PowerShell, and in other shells, if the command goes on below."""
_JOINED = "␠"
"""Stands for a blank of such code while lines are broken."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "topic",
        nargs="*",
        metavar="TOPIC",
        help="a page of the manual, or words to search for; default: list the pages",
    )
    parser.add_argument("--markdown", action="store_true", help="print Markdown; without TOPIC the whole manual")


def run(options: argparse.Namespace) -> int:
    """Print the list, a page, or the manual."""
    from buswright.cli.manual import EXPLAINED, TOPICS, page, whole_manual

    words = " ".join(options.topic)
    if not words.strip():
        print(whole_manual() if options.markdown else _list(), end="")
        return 0
    topic = _named(words, TOPICS)
    command = None if topic else _named(words, EXPLAINED)
    if command is not None:
        head = f"`{command}` is on the page `{EXPLAINED[command]}`. `buswright {command} --help` lists its options."
        text = f"{head}\n\n{page(EXPLAINED[command])}"
        print(text, end="") if options.markdown else _show(text)
    elif topic is None:
        text = _found(words)
        print(text, end="") if options.markdown else _show(text)
    elif options.markdown:
        print(page(topic), end="")
    elif topic == "sensors" and not sys.stdout.isatty():
        from buswright.channels.calibration.registry import starter_sensors

        print(starter_sensors(), end="")
    else:
        _show(page(topic))
    return 0


def _named(words: str, names: Iterable[str]) -> str | None:
    """Return the page or command that some words are the name of; None if there is none."""
    folded = re.sub(r"[\s_-]+", "", words.lower())
    return next((name for name in names if name.replace("-", "") == folded), None)


def _found(words: str) -> str:
    """Return the passages that are nearest to some words, as Markdown."""
    import difflib

    from buswright.cli.manual import TOPICS, page
    from buswright.cli.manual.parts import escaped
    from buswright.cli.manual.searching import search

    found = search(words, {topic: page(topic) for topic in TOPICS}, MOST_PASSAGES)
    near = difflib.get_close_matches(words.strip().lower(), TOPICS, n=1, cutoff=0.7)
    if not found:
        hint = f"buswright guide {near[0]}" if near else "`buswright guide` lists the topics"
        raise UserError(f'the manual says nothing of "{words}"', hint=hint)
    also = f" There is a page `buswright guide {near[0]}`." if near else ""
    parts = [f"The manual on *{visible(words)}*, the nearest first.{also}"]
    for passage in found:
        where = " > ".join(passage.headings)
        parts += [f"## {escaped(where)}", f"`buswright guide {passage.topic}`", passage.text]
    return "\n\n".join(parts) + "\n"


def _list() -> str:
    from buswright.cli.manual import TOPICS

    width = max(map(len, TOPICS))
    lines = [f"  {name.ljust(width)}  {text}" for name, text in TOPICS.items()]
    head = "The manual of Buswright. `buswright guide TOPIC` prints a page:"
    foot = (
        "A command leads to the page that explains it: `buswright guide watch`.\n"
        "Other words are searched for: `buswright guide which wire is open`.\n"
        "`buswright COMMAND --help` explains a command."
    )
    return "\n".join([head, "", *lines, "", foot, ""])


def _show(text: str) -> None:
    if not sys.stdout.isatty():
        print(plain(text), end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    width = min(console.width, WIDEST)
    console.print(Markdown(continued(text, width), code_theme="ansi_dark"), width=width)


def continued(text: str, columns: int) -> str:
    """Break commands that are too long for a line before an option, as a shell takes them: they can be copied."""
    lines = []
    in_code = False
    for line in text.splitlines():
        in_code ^= line.lstrip().startswith("```")
        margin = " " * (len(line) - len(line.lstrip()))
        room = columns - _CODE_MARGIN - len(margin)
        part = ""
        for word in re.split(r" (?=--?\w)", line.strip()) if in_code and line.lstrip().startswith("buswright ") else ():
            if part and len(part) + 1 + len(word) + len(_GOES_ON) > room:
                lines.append(f"{margin}{part}{_GOES_ON}")
                part = f"  {word}"
            else:
                part = f"{part} {word}" if part else word
        lines.append(f"{margin}{part}" if part else line)
    return "\n".join(lines) + "\n"


def plain(text: str, columns: int = COLUMNS) -> str:
    """Lay a page of Markdown out as plain text: headings are underlined, and code keeps its backticks."""
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.markdown import Heading, Markdown
    from rich.text import Text

    class Underlined(Heading):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            line = {"h1": "=", "h2": "-"}.get(self.tag, "·")
            yield Text(f"{self.text.plain}\n{line * len(self.text)}")  # a plain string would lose [bus.NAME]

    class Plain(Markdown):
        elements = {**Markdown.elements, "heading_open": Underlined}  # noqa: RUF012  (a class variable there, too)

    laid_out = Plain(continued(text, columns))
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
