"""Channels written to files hold what the session holds, sliced or not."""

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from pyarrow import csv

import buswright as bw
from buswright.channels import slices as slicing
from buswright.cli.main import main

ROOT = Path(__file__).parent.parent.parent
RUN, CAR = ROOT / "captures" / "wrenfell_run.log", ROOT / "dbc_examples" / "wrenfell.toml"


@pytest.fixture(scope="module")
def session():
    return bw.open_session(RUN, CAR)


@pytest.fixture(params=["one slice", "many slices"])
def sliced(request, monkeypatch):
    if request.param == "many slices":
        monkeypatch.setattr(slicing, "SLICE_FRAMES", 15_000)
        monkeypatch.setattr("buswright.channels.slices.slices.__kwdefaults__", {"margin_s": 3.0, "frames": 15_000})
        monkeypatch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", 5_000)
    return request.param


def decode(*words):
    assert main(["decode", str(RUN), "--car", str(CAR), *map(str, words)]) == 0


def test_a_table_per_message(tmp_path, session, sliced, capsys):
    decode("--out", f"{tmp_path}/out/")
    seen = set()
    for path in (tmp_path / "out").iterdir():
        table = pq.read_table(path)
        for field in table.schema:
            name = field.name
            if name not in session:
                continue
            series = session[name]
            there = table[name].is_valid().to_numpy()
            if session.car.channels[name].formula is None:
                assert np.array_equal(table["time_ns"].to_numpy()[there], series.time_ns), name
                assert np.array_equal(table[name].to_numpy()[there], series.value, equal_nan=True), name
                assert np.array_equal(table[f"{name}.raw"].to_numpy()[there], series.raw), name
                if series.volts is not None:
                    assert np.array_equal(table[f"{name}.volts"].to_numpy()[there], series.volts), name
            assert field.metadata[b"unit"].decode() == series.unit
            seen.add(name)
    assert seen == set(session)


def test_one_long_table(tmp_path, session, sliced, capsys):
    path = tmp_path / "all.parquet"
    decode("--out", path, "--select", "damper_*", "--select", "coolant*", "--select", "distance")
    table = pq.read_table(path)
    channel = np.array(table["channel"].to_pylist())
    for name in ("damper_fl", "damper_rr", "coolant_temperature", "distance"):
        rows = channel == name
        assert np.array_equal(table["time_ns"].to_numpy()[rows], session[name].time_ns), name
        assert np.allclose(table["value"].to_numpy()[rows], session[name].value, equal_nan=True), name
    assert set(table.filter(channel == "damper_fl")["bus"].to_pylist()) == {"chassis"}
    assert np.isnan(table.filter(channel == "coolant_temperature")["volts"].to_numpy(zero_copy_only=False)).all()


def test_one_wide_table(tmp_path, session, sliced, capsys):
    path = tmp_path / "wide.csv"
    decode(
        "--out",
        path,
        "--rate",
        "50",
        "--select",
        "damper_fl",
        "--select",
        "gear",
        "--select",
        "engine_speed",
        "--select",
        "distance",
    )
    table = csv.read_csv(path)
    seconds = table["seconds"].to_numpy()
    assert np.allclose(seconds, np.arange(len(seconds)) / 50)
    assert "damper_fl [mm]" in table.column_names
    assert "engine_speed [rpm]" in table.column_names
    points = int(next(iter(bw.open_capture(RUN))).time_ns[0]) + np.rint(seconds * 1e9).astype(np.int64)
    from buswright.channels.samples.resample import resample

    for name, head in (
        ("damper_fl", "damper_fl [mm]"),
        ("engine_speed", "engine_speed [rpm]"),
        ("gear", "gear [gear]"),
    ):
        wanted = resample(session[name], points).value
        got = table[head].to_numpy(zero_copy_only=False).astype(float)
        inside = slice(5, -5)
        assert np.allclose(got[inside], wanted[inside], equal_nan=True, atol=1e-6), name


def test_a_signal_that_comes_late_still_has_its_column(tmp_path, capsys):
    """Columns of a wide table are known before it is written, whenever their message first comes."""
    lines = RUN.read_bytes().splitlines(keepends=True)
    late = [line for k, line in enumerate(lines) if b" 1A0#" not in line or k > len(lines) // 2]
    path = tmp_path / "late.log"
    path.write_bytes(b"".join(late))
    out = tmp_path / "wide.csv"
    words = [
        "decode",
        str(path),
        "--dbc",
        str(ROOT / "dbc_examples" / "wrenfell_chassis.dbc"),
        "--rate",
        "10",
        "--out",
        str(out),
    ]
    assert main([*words, "--select", "*/DAMPERS_A/AIN1", "--select", "*/INERTIAL_1/*"]) == 0
    table = csv.read_csv(out)
    column = table["can1/DAMPERS_A/AIN1 [mV]"]
    assert 0.3 < column.null_count / len(column) < 0.7


def test_select_that_fits_no_channel(tmp_path):
    with pytest.raises(bw.UserError, match="no channel of"):
        decode("--out", tmp_path / "x.csv", "--select", "nothing*")


def test_rate_wants_a_file_and_a_positive_number(tmp_path):
    with pytest.raises(bw.UserError, match="--rate makes one table"):
        decode("--out", f"{tmp_path}/x/", "--rate", "10")
    with pytest.raises(bw.UserError, match="must be above 0"):
        decode("--out", tmp_path / "x.csv", "--rate", "0")


def test_rates_are_refused_where_there_is_no_time(tmp_path):
    path = tmp_path / "untimed.log"
    path.write_bytes(b"  can1  1A0   [8]  11 22 33 44 55 66 77 88\n" * 500)
    dbc = str(ROOT / "dbc_examples" / "wrenfell_chassis.dbc")
    with pytest.raises(bw.UserError, match="without time stamps"):
        main(["decode", str(path), "--dbc", dbc, "--rate", "10", "--out", str(tmp_path / "x.csv")])
    assert main(["decode", str(path), "--dbc", dbc, "--out", str(tmp_path / "native.csv")]) == 0
    with pytest.raises(bw.UserError, match="without time stamps"):
        bw.open_session(path, dbc=dbc).to_pandas(rate=10)


def test_what_a_database_leaves_out_is_said(tmp_path, capsys):
    text = (ROOT / "dbc_examples" / "wrenfell_chassis.dbc").read_bytes().decode("cp1252")
    damaged = tmp_path / "damaged.dbc"
    damaged.write_text(text.replace("SG_ AIN6 : 0|16@1+ (1,0)", "SG_ AIN6 : 0|16@1+ (1,zero)"), encoding="cp1252")
    line = text[: text.index("SG_ AIN6")].count("\n") + 1
    assert main(["decode", str(RUN), "--dbc", str(damaged), "--out", str(tmp_path / "x.parquet")]) == 0
    said = capsys.readouterr().out
    assert f"{damaged}:{line}: " in said
    assert "ANALOGUE_A" in said or "AIN6" in said


def test_a_pattern_that_fits_no_signal_is_said_for_wide_tables_too(tmp_path, capsys):
    dbc = str(ROOT / "dbc_examples" / "wrenfell_chassis.dbc")
    words = ["decode", str(RUN), "--dbc", dbc, "--rate", "10", "--out", str(tmp_path / "x.csv")]
    assert main([*words, "--select", "*/DAMPERS_A/AIN1", "--select", "nothing*"]) == 0
    assert "--select nothing*: fits no channel" in capsys.readouterr().out
