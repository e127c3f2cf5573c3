import json
import shutil
from dataclasses import replace

import jsonschema
import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

import buswright as bw
from buswright.cli.main import status_of
from buswright.errors import UserError
from buswright.season.place.opening import open_place
from buswright.season.run import Noted, Run
from buswright.season.tables.query import COLUMNS, locked
from buswright.season.tables.season import _of_catalogue
from buswright.season.tables.stored import StoredRun

from .conftest import CAR, RUN
from .test_season import SCHEMA

HIGHEST = "select run, max(value) as highest from oil_pressure where valid group by run order by run"


@pytest.fixture(scope="module")
def opened(made):
    return bw.open_season(made / "season")


def test_a_season_says_in_a_notebook_what_it_holds(opened):
    assert f"{len(opened.runs)} runs, {len(opened.channels)} channels" in repr(opened)


def truth(made, opened, column="oil_pressure"):
    """What the files of each run hold, read one by one."""
    folder = made / "season" / "runs"
    tables = [pq.read_table(folder / run.folder / run.tables["oil_pressure"]).to_pandas() for run in opened.runs]
    return [table[table["oil_pressure.valid"]][column] for table in tables]


def test_one_channel_over_all_runs_is_the_same_in_sql_pandas_polars_and_the_files(made, opened):
    wanted = [float(each.max()) for each in truth(made, opened)]
    rows = opened.query(HIGHEST)
    assert rows.columns == ("run", "highest")
    assert rows.to_arrow()["highest"].to_pylist() == wanted
    assert rows.to_pandas()["highest"].tolist() == rows.to_polars()["highest"].to_list() == wanted
    channel = opened["oil_pressure"]
    frame = channel.to_pandas()
    assert tuple(frame.columns) == COLUMNS
    assert frame[frame["valid"]].groupby("run", observed=True)["value"].max().tolist() == wanted
    lazy = channel.to_polars()
    assert isinstance(lazy, pl.LazyFrame)
    found = lazy.filter("valid").group_by("run").agg(pl.max("value")).sort(pl.col("run").cast(pl.String)).collect()
    assert found["value"].to_list() == wanted
    database = channel.to_duckdb()
    assert database.sql("select max(value) from oil_pressure where valid").fetchall() == [(max(wanted),)]


def test_seconds_count_from_the_first_frame_and_units_raw_numbers_and_volts_are_those_of_the_run(made, opened):
    frame = opened["oil_pressure"].to_pandas()
    frame = frame[frame["run"] == opened.runs[1].name]
    run = opened.runs[1]
    own = pq.read_table(made / "season" / "runs" / run.folder / run.tables["oil_pressure"]).to_pandas()
    assert frame["seconds"].tolist() == ((own["time_ns"] - run.start_ns) / 1e9).tolist()
    assert 0 <= frame["seconds"].min() < 1
    assert frame["seconds"].max() <= run.seconds
    assert frame["raw"].tolist() == own["oil_pressure.raw"].astype(float).tolist()
    assert frame["volts"].tolist() == own["oil_pressure.volts"].tolist()
    assert set(frame["unit"]) == {"bar"}


def test_messages_the_catalogue_and_numbers_are_tables_too(opened):
    raw = opened.query('select "oil_pressure.raw", "fuel_pressure.raw" from "chassis.ANALOGUE_A"').to_arrow()
    assert {str(each.type) for each in raw.schema} == {"uint16"}
    seconds = opened.query("select seconds from runs order by recorded").to_arrow()["seconds"].to_pylist()
    assert seconds == [run.seconds for run in opened.runs]
    assert opened.query("select count(*) n from findings").to_arrow()["n"].to_pylist() == [
        sum(len(run.findings) for run in opened.runs)
    ]
    asked = (
        "select max(n.max) m from numbers n join runs r using (run) where channel = 'oil_pressure' and phase = 'run'"
    )
    assert (
        opened.query(asked).to_arrow()["m"].to_pylist()
        == opened.query("select max(value) m from oil_pressure where valid").to_arrow()["m"].to_pylist()
    )
    assert opened.table("runs").to_pandas()["run"].tolist() == [run.name for run in opened.runs]
    both = (
        'select count(*) n from oil_pressure a asof join "engine_speed" b on a.run = b.run and a.time_ns >= b.time_ns'
    )
    assert opened.query(both).to_arrow()["n"].to_pylist()[0] > 0


