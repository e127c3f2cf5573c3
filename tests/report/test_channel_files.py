"""Channels written to files hold what the session holds, however they are cut into blocks."""

import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from pyarrow import csv

import buswright as bw
from buswright.channels import spool
from buswright.channels.measuring import recorded
from buswright.channels.units import shown
from buswright.cli.main import main
from buswright.report.files import channels as files

ROOT = Path(__file__).parent.parent.parent
RUN, CAR = ROOT / "captures" / "wrenfell_run.log", ROOT / "dbc_examples" / "wrenfell.toml"
KEYS = (b" 1A0#", b" 18FF1A42#", b" 140#")


@pytest.fixture(scope="module")
def session():
    return bw.open_session(RUN, CAR)


def decode(*words, source=RUN, car=CAR):
    assert main(["decode", str(source), "--car", str(car), *map(str, words)]) == 0


def test_the_metadata_of_a_folder_names_states(tmp_path):
    decode("--select", "gear*", "--to", "1", "--out", f"{tmp_path}/car/")
    schema = pq.read_schema(tmp_path / "car" / "engine.GEARBOX.parquet")
    states = {
        field.name: json.loads(field.metadata[b"states"]) for field in schema if b"states" in (field.metadata or {})
    }
    assert list(states) == ["gear.raw", "gear_drum"]
    assert states["gear.raw"] == states["gear_drum"]
    assert states["gear_drum"]["3"] == "third"
    database = ROOT / "dbc_examples" / "wrenfell_engine.dbc"
    assert main(["decode", str(RUN), "--dbc", str(database), "--to", "1", "--out", f"{tmp_path}/dbc/"]) == 0
    field = pq.read_schema(tmp_path / "dbc" / "can0.GEARBOX.parquet").field("Gear.raw")
    assert json.loads(field.metadata[b"states"]) == states["gear.raw"]


MIXED = """
format = 1
[bus.chassis]
bitrate = 1_000_000
interfaces = ["can1"]
databases = ["wrenfell_chassis.dbc"]
[bus.engine]
bitrate = 1_000_000
interfaces = ["can0"]
databases = ["wrenfell_engine.dbc"]
[sensor.exhaust]
kind = "thermocouple"
type = "K"
unit = "degC"
electrical = "mV"
cold_junction = "coolant"
[channel.coolant]
signal = "engine/ENGINE_TEMPERATURES/CoolantTemperature"
unit = "degC"
[channel.slow]
signal = "chassis/DAMPER_NODE_SUPPLY/SupplyVoltage"
[channel.fast]
signal = "chassis/DAMPERS_A/AIN1"
delay_s = 0.12
[channel.hot]
signal = "chassis/DAMPERS_A/AIN2"
input_scale = 0.01
sensor = "exhaust"
[channel.mixed]
formula = "slow + fast * coolant"
[channel.smooth]
formula = "low_pass(fast, 3)"
[channel.rate]
formula = "rate_of_change(mixed)"
[channel.sum]
formula = "accumulate(rate)"
"""


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """Channels of every kind, on a capture with a silence longer than any margin and a clock that jumps back."""
    folder = tmp_path_factory.mktemp("mixed")
    for name in ("wrenfell_chassis.dbc", "wrenfell_engine.dbc"):
        (folder / name).write_bytes((CAR.parent / name).read_bytes())
    (folder / "car.toml").write_text(MIXED)
    wanted = [line for line in RUN.read_bytes().splitlines(keepends=True) if any(key in line for key in KEYS)]
    third = len(wanted) // 3
    slow = [line for k, line in enumerate(wanted) if b" 1A0#" not in line or not third < k < 2 * third]
    path = folder / "run.log"
    path.write_bytes(b"".join([*slow, *wanted[:third]]))
    return path, folder / "car.toml"


def test_files_hold_what_the_session_holds(tmp_path_factory, mixed, capsys):
    """Bit for bit, however capture and tables are cut into blocks and whatever lies in the spool."""
    path, car = mixed
    session = bw.open_session(path, car)
    tall, wide = session.to_pandas(), session.to_pandas(rate=20, index="seconds")
    assert len(tall) > 3_000
    assert set(tall["channel"]) == set(session)

    @settings(max_examples=5, deadline=None, derandomize=True, phases=[Phase.generate])
    @given(st.integers(100, 5_000), st.integers(500, 3_000), st.integers(200, 20_000), st.sampled_from([1, 10**9]))
    def check(rows, batch, frames, least):
        folder = tmp_path_factory.mktemp("out")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(files, "BLOCK_ROWS", rows)
            patch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", batch)
            patch.setattr(recorded, "SPOOLED_FRAMES", frames)
            patch.setattr(spool, "LEAST_BYTES", least)
            decode("--out", folder / "long.parquet", source=path, car=car)
            decode("--out", folder / "wide.parquet", "--rate", 20, source=path, car=car)
            decode("--out", f"{folder}/each/", source=path, car=car)
        table = pq.read_table(folder / "long.parquet")
        for column in tall.columns:
            if column in ("channel", "unit"):
                assert table[column].to_pylist() == tall[column].to_list(), column
            else:
                assert np.array_equal(table[column].to_pandas(), tall[column], equal_nan=True), column
        table = pq.read_table(folder / "wide.parquet")
        assert np.array_equal(table["seconds"], wide.index)
        assert np.array_equal(table["time_ns"], session.resampled(20, [])[0])
        for name in session:
            got = table[name].to_numpy(zero_copy_only=False)
            assert np.array_equal(got, wide[name], equal_nan=True), name
        for each in (folder / "each").iterdir():
            table = pq.read_table(each)
            for name in set(session) & set(table.column_names):
                there = table[name].is_valid().to_numpy()
                for ending, wanted in (("", session[name].value), (".quality", session[name].quality)):
                    got = table[f"{name}{ending}"].to_numpy()[there]
                    assert np.array_equal(got, np.zeros(len(got)) if wanted is None else wanted, equal_nan=True), name
                assert np.array_equal(table["time_ns"].to_numpy()[there], session[name].time_ns), name
                assert np.array_equal(table[f"{name}.valid"].to_numpy()[there], session[name].valid), name
                assert not table[f"{name}.valid"].to_numpy()[~there].any(), name

    check()


