"""The answers of health, diagnose and compare: those of the commands, from the same code and the same options."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from buswright.wording import plural

if TYPE_CHECKING:
    import pandas as pd

    from buswright.findings import Finding
    from buswright.health.baseline.differences import Difference

PathLike = str | os.PathLike[str]
Found = TypeVar("Found", bound="Finding | Difference")

_WIDTH = 100
"""Columns of a printed answer: those of a command whose output is no terminal."""


class Answer(Generic[Found]):
    """What a command found: a short `repr`, its text with `print`, its JSON and its findings as a data frame.

    Attributes
    ----------
    findings
        `Finding` each, worst first; of `compare` each is a `Difference`.
    """

    def __init__(self, command: str, sources: Sequence[str], renderer: Any, result: Any) -> None:
        self.findings: tuple[Found, ...] = tuple(result.differences if command == "compare" else result.findings)
        self._command, self._sources = command, tuple(sources)
        self._renderer, self._result = renderer, result

    def __repr__(self) -> str:
        kind = "difference" if self._command == "compare" else "finding"
        worst = f", worst: {max(each.severity for each in self.findings).name.lower()}" if self.findings else ""
        return f"<{self._command} of {', '.join(self._sources)}: {plural(len(self.findings), kind)}{worst}>"

    def __str__(self) -> str:
        text: str = self._renderer.render_text(self._result, width=_WIDTH)
        return text.rstrip("\n")

    def _repr_html_(self) -> str:
        return f"<pre>{escape(str(self))}</pre>"

    def to_dict(self) -> dict[str, Any]:
        """Return the document that the command prints with --json."""
        document: dict[str, Any] = self._renderer.render_json(self._result)
        return document

    def to_pandas(self) -> pd.DataFrame:
        """Return the findings as a data frame, a row each, with the columns of the JSON."""
        from buswright.channels.samples.indexed import pandas

        document = self.to_dict()
        rows = document["differences" if self._command == "compare" else "findings"]
        frame: pd.DataFrame = pandas().DataFrame(rows)
        return frame


def health(
    source: PathLike | Sequence[PathLike],
    car: PathLike | None = None,
    *,
    dbc: PathLike | Sequence[PathLike] = (),
    baseline: PathLike | None = None,
    start: float | str | None = None,
    stop: float | str | None = None,
) -> Answer[Finding]:
    """Say how the buses, modules and identifiers of a capture behave, as `buswright health` does.

    Parameters
    ----------
    source
        A file, several, a folder, or "demo".
    car, dbc, baseline
        The car file, databases, a good run. Without any it says what can be said of frames alone.
    start, stop
        Seconds from the first frame, or ISO 8601 times.

    Raises
    ------
    UserError
        A file is at fault, or there is no frame.
    """
    return _judged("health", source, car, dbc, **{"--baseline": baseline, "--from": start, "--to": stop})


def diagnose(
    source: PathLike | Sequence[PathLike],
    car: PathLike | None = None,
    *,
    dbc: PathLike | Sequence[PathLike] = (),
    baseline: PathLike | None = None,
    start: float | str | None = None,
    stop: float | str | None = None,
) -> Answer[Finding]:
    """Say what is wrong, in which layer, and what to check next, as `buswright diagnose` does.

    Parameters
    ----------
    source, car, dbc, baseline, start, stop
        As for `health`.

    Raises
    ------
    UserError
        A file is at fault, or there is no frame.
    """
    return _judged("diagnose", source, car, dbc, **{"--baseline": baseline, "--from": start, "--to": stop})


def compare(
    earlier: PathLike,
    later: PathLike,
    car: PathLike | None = None,
    *,
    dbc: PathLike | Sequence[PathLike] = (),
) -> Answer[Difference]:
    """List what changed from one run to another, as `buswright compare` does.

    Parameters
    ----------
    earlier, later
        Each a baseline file, a capture, a folder, or "demo".
    car, dbc
        As for `health`.

    Raises
    ------
    UserError
        A file is at fault, or there is no frame.
    """
    sources = [os.fspath(earlier), os.fspath(later)]
    options = _options("compare", sources, car, dbc)
    from buswright.cli.commands.runs.compare import comparison_of
    from buswright.report.health import compare as renderer

    return Answer("compare", sources, renderer, comparison_of(options))


def _judged(
    command: str,
    source: PathLike | Sequence[PathLike],
    car: PathLike | None,
    dbc: PathLike | Sequence[PathLike],
    **more: float | str | PathLike | None,
) -> Answer[Finding]:
    several = [source] if isinstance(source, str | os.PathLike) else source
    sources = [os.fspath(each) for each in several]
    options = _options(command, sources, car, dbc, **more)
    from buswright.cli import options as shared
    from buswright.cli.reading.examining import judge

    report = judge(options, baseline=shared.load_baseline(options)).report
    if command == "health":
        from buswright.report import health as renderer

        return Answer(command, sources, renderer, report)
    from buswright.report.diagnosis import diagnose as diagnosis

    return Answer(command, sources, diagnosis, diagnosis.Diagnosis(report))


def _options(
    command: str,
    sources: Sequence[str],
    car: PathLike | None,
    dbc: PathLike | Sequence[PathLike],
    **more: float | str | PathLike | None,
) -> argparse.Namespace:
    """Return the options of a command line: what a command leaves out means the same here."""
    from buswright.cli.main import module_of

    parser = argparse.ArgumentParser(add_help=False, allow_abbrev=False, exit_on_error=False)
    module_of(command).configure(parser)
    databases = [dbc] if isinstance(dbc, str | os.PathLike) else dbc
    words = [f"--dbc={os.fspath(each)}" for each in databases]
    words += [f"{option}={value}" for option, value in {"--car": car, **more}.items() if value is not None]
    return parser.parse_args([*words, "--", *sources])
