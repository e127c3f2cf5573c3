"""`buswright diagnose`: findings, trust in every channel, and how a value came about."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from buswright.cli.main import main
from buswright.errors import UserError

FLAKY = "captures/wrenfell_flaky.log"
CAR = "dbc_examples/wrenfell.toml"


def document(capsys, *arguments):
    status = main(["diagnose", *arguments, "--json"])
    found = json.loads(capsys.readouterr().out)
    schema = json.loads(resources.files("buswright.report.schemas").joinpath("diagnose.schema.json").read_text("utf-8"))
    jsonschema.validate(found, schema)
    return status, found


def test_a_restart_explains_the_channels_that_its_module_sends(capsys):
    status, found = document(capsys, FLAKY, "--car", CAR)
    assert status == 1
    assert found["findings"][0]["subject"] == "module:damper_node"
    trust = {one["channel"]: one for one in found["channels"]["trust"]}
    assert trust["damper_fl"]["state"] == "suspect"
    assert trust["damper_fl"]["root"] == "module-reset module:damper_node"
    assert trust["damper_fl_speed"]["why"] == "computed from damper_fl"
    assert trust["engine_speed"]["state"] == "fine"


def test_a_clean_run_trusts_what_was_looked_at_and_says_what_was_not(capsys):
    status, found = document(capsys, "captures/wrenfell_run.log", "--car", CAR)
    assert status == 0
    assert found["channels"]["counts"]["failed"] == found["channels"]["counts"]["suspect"] == 0
    assert found["channels"]["counts"]["not_judged"] == 22
    left = next(one for one in found["asked"] if one["about"] == "zero" and "channel:damper_fl" in one["subjects"])
    assert left["open"]
    assert "good run" in left["settles"]
    assert "channels" in found["looked_at"]


def test_a_value_is_explained_from_the_raw_number_to_the_unit(capsys):
    _, found = document(capsys, FLAKY, "--car", CAR, "--channel", "oil_pressure", "--at", "12.5")
    (explained,) = found["explained"]
    steps = {step["name"]: step["text"] for step in explained["steps"]}
    assert steps["raw"] == "2,388 (0x954)"
    assert steps["database"] == "2,388 × 1 = 2388 mV"
    assert steps["sensor"].endswith("2.388 V = 4.72281 bar")
    # The line of the car file, worked out by hand: (2.388 / 4.997 * 5 - 0.5) / 4 * 10 bar.
    assert float(steps["value"].split()[0]) == pytest.approx((2.388 / 4.997 * 5 - 0.5) / 4 * 10, rel=1e-3)
    assert {finding["subject"] for finding in found["findings"]} == {"module:damper_node"}


def test_how_channels_are_calibrated_is_said_in_words(capsys):
    assert main(["diagnose", FLAKY, "--car", CAR, "--channel", "damper_fl", "--channel", "air_temp*"]) in (0, 1)
    said = " ".join(capsys.readouterr().out.split())
    assert "damper_fl: damper_75: 0.5 V = 0 mm to 4.5 V = 75 mm, straight line, zero -38.4 mm" in said
    assert "air_temperature: scaled by the database: raw × 0.1 - 40" in said


def test_without_a_car_file_or_database_it_says_that_channels_were_not_decoded(capsys):
    main(["diagnose", FLAKY, "--phases"])
    said = capsys.readouterr().out
    assert "Channels: not decoded" in said
    assert "No channels were decoded: add --car FILE or --dbc FILE." in said


def test_the_phases_are_listed_where_that_is_asked_for(capsys):
    main(["diagnose", "captures/wrenfell_run.log", "--car", CAR])
    short = capsys.readouterr().out
    main(["diagnose", "captures/wrenfell_run.log", "--car", CAR, "--phases"])
    said = capsys.readouterr().out
    for title in ("what a standing car must show", "Key on against idling", "Supplies:", "while cranking", "How often"):
        assert title in said
        assert title not in short
    assert "--phases lists each channel" in short


def test_a_channel_that_is_not_there_gets_the_nearest_name():
    with pytest.raises(UserError, match="no such channel") as caught:
        main(["diagnose", FLAKY, "--car", CAR, "--channel", "oil_presure"])
    assert "oil_pressure" in str(caught.value.hint)


def test_a_moment_needs_a_channel():
    with pytest.raises(UserError, match="--at 100: the capture ends before") as caught:
        main(["diagnose", FLAKY, "--car", CAR, "--channel", "oil_pressure", "--at", "100"])
    assert "give a time from 0 to" in caught.value.hint
    with pytest.raises(UserError, match="--at needs --channel"):
        main(["diagnose", FLAKY, "--car", CAR, "--at", "12"])


def test_a_state_is_explained_by_its_name(capsys):
    _, found = document(capsys, FLAKY, "--car", CAR, "--channel", "gear_drum", "--at", "12.5")
    (drum,) = found["explained"]
    value = next(step["text"] for step in drum["steps"] if step["name"] == "value")
    assert any(f"({name})" in value for name in ("neutral", "first", "second", "third", "fourth", "fifth", "sixth"))


def described(folder, *changes):
    """Return the example car file in a folder of its own, after changes to its text and that of its databases."""
    for path in Path("dbc_examples").iterdir():
        text = path.read_text(encoding="latin-1")  # every byte as it is: databases are in cp1252
        for name, old, new in changes:
            if path.name == name:
                assert text.count(old) >= 1
                text = text.replace(old, new, 1)
        (folder / path.name).write_text(text, encoding="latin-1")
    return str(folder / "wrenfell.toml")


@pytest.mark.parametrize("ohm", [22_000, 220])
def test_a_fixed_resistor_ten_times_off_is_named_at_a_cold_start(ohm, tmp_path, capsys):
    car = described(tmp_path, ("wrenfell.toml", "pull_up = 2200.0", f"pull_up = {ohm}.0"))
    assert main(["diagnose", "captures/wrenfell_keyon.asc", "--car", car]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert f"With 2200 ohm instead of {ohm} ohm as the fixed resistor of sensor ntc_10k it would agree." in said
    assert "Look up the fixed resistor of this input" in said


def test_a_byte_order_that_leaves_hardly_a_sample_usable_is_named(tmp_path, capsys):
    change = ("wrenfell_chassis.dbc", "SG_ AIN6 : 0|16@1+", "SG_ AIN6 : 7|16@0+")
    car = described(tmp_path, change)
    assert main(["diagnose", "captures/wrenfell_run.log", "--car", car]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "Worst: oil_pressure is read in the wrong byte order." in said
    assert "Change the byte order of AIN6 in the database to little-endian" in said
