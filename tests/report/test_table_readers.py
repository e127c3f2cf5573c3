"""Every form of Parquet file as pandas, polars and DuckDB read it."""

import json
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

import buswright as bw
from buswright.channels.samples.series import BAD, Quality
from buswright.cli.main import main
from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture

ROOT = Path(__file__).parent.parent.parent
CAR = ROOT / "dbc_examples" / "wrenfell.toml"


@pytest.fixture(scope="module")
def flaky(tmp_path_factory):
    """Files of each form, of a car with an open wire from 2 to 4 s, and the session of the same capture."""
    folder = tmp_path_factory.mktemp("forms")
    log = folder / "run.log"
    with log.open("wb") as stream:
        write_candump(SimulatedCapture(5.0, 1, faults=[read_fault("open-circuit:channel:oil_pressure@2-4s")]), stream)
    words = ["decode", str(log), "--car", str(CAR), "--select", "oil_*", "--out"]
    for out in ("each/", "long.parquet", "wide.parquet", "long.csv", "wide.csv"):
        more = ("--rate", "50") if out.startswith("wide") else ()
        assert main([*words, f"{folder}/{out}", *more]) == 0
    database = ROOT / "dbc_examples" / "wrenfell_chassis.dbc"
    assert main(["decode", str(log), "--dbc", str(database), "--out", f"{folder}/signals/"]) == 0
    return folder, bw.open_session(log, CAR)


# Where a form has the values of oil_pressure, and which rows are valid: in SQL and in pandas.
FORMS = {
    "each/chassis.ANALOGUE_A.parquet": (
        "oil_pressure",
        '"oil_pressure.valid"',
        lambda table: table["oil_pressure.valid"],
    ),
    "long.parquet": (
        "value",
        "channel = 'oil_pressure' and valid",
        lambda table: (table["channel"] == "oil_pressure") & table["valid"],
    ),
    "wide.parquet": ("oil_pressure", "true", lambda table: table.index >= 0),
}


@pytest.mark.parametrize("form", FORMS)
def test_moments_and_a_plain_mean_are_right_in_every_reader(flaky, form):
    folder, session = flaky
    path, (column, where, rows) = str(folder / form), FORMS[form]
    oil = session["oil_pressure"]
    assert 0.3 < 1 - oil.valid.mean() < 0.5  # the open wire
    wanted = (
        session.resampled(50, ["oil_pressure"])[1]["oil_pressure"].value if form[0] == "w" else oil.value[oil.valid]
    )
    from_duckdb = duckdb.sql(f"select \"{column}\", epoch_ns(time) = time_ns from '{path}' where {where}").fetchall()
    frame = pl.read_parquet(path)
    from_polars = pl.SQLContext(data=frame).execute(f'select "{column}" from data where {where}').collect()[column]
    from_pandas = pd.read_parquet(path)
    for mean in (
        np.mean([value for value, _ in from_duckdb if value is not None]),
        from_polars.mean(),
        from_pandas[rows(from_pandas)][column].mean(),
    ):
        assert mean == pytest.approx(np.nanmean(wanted), rel=1e-12)
    assert all(same for _, same in from_duckdb)
    assert frame.schema["time"] == pl.Datetime("ns", "UTC")
    assert frame["time"].dt.epoch("ns").to_list() == frame["time_ns"].to_list()
    assert from_pandas["time"].dt.as_unit("ns").astype("int64").tolist() == from_pandas["time_ns"].tolist()


