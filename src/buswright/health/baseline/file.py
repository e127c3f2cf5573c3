"""A baseline as a JSON file that a person can read, and back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from buswright.errors import UserError
from buswright.health.baseline.baseline import Baseline
from buswright.records import laid_out, read_record, to_plain
from buswright.writing import write_whole

SCHEMA = "buswright.baseline/1"
_MOST_BYTES = 64 << 20
_HINT = "write it again with `buswright remember`"


class BaselineError(UserError):
    """A baseline file can't be read."""


def save(baseline: Baseline, path: Path) -> None:
    """Write a baseline; an older file of that name is replaced as a whole."""
    write_whole(path, baseline_text(baseline))


def load(path: Path) -> Baseline:
    """Read a baseline.

    Raises
    ------
    BaselineError
        It can't be read, isn't a baseline, or has a value of the wrong kind; the text says where.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise BaselineError(f"{path}: has more than {_MOST_BYTES >> 20} MiB, so it is no baseline")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise BaselineError(f"{path}: can't be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise BaselineError(f"{path}: is no JSON", hint=_HINT) from None
    return baseline_in(text, str(path))


def baseline_in(text: str, title: str) -> Baseline:
    """Read the text of a baseline, which comes from `title`; raises as `load`."""
    return read_record(
        Baseline, text, title, schema=SCHEMA, noun="baseline", hint=_HINT, error=BaselineError, partial=True
    )


def is_baseline(path: Path) -> bool:
    """Whether a file begins like a baseline; its content is not looked at any further."""
    try:
        with path.open("rb") as file:
            head = file.read(400).lstrip(b"\xef\xbb\xbf \t\r\n")
    except OSError:
        return False
    return head.startswith(b"{") and b'"schema"' in head


def document_of(baseline: Baseline) -> dict[str, Any]:
    """Return the baseline as a JSON document."""
    return {"schema": SCHEMA, **to_plain(baseline)}


def baseline_text(baseline: Baseline) -> str:
    """Write the document with one identifier or channel a line, as far as it fits."""
    return laid_out(document_of(baseline)) + "\n"
