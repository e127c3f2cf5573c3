"""The exit status of commands that judge: `--fail-on`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from buswright.findings import Severity

LEVELS = ("note", "suspect", "fault", "never")


def add_fail_on(parser: argparse.ArgumentParser) -> None:
    """--fail-on."""
    parser.add_argument(
        "--fail-on",
        choices=LEVELS,
        default="suspect",
        metavar="LEVEL",
        help="exit with status 1 for findings from this level up: note, suspect (default), fault, never",
    )


def exit_status(found: Iterable[Severity], options: argparse.Namespace) -> int:
    """Return 1 if anything found is at or above --fail-on, else 0."""
    if options.fail_on == "never":
        return 0
    return int(any(severity >= LEVELS.index(options.fail_on) for severity in found))
