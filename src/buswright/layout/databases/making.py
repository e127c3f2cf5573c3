"""From the files that a user names to one checked database, and to the file that holds it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.layout.databases.merging import Conflict, Given, merge_databases
from buswright.layout.differences.messages import message_differences
from buswright.messages.database import database_of_text, dbc_text_of, load_database
from buswright.messages.dbc.writing import dbc_of, frame_id
from buswright.messages.lint import lint
from buswright.messages.model import Database, LintNote
from buswright.messages.sheet.grid import is_table
from buswright.messages.sheet.read import Table, database_of, load_table
from buswright.messages.sheet.write import not_in_a_table, table_bytes


@dataclass(frozen=True, slots=True)
class Made:
    """A database, checked: the files that it is made of as the user named them, what it says, the same as a DBC.

    `notes` say what is wrong with the files, `conflicts` what two of them say differently.
    """

    paths: tuple[str, ...]
    database: Database
    text: str
    notes: tuple[LintNote, ...]
    conflicts: tuple[Conflict, ...]

    @property
    def opposed(self) -> bool:
        """Whether files contradict each other in what decides values."""
        return any(each.severity >= Severity.SUSPECT for each in self.conflicts)


def load(path: Path, readings: Collection[str] = ()) -> tuple[Database, Table | None]:
    """Load a database or a table.

    Raises
    ------
    DatabaseError
        It can't be read.
    """
    if is_table(path):
        table = load_table(path)
        return database_of(table, readings), table
    return load_database(path), None


def make(given: Sequence[tuple[str, Database, Table | None]]) -> Made:
    """Put databases and tables together and check them.

    Raises
    ------
    DatabaseError
        They can't be put together.
    """
    parts = [Given(path, database, _text(path, database, table)) for path, database, table in given]
    merged = merge_databases(parts)
    shown = parts[0].path if len(parts) == 1 else "the merged database"
    database = database_of_text(merged.text, shown) if any(len(part.database) for part in parts) else parts[0].database
    notes = [note for part in parts for note in lint(part.database)]
    notes += _not_kept(parts, database)
    return Made(tuple(part.path for part in parts), database, merged.text, tuple(notes), merged.conflicts)


def _text(path: str, database: Database, table: Table | None) -> str:
    """Return a DBC's own text where it is sound, so that nothing of it is lost; else what is understood of the file."""
    own = dbc_text_of(Path(path)) if table is None and not database.notes else None
    return dbc_of(database.messages, of=database) if own is None else own


def _not_kept(parts: Sequence[Given], made: Database) -> list[LintNote]:
    """Compare what was read with what the text that is written says: it must be the same."""
    wanted = {frame_id(message): message for part in parts for message in part.database.messages}
    found = {frame_id(message): message for message in made.messages}
    notes = []
    for key, message in wanted.items():
        other = found.get(key)
        said = "is not in it" if other is None else next(
            (each.text for each in message_differences("", message, other) if each.severity > Severity.NOTE), ""
        )  # fmt: skip
        if said:
            text = f"{message.name}: a DBC can't hold it as it is: {said}"
            hint = "simplify this message, or keep the original file"
            notes.append(LintNote("not-kept", Severity.FAULT, message.name, "", message.path, message.line, text, hint))
    return notes


def content(made: Made, path: Path) -> tuple[bytes, list[str]]:
    """Return what to write into a file, by the ending of its name, and what of the database it can't hold.

    Raises
    ------
    DatabaseError
        The ending stands for neither a DBC nor a table.
    """
    if path.suffix.lower() == ".dbc":
        return made.text.encode(), []
    if not is_table(path):
        raise DatabaseError(
            f"{path}: neither a database nor a table is written so", hint="end it in .dbc, .csv, .toml or .xlsx"
        )
    return table_bytes(made.database, path), not_in_a_table(made.database)
