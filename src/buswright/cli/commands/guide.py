"""The manual.

Without TOPIC the topics are listed. On a terminal a page is laid out; in a pipe it is plain text, 80 columns
wide, or, with --markdown, Markdown. `buswright guide sensors > sensors.toml` gives TOML to copy from.
`buswright guide --markdown > manual.md` writes the whole manual.
"""

from __future__ import annotations

import argparse
import sys

from buswright.errors import UserError

COLUMNS = 80
"""Width of a page in a pipe, and the most on a terminal where lines would become too long to read."""
WIDEST = 100


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("topic", nargs="?", metavar="TOPIC", help="a page of the manual; left out, the list of them")
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
                return f"buswright guide {topic} tells of it"
    return "`buswright guide` lists the topics"


def _list() -> str:
    from buswright.cli.manual import TOPICS

    width = max(map(len, TOPICS))
    lines = [f"  {name.ljust(width)}  {text}" for name, text in TOPICS.items()]
    head = "The manual of Buswright. `buswright guide TOPIC` prints a page:"
    foot = "`buswright COMMAND --help` tells what a command does."
    return "\n".join([head, "", *lines, "", foot, ""])


def _show(text: str) -> None:
    if not sys.stdout.isatty():
        from buswright.report.markdown import plain_text

        print(plain_text(text, COLUMNS), end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    console.print(Markdown(text, code_theme="ansi_dark"), width=min(console.width, WIDEST))
