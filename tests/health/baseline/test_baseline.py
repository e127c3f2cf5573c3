"""Baselines: what is remembered, how it is kept in a file, and that good runs differ in nothing that matters."""

import dataclasses
import json
import random
from pathlib import Path
from types import MappingProxyType

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import buswright
from buswright.channels.carfile.load import load_car_file
from buswright.channels.guessing import guess, words_of
from buswright.channels.samples.series import Series
from buswright.errors import UserError
from buswright.findings import THRESHOLDS, Severity
from buswright.frames.table import Frames, concatenate
from buswright.health.baseline.compare import compare
from buswright.health.baseline.differences import RANK
from buswright.health.baseline.file import BaselineError, baseline_text, document_of, is_baseline, load, save
from buswright.health.baseline.standstill import AtRest, Standstill, noise_of, rest_figures
from buswright.messages.database import load_database
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run, truth
from buswright.simulate.source import demo_car, write_car
from tests.health.runs import remembered, with_word, without

SCHEMAS = Path(buswright.__file__).parent / "report" / "schemas"


@pytest.fixture(scope="module")
def car():
    return demo_car()


@pytest.fixture(scope="module")
def good(car):
    return remembered(25, 1, car=car)


def weighty(differences):
    return [each for each in differences if each.severity >= Severity.SUSPECT]


def changed_id(baseline, bus, key, **values):
    entry = baseline.buses[bus]
    ids = {**entry.ids, key: dataclasses.replace(entry.ids[key], **values)}
    return dataclasses.replace(baseline, buses={**baseline.buses, bus: dataclasses.replace(entry, ids=ids)})


def changed_bus(baseline, bus, **values):
    return dataclasses.replace(
        baseline, buses={**baseline.buses, bus: dataclasses.replace(baseline.buses[bus], **values)}
    )


def changed_rest(baseline, name, **values):
    channel = baseline.channels[name]
    rest = dataclasses.replace(channel.rest, **values)
    channels = {**baseline.channels, name: dataclasses.replace(channel, rest=rest)}
    return dataclasses.replace(baseline, channels=channels)


def changed_channel(baseline, name, **values):
    channels = {**baseline.channels, name: dataclasses.replace(baseline.channels[name], **values)}
    return dataclasses.replace(baseline, channels=channels)


def until(seconds, *identifiers):
    """Let identifiers stop on the way."""
    first = []

    def change(frames):
        first.append(int(frames.time_ns[0]))
        return frames.take(~np.isin(frames.id, identifiers) | (frames.time_ns < first[0] + seconds * 10**9))

    return change


# -- good runs ----------------------------------------------------------------------------------------------------


def test_a_run_compared_with_itself_gives_nothing(good):
    assert compare(good, good) == ()


@pytest.mark.parametrize(("seconds", "seed"), [(12, 2), (40, 3), (70, 4)])
def test_clean_runs_of_other_seeds_and_lengths_give_nothing_that_matters(good, car, seconds, seed):
    other = remembered(seconds, seed, car=car)
    assert weighty(compare(good, other)) == []
    assert weighty(compare(other, good)) == []


@pytest.mark.acceptance
def test_many_clean_runs_give_nothing_that_matters(car):
    runs = [remembered(seconds, seed, car=car) for seed, seconds in enumerate([20, 60, 33, 120, 240, 90, 15, 600], 20)]
    for a in runs:
        for b in runs:
            assert weighty(compare(a, b)) == [], (a.capture.seconds, b.capture.seconds)


def test_without_car_file_or_database_the_buses_are_compared(good):
    a, b = remembered(20, 1), remembered(30, 2)
    assert compare(a, a) == ()
    assert weighty(compare(a, b)) == []
    assert a.at_rest is None
    assert not a.channels
    found = compare(a, good)
    assert weighty(found) == []
    assert {each.kind for each in found} == {"bus-renamed", "not-compared"}


