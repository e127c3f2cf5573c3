"""The `buswright` command: one explicit list of commands, one place where errors end."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from buswright._version import __version__
from buswright.errors import UserError

COMMANDS: dict[str, str] = {
    "demo": "decode, calibrate and judge the invented car; needs no files",
    "interfaces": "list CAN adapters, each with the SOURCE that listens to it",
    "record": "record live buses to a file, crash-safe, with markers",
    "contents": "list what a capture holds: buses, identifiers, duration, clock, problems",
    "cut": "cut, merge and convert captures",
    "decode": "write channels to Parquet or CSV files",
    "health": "check the buses: load, rates, missing frames, counters, errors",
    "watch": "open the terminal workbench on live buses or a capture",
    "draft": "draft a car file from captures and databases",
    "check": "check the car file and its databases; list every fault with line and hint",
    "remember": "save the baseline of a good run in one readable file",
    "compare": "list what changed from one run to another, worst first",
    "guide": "read the manual in the terminal",
}
"""Name and one line of help, in the order shown; each is a module of `commands`."""

REPORT_TO = "Please report it on the project's issue list, with the command and, if you can, the capture"


def build_parser(wanted: str | None = None) -> argparse.ArgumentParser:
    """Build the parser; only the wanted command's module is imported, all of them for None."""
    parser = argparse.ArgumentParser(
        prog="buswright",
        allow_abbrev=False,  # an abbreviation may mean another option in the next version
        description="Decode, calibrate and trust every channel on a race car's CAN bus.",
        epilog="`buswright COMMAND --help` explains a command. Buswright only listens: it sends no data frames.",
    )
    parser.add_argument("--version", action="version", version=f"buswright {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, text in COMMANDS.items():
        if wanted in (None, name):
            module = import_module(f"buswright.cli.commands.{name}")
            command = commands.add_parser(
                name,
                help=text,
                description=module.__doc__,
                formatter_class=argparse.RawDescriptionHelpFormatter,
                allow_abbrev=False,
            )
            module.configure(command)
            command.set_defaults(run=module.run)
        else:
            commands.add_parser(name, help=text, add_help=False)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit status."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    wanted = next((word for word in arguments if not word.startswith("-")), "")
    options = build_parser(wanted).parse_args(arguments)
    status: int = options.run(options)
    return status


def entry() -> None:
    """Run as a console script: every error ends here."""
    arguments = sys.argv[1:]
    for stream in (sys.stdout, sys.stderr):  # a terminal without ° shows a ? rather than an error
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        status = main(arguments)
        sys.stdout.flush()
    except UserError as error:
        _say(error, as_json="--json" in arguments)
        status = error.exit_code
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        status = 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except Exception:  # noqa: BLE001  (the one catch site)
        import traceback

        traceback.print_exc()
        print(f"\nThis is a fault in Buswright {__version__}. {REPORT_TO}.", file=sys.stderr)
        status = 3
    sys.exit(status)


def _say(error: UserError, *, as_json: bool) -> None:
    if as_json:
        import json

        document = {"schema": "buswright.error/1", "error": {"message": error.message, "hint": error.hint}}
        print(json.dumps(document, ensure_ascii=False, indent=2))
    print(f"buswright: {error}", file=sys.stderr)
