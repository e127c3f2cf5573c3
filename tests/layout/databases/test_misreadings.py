"""Tables printed in another convention than they are read in: named; tables that are read right: none."""

import numpy as np
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.layout.databases.heard import heard
from buswright.layout.databases.misreadings import judge
from buswright.messages.database import load_database
from buswright.messages.sheet.read import load_table
from buswright.messages.sheet.reading import READINGS
from buswright.messages.sheet.write import table_bytes
from tests.cli.outputs import ENGINE, EXAMPLES, RUN
from tests.layout.databases.maker import CONVENTIONS, case
from tests.messages.frame_batches import frames_of

TABLES = 60
FOUND = 0.95


def names(judged):
    return {each.name for each in judged.misreadings}


@pytest.mark.parametrize("convention", CONVENTIONS)
def test_a_misreading_is_named_and_a_right_table_gives_none(convention, tmp_path):
    table, capture, moved = case(convention, 1, tmp_path / "table.csv")
    judged = judge(table, (), capture)
    assert names(judged) == ({CONVENTIONS[convention]} if CONVENTIONS[convention] else set())
    for each in judged.misreadings:
        assert each.evidence
        assert 0.5 < each.confidence <= 1
        assert set(each.readings) <= READINGS.keys()
        assert set(each.signals) <= moved
        if each.readings:  # read as it says, nothing is left to say
            assert not judge(table, each.readings, capture).misreadings


@pytest.mark.acceptance
@pytest.mark.parametrize("convention", CONVENTIONS)
def test_so_it_is_over_many_tables(convention, tmp_path):
    wanted = {CONVENTIONS[convention]} - {""}
    found = 0
    for seed in range(1000, 1000 + TABLES):
        table, capture, moved = case(convention, seed, tmp_path / "table.csv")
        judged = judge(table, (), capture)
        concerned = {signal for each in judged.misreadings for signal in each.signals}
        found += names(judged) == wanted and concerned <= moved
    print(f"{convention}: {found} of {TABLES}")
    assert found >= (FOUND if wanted else 1.0) * TABLES


def test_the_tables_of_the_example_car_are_read_right(tmp_path):
    capture = heard(open_capture([RUN]))
    for name in (ENGINE, EXAMPLES / "wrenfell_chassis.dbc"):
        path = tmp_path / "table.csv"
        path.write_bytes(table_bytes(load_database(name), path))
        judged = judge(load_table(path), (), capture)
        assert not judged.misreadings
        assert judged.judged > 10


def test_what_is_kept_of_a_capture_is_the_same_however_it_is_cut():
    rng = np.random.default_rng(4)
    rows = [(int(rng.integers(3)) + 0x100, False, rng.bytes(12 if k % 3 == 0 else 8)) for k in range(300)]
    whole = heard([frames_of(rows)])
    parts = heard([frames_of(rows[:100]), frames_of(rows[100:])])
    assert whole.keys() == parts.keys() == {(0x100, False), (0x101, False), (0x102, False)}
    for name, each in whole.items():
        assert np.array_equal(each.bits, parts[name].bits)
