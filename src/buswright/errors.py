"""The one exception root, and the subclass whose text is meant for the user."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager


class BuswrightError(Exception):
    """Root of everything this package raises on purpose."""

    exit_code = 3


class UserError(BuswrightError):
    """The input or the call was wrong; the text says what, where and what to try.

    Parameters
    ----------
    message
        What is wrong, with the file and line where there is one; several lines where it takes them.
    hint
        What to try next, one sentence; empty if there is nothing to say.

    Attributes
    ----------
    lines
        The message line by line. A line end within one of them stands in the text of a file, or in a name.
    """

    exit_code = 2

    def __init__(self, message: str | Sequence[str], *, hint: str = "") -> None:
        self.lines = (message,) if isinstance(message, str) else tuple(message)
        self.message = "\n".join(self.lines)
        super().__init__(self.message)
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}\n  try: {self.hint}" if self.hint else self.message


class CaptureError(UserError):
    """A capture can't be opened or read at all."""


class DatabaseError(UserError):
    """A database file can't be loaded."""


class CarFileError(UserError):
    """A car file has faults; `faults` lists all of them, one per line of text."""

    def __init__(self, message: str | Sequence[str], *, faults: tuple[str, ...] = (), hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.faults = faults


class FormulaError(UserError):
    """A formula can't be accepted; `column` is the 0-based position of the fault in its text."""

    def __init__(self, message: str | Sequence[str], *, column: int = 0, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.column = column


@contextmanager
def needing(message: str, extra: str) -> Iterator[None]:
    """Say what a package of an extra that isn't installed is needed for, and how to install it.

    Raises
    ------
    UserError
        What is imported within isn't there.
    """
    try:
        yield
    except ImportError:
        raise UserError(message, hint=f"pip install 'buswright[{extra}]'") from None
