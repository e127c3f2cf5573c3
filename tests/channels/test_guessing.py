"""What a signal may stand for: the words that people write into databases, role by role, and what speaks against it."""

from __future__ import annotations

import pytest

from buswright.channels.guessing import Guess, guess, is_bookkeeping, role_takes, words_of


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("PressureFront", "pressure front"),
        ("pressure_front", "pressure front"),
        ("ECUTemp", "ecu temp"),
        ("AIN6", "ain 6"),
        ("5VSupply", "5 v supply"),
        ("Öl-Druck", "l druck"),
        ("__", ""),
    ],
)
def test_a_name_is_taken_apart(name, words):
    assert words_of(name) == words


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("MessageCounter", True), ("ALIVE", True), ("crc_8", True), ("RollingCnt", True), ("Checksum", True),
        ("parity", True), ("sequence", True), ("FuelCounts", False), ("Discount", False), ("Speed", False),
    ],
)  # fmt: skip
def test_counters_and_checksums_measure_nothing(name, counts):
    assert is_bookkeeping(name) is counts


def test_a_counter_stands_for_nothing_whatever_its_message_is_called():
    assert guess("AliveCounter", "WHEEL_SPEED_FL", "km/h") == Guess(None, "front-left", False)


@pytest.mark.parametrize(
    ("signal", "unit", "role"),
    [
        ("WheelSpeed", "km/h", "wheel_speed"), ("speed_wheel", "m/s", "wheel_speed"),
        ("SteeringWheelSpeed", "km/h", None),
        ("RPM", "rpm", "engine_speed"), ("EngSpeed", "rpm", "engine_speed"), ("IdleRPM", "rpm", None),
        ("VehicleSpeed", "km/h", "vehicle_speed"), ("Speed", "km/h", "vehicle_speed"), ("GNSSSpeed", "km/h", None),
        ("TPS", "%", "throttle"), ("ThrottlePedal", "%", None),
        ("Gear", "", "gear"), ("GearPosition", "gear", "gear"), ("GearLever", "", None), ("GearNext", "", None),
        ("BrakePressure", "bar", "brake_pressure"), ("PressBrake", "barg", "brake_pressure"),
        ("BrakePressBias", "bar", None),
        ("Steering", "deg", "steering_angle"), ("SteerRate", "deg", None),
        ("AccelLong", "g", "accel_long"), ("AccX", "m/s^2", "accel_long"), ("LatAccel", "g", "accel_lat"),
        ("GLat", "g", "accel_lat"), ("AccelZ", "g", "accel_vert"),
        ("YawRate", "deg/s", "yaw_rate"), ("GyroZ", "deg/s", "yaw_rate"),
        ("Damper", "mm", "damper_travel"), ("DamperSpeed", "mm", None),
        ("MAP", "kPa", "manifold_pressure"), ("BoostTemp", "kPa", None),
        ("Baro", "mbar", "barometric_pressure"), ("AmbientAir", "bara", "barometric_pressure"),
        ("OilPressure", "bar", "oil_pressure"), ("POil", "bar", "oil_pressure"), ("GearboxOilPress", "bar", None),
        ("FuelPress", "bar", "fuel_pressure"), ("FuelPumpPress", "bar", None),
        ("OilTemp", "degC", "oil_temperature"), ("DiffOil", "degC", None),
        ("CLT", "degC", "coolant_temperature"), ("WaterOut", "degC", None),
        ("IAT", "degC", "air_temperature"), ("AmbientAir", "degC", None),
        ("EGT", "degC", "exhaust_temperature"), ("EGTJunction", "degC", None),
        ("Lambda", "lambda", "lambda"), ("Lambda", "", "lambda"), ("LambdaTrim", "", None),
        ("VBat", "V", "battery_voltage"), ("Vref", "V", "reference_voltage"), ("Kl30", "V", "module_supply"),
        ("Fan", "", "fan_state"), ("FanDuty", "", None),
        ("Latitude", "deg", "latitude"), ("Lng", "deg", "longitude"),
        ("OilPressure", "degC", "oil_temperature"),  # the unit knows better than the name
        ("RPMTarget", "rpm", None), ("RPM_max", "rpm", None), ("OilPressureFault", "bar", None),
        ("RPM", "widgets", None), ("Whatever", "bar", None),
    ],
)  # fmt: skip
def test_a_role_is_guessed_from_name_and_unit(signal, unit, role):
    assert guess(signal, "", unit) == Guess(role, None, role is not None)


@pytest.mark.parametrize(
    ("signal", "unit", "comment", "role"),
    [
        ("OilPressure", "V", "", "oil_pressure"),
        ("OilPressure", "count", "", "oil_pressure"),
        ("OilTemp", "mV", "", "oil_temperature"),
        ("CoolantPressure", "V", "", None),  # a pressure is no temperature, whatever the medium
        ("FuelLevel", "V", "", None),
        ("OilFlow", "V", "", None),
        ("DamperForce", "V", "", None),
        ("Damper", "V", "", "damper_travel"),
        ("AIN6", "mV", "oil pressure, after the filter", "oil_pressure"),
        ("AIN6", "bar", "oil pressure, after the filter", None),  # a comment says only what is wired to an input
        ("Ambient", "V", "", None),  # of the air the temperature may be meant as well
        ("AmbientPress", "V", "", "barometric_pressure"),
        ("Fan", "V", "", None),  # states and supplies need no sensor
        ("Fan", "Hz", "", None),
        ("Gear", "V", "", None),
        ("WheelSpeed", "Hz", "", "wheel_speed"),
        ("OilTemp", "ohm", "", "oil_temperature"),
        ("OilPressure", "mA", "", "oil_pressure"),
        ("OilPressure", "rpm", "", None),
    ],
)
def test_an_input_may_be_turned_into_a_role_by_a_sensor(signal, unit, comment, role):
    assert guess(signal, "", unit, comment) == Guess(role, None, False)


def test_the_messages_name_helps_where_the_signals_own_says_too_little():
    assert guess("Front", "BRAKE_PRESSURE", "bar") == Guess("brake_pressure", "front", True, True)
    assert guess("OilTemp", "BRAKE_PRESSURE", "degC") == Guess("oil_temperature", None, True, False)
    assert guess("AIN1", "OIL_PRESSURE", "V") == Guess("oil_pressure", None, False, True)
    # What fits with the message comes after what the name alone says with a sensor.
    assert guess("OilPressure", "COOLANT", "") == Guess("oil_pressure", None, False, False)


@pytest.mark.parametrize(
    ("signal", "message", "position"),
    [
        ("SpeedFL", "", "front-left"), ("RightFront", "", "front-right"), ("rear_left", "", "rear-left"),
        ("RR", "", "rear-right"), ("PressFront", "", "front"), ("Rear", "", "rear"), ("Left", "", "left"),
        ("RightTemp", "", "right"), ("A", "WHEEL_FL", "front-left"), ("Left", "WHEEL_FRONT", "left"),
        ("Speed", "", None), ("Lift", "", None),
    ],
)  # fmt: skip
def test_a_position_is_taken_from_the_name_then_from_the_messages(signal, message, position):
    assert guess(signal, message, "widgets").position == position


@pytest.mark.parametrize(
    ("role", "unit", "takes"),
    [
        ("oil_pressure", "psi", True), ("oil_pressure", "barg", True), ("oil_pressure", "degC", False),
        ("oil_pressure", "widgets", False), ("nothing", "bar", False), ("lambda", "1", True), ("lambda", "AFR", False),
    ],
)  # fmt: skip
def test_a_role_takes_units_of_its_quantity(role, unit, takes):
    assert role_takes(role, unit) is takes