def test_with_databases_alone_rest_is_found_by_name(tmp_path):
    write_car(tmp_path)
    databases = {bus: load_database(tmp_path / f"wrenfell_{bus}.dbc") for bus in ("engine", "chassis")}
    runs = [remembered(12, seed, databases=databases, names={"can0": "engine", "can1": "chassis"}) for seed in (1, 2)]
    assert runs[0].at_rest.basis == "key-on"
    assert "engine/ENGINE_1/EngineSpeed" in runs[0].at_rest.words
    assert runs[0].channels["chassis/ANALOGUE_A/AIN6"].unit == "mV"
    assert "engine/ENGINE_1/Checksum" not in runs[0].channels
    assert weighty(compare(*runs)) == []


# -- what is remembered -------------------------------------------------------------------------------------------


def test_identifiers_are_remembered_as_the_car_sends_them(good):
    chassis = good.buses["chassis"]
    dampers = chassis.ids["1A0"]
    assert (dampers.message, dampers.module, dampers.sending) == ("DAMPERS_A", "damper_node", "periodic")
    assert dampers.period_ms == pytest.approx(5.0, rel=1e-4)
    assert dampers.lengths == {"8": dampers.frames}
    assert dampers.missing == 0
    assert (dampers.counter.start, dampers.counter.length, dampers.counter.share) == (48, 4, 1.0)
    assert (dampers.checksum.kind, dampers.checksum.byte, dampers.checksum.wrong) == ("crc8-j1850", 7, 0)
    assert any({"1A0", "1A1"} <= set(clock) for clock in chassis.clocks)
    assert 0.05 < chassis.load < chassis.load_peak < 0.2


def test_rest_is_key_on_and_channels_show_their_true_zero_there(good, car):
    assert good.at_rest.basis == "key-on"
    assert "engine_speed under 50 rpm" in good.at_rest.words
    true = truth(2, 1)
    for name in ("oil_pressure", "brake_pressure_front", "damper_fl", "steering_angle", "vehicle_speed"):
        channel = good.channels[name]
        assert abs(channel.rest.zero - true[name][500:].mean()) < 0.01 * channel.span, name
    oil = good.channels["oil_pressure"]
    assert (oil.message, oil.role, oil.unit, oil.input_unit) == ("chassis/ANALOGUE_A", "oil_pressure", "bar", "V")
    assert oil.rest.input == pytest.approx(0.5, abs=0.02)
    assert oil.span == pytest.approx(10.0)
    assert oil.rate_hz == pytest.approx(50, rel=0.02)
    assert "front_speed" not in good.channels  # computed


def test_the_span_follows_the_curve_where_only_the_database_has_limits(car):
    """A frequency has no outer points, and 6,000 Hz are no speed: through 48 teeth and the tyre they are."""
    channels = {
        name: dataclasses.replace(channel, plausible=None) if channel.role == "wheel_speed" else channel
        for name, channel in car.channels.items()
    }
    run = remembered(4, 1, car=dataclasses.replace(car, channels=MappingProxyType(channels)))
    assert run.channels["wheel_speed_fl"].span == pytest.approx(6000 / 48 * 1.62 * 3.6, rel=1e-6)


def test_counts_with_a_unit_of_their_own_are_remembered(tmp_path):
    """`check` takes such a signal with an `input_scale`, which takes the place of the unit."""
    write_car(tmp_path)
    chassis, toml = tmp_path / "wrenfell_chassis.dbc", tmp_path / "wrenfell.toml"
    line = ' SG_ FrequencyFrontLeft : 7|16@0+ (0.1,0) [0|6000] "Hz"'
    changed = line.replace("Hz", "digit").replace("(0.1,0)", "(1,0)")
    chassis.write_text(chassis.read_text(encoding="cp1252").replace(line, changed), encoding="cp1252")
    plain = 'sensor = "hub_48_front"\nrole = "wheel_speed"\nposition = "front-left"\nexpected_hz = 100\n'
    text = toml.read_text()
    assert plain + "plausible = [0.0, 260.0]\n" in text
    toml.write_text(text.replace(plain + "plausible = [0.0, 260.0]\n", plain + "input_scale = 0.1\n"))
    car = load_car_file(toml)
    run = remembered(4, 1, car=car)
    assert run.channels["wheel_speed_fl"].span == pytest.approx(600 / 48 * 1.62 * 3.6, rel=1e-6)


