"""The commands as a user types them."""

import gzip
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pyarrow.parquet as pq
import pytest
from pyarrow import csv
from tests.cli.warm import command

import buswright
from buswright.channels.measuring.stored import read_signals
from buswright.channels.samples.series import Quality
from buswright.channels.units import shown
from buswright.cli.main import COMMANDS, main
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.table import concatenate
from buswright.messages.database import open_database
from buswright.report.files.tables import LONG_COLUMNS
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture

ROOT = Path(__file__).parent.parent.parent
RUN = ROOT / "captures" / "wrenfell_run.log"
KEYON = ROOT / "captures" / "wrenfell_keyon.asc"
ENGINE, CHASSIS = ROOT / "dbc_examples" / "wrenfell_engine.dbc", ROOT / "dbc_examples" / "wrenfell_chassis.dbc"
DATABASES = [
    "--dbc",
    f"engine={ENGINE}",
    "--dbc",
    f"chassis={CHASSIS}",
    "--bus",
    "engine=can0",
    "--bus",
    "chassis=can1",
]
SCHEMAS = Path(buswright.__file__).parent / "report" / "schemas"


def run(capsys, *words) -> str:
    assert main([str(word) for word in words]) == 0
    return capsys.readouterr().out


def run_json(capsys, name, *words):
    document = json.loads(run(capsys, *words, "--json"))
    jsonschema.validate(document, json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return document


@pytest.fixture(scope="module")
def truth():
    capture = open_capture(RUN)
    names = {"can0": "engine", "can1": "chassis"}
    bound = {"engine": open_database(ENGINE), "chassis": open_database(CHASSIS)}
    return read_signals(capture, bound, bus_names=names)


def test_contents_names_messages_and_counts_what_is_unknown(capsys):
    text = run(capsys, "contents", RUN, *DATABASES)
    assert "bus chassis (interface can1)" in text
    assert "DAMPERS_A" in text
    assert "0 frames are in no database" in text
    document = run_json(capsys, "contents", "contents", RUN, "--dbc", f"engine={ENGINE}", "--bus", "engine=can0")
    unknown = [i for i in document["identifiers"] if i["message"] is None]
    assert {i["interface"] for i in unknown} == {"can1"}
    assert document["unmatched_frames"] == sum(i["frames"] for i in unknown) > 0
    assert document["frames"] == sum(i["frames"] for i in document["identifiers"])


def test_contents_with_a_car_file_names_buses_messages_and_channels(capsys, tmp_path):
    car = ROOT / "dbc_examples" / "wrenfell.toml"
    lost = tmp_path / "lost.log"
    gone = (b" 110#", b" 0F0#", b" 0F1#", b" 0F2#", b" 2D1#", b" 2D2#", b" 2D3#")
    lines = [line for line in RUN.read_bytes().splitlines(keepends=True) if not any(key in line for key in gone)]
    lost.write_bytes(b"".join(lines))
    text = run(capsys, "contents", lost, "--car", car)
    assert "bus engine (interface can0)" in text
    (row,) = (line for line in text.splitlines() if line.split()[:1] == ["1A0"])
    assert row.split()[1] == "DAMPERS_A"
    assert row.endswith("damper_fl, damper_fr and steering_angle")
    assert "never came: 1 module: chassis/inertial_node" in text
    document = run_json(capsys, "contents", "contents", lost, "--car", car)
    by_message = {each["message"]: each["channels"] for each in document["identifiers"]}
    assert by_message["DAMPER_NODE_SUPPLY"] == ["node_supply", "sensor_supply"]
    assert {each["bus"] for each in document["identifiers"]} == {"engine", "chassis"}
    assert document["never_came"]["modules"] == ["chassis/inertial_node"]
    absent = document["never_came"]["channels"]
    assert "wheel_speed_fl" in absent
    assert "damper_fl" not in absent, "only its warning waits for a channel that never came"
    assert document["unmatched_frames"] == 0
    decoded = run_json(capsys, "decode", "decode", lost, "--car", car, "--out", tmp_path / "x.parquet", "--to", "3")
    assert decoded["never_came"] == document["never_came"]


def test_a_channel_that_its_multiplexer_never_selected_is_said_to_never_have_come(capsys, tmp_path):
    (tmp_path / "mux.dbc").write_text(
        'VERSION ""\nBU_: NODE\nBO_ 256 PAGES: 8 NODE\n SG_ Page M : 0|8@1+ (1,0) [0|0] "" NODE\n'
        ' SG_ First m0 : 8|8@1+ (1,0) [0|0] "" NODE\n SG_ Second m1 : 8|8@1+ (1,0) [0|0] "" NODE\n'
    )
    (tmp_path / "car.toml").write_text(
        'format = 1\n[bus.body]\nbitrate = 500_000\ninterfaces = ["can0"]\ndatabases = ["mux.dbc"]\n'
        '[channel.first]\nsignal = "body/PAGES/First"\n[channel.second]\nsignal = "body/PAGES/Second"\n'
    )
    (tmp_path / "run.log").write_text("".join(f"({k}.000000) can0 100#00FF\n" for k in range(9)))
    words = ["decode", tmp_path / "run.log", "--car", tmp_path / "car.toml", "--out", tmp_path / "x.csv"]
    assert "never came: 1 channel: second" in run(capsys, *words)


def test_contents_of_asc_shows_header_and_events(capsys):
    document = run_json(capsys, "contents", "contents", KEYON)
    assert document["format"] == "ASC"
    assert document["clock"]["timezone"] == "UTC"
    assert document["event_count"] >= 1


def test_decode_to_a_folder_holds_every_value(capsys, tmp_path, truth):
    folder = f"{tmp_path}/out/"
    document = run_json(capsys, "decode", "decode", RUN, *DATABASES, "--out", folder)
    assert document["frames"]["read"] == document["frames"]["decoded"]
    checked = 0
    for name, path in document["files"].items():
        table = pq.read_table(path)
        for field in table.schema:
            if "." in field.name or field.name in ("time_ns", "time"):
                continue
            column = truth[f"{name}/{field.name}"]
            valid = ~table[field.name].is_null().to_numpy()
            there = np.ones(len(column.time_ns), dtype=np.bool_) if column.valid is None else column.valid
            assert np.array_equal(valid, there)
            assert np.array_equal(table["time_ns"].to_numpy(), column.time_ns)
            assert np.array_equal(table[field.name].to_numpy()[valid], column.value[there])
            assert np.array_equal(table[f"{field.name}.raw"].to_numpy()[valid], column.raw[there])
            assert (field.metadata or {}).get(b"unit", b"").decode() == shown(column.unit)
            checked += int(valid.sum())
    assert checked == document["values"] > 200_000


def test_decode_to_one_long_table(capsys, tmp_path, truth):
    for ending, read in ((".parquet", pq.read_table), (".csv", csv.read_csv)):
        path = tmp_path / f"all{ending}"
        document = run_json(
            capsys, "decode", "decode", RUN, *DATABASES, "--out", path, "--select", "chassis/DAMPERS_A/*"
        )
        table = read(path)
        columns = [*LONG_COLUMNS] if ending == ".csv" else ["time_ns", "time", *LONG_COLUMNS[1:], "valid"]
        assert table.column_names == columns
        assert np.all(np.diff(table["time_ns"].to_numpy()) >= 0)
        channel = np.array(table["channel"].to_pylist())
        for name in set(channel):
            rows = channel == name
            assert np.array_equal(table["value"].to_numpy()[rows], truth[name].value)
        assert table.num_rows == document["values"]


@pytest.fixture(scope="module")
def flaky(tmp_path_factory):
    """The simulated car with an open wire from 6 to 9 s after key-on."""
    path = tmp_path_factory.mktemp("flaky") / "run.log"
    made = SimulatedCapture(12.0, 1, faults=[read_fault("open-circuit:channel:oil_pressure@6-9s")])
    with path.open("wb") as stream:
        write_candump(made, stream)
    return path


@pytest.mark.parametrize("out", ["x/", "x.parquet", "x.csv"])
def test_decode_says_which_channels_have_bad_samples_why_and_since_when(capsys, tmp_path, flaky, out):
    words = ["decode", flaky, "--car", ROOT / "dbc_examples" / "wrenfell.toml", "--out", f"{tmp_path}/{out}"]
    found = run_json(capsys, "decode", *words)["channels"]
    assert (found["looked_at"], found["volts_and_limits"]) == (91, True)
    (oil,) = (each for each in found["each"] if each["channel"] == "oil_pressure")
    # Of 50 samples a second in 3 s; the first frame comes 0.095 s after key-on.
    assert oil["bad"] == pytest.approx(150, abs=3)
    assert oil["share"] == pytest.approx(oil["bad"] / oil["samples"])
    assert oil["since_s"] == pytest.approx(6 - 0.095, abs=0.05)
    assert oil["why"] == "input at or beyond its healthy volts: wiring fault"
    assert oil["objections"]["ELECTRICAL_RAIL"] == oil["bad"]
    bad = {each["channel"] for each in found["each"] if each["bad"]}
    assert bad == {"oil_pressure", "oil_pressure_margin"}  # and what is computed from it
    assert found["with_bad_samples"] == len(bad)
    if out == "x.csv":
        table = csv.read_csv(tmp_path / out).to_pydict()
        rails = [
            bits
            for name, bits in zip(table["channel"], table["quality"], strict=True)
            if name == "oil_pressure" and bits & Quality.ELECTRICAL_RAIL
        ]
        assert len(rails) == oil["bad"]
    said = run(capsys, *words, "--force")
    assert "91 channels: 2 have bad samples" in said
    assert re.search(r"oil_pressure: \d+\.\d+ % bad \(\d+ of \d+\) since 5\.9 s: input at or beyond", said)


def test_decode_of_a_healthy_run_says_what_it_looked_at(capsys, tmp_path):
    car = ROOT / "dbc_examples" / "wrenfell.toml"
    words = ["decode", RUN, "--car", car, "--out", tmp_path / "x.csv", "--select", "damper_*", "--to", "5"]
    said = run(capsys, *words)
    assert "channels: no bad sample" in said
    assert "No channel went beyond a caution or warning of the car file." in said


@pytest.mark.parametrize("rate", [(), ("--rate", "20")])
def test_decode_lists_the_limits_that_the_chosen_channels_passed(capsys, tmp_path, rate):
    shutil.copytree(ROOT / "dbc_examples", tmp_path / "car")
    car = tmp_path / "car" / "wrenfell.toml"
    text = car.read_text()
    car.write_text(text.replace("caution = { low = -30.0, high = 30.0,", "caution = { low = -30.0, high = 4.0,"))
    words = ["decode", RUN, "--car", car, "--select", "damper_fl", "--out", tmp_path / "x.csv", *rate]
    found = run_json(capsys, "decode", *words)["channels"]["exceedances"]
    assert {(each["channel"], each["level"], each["side"]) for each in found} == {("damper_fl", "caution", "high")}
    assert [each["start_ns"] for each in found] == sorted(each["start_ns"] for each in found)
    said = run(capsys, *words, "--force")
    assert re.search(r"caution: damper_fl high, \d+\.\d+ mm \(limit 4\), at \d+\.\d s for", said)
    others = run_json(capsys, "decode", *words[:5], "oil_pressure", "--out", tmp_path / "y.csv", *rate)
    assert others["channels"]["exceedances"] == []


@pytest.mark.parametrize("out", ["x/", "x.parquet"])
def test_decode_of_signals_says_what_it_can_and_what_it_did_not_look_at(capsys, tmp_path, out):
    (tmp_path / "x.dbc").write_text(
        'VERSION ""\nBU_: NODE\nBO_ 256 PAGES: 2 NODE\n SG_ Low : 0|8@1+ (1,0) [0|9] "" NODE\n'
        ' SG_ High : 8|8@1+ (1,0) [0|0] "" NODE\n'
    )
    lines = [f"({k}.000000) can0 100#{'0001' if k < 4 else '01' if k < 6 else 'FF01'}\n" for k in range(10)]
    (tmp_path / "run.log").write_text("".join(lines))
    words = ["decode", tmp_path / "run.log", "--dbc", tmp_path / "x.dbc", "--out", f"{tmp_path}/{out}"]
    found = run_json(capsys, "decode", *words)["channels"]
    assert (found["looked_at"], found["with_bad_samples"], found["volts_and_limits"]) == (2, 1, False)
    low, high = found["each"]
    assert (low["bad"], low["objections"]) == (0, {"DATABASE_RANGE": 4})
    assert (high["bad"], high["samples"], high["share"], high["since_s"]) == (2, 10, 0.2, 4.0)
    said = run(capsys, *words, "--force")
    assert "2 signals: 1 has bad samples" in said
    assert "PAGES/High: 20.00 % bad (2 of 10) since 4.0 s: the frame was too short to hold this signal" in said
    assert "1 signal left the range in the database: can0/PAGES/Low" in said
    assert "volts, plausible ranges and limits were not looked at: they need a car file" in said


def test_span_and_selection(capsys, tmp_path):
    path = tmp_path / "part.parquet"
    run(capsys, "decode", RUN, *DATABASES, "--out", path, "--from", "10", "--to", "12.5", "--select", "*/0A0/*")
    table = pq.read_table(path)
    times = table["time_ns"].to_numpy()
    first = int(concatenate(list(open_capture(RUN))).time_ns[0])
    assert times.min() >= first + 10_000_000_000
    assert times.max() <= first + 12_500_000_000
    assert set(table["message"].to_pylist()) == {"ENGINE_1"}


@pytest.mark.parametrize(
    "words",
    [
        ("contents", RUN),
        ("decode", RUN, *DATABASES, "--out", "x.csv"),
        ("decode", RUN, *DATABASES, "--out", "x/"),
        ("decode", RUN, "--car", ROOT / "dbc_examples" / "wrenfell.toml", "--out", "x.csv", "--rate", "10"),
        ("cut", RUN, "--out", "x.log"),
        ("health", RUN),
        ("remember", RUN, "--out", "x.json"),
        ("watch", RUN, "--snapshot", "x.svg"),
    ],
    ids=lambda words: "-".join(str(word) for word in words if word != RUN)[:20],
)
def test_a_start_behind_the_end_of_the_capture_is_said(words, tmp_path):
    done = command(*words, "--from", "100", cwd=tmp_path)
    assert done.returncode == 2
    assert "--from 100: the capture ends before" in done.stderr
    assert "give a time from 0 to" in done.stderr
    assert list(tmp_path.iterdir()) == []


def a_car(folder: Path, more: str) -> Path:
    """The Wrenfell's car file and databases in a folder, with tables of its own."""
    shutil.copytree(ROOT / "dbc_examples", folder / "car")
    car = folder / "car" / "wrenfell.toml"
    car.write_text(car.read_text(encoding="utf-8") + more, encoding="utf-8")
    return car


SEVERAL = """
[channel.damper_fl_input]
signal = "chassis/DAMPERS_A/AIN1"
unit = "mV"
[channel.damper_fl_volts]
signal = "chassis/DAMPERS_A/AIN1"
unit = "V"
"""


def test_one_signal_may_feed_several_channels(capsys, tmp_path):
    car = a_car(tmp_path, SEVERAL)
    assert "already" not in run(capsys, "check", "--car", car)
    names = ("damper_fl", "damper_fl_input", "damper_fl_volts")
    words = ["--car", car, "--to", "2", *(word for name in names for word in ("--select", name))]
    folder = run_json(capsys, "decode", "decode", RUN, *words, "--out", f"{tmp_path}/out/")
    assert list(folder["files"]) == ["chassis.DAMPERS_A"]
    table = pq.read_table(folder["files"]["chassis.DAMPERS_A"]).to_pydict()
    session = buswright.open_session(RUN, car)
    rows = len(table["time_ns"])
    for name in names:
        assert np.array_equal(table[name], session[name].value[:rows])
    assert np.allclose(table["damper_fl_volts"], np.array(table["damper_fl.raw"]) / 1000, rtol=1e-12)
    long = run_json(capsys, "decode", "decode", RUN, *words, "--out", tmp_path / "long.parquet")
    wide = run_json(capsys, "decode", "decode", RUN, *words, "--out", tmp_path / "wide.csv", "--rate", "50")
    assert long["values"] == folder["values"] == 3 * rows
    assert wide["values"] == 3 * wide["rows"] > 200


@pytest.mark.parametrize(
    "words",
    [
        (RUN, "--select", "{0}", "--select", "{1}"),
        (RUN, "--select", "{0}", "{1}"),
        (RUN, "--select", "{0},{1}"),
        (RUN, "--select", "{0},", "{1}"),
        ("--select", "{1}", "{0}", RUN),
        ("--select", "{0},{1}", RUN),
    ],
    ids=["again", "spaces", "comma", "both", "source behind", "source behind a comma"],
)
def test_several_selections_as_one_writes_them(words, capsys, tmp_path):
    def filled(*patterns):
        return [str(word).format(*patterns) for word in words]

    car = ROOT / "dbc_examples" / "wrenfell.toml"
    document = run_json(
        capsys, "decode", "decode", "--out", tmp_path / "x.parquet", "--car", car, *filled("damper_fl", "oil_pressur?")
    )
    assert set(pq.read_table(document["files"]["all"])["channel"].to_pylist()) == {"damper_fl", "oil_pressure"}
    assert document["unused_patterns"] == []
    signals = filled("AIN1", "engine/0A0/*")
    document = run_json(capsys, "decode", "decode", *DATABASES, "--out", tmp_path / "y.parquet", *signals)
    messages = set(pq.read_table(document["files"]["all"])["message"].to_pylist())
    assert messages == {"DAMPERS_A", "ENGINE_1"}
    chosen = filled("chassis/1A0", "can0/0A0")
    document = run_json(capsys, "cut", "cut", "--car", car, "--out", tmp_path / "z.log", *chosen)
    frames = concatenate(list(open_capture(tmp_path / "z.log")))
    assert set(frames.id.tolist()) == {0x1A0, 0x0A0}
    assert document["unused_patterns"] == []


@pytest.mark.parametrize("name", ["decode", "cut"])
def test_a_selection_is_no_source(name, tmp_path):
    done = command(name, "--select", "damper_fl", "--out", "x.log", cwd=tmp_path)
    assert done.returncode == 2
    assert "required: SOURCE" in done.stderr
    assert f"buswright {name} --help" in done.stderr


def test_a_pattern_that_fits_nothing_is_said(capsys, tmp_path):
    text = run(
        capsys, "decode", RUN, *DATABASES, "--out", tmp_path / "x.csv", "--select", "DAMPER_FL", "--select", "nothing*"
    )
    assert "--select nothing*: fits no channel" in text


def test_cut_converts_and_keeps_every_frame(capsys, tmp_path):
    whole = concatenate(list(open_capture(RUN)))
    for name in ("a.asc", "b.log.gz", "c.log"):
        path = tmp_path / name
        document = run_json(capsys, "cut", "cut", RUN, "--out", path)
        again = concatenate(list(open_capture(path)))
        assert document["frames_written"] == len(again) == len(whole)
        for column in ("time_ns", "id", "flags", "dlc", "length", "payload"):
            assert np.array_equal(getattr(again, column), getattr(whole, column)), (name, column)
    assert (
        gzip.decompress((tmp_path / "b.log.gz").read_bytes()) == (tmp_path / "c.log").read_bytes() == RUN.read_bytes()
    )


def test_a_bus_keeps_its_name_through_asc(capsys, tmp_path):
    car = ROOT / "dbc_examples" / "wrenfell.toml"
    path = tmp_path / "run.asc"
    run(capsys, "cut", RUN, "--to", "3", "--out", path)
    run(capsys, "cut", RUN, "--to", "3", "--out", tmp_path / "run.log")
    values = []
    for name in ("run.asc", "run.log"):
        run(capsys, "decode", tmp_path / name, "--car", car, "--out", tmp_path / f"{name}.csv")
        values.append((tmp_path / f"{name}.csv").read_bytes())
    assert values[0] == values[1]
    assert len(values[0]) > 500_000


def test_cut_takes_channel_numbers_and_bus_names_from_the_car_file(capsys, tmp_path):
    text = (ROOT / "dbc_examples" / "wrenfell.toml").read_text(encoding="utf-8")
    text = text.replace('["can0", 1]', '["can0", 5]').replace('"wrenfell_', f'"{ROOT / "dbc_examples"}/wrenfell_')
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    path = tmp_path / "run.asc"
    run(capsys, "cut", RUN, "--to", "1", "--select", "engine/*", "--out", path, "--car", tmp_path / "car.toml")
    assert "// channel 2: can1\n// channel 5: can0\n" in path.read_text()
    assert {frames.buses[bus] for frames in open_capture(path) for bus in set(frames.bus.tolist())} == {"can0"}


def test_cut_selects_and_merges_back(capsys, tmp_path):
    for bus in ("engine", "chassis"):
        run(capsys, "cut", RUN, "--out", tmp_path / f"{bus}.log", "--select", f"{bus}/*", *DATABASES[4:])
    text = run(capsys, "cut", tmp_path / "engine.log", tmp_path / "chassis.log", "--out", tmp_path / "both.log")
    assert "files overlap in time" in text
    merged = concatenate(list(open_capture(tmp_path / "both.log")))
    whole = concatenate(list(open_capture(RUN)))
    assert np.array_equal(merged.time_ns, whole.time_ns)
    assert sorted(zip(merged.time_ns, merged.id, strict=True)) == sorted(zip(whole.time_ns, whole.id, strict=True))


def test_cut_moves_the_start(capsys, tmp_path):
    path = tmp_path / "moved.log"
    run(capsys, "cut", RUN, "--out", path, "--start", "2027-01-01T00:00:00Z", "--from", "1", "--to", "2")
    frames = concatenate(list(open_capture(path)))
    assert frames.time_ns[0] == 1_798_761_600_000_000_000
    assert frames.time_ns[-1] - frames.time_ns[0] < 1_000_000_000


def test_nothing_is_overwritten_without_force(tmp_path, capsys):
    path = tmp_path / "there.log"
    path.write_text("precious")
    with pytest.raises(buswright.UserError, match="exists already"):
        main(["cut", str(RUN), "--out", str(path)])
    assert path.read_text() == "precious"
    run(capsys, "cut", RUN, "--out", path, "--force")
    assert path.stat().st_size > 1000
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "x").write_text("")
    with pytest.raises(buswright.UserError, match="--force"):
        main(["decode", str(RUN), *DATABASES, "--out", f"{folder}/"])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["contents", "none.log"], "no such file"),
        (["decode", str(RUN), "--out", "x/"], "needs a car file or a database"),
        (["decode", str(RUN), "--dbc", "none.dbc", "--out", "x/"], "none.dbc"),
        (["decode", str(RUN), "--dbc", str(ENGINE), "--out", "x.xls"], "unknown file type"),
        (["cut", str(RUN), "--out", "x.doc"], "unknown file type"),
        (["cut", str(RUN), "--out", "x.log", "--select", "chassis/ZZZ"], "ZZZ"),
        (["cut", str(RUN), "--out", "x.log", "--from", "5", "--to", "3"], "is after --to"),
        (["cut", str(RUN), "--out", "x.log", "--start", "tomorrow"], "is not a time"),
        (["contents", str(RUN), "--bus", "engine"], "NAME=INTERFACE"),
        (["contents", str(KEYON), "--timezone", "Mars"], "unknown time zone"),
        (["contents", str(ROOT / "LICENSE")], "not a capture"),
        (["health", str(RUN), "--jobs", "abc"], "--jobs abc: must be a whole number"),
    ],
)
def test_wrong_calls_end_with_status_2_a_message_and_a_hint(words, says, tmp_path):
    done = command(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr
    assert "try: " in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.iterdir())
    as_json = command(*words, "--json", cwd=tmp_path)
    assert as_json.returncode == 2
    document = json.loads(as_json.stdout)
    jsonschema.validate(document, json.loads((SCHEMAS / "error.schema.json").read_text(encoding="utf-8")))


