"""The quantities agree with each other over a whole cycle: the laws of motion, the gearbox, heat."""

import numpy as np
import pytest

from buswright.simulate.car.channels import CHASSIS_CHANNELS, ENGINE_CHANNELS
from buswright.simulate.physics.engine import CIRCUMFERENCE_REAR_M, GEAR_RATIOS, TRACK_M
from buswright.simulate.physics.hill import GRAVITY, lap
from buswright.simulate.physics.story import CYCLE_S, RATE
from buswright.simulate.run import truth

CYCLES = 3


@pytest.fixture(scope="module")
def day():
    return truth(CYCLES * CYCLE_S - 1 / RATE, 5)


@pytest.fixture(scope="module")
def cycle(day):
    return {name: values[: CYCLE_S * RATE] for name, values in day.items()}


def speed(quantities):
    return quantities["vehicle_speed"] / 3.6


def test_acceleration_integrates_to_speed(cycle):
    grade = np.gradient(cycle["altitude"]) * RATE / np.maximum(speed(cycle), 1.0)
    moving = speed(cycle) > 2.0
    along = (cycle["accel_long"] - np.where(moving, np.sin(np.arctan(grade)), 0.0)) * GRAVITY
    start, stop = 15 * RATE, 70 * RATE
    gained = np.cumsum(along[start:stop]) / RATE
    error = gained - (speed(cycle)[start:stop] - speed(cycle)[start])
    assert np.abs(error).max() < 0.6  # m/s in 55 s; the altitude that gives the grade has 50 Hz steps


def test_distance_and_height_close_over_a_lap(cycle):
    driven = speed(cycle).sum() / RATE
    assert driven == pytest.approx(lap().length_m, rel=0.01)
    for name in ("latitude", "longitude", "altitude"):
        assert cycle[name][-1] == pytest.approx(cycle[name][0], abs=2e-6)
    assert np.ptp(cycle["altitude"]) == pytest.approx(93, abs=3)


def test_position_moves_at_the_speed_of_the_car(cycle):
    every = RATE // 5
    north = np.radians(cycle["latitude"][::every]) * 6_371_008.8
    east = np.radians(cycle["longitude"][::every]) * 6_371_008.8 * np.cos(np.radians(47.5))
    moved = np.hypot(np.diff(north), np.diff(east)) * 5
    mean = 0.5 * (speed(cycle)[::every][1:] + speed(cycle)[::every][:-1])
    fast = mean > 5
    assert np.abs(moved - mean)[fast].max() < 0.05 * mean.max()
    assert moved[fast].sum() == pytest.approx(mean[fast].sum(), rel=0.01)


def test_lateral_acceleration_is_speed_times_yaw_rate(cycle):
    expected = speed(cycle) * np.radians(cycle["yaw_rate"]) / GRAVITY
    assert np.abs(cycle["accel_lat"] - expected).max() < 0.03  # what is left is gravity in roll
    assert np.corrcoef(cycle["accel_lat"], expected)[0, 1] > 0.999
    assert 1.3 < np.abs(cycle["accel_lat"]).max() < 2.0


def test_wheels_turn_with_the_car(cycle):
    v, yaw = cycle["vehicle_speed"], np.radians(cycle["yaw_rate"])
    calm = (v > 20) & (cycle["brake_pressure_front"] < 0.5)
    front = 0.5 * (cycle["wheel_speed_fl"] + cycle["wheel_speed_fr"])
    assert np.abs(front / np.maximum(v, 1) - 1)[calm].max() < 0.005
    across = cycle["wheel_speed_fr"] - cycle["wheel_speed_fl"]
    assert np.abs(across - 3.6 * yaw * TRACK_M)[calm].max() < 0.2  # the outer wheel is the faster one
    rear = 0.5 * (cycle["wheel_speed_rl"] + cycle["wheel_speed_rr"])
    assert (rear[calm] >= 0.96 * v[calm]).all()
    assert (rear[(cycle["accel_long"] > 0.6) & (v > 30)] > v[(cycle["accel_long"] > 0.6) & (v > 30)]).all()


def test_engine_speed_is_wheel_speed_times_ratio(cycle):
    gear = cycle["gear"].astype(int)
    ratio = np.array((0.0, *GEAR_RATIOS))[gear]
    rear = 0.5 * (cycle["wheel_speed_rl"] + cycle["wheel_speed_rr"]) / 3.6
    expected = rear / CIRCUMFERENCE_REAR_M * 60 * ratio
    steady = np.convolve(np.abs(np.diff(cycle["gear"], prepend=0)) > 0, np.ones(101), "same") == 0
    closed = steady & (gear > 0) & (expected > 6800) & (np.abs(np.gradient(expected)) < 12)
    assert closed.sum() > 10 * RATE
    assert np.abs(cycle["engine_speed"] / np.maximum(expected, 1) - 1)[closed].max() < 0.02
    assert cycle["engine_speed"].max() < 11_000
    assert set(gear.tolist()) >= {0, 1, 2, 3, 4}