def test_a_run_that_begins_on_the_move_has_no_zero_but_noise(car):
    frames = concatenate(list(simulate_run(30, 1)))
    late = frames.take((frames.time_ns - frames.time_ns[0]) > 17_000_000_000)
    baseline = remembered(0, car=car, frames=[late])
    assert baseline.at_rest.basis == "quietest"
    rest = baseline.channels["damper_fl"].rest
    assert rest.zero is None
    assert rest.noise > 0
    good = remembered(12, 1, car=car)
    (note,) = compare(good, baseline)
    assert (note.kind, note.severity) == ("not-compared", Severity.NOTE)


@given(st.floats(0.01, 100), st.integers(0, 2**32 - 1))
def test_noise_is_the_standard_deviation_of_white_noise_whatever_drifts_below_it(sd, seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(3.0, sd, 4000) + np.linspace(0, 50 * sd, 4000)
    assert noise_of(values) == pytest.approx(sd, rel=0.08)
    values[rng.integers(0, 4000, 5)] += 1000 * sd  # spikes are not noise
    assert noise_of(values) == pytest.approx(sd, rel=0.08)


def test_noise_needs_samples_and_figures_need_a_usable_one():
    assert noise_of(np.zeros(19)) is None
    assert noise_of(np.zeros(20)) == 0.0
    empty = Series("x", "V", np.zeros(0, dtype=np.int64), np.zeros(0))
    assert rest_figures(empty, None) is None


# -- differences --------------------------------------------------------------------------------------------------


def test_a_module_that_is_gone_is_one_fault_and_explains_its_channels(good, car):
    bad = remembered(12, 5, car=car, change=without(0x1A0, 0x1A1, 0x1B0, 0x1B1, 0x1B2, 0x18FF1A42))
    found = weighty(compare(good, bad))
    assert [(each.kind, each.severity, each.subject) for each in found] == [
        ("module-vanished", Severity.FAULT, "module:damper_node")
    ]
    assert "fuse" in found[0].look
    back = weighty(compare(bad, good))
    assert [each.kind for each in back] == ["id-new"] * 6 + ["load-up"]


def test_one_identifier_gone_is_named(good, car):
    (found,) = weighty(compare(good, remembered(12, 5, car=car, change=without(0x1B2))))
    assert (found.kind, found.subject) == ("id-vanished", "id:chassis/1B2")
    assert "EXHAUST" in found.text


def test_what_dies_on_the_way_is_gone_and_explains_its_channels(good, car):
    """A module and an identifier that came to the middle of the run are no less gone than those that never came."""
    module = [int(key, 16) for key, entry in good.buses["chassis"].ids.items() if entry.module == "damper_node"]
    (found,) = weighty(compare(good, remembered(20, 5, car=car, change=until(8, *module))))
    assert (found.kind, found.severity, found.subject) == ("module-vanished", Severity.FAULT, "module:damper_node")
    assert "s before the end" in found.text
    (one,) = weighty(compare(good, remembered(20, 5, car=car, change=until(8, 0x0A0))))
    assert (one.kind, one.severity, one.subject) == ("id-vanished", Severity.FAULT, "id:engine/0A0")


def test_a_dead_input_a_wrong_scale_and_a_wrong_unit_are_found(good, car):
    railed = remembered(12, 5, car=car, change=with_word(0x1B0, lambda word: np.full_like(word, 5000)))
    (found,) = (each for each in weighty(compare(good, railed)) if each.subject == "channel:oil_pressure")
    assert (found.kind, found.severity, found.after) == ("channel-unusable", Severity.FAULT, 1.0)
    rest = good.channels["oil_pressure"].rest
    step = changed_rest(good, "oil_pressure", input_resolution=14.5 * rest.input_resolution)
    assert [(each.kind, each.severity) for each in compare(good, step)] == [("scale-changed", Severity.SUSPECT)]
    oil = good.channels["oil_pressure"]
    psi = changed_channel(good, "oil_pressure", low=oil.low * 14.5, high=oil.high * 14.5)
    assert [(each.kind, each.severity) for each in compare(good, psi)] == [("range-moved", Severity.SUSPECT)]
    assert compare(psi, good) == ()


@pytest.mark.parametrize("name", ["brake_pressure_front", "steering_angle"])
def test_a_foot_or_a_hand_on_it_moves_no_zero(good, name):
    channel = good.channels[name]
    moved = channel.span * 0.2
    pressed = changed_rest(good, name, zero=channel.rest.zero + moved)
    assert [each.severity for each in compare(good, pressed)] == [Severity.NOTE]
    shifted = changed_channel(pressed, name, low=channel.low + moved, high=channel.high + moved)
    assert [(each.kind, each.severity) for each in compare(good, shifted)] == [("zero-moved", Severity.FAULT)]


def test_what_most_identifiers_do_at_once_is_one_difference(good):
    ids = good.buses["chassis"].ids
    some = {key: dataclasses.replace(entry, missing=20 + entry.frames // 50) for key, entry in ids.items()}
    rough = {key: dataclasses.replace(entry, sending="irregular") for key, entry in ids.items()}
    for changed, words in ((some, "frames missing"), (rough, "another rhythm")):
        (found,) = compare(good, changed_bus(good, "chassis", ids=changed))
        assert (found.severity, found.subject) == (Severity.SUSPECT, "bus:chassis")
        assert words in found.text
        assert "the recording first" in found.look
    few = {key: some[key] if key in ("1A0", "110") else entry for key, entry in ids.items()}
    assert {each.subject for each in compare(good, changed_bus(good, "chassis", ids=few))} == {
        "id:chassis/1A0",
        "id:chassis/110",
    }
    module = {key: some[key] if entry.module == "damper_node" else entry for key, entry in ids.items()}
    (one,) = compare(good, changed_bus(good, "chassis", ids=module))
    assert (one.kind, one.severity, one.subject) == ("frames-missing", Severity.FAULT, "module:damper_node")


@pytest.mark.parametrize(
    ("fault", "words", "severity"),
    [
        (Fault("clock-jump", onset_s=10.0, severity=0.75), "the recorder's clock jumped", Severity.SUSPECT),
        (Fault("clock-jump", onset_s=10.0, severity=3600.0), "the recorder's clock jumped", Severity.SUSPECT),
        (Fault("clock-jump", onset_s=10.0, severity=-5.0), "the recorder's clock jumped", Severity.SUSPECT),
        (Fault("capture-drop", onset_s=8.0, duration_s=14.0, repeat=4), "the recorder lost frames", Severity.SUSPECT),
        (Fault("host-timestamps", onset_s=0.0, severity=4.0), "a computer stamped the frames", Severity.NOTE),
        (Fault("echo", "capture", onset_s=0.0), "frames were recorded twice", Severity.SUSPECT),
    ],
    ids=lambda value: f"{value.kind} {value.amount:g}" if isinstance(value, Fault) else "",
)
def test_a_spoilt_recording_is_one_difference_with_its_cause(good, car, fault, words, severity):
    spoilt = remembered(0, car=car, frames=simulate_run(25, 2, faults=(fault,)))
    found = compare(good, spoilt)
    (one,) = (each for each in found if each.kind == "recording-changed")
    assert (one.severity, one.subject) == (severity, "capture")
    assert words in one.text
    assert [each for each in weighty(found) if each is not one] == []
    assert compare(spoilt, spoilt) == ()


def test_a_module_that_loses_frames_beside_a_clock_jump_is_still_named(good, car):
    faults = (Fault("clock-jump", onset_s=10.0), Fault("frames-lost", "id:chassis/1A0", severity=0.1))
    found = weighty(compare(good, remembered(0, car=car, frames=simulate_run(25, 2, faults=faults))))
    assert {(each.kind, each.subject) for each in found} >= {
        ("recording-changed", "capture"),
        ("frames-missing", "id:chassis/1A0"),
    }


def test_a_baseline_of_an_older_version_knows_nothing_of_its_recording(good, tmp_path):
    document = document_of(good)
    for name in ("recording", "silent_s"):
        del document["capture"][name]
    path = tmp_path / "old.json"
    path.write_text(json.dumps(document))
    assert compare(load(path), good) == ()


@pytest.mark.parametrize(("share", "subject"), [(14.5, "channel:oil_pressure")])
def test_a_sensor_that_reads_many_times_too_much_is_named(good, car, share, subject):
    """From the frames on: the module sends another unit than before."""
    psi = remembered(25, 2, car=car, change=with_word(0x1B0, lambda word: np.minimum(word * share, 65535).astype(int)))
    assert subject in {each.subject for each in weighty(compare(good, psi))}


def test_a_heartbeat_that_dies_on_the_way_is_gone(good):
    pulse = changed_id(good, "engine", "0A0", sending="heartbeat")
    dead = changed_id(good, "engine", "0A0", sending="heartbeat", silent_s=12.0)
    (one,) = compare(pulse, dead)
    assert (one.kind, one.severity, one.subject) == ("id-vanished", Severity.FAULT, "id:engine/0A0")


def test_what_switches_is_not_noisy(good, car):
    states = [name for name, channel in car.channels.items() if channel.role == "fan_state" and channel.signal]
    assert states
    assert all(good.channels[name].rest is None or good.channels[name].rest.noise is None for name in states)
    assert good.channels["gear_drum"].rest.input_noise is not None
    time_ns = np.arange(1200) * 10_000_000
    volts = np.where(time_ns // 300_000_000 % 2, 5.0, 0.0)
    fan = Series("fan", "", time_ns, (volts > 1).astype(float), volts=volts, kind="state")
    still = Standstill(AtRest("key-on", "", 10.0), 0, int(time_ns[-1]))
    assert rest_figures(fan, still).input_noise is None
    assert rest_figures(dataclasses.replace(fan, value=np.zeros(1200)), still).input_noise is not None


def test_half_the_rate_is_a_changed_period(good, car):
    def every_other(frames: Frames) -> Frames:
        rows = np.flatnonzero(frames.id == 0x110)
        return frames.take(~np.isin(np.arange(len(frames)), rows[::2]))

    # The databases and car file of this run say what they said: only the traffic changed.
    found = weighty(compare(good, remembered(12, 5, car=car, change=every_other)))
    assert [(each.kind, each.subject) for each in found] == [("period-changed", "id:chassis/110")]
    assert found[0].severity is Severity.FAULT
    assert found[0].after == pytest.approx(2 * found[0].before, rel=1e-3)


def test_a_shifted_and_a_noisy_sensor_are_told_apart(good, car):
    moved = remembered(12, 5, car=car, change=with_word(0x1B0, lambda word: word + 150))  # AIN6, mV
    (found,) = weighty(compare(good, moved))
    assert (found.kind, found.subject, found.severity) == ("zero-moved", "channel:oil_pressure", Severity.SUSPECT)
    assert found.after - found.before == pytest.approx(0.375, abs=0.02)  # 150 mV of 4 V over 10 bar
    assert "its input at" in found.text
    rng = np.random.default_rng(1)
    noisy = remembered(
        12,
        5,
        car=car,
        change=with_word(0x1B0, lambda word: word + np.rint(rng.normal(25, 25, len(word))).clip(0, 90).astype(int)),
    )
    kinds = {each.kind for each in weighty(compare(good, noisy)) if each.subject == "channel:oil_pressure"}
    assert "noise-up" in kinds


def test_a_changed_zero_in_the_car_file_is_told_from_a_changed_sensor(good):
    rest = good.channels["damper_fl"].rest
    (found,) = compare(good, changed_rest(good, "damper_fl", zero=rest.zero + 6.0))
    assert found.severity is Severity.FAULT
    assert "the input is the same" in found.look


def test_the_car_file_has_the_last_word_on_error_frames(good, car):
    buses = {
        **car.buses,
        "engine": dataclasses.replace(car.buses["engine"], thresholds={"error_frames_per_minute": 900.0}),
    }
    patient = dataclasses.replace(car, buses=buses)
    worse = changed_bus(good, "engine", errors=100)
    assert [each.severity for each in compare(good, worse, car=car)] == [Severity.FAULT]
    assert [each.severity for each in compare(good, worse, car=patient)] == [Severity.NOTE]


def test_a_missing_bus_and_another_unit(good):
    alone = dataclasses.replace(good, buses={"engine": good.buses["engine"]})
    found = compare(good, alone)
    assert (found[0].kind, found[0].severity, found[0].subject) == ("bus-vanished", Severity.FAULT, "bus:chassis")
    oil = dataclasses.replace(good.channels["oil_pressure"], unit="degC")
    (other,) = compare(good, dataclasses.replace(good, channels={**good.channels, "oil_pressure": oil}))
    assert (other.kind, other.severity) == ("unit-changed", Severity.SUSPECT)


def test_values_are_compared_across_units_of_one_quantity(good):
    rest = good.channels["oil_pressure"].rest
    figures = dataclasses.replace(rest, zero=rest.zero * 1e5 / 6894.757, resolution=rest.resolution * 14.5)
    oil = dataclasses.replace(good.channels["oil_pressure"], unit="psi", span=145.0, rest=figures)
    assert compare(good, dataclasses.replace(good, channels={**good.channels, "oil_pressure": oil})) == ()


def test_a_hot_engine_and_a_pump_are_only_notes(good):
    found = compare(good, changed_rest(good, "coolant_temperature", zero=20.0))
    assert [each.severity for each in found] == [Severity.NOTE]


def test_the_flatness_of_a_quiet_quantised_input_is_no_change_of_noise(good):
    rest = good.channels["oil_pressure"].rest
    flat = changed_rest(good, "oil_pressure", input_noise=0.0)
    dithering = changed_rest(good, "oil_pressure", input_noise=0.9 * rest.input_resolution)
    assert compare(flat, dithering) == ()
    noisy = changed_rest(good, "oil_pressure", input_noise=20 * rest.input_resolution)
    assert [each.kind for each in compare(flat, noisy)] == ["noise-up"]


def test_a_car_file_overrides_thresholds(good, car):
    channel = dataclasses.replace(car.channels["damper_fl"], thresholds=MappingProxyType({"zero_moved": 0.2}))
    lenient = dataclasses.replace(car, channels=MappingProxyType({**car.channels, "damper_fl": channel}))
    rest = good.channels["damper_fl"].rest
    moved = changed_rest(good, "damper_fl", zero=rest.zero + 2.0, input=rest.input + 0.1)
    assert [each.severity for each in compare(good, moved, car=car)] == [Severity.SUSPECT]
    assert compare(good, moved, car=lenient) == ()


def test_what_matters_most_comes_first(good):
    bad = changed_id(good, "engine", "0A0", lengths={"6": 900})
    bad = changed_bus(bad, "chassis", load=0.4)
    brake = good.channels["brake_pressure_front"].rest
    low = good.channels["brake_pressure_front"].low + 4.0
    bad = changed_channel(
        changed_rest(bad, "brake_pressure_front", zero=brake.zero + 4.0), "brake_pressure_front", low=low
    )
    bad = changed_rest(bad, "coolant_temperature", zero=20.0)
    kinds = [each.kind for each in compare(good, bad)]
    assert kinds == ["length-changed", "zero-moved", "load-up", "zero-moved"]
    assert set(kinds) <= set(RANK)


def test_thresholds_stand_in_the_one_table():
    assert {"period_changed", "load_up", "zero_moved", "noise_up", "lost_share_suspect"} <= set(THRESHOLDS)


# -- the file -----------------------------------------------------------------------------------------------------


def test_a_file_holds_all_of_it_and_fits_its_schema(good, tmp_path):
    path = tmp_path / "good.json"
    save(good, path)
    assert is_baseline(path)
    document = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.validate(document, json.loads((SCHEMAS / "baseline.schema.json").read_text(encoding="utf-8")))
    again = load(path)
    assert document_of(again) == document_of(good)
    assert compare(good, again) == compare(again, good) == ()
    assert again.channels["damper_fl"] == load(path).channels["damper_fl"]
    assert max(map(len, path.read_text(encoding="utf-8").splitlines())) < 170


def test_a_baseline_without_channels_is_a_file_too(tmp_path):
    bare = remembered(3, 1)
    save(bare, tmp_path / "b.json")
    assert document_of(load(tmp_path / "b.json")) == document_of(bare)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(schema="buswright.baseline/2"), "this version reads buswright.baseline/1"),
        (lambda d: d.update(schema="buswright.health/1"), "this version reads"),
        (lambda d: d.pop("schema"), "no baseline"),
        (lambda d: d.pop("buses"), "buses is missing"),
        (lambda d: d.update(buses=[]), "buses is no table"),
        (lambda d: d["buses"]["engine"].update(load="high"), 'buses.engine.load is "high", not a number'),
        (lambda d: d["buses"]["engine"].update(errors=1.5), "buses.engine.errors is 1.5, not a whole number"),
        (lambda d: d["buses"]["engine"]["ids"]["0A0"].pop("frames"), "buses.engine.ids.0A0.frames is missing"),
        (lambda d: d["buses"]["engine"].update(clocks=[["0A0", 3]]), "buses.engine.clocks[0][1] is 3, not a text"),
        (lambda d: d["at_rest"].update(basis="asleep"), "at_rest.basis is 'asleep'"),
        (lambda d: d["buses"]["engine"].update(clocks="0A0"), "buses.engine.clocks is no list"),
        (lambda d: d["buses"]["engine"].update(errors=-1), "buses.engine.errors is -1, which nothing can be"),
        (lambda d: d["buses"]["engine"].update(load=10**400), "buses.engine.load is 1000"),
        (lambda d: d["buses"]["engine"].update(load=float("nan")), "buses.engine.load is nan"),
        (lambda d: d["buses"]["engine"]["ids"]["0A0"].update(lengths={"x": 3}), "ids.0A0.lengths has 'x'"),
        (lambda d: d["channels"]["damper_fl"]["rest"].update(samples=0), "channels.damper_fl.rest.samples is 0"),
    ],
)
def test_a_damaged_file_says_where(good, tmp_path, change, says):
    document = json.loads(baseline_text(good))
    change(document)
    path = tmp_path / "bad.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(BaselineError) as caught:
        load(path)
    assert str(path) in caught.value.message
    assert says in caught.value.message
    assert caught.value.hint


def test_what_is_no_json_or_not_there_says_so(tmp_path):
    path = tmp_path / "x.json"
    with pytest.raises(BaselineError, match="can't be read"):
        load(path)
    path.write_text('{"schema": "buswright.baseline/1",\n "buses": {', encoding="utf-8")
    assert is_baseline(path)
    with pytest.raises(BaselineError, match=r"x\.json:2: is no JSON"):
        load(path)
    path.write_bytes(b"\xff\xfe\x00")
    assert not is_baseline(path)
    with pytest.raises(BaselineError, match="no JSON"):
        load(path)
    with pytest.raises(UserError, match="can't be written"):
        save(remembered(1, 1), path / "b.json")


def mutated(text, rng):
    """Change, drop or rename values anywhere in a baseline, or bytes of its text."""
    odd = [None, 0, -1, 2**70, 10**400, -1.5, 1e308, float("nan"), float("inf"), "", "x", "0A0", True, [], {}, [[]]]
    if rng.random() < 0.3:
        data = bytearray(text.encode())
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(data))
            part = rng.choice(
                [b"9" * 5000, b"[", b"{", b"-", b"e999", b"\x00", b'"', b"NaN", bytes([rng.randrange(256)])]
            )
            data[at : at + rng.choice([0, 1, 30])] = part
        return bytes(data)
    document = json.loads(text)
    for _ in range(rng.randint(1, 3)):
        inside = document
        while True:
            keys = list(inside) if isinstance(inside, dict) else range(len(inside))
            if not keys:
                break
            key = rng.choice(keys)
            if isinstance(inside[key], dict | list) and rng.random() < 0.85:
                inside = inside[key]
                continue
            if isinstance(inside, dict) and rng.random() < 0.3:
                inside[str(rng.choice(odd))] = inside.pop(key)
            else:
                inside[key] = rng.choice(odd)
            break
    return json.dumps(document).encode()