@pytest.mark.parametrize(
    "sql",
    [
        "copy runs to '{out}.csv'",
        "copy runs to '{out}.parquet'",
        "export database '{out}'",
        "attach '{out}.db'",
        "select * from read_csv('{secret}')",
        "select * from read_text('{secret}')",
        "select * from read_parquet('{secret}')",
        "select * from '{secret}'",
        "select * from glob('/*')",
        "set enable_external_access = true",
        "set temp_directory = '{out}'",
        "reset lock_configuration",
        "load httpfs",
        "select * from hidden",
        "select 1; copy runs to '{out}.csv'",
        "prepare a as copy runs to '{out}.csv'; execute a",
    ],
)
def test_sql_reads_the_season_and_nothing_else_and_writes_nothing(opened, tmp_path, sql):
    hidden = pl.DataFrame({"a": [1]})
    assert len(hidden) == 1  # a variable of this program, which DuckDB would find by its name
    secret = tmp_path / "secret.csv"
    secret.write_text("a,b\n1,2\n")
    with pytest.raises(UserError, match="SQL"):
        opened.query(sql.format(out=tmp_path / "out", secret=secret)).to_arrow()
    assert [path.name for path in tmp_path.iterdir()] == ["secret.csv"]


def test_the_same_sql_would_write_where_nothing_is_closed(tmp_path):
    import duckdb

    duckdb.connect().execute(f"copy (select 1) to '{tmp_path / 'out.csv'}'")
    assert (tmp_path / "out.csv").exists()
    with pytest.raises(duckdb.PermissionException):
        locked().execute(f"copy (select 1) to '{tmp_path / 'more.csv'}'")


def test_wrong_sql_says_what_to_try(opened):
    for sql, hint in (
        ("select * from oil_presure", "did you mean oil_pressure?"),
        ("selec 1", "DuckDB's dialect"),
        ("select 1; select 2", "ask each by itself"),
        ("select nix from oil_pressure", "DuckDB's dialect"),
    ):
        with pytest.raises(UserError) as said:
            opened.query(sql)
        assert hint in (said.value.hint or "")
    with pytest.raises(UserError, match="no run of the season has this channel"):
        opened["oil_presure"]
    with pytest.raises(UserError, match="no season here") as said:
        bw.open_season("nowhere")
    assert "open_season('FOLDER')" in said.value.hint
    with pytest.raises(UserError, match="name of the season is empty"):
        bw.open_season("")


def test_a_pivot_which_duckdb_takes_apart_is_one_question(opened):
    assert len(opened.query("pivot runs on run using count(*) group by seconds").to_arrow())


def test_a_text_or_comment_that_names_a_channel_reads_none(opened, monkeypatch):
    monkeypatch.setattr(type(opened), "__getitem__", lambda *_: pytest.fail("was read"))
    assert len(opened.query("select 'oil_pressure' as a; -- oil_pressure; more\n").to_arrow()) == 1


def test_findings_of_the_table_runs_are_as_many_as_list_and_diagnose_say_and_notes_are_apart(opened):
    found = tuple(Noted("f", "s", severity, 1, "words") for severity in ("fault", "suspect", "note"))
    run = replace(opened.runs[0], findings=found)
    (row,) = _of_catalogue("runs", [run]).to_arrow().to_pylist()
    assert (row["findings"], row["notes"]) == (2, 1)
    assert len(_of_catalogue("findings", [run]).to_arrow()) == 3


def test_runs_that_can_not_be_read_are_told_and_the_others_answer(season, capsys):
    first, second = sorted((season / "season/runs").iterdir())
    (first / "chassis.ANALOGUE_A.parquet").write_bytes(b"PAR1 nothing PAR1")
    rows = bw.open_season(season / "season").query(HIGHEST)
    assert rows.to_arrow()["run"].to_pylist() == [second.name.rpartition(".")[0]]
    assert len(rows.unread) == 1
    assert status_of(["season", "query", HIGHEST, "--season", str(season / "season")]) == 2
    said = capsys.readouterr().out
    assert f"problem: {first.name.rpartition('.')[0]}: chassis.ANALOGUE_A.parquet can't be read" in said
    assert rows.to_arrow()["run"].to_pylist()[0] in said
    (first / "numbers.parquet").write_bytes(b"PAR1 nothing PAR1")
    for action in (["list", "--fail-on", "never"], ["channel", "oil_pressure", "--over", "max"]):
        assert status_of(["season", *action, "--season", str(season / "season")]) == 2
        said = capsys.readouterr().out
        assert f"problem: {first.name.rpartition('.')[0]}: its numbers can't be read" in said
        assert second.name.rpartition(".")[0] in said


