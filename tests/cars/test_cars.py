"""The cars themselves: their files load, clean ones decode to what happened, and each fault shows where it should."""

import copy
from functools import cache
from pathlib import Path

import cantools
import numpy as np
import pytest

import buswright as bw
from buswright.cli.main import main
from buswright.frames.wire.bits import wire_bits
from tests.cars.car import database
from tests.cars.cases import COMBINED, INJECTORS, STYLES, Made, clean_run, make
from tests.cars.recorder import Bench
from tests.cars.styles import build_car
from tests.cars.wire import exact_bits, worst_bits
from tests.cars.world import KINDS, drive

SECONDS = 50.0

long = pytest.mark.acceptance
"""Each fault on a car of its own takes a second; the suite keeps what all of them rest on."""


@pytest.fixture(scope="module", params=list(STYLES))
def clean(request, tmp_path_factory) -> Made:
    return clean_run(request.param, 3, SECONDS / 60, "run", tmp_path_factory.mktemp(request.param))


@cache
def _made(name: str, folder: Path) -> Made:
    """Make a detectable case of a fault, on the first car that can have it."""
    for seed in range(20):
        for style in STYLES:
            made = make(name, style, seed, folder / name)
            if made and made.case.detectable:
                return made
    raise AssertionError(f"no car can have {name}")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cases")
    return lambda name: _made(name, folder)


def _healthy(made: Made) -> Bench:
    """Sample the same world with the same dice and nothing broken."""
    return _healthy_of(made.case.style, made.case.seed, made.case.seconds)


@cache
def _healthy_of(style: str, seed: int, seconds: float) -> Bench:
    car = build_car(style, seed)
    car.seconds = seconds
    bench = Bench(car, drive(seed, "run", seconds, car.cylinders))
    bench.record()
    return bench


def test_the_files_of_a_car_have_no_fault_of_their_own(clean, capsys):
    assert main(["check", "--car", str(clean.case.car_file), "--json"]) == 0, capsys.readouterr().out
    assert '"severity": "suspect"' not in capsys.readouterr().out


def test_a_capture_has_no_bad_line_and_no_strange_identifier(clean, capsys):
    assert main(["contents", str(clean.case.capture), "--dbc", str(clean.case.databases[0]), "--json"]) == 0
    assert '"problems": []' in capsys.readouterr().out


def test_a_clean_car_decodes_to_what_happened(clean):
    session = bw.open_session(clean.case.capture, clean.case.car_file)
    car = clean.plan.car
    for channel in car.channels.values():
        if car.messages[channel.message].on_change:
            continue
        series = session[channel.name]
        _, true = clean.bench.true[channel.name]
        assert not np.any(series.quality), channel.name
        error = series.value - true - channel.skew
        if channel.how == "ready" or channel.sensor.kind == "pulses":
            step = channel.resolution
            if channel.sensor:
                step *= channel.sensor.around / channel.sensor.teeth * channel.sensor.per_unit
            band = (6 * channel.noise + 1) * step
        else:  # half a step and the noise of the converter, the tolerance of 5 V, the ground: all in volts
            module = car.modules[channel.module]
            volts = (
                (6 * channel.noise + 1) * module.full / 2**module.bits
                + 0.05
                + (0.0005 if channel.how == "volts" else 0)
            )
            electrical = clean.bench.at_input[channel.name][1]
            slope = np.max(np.abs(np.diff(_sorted(electrical, true))))
            band = volts * slope
        assert np.max(np.abs(error)) <= band, (channel.name, float(np.max(np.abs(error))), float(band))


def _sorted(volts, values):
    """Give value per volt over coarse steps of the volts that occurred, cumulated, so that differences are slopes."""
    order = np.argsort(volts)
    v, x = volts[order], values[order]
    at = np.searchsorted(v, np.arange(v[0], v[-1], 0.1))
    at = np.unique(np.clip(at, 0, len(v) - 1))
    slopes = np.abs(np.diff(x[at])) / np.maximum(np.diff(v[at]), 0.02) if len(at) > 1 else np.array([200.0])
    return np.array([0.0, max(float(slopes.max(initial=0.0)) * 1.5, 20.0)])