def test_throttle_and_brake_are_not_used_together(cycle):
    both = (cycle["throttle"] > 15) & (cycle["brake_pressure_front"] > 8) & (cycle["vehicle_speed"] > 30)
    assert both.mean() < 0.01  # blips at down-shifts
    braking = cycle["brake_pressure_front"] > 15
    assert (cycle["accel_long"][braking & (cycle["vehicle_speed"] > 30)] < 0.05).all()
    assert cycle["throttle"][(cycle["accel_long"] > 0.5) & (cycle["vehicle_speed"] > 40)].min() > 25


def test_brake_pressure_follows_deceleration(cycle):
    moving = (cycle["vehicle_speed"] > 40) & (cycle["brake_pressure_front"] > 5)
    assert np.corrcoef(cycle["accel_long"][moving], cycle["brake_pressure_front"][moving])[0, 1] < -0.9
    assert (cycle["brake_pressure_front"][moving] > cycle["brake_pressure_rear"][moving]).all()
    assert 40 < cycle["brake_pressure_front"].max() < 85


def test_dampers_answer_to_roll_and_pitch(cycle):
    on_the_hill = (cycle["vehicle_speed"] > 30) & (cycle["seconds"] < 80)
    roll = cycle["damper_fr"] + cycle["damper_rr"] - cycle["damper_fl"] - cycle["damper_rl"]
    pitch = cycle["damper_fl"] + cycle["damper_fr"] - cycle["damper_rl"] - cycle["damper_rr"]
    assert np.corrcoef(roll[on_the_hill], cycle["accel_lat"][on_the_hill])[0, 1] > 0.7
    assert np.corrcoef(pitch[on_the_hill], cycle["accel_long"][on_the_hill])[0, 1] < -0.5
    for corner in ("fl", "fr", "rl", "rr"):
        travel = cycle[f"damper_{corner}"]
        assert np.abs(travel).max() < 30
        assert 200 < np.abs(np.gradient(travel) * RATE).max() < 1500  # mm/s
        assert np.std(travel[cycle["vehicle_speed"] == 0]) < 0.05
    assert cycle["accel_vert"].mean() == pytest.approx(1.0, abs=0.01)


def test_engine_at_rest_at_idle_and_at_work(cycle):
    off = (cycle["running"] == 0) & (cycle["cranking"] == 0)
    assert np.abs(cycle["manifold_pressure"] - cycle["barometric_pressure"])[: 2 * RATE].max() < 0.5
    idle = (cycle["running"] > 0) & (cycle["gear"] == 0) & (cycle["throttle"] < 7) & (cycle["engine_speed"] < 2200)
    assert 25 < np.median(cycle["manifold_pressure"][idle]) < 55
    assert 1600 < np.median(cycle["engine_speed"][idle]) < 2100
    full = (cycle["throttle"] > 95) & (cycle["engine_speed"] > 7000)
    assert np.median(cycle["manifold_pressure"][full]) > 93
    assert np.median(cycle["lambda_collector"][full]) == pytest.approx(0.88, abs=0.03)
    assert cycle["fuel_flow"][off].max() < 2.0
    assert cycle["oil_pressure"][full].min() > 2.5
    assert cycle["battery_voltage"][cycle["cranking"] > 0].min() < 10.5
    assert np.median(cycle["battery_voltage"][full]) > 13.3


def test_heat_goes_where_it_should(day):
    first, last = slice(0, CYCLE_S * RATE), slice((CYCLES - 1) * CYCLE_S * RATE, None)
    for name in ("oil_temperature", "gearbox_temperature"):
        assert day[name][last].mean() > day[name][first].mean() + 5
    assert 85 < day["coolant_temperature"][last].max() < 110
    assert day["fan_state"].max() == 1
    assert (day["coolant_temperature"][day["fan_state"] > 0] > 83).all()
    assert 200 < day["brake_temperature_fl"].max() < 500
    assert 850 < day["exhaust_temperature_1"].max() < 1020
    assert np.abs(np.diff(day["oil_temperature"])).max() * RATE < 3.0  # degC/s, a bulk fluid


def test_every_quantity_stays_within_what_the_car_file_calls_plausible(day):
    for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS):
        if entry.truth is None:
            continue
        low, high = entry.keys["plausible"]
        values = day[entry.truth]
        assert low <= values.min(), entry.name
        assert values.max() <= high, entry.name
        assert np.isfinite(values).all()


def test_nothing_jumps_where_one_cycle_ends_and_the_next_begins(day):
    seam = CYCLE_S * RATE
    for name, values in day.items():
        if name in {"seconds", "heading", "fuel_level"}:
            continue  # the heading has turned round once; the tank may be filled
        steps = np.abs(np.diff(values))
        elsewhere = np.delete(steps, np.arange(seam - 1, len(steps), seam))
        assert steps[seam - 1] <= 1.01 * elsewhere.max() + 1e-9, name
