"""The generated car file: silent under its own check, and its channels show the truth."""

import datetime
import tomllib

import numpy as np
import pytest

from buswright.channels import units
from buswright.channels.carfile.load import check_car_file, load_car_file
from buswright.channels.measuring.stored import read_signals
from buswright.frames.table import Frames
from buswright.simulate.car.channels import CHASSIS_CHANNELS, COMPUTED_CHANNELS, ENGINE_CHANNELS
from buswright.simulate.car.file import wrenfell_car_file
from buswright.simulate.databases import wrenfell_databases
from buswright.simulate.run import START_EPOCH_NS

REFERENCES = {"sensor_supply": "reference_voltage", "cold_junction": "board_temperature"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("car")
    for name, content in wrenfell_databases().items():
        (where / name).write_bytes(content)
    for variant in (False, True):
        (where / f"{variant}.toml").write_text(wrenfell_car_file(fd=variant), encoding="utf-8")
    return where


@pytest.mark.parametrize("fd", [False, True])
def test_check_is_silent(folder, fd):
    result = check_car_file(folder / f"{fd}.toml", today=datetime.date(2026, 11, 1))
    assert [str(fault) for fault in result.faults] == []
    assert result.car is not None


def test_it_is_plain_toml_with_every_table():
    tables = tomllib.loads(wrenfell_car_file())
    assert list(tables) == ["format", "car", "bus", "module", "sensor", "channel", "frame", "calibration_log"]
    assert 60 <= len(tables["channel"]) <= 100
    assert len(tables["module"]) == 5
    roles = {channel["role"] for channel in tables["channel"].values() if "role" in channel}
    assert len(roles) == 27  # every role that there is
    kinds = {sensor["kind"] for sensor in tables["sensor"].values()}
    assert kinds >= {"linear", "ratiometric", "thermistor", "rtd", "thermocouple", "frequency", "switch"}


def test_every_sensor_is_used_and_every_role_given_once_for_a_position():
    channels = tomllib.loads(wrenfell_car_file())["channel"].values()
    sensors = tomllib.loads(wrenfell_car_file())["sensor"]
    assert {channel["sensor"] for channel in channels if "sensor" in channel} == set(sensors)


def value_of(car, channel, signal, seconds, truth) -> np.ndarray:
    """What the channel shows, by the calibration that the car file gives."""
    value = np.asarray(signal.value, dtype=np.float64)
    if channel.sensor:
        calibration = car.sensors[channel.sensor].calibration
        electrical = units.convert(value, signal.unit, calibration.electrical)
        at = {name: np.interp(seconds, truth["seconds"], truth[source]) for name, source in REFERENCES.items()}
        value = calibration.apply(electrical, {need.channel: at[need.channel] for need in calibration.needs})
    elif channel.unit and signal.unit and units.compatible(signal.unit, channel.unit):
        value = units.convert(value, signal.unit, channel.unit)
    return value + (channel.zero.add if channel.zero else 0.0)


@pytest.mark.parametrize("fd", [False, True])
def test_channels_show_the_truth(folder, run, fd_run, fd):
    recorded = fd_run if fd else run
    car = load_car_file(folder / f"{fd}.toml")
    store = read_signals(
        [recorded.frames],
        car.databases,
        bus_names={"can0": "engine", "can1": "chassis"},
    )
    checked = 0
    for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS):
        channel = car.channels[entry.name]
        signal = store[str(channel.signal)]
        seconds = (signal.time_ns - START_EPOCH_NS) / 1e9 - channel.delay_s
        shown = value_of(car, channel, signal, seconds, recorded.truth)
        low, high = channel.plausible
        usual = np.isfinite(shown)
        assert np.array_equal(usual, np.ones(len(shown), bool) if signal.valid is None else signal.valid), entry.name
        assert shown[usual].min() >= low, entry.name
        assert shown[usual].max() <= high, entry.name
        if entry.truth is None:
            continue
        error = shown - np.interp(seconds, recorded.truth["seconds"], recorded.truth[entry.truth])
        # 1 % of what the quantity can be, and less than that for nearly all.
        assert np.nanmedian(np.abs(error)) < 0.01 * (high - low), entry.name
        assert np.nanpercentile(np.abs(error), 99) < 0.03 * (high - low), entry.name
        checked += 1
    assert checked >= 55


def test_millivolts_are_those_of_a_12_bit_converter(run):
    rows: Frames = run.frames.take(run.frames.id == 0x1A0)
    millivolts = rows.payload[:, :2].copy().view("<u2").ravel().astype(np.float64)
    codes = millivolts * 4095 / 5000
    assert np.abs(codes - np.rint(codes)).max() < 0.42  # sent as whole millivolts, 1.22 mV apart
    still = (rows.time_ns - START_EPOCH_NS) / 1e9 < 2.5
    assert 0.4 < millivolts[still].std() < 2.0  # noise of about one step at rest
    assert len(np.unique(millivolts)) > 500


def test_computed_channels_are_there():
    channels = tomllib.loads(wrenfell_car_file())["channel"]
    assert [entry.name for entry in COMPUTED_CHANNELS] == [n for n, c in channels.items() if "formula" in c]
