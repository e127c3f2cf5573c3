"""The `buswright` command: one explicit list of commands, one place where errors end."""

from __future__ import annotations

import argparse
import gc
import os
import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, NoReturn

from buswright._version import __version__
from buswright.cli.terminal.streams import let_go, put_json, put_lines, standing_streams, to_nowhere
from buswright.errors import UserError
from buswright.writing import HINTS, WritingError, writing_error

if TYPE_CHECKING:
    from _typeshed import SupportsWrite

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("guided", "decode, calibrate and judge the invented car; needs no files"),
    "interfaces": ("captures", "list CAN adapters, each with the SOURCE that listens to it"),
    "record": ("captures", "record live buses to a file, crash-safe, with markers"),
    "contents": ("captures", "list what a capture holds: buses, identifiers, duration, clock, problems"),
    "cut": ("captures", "cut, merge and convert captures"),
    "decode": ("captures", "write channels to Parquet or CSV files"),
    "draft": ("car_file", "draft a car file from captures and databases"),
    "database": ("car_file", "turn a data-sheet table into a database and back; merge, compare and check databases"),
    "survey": (
        "buses",
        "say what unknown frames carry: counters, checksums, likely signals, which channel they follow",
    ),
    "check": ("car_file", "check the car file and its databases; list every fault with line and hint"),
    "health": ("runs", "check the buses: load, rates, missing frames, counters, errors"),
    "diagnose": ("runs", "say what is wrong and where, worst first; how far each channel can be trusted"),
    "remember": ("runs", "save the baseline of a good run in one readable file"),
    "compare": ("runs", "list what changed from one run to another, worst first"),
    "watch": ("guided", "open the terminal workbench on live buses or a capture"),
    "bench": ("guided", "test a module on the bench by a plan, or the car at key-on; write the sheet"),
    "calibrate": ("car_file", "fit a sensor's curve to readings, or set a channel's zero; keep it in the car file"),
    "layout": ("buses", "document the buses: modules, frames, bits, channels, wiring, what is unknown"),
    "verify": ("buses", "say whether a car still matches its layout document"),
    "season": ("runs", "keep many runs in one place: decode once, list, find what changes from run to run"),
    "capacity": ("buses", "say whether something fits on a bus: load, response times, identifiers, log size"),
    "pack": ("car_file", "pack a car file with its databases into one ZIP file, to hand over"),
    "unpack": ("car_file", "take in a stranger's pack: bounded, inside one folder, checked"),
    "take": ("car_file", "take a sensor, or a module with its messages, over from another car file"),
    "differences": ("car_file", "list what changed from one car file or pack to another, by meaning"),
    "guide": ("guided", "read the manual in the terminal"),
}
"""Name, the folder of `commands` that has its module, and one line of help, in the order shown."""

REPORT_TO = "Please report it on the project's issue list, with the command and, if you can, the capture"


GARBAGE = 200_000
"""Objects until Python looks for rings of garbage: more than a command loads. All that stays, and looking takes 5 %."""
BLAS_THREADS = "OPENBLAS_NUM_THREADS"
"""NumPy starts threads for linear algebra, which wait by spinning: a tenth of a second of the other core, and none of
our matrices is large enough for two. Processes of ours inherit it; who has set it is not overruled."""
_ELSEWHERE = "send it to a file or a pipe that takes it, for example > result.txt"


class Parser(argparse.ArgumentParser):
    """Raises what was wrong with the call, like every other error."""

    def error(self, message: str) -> NoReturn:
        """Raise it, with where the usage stands."""
        choice = re.fullmatch(r"argument (.*?): invalid choice: '(.*?)' \(choose from (.*)\)", message, re.DOTALL)
        number = re.fullmatch(r"argument (.*?): invalid (int|float) value: '(.*)'", message, re.DOTALL)
        if number is not None:
            kind = "a whole number" if number[2] == "int" else "a number"
            hint = f"{self.prog} --help explains {number[1]}"
            raise UserError(f"{number[1]} {number[3]}: must be {kind}", hint=hint)
        from buswright.wording import did_you_mean  # only where something went wrong

        if choice is None:
            raise UserError(message, hint=f"{self.prog} --help")
        if choice[1] != "COMMAND":
            choices = [each.strip("'") for each in choice[3].split(", ")]
            raise UserError(message, hint=did_you_mean(choice[2], choices, f"{self.prog} --help"))
        every = f"{self.prog} --help lists the commands"
        near = did_you_mean(choice[2], COMMANDS, shown=lambda name: f"{self.prog} {name}")
        raise UserError(f"there is no command {choice[2]}", hint=f"{near} {every}".strip())

    def print_help(self, file: SupportsWrite[str] | None = None) -> None:
        """Print it; argparse itself would pass over a standard output that is full."""
        (file or sys.stdout).write(self.format_help())


_ALIKE = (
    frozenset({"--select", "--channel", "--channels", "--signal", "--signals"}),
    frozenset({"--out", "--output", "--record", "--save"}),
    frozenset({"--dbc", "--database", "--databases"}),
    frozenset({"--seconds", "--duration"}),
)
"""Options that ask for the same, in one command or another, or as people call them."""


