"""The demo: the main job from nothing, on a terminal and off it."""

import argparse
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import buswright
from buswright.cli.main import main, module_of
from buswright.report.plot import plot_lines
from buswright.simulate.run import truth

SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "channels.schema.json"


def demo(*words, **options):
    return subprocess.run(
        [sys.executable, "-m", "buswright", "demo", "--seconds", "15", *words],
        capture_output=True,
        text=True,
        encoding="utf-8",
        **options,
    )


def test_it_shows_every_channel_from_any_directory(tmp_path):
    done = demo(cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Wrenfell 3: ")
    for word in (
        "engine_speed",
        "damper_fl",
        "oil_pressure",
        "vehicle_speed [km/h]",
        "What is wrong, and where:",
        "BUSES: NOTHING SUSPECT. 2 buses",
        "Looked at: 2 buses, 91 channels",
        "No channel went beyond a caution or warning of the car file.",
        "Try next",
        "buswright diagnose demo --html",
        "buswright demo --fault",
        "buswright demo --save",
        "buswright health demo --html",
    ):
        assert any(word in line for line in lines), word
    assert not any("BAD" in line for line in lines)
    assert len([line for line in lines if "beyond a caution" in line]) == 1
    (gear,) = (line for line in lines if line.split()[:1] == ["gear_drum"])
    assert any(name in gear for name in ("neutral", "first", "second", "third", "fourth"))
    assert list(tmp_path.iterdir()) == []
    named = set(re.findall(r"\((--[a-z-]+) ", done.stdout))
    assert "--all" in named
    parser = argparse.ArgumentParser()
    module_of("demo").configure(parser)
    assert named <= set(parser._option_string_actions)


def test_it_says_what_was_driven(tmp_path):
    done = demo("--json", cwd=tmp_path)
    document = json.loads(done.stdout)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    diagnosis = SCHEMA.with_name("diagnose.schema.json")
    jsonschema.validate(document["diagnosis"], json.loads(diagnosis.read_text(encoding="utf-8")))
    assert document["diagnosis"]["findings"] == []
    channels = {each["name"]: each for each in document["channels"]}
    assert len(channels) > 60
    assert channels["gear_drum"]["state"] == channels["gear"]["state"] != ""
    assert channels["engine_speed"]["state"] == ""
    real = truth(15.0)
    for name, tolerance in (("engine_speed", 30), ("damper_fl", 0.2), ("vehicle_speed", 1.0), ("oil_pressure", 0.1)):
        assert channels[name]["maximum"] == pytest.approx(np.max(real[name]), abs=tolerance), name
        assert channels[name]["mean"] == pytest.approx(np.mean(real[name]), abs=tolerance * 2), name


def test_a_fault_is_named_at_the_end(capsys):
    assert main(["demo", "--seconds", "15", "--fault", "open-circuit:channel:damper_fr@8s"]) == 0
    said = capsys.readouterr().out
    findings = said.partition("What is wrong, and where:")[2]
    assert "Worst: damper_fr reads as open." in findings
    assert "1. FAULT open-circuit  channel:damper_fr" in findings
    assert "unplug plug C12 and the module" in findings
    assert "2 channels through damper_fr: " in findings
    assert "2 channels through" not in said.partition("What is wrong, and where:")[0]
    assert "open-circuit channel:damper_fr: finding 1 names it" in said.partition("What was put in:")[2]


def test_a_fault_that_the_run_does_not_decide_says_what_would(capsys):
    assert main(["demo", "--seconds", "8", "--fault", "offset:channel:damper_fl"]) == 0
    answer = " ".join(capsys.readouterr().out.partition("What was put in:")[2].partition("\n\n")[0].split())
    assert "offset channel:damper_fl: not decided by this run" in answer
    assert "buswright remember" in answer


def test_all_lists_every_channel_in_the_diagnosis(capsys):
    assert main(["demo", "--seconds", "5", "--all"]) == 0
    end = capsys.readouterr().out.partition("What is wrong, and where:")[2]
    rows = [line.split()[0] for line in end.splitlines() if line.startswith("  ") and " fine " in line]
    assert len(rows) > 60
    assert "damper_fl" in rows
    with pytest.raises(buswright.UserError, match="--live can't be used"):
        main(["demo", "--live", "--all"])


def test_a_terminal_without_unicode_is_no_error(tmp_path):
    done = demo(cwd=tmp_path, env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0, done.stderr
    assert "*" in done.stdout
    assert "⣿" not in done.stdout


def test_saved_files_feed_the_other_commands(tmp_path, capsys):
    folder = tmp_path / "wrenfell"
    assert main(["demo", "--seconds", "5", "--save", str(folder)]) == 0
    said = capsys.readouterr().out
    commands = [line.split("  ")[1] for line in said.splitlines() if line.startswith("  buswright ")]
    assert len(commands) == 5
    for command in commands:
        assert main(command.split()[1:]) == 0, command
    with pytest.raises(buswright.UserError, match="exists already"):
        main(["demo", "--seconds", "5", "--save", str(folder)])


def test_a_saved_fault_comes_with_its_answer(tmp_path, capsys):
    folder = tmp_path / "practice"
    fault = "open-circuit:channel:damper_fr@3-5s"
    assert (
        main(["demo", "--seconds", "6", "--fault", fault, "--fault", "calibration-overdue", "--save", str(folder)]) == 0
    )
    answer = (folder / "faults.txt").read_text()
    # Key-on is 95 ms before the first frame.
    assert "open-circuit of channel:damper_fr: from 2.905 s to 4.905 s" in answer
    assert "concerns plug:C12, id:chassis/1A0" in answer
    assert "calibration-overdue of channel:damper_fl" in answer
    capsys.readouterr()
    main(["check", "--car", str(folder / "wrenfell.toml")])
    assert "damper_fl was due for calibration on 2026-03-01" in capsys.readouterr().out
    assert main(["demo", "--seconds", "5", "--save", str(tmp_path / "healthy")]) == 0
    assert not (tmp_path / "healthy" / "faults.txt").exists()


def test_damage_to_a_file_needs_a_file(tmp_path, capsys):
    with pytest.raises(buswright.UserError, match="damages a written file") as caught:
        main(["demo", "--seconds", "5", "--fault", "bad-lines@0.2@1s"])
    assert "--save" in (caught.value.hint or "")
    folder = tmp_path / "damaged"
    assert main(["demo", "--seconds", "5", "--fault", "bad-lines@0.2@1s", "--save", str(folder)]) == 0
    assert "bad-lines of capture" in (folder / "faults.txt").read_text()
    assert "bad-lines" in capsys.readouterr().out, "the demo shows the damaged file"


def test_the_word_demo_is_a_source_and_a_file_of_that_name_is_not(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("demo").write_text("(1.000000) can0 123#11\n")
    assert main(["contents", "demo", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["frames"] > 100_000
    assert main(["contents", "./demo", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["frames"] == 1
    assert main(["decode", "demo", "--out", "x.csv", "--select", "damper_fl", "--to", "2"]) == 0
    assert Path("x.csv").stat().st_size > 1000


def test_out_of_range(tmp_path):
    done = demo("--seconds", "0", cwd=tmp_path)
    assert done.returncode == 2
    assert "try: give 1 to 36000" in done.stderr


def test_plots_show_a_single_spike_and_leave_holes():
    values = np.zeros(1000)
    values[500] = 1.0
    values[700:800] = np.nan
    lines = plot_lines(values, width=20, height=2, braille=False)
    assert [line.count("*") for line in lines] == [1, 18]
    dots = plot_lines(values, width=20, height=2)
    assert len(dots) == 2
    assert all(len(line) == 20 for line in dots)
    assert plot_lines(np.full(5, np.nan), width=5, height=1) == ["     "]
    assert "*" in plot_lines(np.full(5, 2.0), width=5, height=1, braille=False)[0]
