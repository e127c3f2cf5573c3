"""DBC to table to DBC over every DBC of cantools' source distribution and of the example car: nothing is lost."""

from pathlib import Path

import pytest

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.layout.differences.messages import databases
from buswright.messages.database import database_of_text, load_database
from buswright.messages.dbc.writing import SAID_ELSEWHERE, dbc_of
from buswright.messages.sheet.read import database_of, load_table
from buswright.messages.sheet.write import table_bytes
from tests.source_distributions import source_distribution

EXAMPLES = Path(__file__).parents[3] / "dbc_examples"
LEAST_FILES = 75


@pytest.fixture(scope="module")
def files():
    return [*sorted(source_distribution("cantools").rglob("*.dbc")), *sorted(EXAMPLES.glob("*.dbc"))]


def there_and_back(database, path):
    """Write a table, read it, write a DBC, read that: return it with both tables."""
    first = table_bytes(database, path)
    path.write_bytes(first)
    read = database_of(load_table(path))
    faults = [str(note) for note in read.notes if note.severity >= Severity.SUSPECT]
    assert not faults
    made = database_of_text(dbc_of(read.messages, of=read), "made.dbc")
    assert not made.notes
    return made, first, table_bytes(made, path)


def own_attributes(thing):
    return {name: value for name, value in thing.attributes.items() if name not in SAID_ELSEWHERE}


@pytest.mark.parametrize("ending", [".csv", ".xlsx", ".toml"])
def test_no_database_loses_anything_on_its_way_through_a_table(ending, files, tmp_path):
    tried = 0
    for path in files:
        try:
            database = load_database(path)
        except DatabaseError:
            continue  # what can't be loaded is held by test_database.py
        if not database.messages:
            continue
        tried += 1
        made, first, second = there_and_back(database, tmp_path / f"table{ending}")
        assert first == second, path.name
        differences = [
            each
            for each in databases({"": database}, {"": made})
            if each.before.strip() != each.after.strip()  # blanks at the ends of comments
        ]
        assert not differences, path.name
        for old, new in zip(database.messages, made.messages, strict=True):
            assert own_attributes(old) == own_attributes(new), path.name
            for one, other in zip(old.signals, new.signals, strict=True):
                assert own_attributes(one) == own_attributes(other), path.name
                assert one.receivers == other.receivers
                assert (one.scale, one.offset, type(one.scale)) == (other.scale, other.offset, type(other.scale))
    assert tried >= LEAST_FILES
