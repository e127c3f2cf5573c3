"""Databases made in a line, for tests."""

from __future__ import annotations

from pathlib import Path

from buswright.messages.database import load_database
from buswright.messages.model import Database, Message, Signal


def one_message(
    *signals: Signal,
    length: int = 8,
    identifier: int = 0x100,
    extended: bool = False,
    name: str = "M",
    protocol: str = "",
) -> Database:
    """A database of one message."""
    message = Message(
        name=name, id=identifier, extended=extended, length=length, signals=signals, protocol=protocol, fd=length > 8
    )
    return Database(paths=("made.dbc",), messages=(message,))


def from_text(folder: Path, text: str, name: str = "test.dbc") -> Database:
    """Load a DBC text."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return load_database(path)
