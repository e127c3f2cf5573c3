"""One sample, explained from the frame on: every step, with figures worked by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import Zero
from buswright.channels.explained import Step, explain, explain_sample, layout_words
from buswright.channels.samples.labels import Labels
from buswright.channels.samples.series import Quality, Series
from buswright.channels.session import Session
from buswright.messages.model import Database, Message, Signal
from tests.frames.frame_batches import batch_of

CAR = load_car_file(Path(__file__).parents[1] / "data" / "car_file" / "car.toml")
S = 1_000_000_000
START = 1_780_000_000 * S
RAIL = int(Quality.ELECTRICAL_RAIL)


def sample(name, unit, value, raw=None, volts=None, quality=0, at_ns=START) -> Series:
    """A channel of one sample."""
    columns = {"raw": raw, "volts": volts}
    given = {key: np.array([each]) for key, each in columns.items() if each is not None}
    flags = np.array([quality], np.uint16) if quality else None
    return Series(name, unit, np.array([at_ns]), np.array([float(value)]), quality=flags, **given)


def steps_of(series: Series, car=CAR, row=0, **others: Series) -> list[tuple[str, str]]:
    return [(step.name, step.text) for step in explain_sample(car, series, row, others).steps]


SUPPLY = sample("supply_5v", "V", 5)
ENGINE_A = "engine/ENGINE_A (identifier 1A0), signal"


def test_a_sensor_in_proportion_to_its_supply():
    # 2500 mV of 5 V is the middle of 0.5 to 4.5 V, so of 0 to 10 bar: 5 bar, 500 kPa.
    found = explain_sample(CAR, sample("oil_pressure", "kPa", 500, 2500, 2.5), 0, {"supply_5v": SUPPLY})
    assert (found.channel, found.time_ns) == ("oil_pressure", START)
    assert found.steps == (
        Step("frame", f"{ENGINE_A} OIL_MV: start bit 16, 16 bits, little-endian, unsigned"),
        Step("raw", "2,500 (0x9C4)"),
        Step("database", "2,500 × 1 = 2500 mV"),
        Step("input", "2500 mV = 2.5 V"),
        Step("input", "supply_5v = 5 V"),
        Step("sensor", f"oil_10bar: {CAR.sensors['oil_10bar'].calibration.describe()}; 2.5 V = 500 kPa"),
        Step("wiring", "2.5 V is inside healthy 0.25 to 4.75"),
        Step("value", "500 kPa"),
        Step("quality", "nothing objected to"),
    )


def test_a_zero_is_taken_off_what_the_sensor_made_and_says_whose_it_is():
    # 1500 mV are 1.5 V: (1.5 - 0.5) / 4 of 150 mm are 37.5 mm, and the zero of -71.2 mm makes -33.7 mm of them.
    found = steps_of(sample("damper_fl", "mm", -33.7, 1500, 1.5))
    assert found[4][1].endswith("; 1.5 V = 37.5 mm")
    assert found[5:] == [
        ("wiring", "1.5 V is inside healthy 0.25 to 4.75"),
        ("zero", "-71.2 mm (2026-04-02, crew, ride height, driver in)"),
        ("value", "-33.7 mm"),
        ("quality", "nothing objected to"),
    ]


@pytest.mark.parametrize(
    ("zero", "said"),
    [(Zero(2.0), [("zero", "+2 mm")]), (Zero(2.0, by="crew"), [("zero", "+2 mm (crew)")]), (Zero(0.0), []), (None, [])],
)
def test_a_zero_is_said_with_what_is_known_of_it(zero, said):
    channel = replace(CAR.channels["damper_fl"], zero=zero)
    car = replace(CAR, channels={**CAR.channels, "damper_fl": channel})
    assert [each for each in steps_of(sample("damper_fl", "mm", 2, 500, 0.5), car) if each[0] == "zero"] == said


def test_counts_become_volts_by_the_input_scale():
    # 2048 counts of 0.001221 V are 2.500608 V, and 5 V are 20 l. This sensor states no healthy band.
    found = steps_of(sample("fuel", "l", 10.0024, 2048, 2.500608))
    assert found[1:] == [
        ("raw", "2,048 (0x800)"),
        ("database", "2,048 × 1 = 2048"),
        ("input", "× input_scale 0.001221 = 2.50061 V"),
        ("sensor", f"fuel_level: {CAR.sensors['fuel_level'].calibration.describe()}; 2.50061 V = 10.0024 l"),
        ("value", "10.0024 l"),
        ("quality", "nothing objected to"),
    ]


@pytest.mark.parametrize(
    ("volts", "side"),
    [(0.249, "outside"), (0.25, "outside"), (0.251, "inside"), (4.749, "inside"), (4.75, "outside"), (5.0, "outside")],
)
def test_an_end_of_the_healthy_band_is_outside_of_it(volts, side):
    bad = RAIL if side == "outside" else 0
    found = steps_of(sample("damper_fl", "mm", 0, round(volts * 1000), volts, bad))
    assert ("wiring", f"{volts:g} V is {side} healthy 0.25 to 4.75") in found
    words = "input at or beyond its healthy volts: wiring fault" if bad else "nothing objected to"
    assert found[-1] == ("quality", words)


def test_a_signal_without_a_sensor_ends_with_the_databases_scaling():
    assert steps_of(sample("engine_speed", "rpm", 2500, 10_000)) == [
        ("frame", f"{ENGINE_A} RPM: start bit 0, 16 bits, little-endian, unsigned"),
        ("raw", "10,000 (0x2710)"),
        ("database", "10,000 × 0.25 = 2500 rpm"),
        ("value", "2500 rpm"),
        ("quality", "nothing objected to"),
    ]
    assert [name for name, _ in steps_of(sample("engine_speed", "rpm", 2500))] == ["frame", "value", "quality"]


def test_a_sensor_that_takes_what_the_database_gives_needs_no_conversion():
    sensor = replace(CAR.sensors["fuel_level"], healthy=None)
    channel = replace(CAR.channels["supply_5v"], sensor="fuel_level")
    car = replace(CAR, channels={"supply_5v": channel}, sensors={"fuel_level": sensor})
    assert [name for name, _ in steps_of(sample("supply_5v", "l", 10, 2500, 2.5), car)] == [
        "frame", "raw", "database", "sensor", "value", "quality",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("raw", "scale", "offset", "said"),
    [
        (9, 1, 0, ["9", "9 × 1 = 9 u"]),
        (10, 1, 0, ["10 (0xA)", "10 × 1 = 10 u"]),
        (-3, 2, 0, ["-3", "-3 × 2 = -6 u"]),
        (100, 0.5, -40, ["100 (0x64)", "100 × 0.5 − 40 = 10 u"]),
        (100, 0.5, 40, ["100 (0x64)", "100 × 0.5 + 40 = 90 u"]),
        (2.5, 2, 0, ["2.5", "2.5 × 2 = 5 u"]),
    ],
)
def test_the_databases_scaling_is_worked_out(raw, scale, offset, said):
    signal = Signal("RPM", 0, 32, is_float=isinstance(raw, float), scale=scale, offset=offset, unit="u")
    car = replace(CAR, databases={"engine": Database((), (Message("ENGINE_A", 0x1A0, False, 8, (signal,)),))})
    assert [text for _, text in steps_of(sample("engine_speed", "u", 0, raw), car)][1:3] == said


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (Signal("a", 8, 16), "start bit 8, 16 bits, little-endian, unsigned"),
        (Signal("a", 7, 12, big_endian=True, signed=True), "start bit 7, 12 bits, big-endian, signed"),
        (Signal("a", 0, 32, signed=True, is_float=True), "start bit 0, 32 bits, little-endian, float"),
    ],
)
def test_where_a_signal_lies(signal, words):
    assert layout_words(signal) == words


def test_a_formula_is_explained_by_its_inputs_as_they_were_then():
    speed = sample("damper_fl_speed", "mm/s", 12, at_ns=START + 2 * S)
    times = START + np.array([0, 2, 3]) * S
    travel = Series("damper_fl", "mm", times, np.array([1.0, 2.0, 3.0]), labels=Labels(of_value={2.0: "top"}))
    expected = [("formula", "rate_of_change(damper_fl)"), ("input", "damper_fl = 2 mm (top)")]
    assert steps_of(speed, damper_fl=travel)[:2] == expected
    assert steps_of(speed, damper_fl=travel.take(np.array([0])))[1] == ("input", "damper_fl = 1 mm")
    assert steps_of(speed, damper_fl=travel.take(np.array([2])))[1] == ("input", "damper_fl: no sample by then")
    assert steps_of(speed)[1:] == [
        ("input", "damper_fl, as it was at that time"),
        ("value", "12 mm/s"),
        ("quality", "nothing objected to"),
    ]


# -- in a session -----------------------------------------------------------------------------------------------------


def frames():
    """RPM of 1000, 2000 and 3000 rpm, one each second."""
    return batch_of(
        [(START + k * S, 0, 0x1A0, 0, 8, (4000 * (k + 1)).to_bytes(2, "little") + bytes(6)) for k in range(3)]
    )


@pytest.mark.parametrize(
    ("at_s", "value"), [(None, "3000"), (9.0, "3000"), (2.0, "3000"), (1.999, "2000"), (1.0, "2000"), (0.0, "1000")]
)
def test_the_last_sample_at_or_before_a_time_is_explained(at_s, value):
    session = Session([frames()], CAR)
    found = explain(session, "engine_speed", None if at_s is None else START + round(at_s * S))
    assert found is not None
    assert found.time_ns == START + (int(value) // 1000 - 1) * S
    assert [(each.name, each.text) for each in found.steps] == steps_of(
        session["engine_speed"], row=int(value) // 1000 - 1
    )
    assert found.steps[-2] == Step("value", f"{value} rpm")


def test_before_the_first_sample_there_is_nothing_to_explain():
    session = Session([frames()], CAR)
    assert explain(session, "engine_speed", START - 1) is None
    assert explain(session, "supply_5v") is None
    with pytest.raises(KeyError):
        explain(session, "engine_sped")


def test_without_a_car_file_the_database_alone_explains():
    session = Session([frames()], None, databases=CAR.databases["engine"])
    found = explain(session, "can0/ENGINE_A/RPM")
    assert found is not None
    assert found.steps == (
        Step("frame", "can0/ENGINE_A (identifier 1A0), signal RPM: start bit 0, 16 bits, little-endian, unsigned"),
        Step("raw", "12,000 (0x2EE0)"),
        Step("database", "12,000 × 0.25 = 3000 rpm"),
        Step("value", "3000 rpm"),
        Step("quality", "the channel was silent for more than three periods"),  # of 10 ms, by the database
    )


def test_computed_and_calibrated_channels_are_explained_by_the_sessions_others():
    supply = [(START, 0, 0x210, 0, 8, bytes(2) + (5000).to_bytes(2, "little") + bytes(4))]
    oil = [(START + S, 0, 0x1A0, 0, 8, bytes(2) + (2500).to_bytes(2, "little") + bytes(4))]
    session = Session([batch_of(supply + oil)], CAR)
    found = explain(session, "oil_pressure")
    assert found is not None
    assert [step.text for step in found.steps if step.name == "input"] == ["2500 mV = 2.5 V", "supply_5v = 5 V"]
    assert Step("wiring", "2.5 V is inside healthy 0.25 to 4.75") in found.steps
