"""Formats read through python-can: one bad record costs no good one, and a stranger's file is only read."""

import sqlite3
from contextlib import closing

import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate

pytestmark = pytest.mark.usefixtures("in_this_process")

CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
TRC_HEADS = {
    "1.0": ";\n",
    "1.1": ";$FILEVERSION=1.1\n;$STARTTIME=46123.4\n;\n",
    "2.1": ";$FILEVERSION=2.1\n;$STARTTIME=46123.4\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n",
}
TRC_LINES = {
    "1.0": " {0:6}) {0:7}     0{1:03X}  1 00",
    "1.1": " {0:6})    {0}.0  Rx     0{1:03X}  1  00",
    "2.1": " {0:6}     {0}.000 DT  1 0{1:03X} Rx -  1    00",
}


def frames_between_bad_lines(head, good, bad, tmp_path):
    """Read a file whose good lines stand between bad ones; return identifiers and problems."""
    lines = [line for k in range(1, 8) for line in (good(k), bad[k % len(bad)])]
    (tmp_path / "run").write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    capture = open_capture(tmp_path / "run")
    return concatenate(list(capture)).id.tolist(), capture.problems


def test_bad_lines_of_csv_cost_no_good_one(tmp_path):
    bad = ("hello", "1.0,0x1,0,0,0,1", "x,0x1,0,0,0,1,AA==", ",,,,,,", "\x00", "1.0,0x1,0,0,0,1,AA==,")
    found, problems = frames_between_bad_lines(CSV_HEAD, lambda k: f"{k}.5,{k:x},0,0,0,1,EQ==", bad, tmp_path)
    assert found == [1, 2, 3, 4, 5, 6, 7]
    assert problems.rejected == 7
    assert next(iter(problems)).line == 3


@pytest.mark.parametrize(
    ("head", "good"), [(CSV_HEAD, "1.5,123,0,0,0,1,EQ=="), (TRC_HEADS["1.1"], TRC_LINES["1.1"].format(1, 0x123))]
)
def test_a_byte_order_mark_hides_no_format(head, good, tmp_path):
    found, _ = frames_between_bad_lines(f"\ufeff{head}", lambda _: good, ("",), tmp_path)
    assert found == [0x123] * 7


@pytest.mark.parametrize("version", TRC_HEADS)
def test_bad_lines_of_trc_cost_no_good_one(version, tmp_path):
    bad = ("hello", "1) x Rx 0100 1 00", "     2)   2.0", " 9 9 9 9 9 9 9 9 9 9", "\x00\x01")
    good = TRC_LINES[version].format
    found, problems = frames_between_bad_lines(TRC_HEADS[version], lambda k: good(k, k), bad, tmp_path)
    assert [each for each in found if each != 9] == [1, 2, 3, 4, 5, 6, 7]
    assert problems.rejected + found.count(9) == 7
    assert next(iter(problems)).line >= 4 - 2 * (version == "1.0")


def test_lines_of_trc_about_the_state_of_the_bus_are_told_but_not_rejected(tmp_path):
    state = "      2)         3.0  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY"
    good = TRC_LINES["1.1"].format
    found, problems = frames_between_bad_lines(TRC_HEADS["1.1"], lambda k: good(k, k), (state, ";", ""), tmp_path)
    assert found == [1, 2, 3, 4, 5, 6, 7]
    assert (problems.rejected, problems.noted) == (0, 2)


@pytest.mark.parametrize("line", ["$STARTTIME=soon", "$STARTTIME=nan", "$STARTTIME=1e300", "$FILEVERSION", "$COLUMNS"])
def test_a_bad_line_in_the_head_of_a_trc_costs_no_frame(line, tmp_path):
    good = TRC_LINES["1.1"].format
    head = f";$FILEVERSION=1.1\n;{line}\n"
    found, _ = frames_between_bad_lines(head, lambda k: good(k, k), (";",), tmp_path)
    assert found == [1, 2, 3, 4, 5, 6, 7]


SQLITE_TABLE = "CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data);"


def in_sqlite(path, script):
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(script)
    return open_capture(path)


def test_bad_rows_of_a_database_cost_no_good_one(tmp_path):
    good = "INSERT INTO messages VALUES (1.5, 291, 0, 0, 0, 1, x'11');"
    bad = ("(1.5, 291, 0, 0, 0, 1, 'text')", "('x', 1, 0, 0, 0, 0, NULL)", "(NULL, NULL, NULL, NULL, NULL, NULL, 5)")
    script = "".join(f"INSERT INTO messages VALUES {row};{good}" for row in bad)
    capture = in_sqlite(tmp_path / "run.db", SQLITE_TABLE + good + script)
    assert concatenate(list(capture)).id.tolist() == [291] * 4
    assert capture.problems.rejected == 3


def test_a_view_in_place_of_a_table_is_not_computed(tmp_path):
    endless = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x, 1, 0, 0, 0, 1, x'00' FROM c"
    capture = in_sqlite(tmp_path / "run.db", f"CREATE VIEW messages AS {endless};")
    assert not list(capture)
    assert "no table" in str(*capture.problems)


def test_a_strangers_database_is_not_written_to(tmp_path):
    path = tmp_path / "run.db"
    capture = in_sqlite(path, SQLITE_TABLE + "INSERT INTO messages VALUES (1.5, 291, 0, 0, 0, 1, x'11');")
    content = path.read_bytes()
    journal = path.with_name("run.db-journal")
    journal.write_bytes(b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(504))
    assert concatenate(list(capture)).id.tolist() == [291]
    assert [problem.reason.split(":")[0] for problem in capture.problems] == ["its journal was not taken"]
    assert path.read_bytes() == content
    assert journal.exists()