def test_a_channel_whose_raw_numbers_and_unit_changed_between_runs(season):
    folder = sorted((season / "season/runs").iterdir())[0] / "chassis.ANALOGUE_A.parquet"
    table = pq.read_table(folder)
    place = table.schema.get_field_index("oil_pressure.raw")
    wider = table.set_column(place, "oil_pressure.raw", table["oil_pressure.raw"].cast("int32"))
    wider = wider.cast(wider.schema.set(2, wider.schema.field(2).with_metadata({"unit": "psi"})))
    pq.write_table(wider.drop_columns("oil_pressure.volts"), folder)
    opened = bw.open_season(season / "season")
    units = opened.query(
        "select distinct run, unit, count(volts) as n from oil_pressure group by all order by run"
    ).to_arrow()
    assert units["unit"].to_pylist() == ["psi", "bar"]
    assert (units["n"].to_numpy() > 0).tolist() == [False, True]
    assert str(opened.table("chassis.ANALOGUE_A").dataset.schema.field("oil_pressure.raw").type) == "int32"


def test_the_command_prints_saves_and_lists(made, tmp_path, capsys):
    def said(*words, status=0):
        assert status_of(["season", "query", *words, "--season", str(made / "season")]) == status
        return capsys.readouterr()

    assert "2 rows from" in said(HIGHEST).out
    document = json.loads(said(HIGHEST, "--json").out)
    jsonschema.validate(document, SCHEMA)
    assert len(document["rows"]) == document["count"] == 2
    jsonschema.validate(json.loads(said("--json").out), SCHEMA)
    assert "  oil_pressure\n" in said().out
    csv, parquet = tmp_path / "a.csv", tmp_path / "a.parquet"
    samples = "select run, '=1+1' as text, value from oil_pressure"
    assert "saved as" in said(samples, "--csv", str(csv), "--parquet", str(parquet)).out
    table = pq.read_table(parquet)
    lines = csv.read_text(encoding="utf-8").splitlines()
    assert len(lines) == len(table) + 1
    assert '"\'=1+1"' in lines[1]
    assert np.isfinite(table["value"].to_numpy()).any()
    assert f"{len(table):,} rows" in said(samples).out
    assert "--csv FILE" in said(samples).out
    assert "exists" in said(samples, "--csv", str(csv), status=2).err
    assert "must end in .csv" in said(samples, "--csv", "a.txt", status=2).err
    assert "CSV can't hold this answer" in said("select [1] as a", "--csv", str(csv), "--force", status=2).err
    assert len(csv.read_text(encoding="utf-8").splitlines()) == len(lines)  # the old one is as it was
    assert "in quotes" in said("select", "1", status=2).err


def test_without_duckdb_it_says_how_to_install_it(made, monkeypatch, capsys):
    monkeypatch.setitem(__import__("sys").modules, "duckdb", None)
    assert status_of(["season", "query", "select 1", "--season", str(made / "season")]) == 2
    assert "pip install 'buswright[query]'" in capsys.readouterr().err
    assert status_of(["season", "list", "--season", str(made / "season")]) == 0


def test_the_start_of_a_run_without_a_date_is_zero():
    values = dict.fromkeys(("capture", "came_from", "sha256", "car", "car_file", "car_sha256", "version", "tool"), "")
    run = Run("a", "a", recorded=None, seconds=1.0, frames=1, bad_lines=0, files=(), verdict="", **values)
    assert run.start_ns == 0


def test_a_season_behind_a_url_is_asked_in_the_same_way(made, opened):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.put(str(made / "season"), "/asked", recursive=True)
    from buswright.season.tables.season import Season

    far = Season(open_place("memory://asked"))
    assert far.query(HIGHEST).to_arrow() == opened.query(HIGHEST).to_arrow()


def test_channels_called_like_columns_of_the_tables_are_found(tmp_path):
    car = (CAR.parent / "wrenfell.toml").read_text(encoding="utf-8")
    for old, new in (("throttle", "time"), ("gear_drum", "noise"), ("fuel_flow", "run")):
        car = car.replace(f"[channel.{old}]", f"[channel.{new}]")
    shutil.copytree(CAR.parent, tmp_path / "car")
    (tmp_path / "car" / "car.toml").write_text(car, encoding="utf-8")
    capture = tmp_path / "a.log"
    capture.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:2000]))
    place = ["--season", str(tmp_path / "s"), "--jobs", "1"]
    assert status_of(["season", "add", str(capture), "--car", str(tmp_path / "car" / "car.toml"), *place]) == 0
    opened = bw.open_season(tmp_path / "s")
    (run,) = opened.runs
    assert run.tables["time"].startswith("engine.")
    assert run.tables["noise"] != "numbers.parquet"
    values = opened.query('select max(value) as m, any_value(unit) as u from "time"').to_arrow().to_pylist()
    assert values[0]["u"] == "%"
    assert len(StoredRun.of(open_place(str(tmp_path / "s")), run).series("time")) == len(opened["time"].to_pandas())
    with pytest.raises(UserError, match="another name"):
        opened["run"]