def test_a_closed_pipe_is_silent(tmp_path):
    done = subprocess.run(
        f"{sys.executable} -m buswright contents {RUN} | head -1", shell=True, capture_output=True, text=True
    )
    assert done.stderr == ""
    assert "wrenfell_run.log" in done.stdout


def test_help_and_version_load_nothing_heavy():
    heavy = ["numpy", "cantools", "can", "pandas", "pyarrow", "pydantic", "textual", "rich"]
    for word in ("--help", "--version"):
        code = (
            "import sys\nfrom buswright.cli.main import main\n"
            f"try:\n main([{word!r}])\nexcept SystemExit as end:\n assert not end.code\n"
            f"print([name for name in {heavy} if name in sys.modules], file=sys.stderr)"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        assert done.stderr.strip() == "[]"


def test_every_command_has_help(capsys):
    for name in COMMANDS:
        with pytest.raises(SystemExit) as end:
            main([name, "--help"])
        assert end.value.code == 0
        assert f"buswright {name}" in capsys.readouterr().out


def test_an_internal_error_says_where_to_report_it(tmp_path):
    code = (
        "import sys, buswright.cli.commands.captures.contents as c\n"
        "def broken(options): raise RuntimeError('boom')\n"
        "c.run = broken\nsys.argv = ['buswright', 'contents', 'x']\n"
        "from buswright.cli.main import entry\nentry()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 3
    assert "boom" in done.stderr
    assert "Please report it" in done.stderr


def test_every_command_is_listed_and_every_document_has_its_schema():
    package = Path(buswright.__file__).parent
    modules = {(path.stem, path.parent.name) for path in (package / "cli" / "commands").glob("*/*.py")}
    assert {each for each in modules if each[0] != "__init__"} == {(name, room) for name, (room, _) in COMMANDS.items()}
    written = {
        name
        for path in package.rglob("*.py")
        for name in re.findall(
            r'^ *(?:SCHEMA = |document = \{"schema": )"(buswright\.\w+/\d+)"', path.read_text("utf-8"), re.M
        )
    }
    described = {
        name
        for path in SCHEMAS.glob("*.json")
        for name in re.findall(r'"const": "(buswright\.\w+/\d+)"', path.read_text("utf-8"))
    }
    assert written == described
