"""What holds for the tests of car files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from buswright.channels.carfile import files
from buswright.messages.database import load_database
from buswright.messages.model import Database


@pytest.fixture(scope="package", autouse=True)
def _databases_are_parsed_once() -> Iterator[None]:
    """Parse each content of a database file once: hundreds of car files are checked against the same few."""
    known: dict[tuple[Path, bytes], Database] = {}

    def load(path: Path) -> Database:
        key = path, path.read_bytes()
        if key not in known:
            known[key] = load_database(path)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "load_database", load)
        yield
