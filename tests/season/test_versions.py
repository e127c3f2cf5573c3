"""Which runs a changed car file concerns."""

import shutil
from dataclasses import replace

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.season.run import Held, Run
from buswright.season.versions import Version

from .conftest import CAR


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("versions")
    shutil.copytree(CAR.parent, made / "car")
    return made / "car"


def changed(folder, *pairs):
    """The version of the car file with texts replaced, each of which must be there once."""
    text = CAR.read_text(encoding="utf-8")
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / "changed.toml").write_text(text, encoding="utf-8")
    return Version.of(load_car_file(folder / "changed.toml"), [])


def run_with(version, *channels):
    texts = dict.fromkeys(("capture", "came_from", "sha256", "car", "car_file", "car_sha256", "tool", "verdict"), "")
    return Run(
        "a", "a", recorded=None, seconds=1.0, frames=1, bad_lines=0, files=(Held("t.parquet", 1, ""),),
        tables=dict.fromkeys(channels, "t.parquet"), version=version.whole, rest=version.rest,
        decided=version.channels, **texts,
    )  # fmt: skip


@pytest.fixture(scope="module")
def version(folder):
    return changed(folder)


def concerned(version, other):
    """Channels that differ."""
    assert version.channels.keys() == other.channels.keys()
    return {name for name in version.channels if version.channels[name] != other.channels[name]}


PRESSURE_10 = ("[[0.5, 0.0], [4.5, 10.0]]", "[[0.5, 0.0], [4.5, 11.0]]")


def test_a_comment_changes_nothing(folder, version):
    other = changed(folder, ("[sensor.pressure_10]", "# a comment\n[sensor.pressure_10]"))
    assert other == version


def test_a_sensor_concerns_its_channels_and_what_is_computed_of_them_only(folder, version):
    other = changed(folder, PRESSURE_10)
    assert other.rest == version.rest
    named = concerned(version, other)
    assert {"oil_pressure", "fuel_pressure", "oil_pressure_margin"} <= named
    assert not named & {"throttle", "damper_fl", "engine_speed", "gear", "oil_temperature"}


def test_a_run_is_concerned_if_it_has_a_channel_that_is(folder, version):
    other = changed(folder, PRESSURE_10)
    for channels, alike in (
        (("throttle", "gear"), True),
        (("oil_pressure",), False),
        (("throttle", "oil_pressure_margin"), False),
    ):
        assert other.decides_alike(run_with(version, *channels)) is alike
        assert version.decides_alike(run_with(version, *channels))


@pytest.mark.parametrize(
    "pair",
    [
        ('name = "Wrenfell 3"', 'name = "Wrenfell 4"'),
        ("[channel.knock_1]", '[channel.more]\nformula = "gear"\nunit = ""\n\n[channel.knock_1]'),
    ],
)
def test_what_is_of_the_whole_car_concerns_every_run(folder, version, pair):
    assert not changed(folder, pair).decides_alike(run_with(version, "gear"))


def test_another_database_concerns_every_run(folder, version):
    database = next(folder.glob("*chassis.dbc"))
    before = database.read_bytes()
    database.write_bytes(before + b"\n")
    try:
        assert not changed(folder).decides_alike(run_with(version, "gear"))
    finally:
        database.write_bytes(before)


def test_a_run_of_an_older_version_is_decoded_again(version):
    assert not version.decides_alike(replace(run_with(version, "gear"), version="", rest="", decided={}))