def test_csv_is_read_by_every_reader_too(flaky):
    """The wide one has no value that can't be used; in the long one the mask of the manual leaves these out."""
    folder, session = flaky
    oil, bad = session["oil_pressure"], int(BAD)
    long = f"channel = 'oil_pressure' and quality & {bad} = 0"
    for form, column, where, wanted in (
        ("wide.csv", "oil_pressure [bar]", "true", session.resampled(50, "oil_pressure")[1]["oil_pressure"].value),
        ("long.csv", "value", long, oil.value[oil.valid]),
    ):
        path = str(folder / form)
        frame, table = pl.read_csv(path), pd.read_csv(path)
        if form == "long.csv":
            frame = frame.filter((pl.col("channel") == "oil_pressure") & (pl.col("quality") & bad == 0))
            table = table[(table["channel"] == "oil_pressure") & (table["quality"] & bad == 0)]
        (from_duckdb,) = duckdb.sql(f"select mean(\"{column}\") from '{path}' where {where}").fetchall()[0]
        means = [from_duckdb, frame[column].mean(), table[column].mean()]
        assert means == pytest.approx([np.nanmean(wanted)] * 3, rel=1e-12)


def test_a_table_says_its_units_and_what_its_quality_means(flaky):
    folder, _ = flaky
    for form in (*FORMS, "signals/can1.ANALOGUE_A.parquet"):
        schema = pq.read_schema(folder / form)
        said = {key.decode(): value.decode() for key, value in schema.metadata.items()}
        assert int(said["bad_quality"]) == int(BAD)
        assert {int(bit): name for bit, name in json.loads(said["quality_bits"]).items()} == {
            int(bit): bit.name for bit in Quality
        }
        if form == "long.parquet":
            assert set(duckdb.sql(f"select distinct channel, unit from '{folder / form}'").fetchall()) == {
                ("oil_pressure", "bar"),
                ("oil_temperature", "°C"),
                ("oil_pressure_margin", "bar"),
            }
            continue
        units = pd.read_parquet(folder / form).attrs["units"]
        assert units == {
            field.name: field.metadata[b"unit"].decode()
            for field in schema
            if b"unit" in (field.metadata or {}) and field.name != "seconds"
        }
        assert form[0] == "s" or units["oil_pressure"] == "bar"
    assert "mV" in units.values()


def test_the_mask_finds_what_the_column_calls_valid(flaky):
    folder, _ = flaky
    path = folder / "long.parquet"
    mask = pq.read_schema(path).metadata[b"bad_quality"].decode()
    differing = f"select count(*) from '{path}' where (quality & {mask} = 0 and not isnan(value)) != valid"
    assert duckdb.sql(differing).fetchall() == [(0,)]
    assert duckdb.sql(f"select count(*) from '{path}' where not valid").fetchall()[0][0] > 90


CLOCK = """BU_: GPS
BO_ 257 FIX: 8 GPS
 SG_ Time : 0|32@1+ (1,0) [0|0] "s" GPS
 SG_ seconds : 32|8@1+ (1,0) [0|0] "s" GPS
"""


@pytest.mark.parametrize("more", [(), ("--rate", "5")], ids=["each", "wide"])
def test_a_signal_called_time_takes_no_column_of_the_table(tmp_path, more):
    (tmp_path / "clock.dbc").write_text(CLOCK)
    car = tmp_path / "car.toml"
    car.write_text(
        'format = 1\n[bus.body]\nbitrate = 500_000\ninterfaces = ["can0"]\ndatabases = ["clock.dbc"]\n'
        '[channel.time]\nsignal = "body/FIX/Time"\n[channel.seconds]\nsignal = "body/FIX/seconds"\n'
    )
    (tmp_path / "run.log").write_text("".join(f"({k}.000000) can0 101#0700000009\n" for k in range(3)))
    out = tmp_path / ("x.parquet" if more else "x")
    words = ["decode", str(tmp_path / "run.log"), *more, "--out", f"{out}{'' if more else '/'}"]
    for source, name in (("--car", "time"), ("--dbc", "Time")):
        if more and source == "--dbc":
            continue
        assert main([*words, source, str(car if name == "time" else tmp_path / "clock.dbc"), "--force"]) == 0
        (path,) = [out] if more else out.glob("*.parquet")
        frame = pl.read_parquet(path)
        assert set(frame[f"{name}.value"].to_list()) == {7}
        assert set(frame["seconds.value"].to_list()) == {9}
        assert frame.schema["time"] == pl.Datetime("ns", "UTC")