@pytest.mark.parametrize("seed", range(4))
def test_a_mutated_baseline_is_refused_or_compared(good, tmp_path, seed):
    rng, text, path = random.Random(seed), baseline_text(good), tmp_path / "b.json"
    refused = 0
    for _ in range(60):
        path.write_bytes(mutated(text, rng))
        try:
            other = load(path)
        except BaselineError:
            refused += 1
            continue
        compare(other, good)
        compare(good, other)
        assert all(entry.facts is not None for entry in other.identifiers().values())
        json.loads(baseline_text(other))
    assert 10 < refused < 60


def test_unknown_keys_are_left_alone(good, tmp_path):
    document = json.loads(baseline_text(good))
    document["remark"] = "wet track"
    (tmp_path / "b.json").write_text(json.dumps(document), encoding="utf-8")
    assert document_of(load(tmp_path / "b.json")) == document_of(good)


# -- guesses ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("signal", "message", "unit", "role", "position", "fits"),
    [
        ("EngineSpeed", "ENGINE_1", "rpm", "engine_speed", None, True),
        ("EngineSpeed", "ENGINE_1", "degC", None, None, False),
        ("TargetEngineSpeed", "", "rpm", None, None, False),
        ("WheelSpeed_FL", "", "km/h", "wheel_speed", "front-left", True),
        ("Speed", "", "km/h", "vehicle_speed", None, True),
        ("GpsSpeed", "", "km/h", None, None, False),
        ("PressureRear", "BRAKES", "bar", "brake_pressure", "rear", True),
        ("OilPressure", "", "mV", "oil_pressure", None, False),
        ("FuelPumpCurrent", "", "A", None, None, False),
        ("OilTemp", "", "°C", "oil_temperature", None, True),
        ("GearboxOilTemp", "", "°C", None, None, False),
        ("RollingCounter", "WHEELS", "", None, None, False),
        ("damper_rr", "", "mm", "damper_travel", "rear-right", True),
        ("VBat", "", "V", "battery_voltage", None, True),
        ("ECT", "", "degC", "coolant_temperature", None, True),
    ],
)
def test_roles_are_guessed_from_name_and_unit(signal, message, unit, role, position, fits):
    found = guess(signal, message, unit)
    assert (found.role, found.position, found.fits) == (role, position, fits)


def test_a_comment_says_what_is_wired_to_a_plain_input():
    assert guess("AIN1", "ANALOGUE", "mV", "Damper, front left.").role == "damper_travel"
    assert guess("AIN1", "ANALOGUE", "mV", "Damper, front left.").position == "front-left"
    assert guess("AIN1", "ANALOGUE", "mV").role is None
    assert guess("Flow", "", "l/h", "Oil pressure side").role is None


@given(st.text(max_size=30))
def test_any_name_can_be_taken_apart(name):
    assert words_of(name) == words_of(name).lower()
    guess(name, name, name, name)