def test_a_table_per_message(tmp_path, session, capsys):
    decode("--out", f"{tmp_path}/out/")
    seen = set()
    for path in (tmp_path / "out").iterdir():
        table = pq.read_table(path)
        for name in set(session) & set(table.column_names):
            series = session[name]
            there = table[name].is_valid().to_numpy()
            assert np.array_equal(table["time_ns"].to_numpy()[there], series.time_ns), name
            assert np.array_equal(table[name].to_numpy()[there], series.value, equal_nan=True), name
            for ending, wanted in ((".raw", series.raw), (".volts", series.volts)):
                assert wanted is None or np.array_equal(table[name + ending].to_numpy()[there], wanted), name
            assert table.schema.field(name).metadata[b"unit"].decode() == shown(series.unit)
            seen.add(name)
    assert seen == set(session)


def test_one_long_table(tmp_path, session, capsys):
    path = tmp_path / "all.parquet"
    decode("--out", path, "--select", "damper_*", "--select", "coolant*", "--select", "distance")
    table = pq.read_table(path)
    channel = np.array(table["channel"].to_pylist())
    assert set(table.filter(channel == "damper_fl")["bus"].to_pylist()) == {"chassis"}
    assert np.isnan(table.filter(channel == "coolant_temperature")["volts"].to_numpy(zero_copy_only=False)).all()


def test_one_wide_table(tmp_path, session, capsys):
    path = tmp_path / "wide.csv"
    decode("--out", path, "--rate", "50", "--select", "damper_fl", "--select", "gear")
    table = csv.read_csv(path)
    seconds = table["seconds"].to_numpy()
    assert np.allclose(seconds, np.arange(len(seconds)) / 50)
    assert table.column_names[:4] == ["time_ns", "seconds", "gear [gear]", "gear.quality"]
    assert np.array_equal(table["time_ns"], session.resampled(50, [])[0])


def test_wide_tables_of_one_capture_can_be_joined(tmp_path, capsys):
    """Their times are those of one grid, whatever was selected."""
    for name in ("steering_angle", "engine_speed"):
        decode("--out", tmp_path / f"{name}.csv", "--rate", "20", "--select", name)
    tables = [csv.read_csv(path) for path in tmp_path.iterdir()]
    first = int(next(iter(bw.open_capture(RUN))).time_ns[0])
    for table in tables:
        assert set(np.unique((table["time_ns"].to_numpy() - first) % 50_000_000)) == {0}
        assert np.allclose(table["seconds"], (table["time_ns"].to_numpy() - first) / 1e9, rtol=0, atol=1e-9)


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


WHOLE = """BU_: NODE
BO_ 257 LONG: 8 NODE
 SG_ Whole : 0|64@1+ (1,0) [0|0] "" NODE
 SG_ Half : 0|32@1+ (1,0) [0|0] "" NODE
"""


def test_raw_values_beyond_a_float_are_exact_or_said(tmp_path, capsys):
    (tmp_path / "whole.dbc").write_text(WHOLE)
    (tmp_path / "car.toml").write_text(
        'format = 1\n[bus.body]\nbitrate = 500_000\ninterfaces = ["can0"]\ndatabases = ["whole.dbc"]\n'
        '[channel.whole]\nsignal = "body/LONG/Whole"\n[channel.half]\nsignal = "body/LONG/Half"\n'
    )
    log = tmp_path / "x.log"
    log.write_text("".join(f"(1.{k}) can0 101#FF00000000000080\n" for k in range(3)))
    for words, name in (
        (["--car", str(tmp_path / "car.toml")], "whole"),
        (["--dbc", str(tmp_path / "whole.dbc")], "can0/LONG/Whole"),
    ):
        for out, rate in (("long.parquet", ()), ("wide.csv", ("--rate", "5")), ("each/", ())):
            assert main(["decode", str(log), *words, *rate, "--out", f"{tmp_path}/{out}", "--force"]) == 0
            said = f"beyond 2^53: {name}\n" in capsys.readouterr().out
            assert said == (out != "each/"), (words, out)
        table = pq.read_table(max((tmp_path / "each").iterdir(), key=lambda path: path.stat().st_mtime_ns))
        assert table[name.rpartition("/")[2] + ".raw"].to_pylist() == [0x80000000000000FF] * 3