def test_payloads_are_those_of_another_encoder(clean):
    car = clean.plan.car
    for bus in car.buses.values():
        held = cantools.database.load_string(database(car, bus), "dbc")
        for message in (m for m in car.messages.values() if m.bus == bus.name):
            frames = clean.bench.frames_of(message)
            known = held.get_message_by_name(message.name)
            assert known.length == message.length
            for row in range(0, len(frames.times), max(1, len(frames.times) // 20)):
                payload = frames.payload[row].tobytes()[: message.length]
                values = known.decode(payload, decode_choices=False)
                assert known.encode(values, strict=False) == payload
                for channel in car.of_message(message.name):
                    if channel.page is None and not message.on_change:
                        raw = clean.bench.raw[channel.name][1][row]
                        scale = 1.0 if channel.how == "counts" else channel.resolution
                        assert values[channel.signal] == pytest.approx(raw * scale + channel.offset)


def test_frames_take_the_time_that_they_take_on_the_wire(clean):
    car = clean.plan.car
    counted: dict[int, list[int]] = {}
    ends: dict[str, list[np.ndarray]] = {}
    lengths: dict[str, list[np.ndarray]] = {}
    capture = bw.open_capture(clean.case.capture)
    for frames in capture:
        bits = wire_bits(frames).total
        for identifier in np.unique(frames.id).tolist():
            counted.setdefault(identifier, []).extend(bits[frames.id == identifier].tolist())
        for number, interface in enumerate(frames.buses):
            rows = frames.bus == number
            ends.setdefault(interface, []).append(frames.time_ns[rows])
            lengths.setdefault(interface, []).append(bits[rows])
    for message in car.messages.values():
        ours = exact_bits(message, clean.bench.frames_of(message).payload)
        assert sorted(ours.tolist()) == sorted(counted[message.identifier]), message.name
        assert ours.max() <= worst_bits(message)
    for bus in car.buses.values():
        apart = np.diff(np.concatenate(ends[bus.interface]))
        needed = np.concatenate(lengths[bus.interface])[1:] * 1e9 / bus.bitrate
        assert car.host_stamps == bool(
            np.any(apart < needed - 2_000)
        )  # a laptop's stamps are closer than frames can be


@pytest.mark.parametrize("style", STYLES)
def test_the_same_seed_is_the_same_car_and_another_another(style, tmp_path):
    one = clean_run(style, 5, 0.2, "idle", tmp_path / "a").case
    two = clean_run(style, 5, 0.2, "idle", tmp_path / "b").case
    other = clean_run(style, 6, 0.2, "idle", tmp_path / "c").case
    assert one.capture.read_bytes() == two.capture.read_bytes()
    assert one.car_file.read_bytes() == two.car_file.read_bytes()
    assert one.car_file.read_bytes() != other.car_file.read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_drive_does_what_its_name_says(kind):
    world = drive(2, kind, 60.0)
    times = np.arange(0.0, 60.0, 0.1)
    speed, rpm, water = (world.at(name, times) for name in ("v", "rpm", "t_water"))
    assert (speed.max() > 15) == (kind in ("run", "cold", "hot"))
    assert (speed.max() > 1) == (kind in ("run", "cold", "hot", "paddock"))
    assert (rpm.max() > 500) == (kind != "standing")
    if kind == "cold":
        assert water[0] < 32
    if kind == "hot":
        assert water[0] > 80


def test_channels_of_a_drive_agree_with_each_other():
    world = drive(4, "run", 80.0)
    times = np.arange(0.0, 80.0, 0.02)
    v, yaw, ay, steer, ax = (world.at(name, times) for name in ("v", "yaw", "ay", "steer", "ax"))
    going = v > 8
    assert np.corrcoef(ay[going], (v * np.radians(yaw) / 9.81)[going])[0, 1] > 0.98
    assert np.corrcoef(ay[going], steer[going])[0, 1] > 0.8
    left, right = world.at("ws_rl", times), world.at("ws_rr", times)
    assert np.corrcoef((right - left)[going], yaw[going])[0, 1] > 0.8
    roll = world.at("d_fr", times) - world.at("d_fl", times)
    assert np.corrcoef(roll[going], ay[going])[0, 1] > 0.8  # in a left-hand bend the right side is compressed
    hard = ax < -0.4
    assert world.at("brake_f", times)[hard].mean() > 10
    assert np.corrcoef(world.at("brake_f", times)[v > 3], ax[v > 3])[0, 1] < -0.7
    assert np.max(np.abs(world.at("v_gps", times) - v)) < 4


IN_THE_DESCRIPTION = ("byte-order", "signedness", "bit-position", "scale-or-unit", "calibration-overdue")


@long
@pytest.mark.parametrize("name", INJECTORS)
def test_every_fault_has_a_car_that_shows_it(made, name):
    case = made(name).case
    assert case.fault
    assert case.subject in case.touched
    assert case.combined == (name in COMBINED and bool(case.symptoms))
    assert case.capture.stat().st_size > 100_000


@long
@pytest.mark.parametrize("name", INJECTORS)
def test_what_is_healthy_stays_as_it_was(made, name):
    case = made(name)
    if name in ("under-sampled", "ground-shift", "swapped-channels", "mux-undefined"):
        pytest.skip("other frames, other loads or other sensors: nothing to compare sample by sample")
    healthy = _healthy(case)
    gone = case.plan.faults.gaps
    for channel in case.plan.car.channels.values():
        if f"channel:{channel.name}" in case.case.touched or channel.module in gone:
            continue
        if channel.quantity.partition(":")[0] in ("vsup", "vref"):
            continue
        np.testing.assert_array_equal(case.bench.raw[channel.name][1], healthy.raw[channel.name][1], channel.name)


def _volts(case: Made) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give seconds, volts with the fault and volts without it of the broken channel."""
    name = case.case.subject.partition(":")[2]
    times, volts = case.bench.at_input[name]
    return times, volts, _healthy(case).at_input[name][1]


@long
def test_open_and_shorted_wires_stand_at_their_rail(made):
    for name, low, high in (("short-to-ground", 0.0, 0.01), ("short-to-supply", 4.99, 5.7)):
        times, volts, _ = _volts(made(name))
        on = times >= made(name).case.start
        on &= times < (made(name).case.end or 1e9)
        assert low <= volts[on].min()
        assert volts[on].max() <= high
    times, volts, healthy = _volts(made("open-circuit"))
    on = (times >= made("open-circuit").case.start) & (times < (made("open-circuit").case.end or 1e9))
    assert abs(volts[on].mean() - healthy[on].mean()) > 0.1
    np.testing.assert_array_equal(volts[~on], healthy[~on])


@long
@pytest.mark.parametrize("name", ["loose-contact", "chafed-wire"])
def test_a_bad_contact_leaves_and_comes_back(made, name):
    _, volts, healthy = _volts(made(name))
    away = np.abs(volts - healthy) > 0.05
    assert 8 <= np.count_nonzero(np.diff(away.astype(int)) == 1) < 200
    assert away.mean() < 0.1


@long
def test_ignition_noise_grows_with_engine_speed(made):
    case = made("ignition-noise")
    times, volts, healthy = _volts(case)
    rpm = case.plan.world.at("rpm", times)
    extra = np.abs(volts - healthy)
    assert extra[rpm < 1].max() < 1e-9
    assert extra[rpm > 0.7 * rpm.max()].mean() > 1.5 * extra[(rpm > 500) & (rpm < 0.4 * rpm.max())].mean()


@long
def test_a_supply_takes_all_that_lives_on_it(made):
    for name, most in (("supply-lost", 0.05), ("supply-sag", 0.96)):
        case = made(name)
        healthy = _healthy(case)
        fed = [c for c in case.plan.car.channels.values() if f"channel:{c.name}" in case.case.symptoms]
        assert len(fed) >= 2
        for channel in fed:
            times, volts = case.bench.at_input[channel.name]
            on = (times > case.case.start + 0.1) & (times < (case.case.end or 1e9))
            ratio = volts[on] / healthy.at_input[channel.name][1][on]
            assert ratio.max() <= most
            assert np.ptp(ratio) < 0.02


@long
def test_a_ground_shifts_all_that_is_on_it_alike(made):
    case = made("ground-shift")
    shifted = [c for c in case.plan.car.channels.values() if f"channel:{c.name}" in case.case.symptoms]
    car = copy.deepcopy(case.plan.car)
    healthy = Bench(car, case.plan.world)
    healthy.record()
    swings = []
    for channel in shifted:
        moved = case.bench.at_input[channel.name][1] - healthy.at_input[channel.name][1]
        swings.append(float(np.ptp(moved)))
    assert min(swings) > 0.02
    assert max(swings) - min(swings) < 0.2 * max(swings)


@long
def test_a_small_range_ends_flat(made):
    case = made("saturated")
    name = case.case.subject.partition(":")[2]
    _, volts = case.bench.at_input[name]
    top = np.mean(np.isclose(volts, volts.max(), atol=0.02))
    bottom = np.mean(np.isclose(volts, volts.min(), atol=0.002))
    assert max(top, bottom if case.plan.car.channels[name].quantity[0] == "a" else 0.0) > 0.003


@long
def test_a_stuck_channel_repeats_one_code_while_frames_arrive(made):
    case = made("stuck")
    times, raw = case.bench.raw[case.case.subject.partition(":")[2]]
    on = (times >= case.case.start) & (times < (case.case.end or 1e9))
    assert len(np.unique(raw[on])) == 1
    assert np.count_nonzero(on) > 50
    assert len(np.unique(raw[~on])) > 5


@long
@pytest.mark.parametrize("name", ["offset", "gain", "drift", "sign-flipped"])
def test_a_wrong_calibration_or_mounting_moves_the_raw_value(made, name):
    case = made(name)
    channel = case.case.subject.partition(":")[2]
    raw, healthy = case.bench.raw[channel][1], _healthy(case).raw[channel][1]
    moved = raw - healthy
    if name == "offset":
        assert np.median(np.abs(moved)) > 0
        assert np.ptp(moved) <= 0.2 * np.abs(moved).max() + 3
    elif name == "drift":
        assert np.abs(moved[-20:]).mean() > 10 * np.abs(moved[:20]).mean() > 0 or np.abs(moved[:20]).mean() == 0
    elif name == "gain":
        assert np.corrcoef(moved, healthy)[0, 1] ** 2 > 0.9
    else:
        assert np.corrcoef(raw, healthy)[0, 1] < -0.9


@long
@pytest.mark.parametrize("name", IN_THE_DESCRIPTION)
def test_a_wrong_description_leaves_the_frames_alone(made, name):
    case = made(name)
    healthy = build_car(case.case.style, case.case.seed)
    ours = "".join(database(case.plan.car, bus) for bus in case.plan.car.buses.values())
    theirs = "".join(database(healthy, bus) for bus in healthy.buses.values())
    assert (ours != theirs) == (name != "calibration-overdue")
    if name == "calibration-overdue":
        assert "due = 2025" in case.case.car_file.read_text(encoding="utf-8")
    bench = _healthy(case)
    for message in healthy.messages.values():
        np.testing.assert_array_equal(case.bench.frames_of(message).payload, bench.frames_of(message).payload)


@long
def test_frames_go_missing_where_they_should(made):
    for name in ("module-reset", "module-missing", "frames-lost", "capture-drop"):
        case = made(name)
        healthy = _healthy(case)
        for message in case.plan.car.messages.values():
            ours = len(case.bench.frames_of(message).times)
            theirs = len(healthy.frames_of(message).times)
            hit = name == "capture-drop" or f"module:{message.module}" == case.case.subject
            hit |= f"id:{case.plan.car.id_of(message)}" == case.case.subject
            if message.on_change:
                continue
            assert (ours < theirs) == hit, (name, message.name)


@long
def test_a_restarted_module_counts_anew_with_another_phase(made):
    case = made("module-reset")
    module = case.case.subject.partition(":")[2]
    start, end = case.plan.faults.gaps[module][0]
    for message in (m for m in case.plan.car.messages.values() if m.module == module):
        times, counts = case.bench.times_of(message)
        after = int(np.searchsorted(times, end))
        assert times[after - 1] < start
        assert counts[after] == 0
