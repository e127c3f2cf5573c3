"""The generated databases: clean, strict, in two encodings, and they decode to the truth."""

import cantools
import numpy as np
import pytest

from buswright.messages.database import load_database
from buswright.messages.lint import lint
from buswright.simulate.car import networks as car
from buswright.simulate.databases import ENCODINGS, wrenfell_databases
from buswright.simulate.run import START_EPOCH_NS

FILES = {name: name.split("_")[1].removesuffix(".dbc") for name in wrenfell_databases()}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("databases")
    for name, content in wrenfell_databases().items():
        (where / name).write_bytes(content)
    return where


def strictly(name: str) -> cantools.database.Database:
    return cantools.database.load_string(wrenfell_databases()[name].decode(ENCODINGS[FILES[name]]), "dbc", strict=True)


@pytest.mark.parametrize("name", FILES)
def test_loads_strictly_and_says_what_the_car_says(name):
    fd = "_fd" in name
    loaded = {message.name: message for message in strictly(name).messages}
    messages = [message for message in car.messages(fd=fd) if message.bus == FILES[name]]
    assert set(loaded) == {message.name for message in messages}
    for message in messages:
        found = loaded[message.name]
        assert (found.frame_id, found.is_extended_frame, found.length) == (message.id, message.extended, message.length)
        assert (found.is_fd, found.cycle_time, found.senders) == (message.fd, message.period_ms, [message.sender])
        assert found.comment == message.comment
        for signal in message.signals:
            read = found.get_signal_by_name(signal.name)
            assert (read.start, read.length, read.is_signed) == (signal.start, signal.bits, signal.signed)
            assert (read.scale, read.offset) == (signal.scale, signal.offset)
            assert (read.minimum, read.maximum) == (signal.low, signal.high)
            assert (read.unit or "") == signal.unit
            assert (read.byte_order == "big_endian") == message.big_endian
            assert {int(k): str(v) for k, v in (read.choices or {}).items()} == dict(signal.choices)


@pytest.mark.parametrize("name", FILES)
def test_lint_has_nothing_to_say(folder, name):
    database = load_database(folder / name)
    assert [str(note) for note in lint(database)] == []


def test_one_file_is_utf_8_and_the_other_is_not():
    files = wrenfell_databases()
    assert "°C".encode() in files["wrenfell_engine.dbc"]
    assert "°C".encode("cp1252") in files["wrenfell_chassis.dbc"]
    with pytest.raises(UnicodeDecodeError):
        files["wrenfell_chassis.dbc"].decode("utf-8")


def test_degrees_come_out_right_from_both(folder):
    for name, message, signal in (
        ("wrenfell_engine.dbc", "ENGINE_TEMPERATURES", "CoolantTemperature"),
        ("wrenfell_chassis.dbc", "BRAKE_TEMPERATURES", "DiscFrontLeft"),
    ):
        loaded = next(m for m in load_database(folder / name).messages if m.name == message)
        assert loaded.signal(signal).unit == "°C"


@pytest.mark.parametrize("fd", [False, True])
def test_cantools_decodes_every_signal_to_the_truth(run, fd_run, fd):
    recorded = fd_run if fd else run
    databases = {bus: strictly(f"wrenfell_{bus}{'_fd' if fd and bus == 'chassis' else ''}.dbc") for bus in ENCODINGS}
    checked = 0
    for message in car.messages(fd=fd):
        rows = np.flatnonzero(recorded.frames.id == message.id)[::37]
        seconds = (recorded.frames.time_ns[rows] - START_EPOCH_NS) / 1e9 - message.delay_s
        decoded = [
            databases[message.bus].decode_message(
                message.id, recorded.frames.payload_of(int(row)), decode_choices=False
            )
            for row in rows
        ]
        for signal in message.signals:
            if signal.source not in recorded.truth:
                continue
            here = [i for i, values in enumerate(decoded) if signal.name in values]
            values = np.array([decoded[i][signal.name] for i in here])
            error = values - np.interp(seconds[here], recorded.truth["seconds"], recorded.truth[signal.source])
            span = np.ptp(recorded.truth[signal.source])
            # A frame comes up to a millisecond after it was due, so what moves fast is off by that, too.
            allowed = 1.4 * signal.noise + 0.5 * signal.scale + 0.004 * span + 1e-9
            assert np.median(np.abs(error)) < allowed, f"{message.name}.{signal.name}"
            assert np.sqrt(np.mean(error**2)) < 2.5 * allowed + (0.2 if signal.choices else 0), signal.name
            checked += 1
    assert checked >= 55