def _not_recognised(command: str, words: Sequence[str]) -> UserError:
    """Say which words a command doesn't take, and its option that is nearest to the first in meaning or letters."""
    from buswright.wording import did_you_mean

    wrong = next((word.partition("=")[0] for word in words if word.startswith("-")), "")
    known = _options_of(command)
    alike = [each for group in _ALIKE if wrong in group for each in known if each in group]
    hint = did_you_mean(wrong, alike or known, f"buswright {command} --help", cutoff=0.0 if alike else 0.6)
    return UserError(f"unrecognized arguments: {' '.join(words)}", hint=hint)


def _options_of(command: str) -> list[str]:
    parser = argparse.ArgumentParser()
    module_of(command).configure(parser)
    return re.findall(r"--[a-z][a-z-]*", parser.format_usage())


def _parse(arguments: Sequence[str]) -> tuple[argparse.Namespace, list[str]]:
    """Parse a call; an option that the command doesn't have is named before what the call lacks."""
    wanted = next((word for word in arguments if not word.startswith("-")), "")
    try:
        return build_parser(wanted).parse_known_args(arguments)
    except UserError as error:
        if wanted not in COMMANDS or "arguments are required" not in error.message:
            raise
        options = arguments[: arguments.index("--")] if "--" in arguments else arguments
        known = _options_of(wanted)
        unknown = [word for word in options if word.startswith("--") and word.partition("=")[0] not in known]
        if not unknown:
            raise
        raise _not_recognised(wanted, unknown) from error


def module_of(name: str) -> ModuleType:
    """Return the module of a command."""
    return import_module(f"buswright.cli.commands.{COMMANDS[name][0]}.{name}")


def build_parser(wanted: str | None = None) -> argparse.ArgumentParser:
    """Build the parser; only the wanted command's module is imported, all of them for None."""
    parser = Parser(
        prog="buswright",
        allow_abbrev=False,  # an abbreviation may mean another option in the next version
        description="Decode, calibrate and trust every channel on a race car's CAN bus.",
        epilog="`buswright COMMAND --help` explains a command. Buswright only listens: it sends no data frames.",
    )
    parser.add_argument("--version", action="version", version=f"buswright {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (_, text) in COMMANDS.items():
        if wanted in (None, name):
            module = module_of(name)
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
    """Run one command; return its exit status.

    Raises
    ------
    UserError
        The call or the input was wrong.
    """
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    options, behind = _parse(arguments)
    # argparse before Python 3.13 takes no SOURCE behind an option that follows the words before it: PLAN --by X SOURCE.
    several = next((name for name in ("source", "names") if hasattr(options, name)), "")
    if behind and (not several or any(word.startswith("-") for word in behind)):
        raise _not_recognised(options.command, behind)
    if behind:
        setattr(options, several, [*getattr(options, several), *behind])
    if not hasattr(options, "jobs"):
        return int(options.run(options))
    from buswright.cli.options import reading_ahead

    with reading_ahead(options):
        status: int = options.run(options)
    return status


def entry() -> None:
    """Run as a console script: every error ends here."""
    gc.set_threshold(GARBAGE)
    os.environ.setdefault(BLAS_THREADS, "1")
    arguments = sys.argv[1:]
    with standing_streams() as unheard:
        status = status_of(arguments)
        if unheard() and status in (0, 1):
            _say(WritingError("standard output is closed: the result was not printed", hint=_ELSEWHERE), as_json=False)
            status = 2
    for stream in (sys.stdout, sys.stderr):
        let_go(stream)
    sys.exit(status)


def status_of(arguments: Sequence[str]) -> int:
    """Run one command; print what was wrong, and return the exit status."""
    try:
        try:
            status = main(arguments)
        except SystemExit as end:  # --help and --version
            status = int(end.code or 0)
        sys.stdout.flush()
    except UserError as error:
        return _said(error, as_json="--json" in arguments)
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        to_nowhere(sys.stdout)
        return 0
    except OSError as fault:
        if fault.errno not in HINTS:
            return _fault_of_ours()
        return _said(_of_system(fault), as_json="--json" in arguments)
    except Exception:  # noqa: BLE001  (the one catch site)
        return _fault_of_ours()
    return status


def _fault_of_ours() -> int:
    import traceback

    traceback.print_exc()
    print(f"\nThis is a fault in Buswright {__version__}. {REPORT_TO}.", file=sys.stderr)
    return 3


def _of_system(fault: OSError) -> UserError:
    """Say what the system refused: the file that it names, or else standard output, which all results end at."""
    if fault.filename is not None:
        return writing_error(fault.filename, fault, "can't be used")
    return WritingError(f"the result can't be printed: {fault.strerror or fault}", hint=_ELSEWHERE)


def _said(error: UserError, *, as_json: bool) -> int:
    """Print an error, also where standard output takes nothing; return its exit status."""
    try:
        _say(error, as_json=as_json)
        sys.stdout.flush()
    except OSError as fault:
        to_nowhere(sys.stdout)
        if error.hint != _ELSEWHERE and not isinstance(fault, BrokenPipeError):
            _say(_of_system(fault), as_json=False)
    return error.exit_code


def _say(error: UserError, *, as_json: bool) -> None:
    with suppress(OSError):
        first, *more = error.lines
        put_lines([f"buswright: {first}", *more, *([f"  try: {error.hint}"] if error.hint else [])], error=True)
    if as_json:
        document = {"schema": "buswright.error/1", "error": {"message": error.message, "hint": error.hint}}
        put_json(document)
