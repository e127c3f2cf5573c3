"""The Wrenfell's channels, as its car file has them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from buswright.simulate.car.sensors import INPUTS, OPEN_V, SENSORS


@dataclass(frozen=True, slots=True)
class Entry:
    """One channel of the car file.

    Attributes
    ----------
    name
        Its name; the quantity that it shows has the same one unless `truth` says otherwise.
    source
        message/signal, or a formula.
    keys
        The other keys as they are written, in order.
    truth
        Quantity of the physics that it shows; None where the physics doesn't know it.
    """

    name: str
    source: str
    keys: Mapping[str, Any] = field(default_factory=dict)
    truth: str | None = None


def _sent(name: str, signal: str, plausible: tuple[float, float], *, truth: str | None = "", **keys: Any) -> Entry:
    """Return a channel whose signal is scaled by the database."""
    return Entry(name, signal, {**keys, "plausible": list(plausible)}, name if truth == "" else truth)


def _wired(signal: str, plausible: tuple[float, float], **keys: Any) -> Entry:
    """Return a channel of an analogue input: sensor, zero and wiring come from the wiring table."""
    name = signal.partition("/")[2]
    wired = INPUTS[name]
    entry: dict[str, Any] = {"sensor": wired.sensor}
    if wired.zero:
        entry["zero"] = {"add": wired.zero, "date": "2026-04-02", "by": "crew", "why": keys.pop("why")}
    entry |= keys | {"plausible": list(plausible)}
    wiring = {"input": name, "plug": wired.plug}
    if wired.ground:
        wiring |= {"supply": wired.supply, "ground": wired.ground}
    entry["wiring"] = wiring
    if wired.sensor in {"damper_75", "pressure_10", "pressure_2", "ntc_10k"}:
        opened = OPEN_V[SENSORS[wired.sensor]["open_reads"]]
        entry["fingerprints"] = {"open": opened, "to_ground": 0.01, "to_supply": 4.99}
    return Entry(wired.channel, signal, entry, wired.channel)


def _damper(signal: str, position: str) -> Entry:
    limits = {"low": -30.0, "high": 30.0, "hold_s": 0.2, "hysteresis": 1.0}
    return _wired(
        signal,
        (-38.0, 38.0),
        why="ride height, driver in",
        role="damper_travel",
        position=position,
        caution=limits,
        warning=limits | {"low": -35.0, "high": 35.0, "hold_s": 0.1, "when": "vehicle_speed > 20"},
    )


def _wheel(corner: str, signal: str, axle: str, position: str) -> Entry:
    return _sent(
        f"wheel_speed_{corner}",
        f"WHEEL_SPEEDS/{signal}",
        (0.0, 260.0),
        sensor=f"hub_48_{axle}",
        role="wheel_speed",
        position=position,
        expected_hz=100,
    )


ENGINE_CHANNELS = (
    _sent("engine_speed", "ENGINE_1/EngineSpeed", (0, 12_000), role="engine_speed", expected_hz=200,
          caution={"high": 11_200, "hold_s": 0.05}, warning={"high": 11_600}),
    _sent("throttle", "ENGINE_1/ThrottlePosition", (-2, 105), role="throttle"),
    _sent("manifold_pressure", "ENGINE_1/ManifoldPressure", (10, 115), role="manifold_pressure"),
    _sent("pedal", "ENGINE_2/PedalPosition", (-2, 105)),
    _sent("ignition_advance", "ENGINE_2/IgnitionAdvance", (-20, 50)),
    _sent("injection_time", "ENGINE_2/InjectionTime", (0, 15)),
    _sent("engine_torque", "ENGINE_2/EngineTorque", (-60, 150)),
    _sent("lambda_collector", "LAMBDA/Lambda", (0.6, 1.6), role="lambda"),
    _sent("lambda_target", "LAMBDA/LambdaTarget", (0.7, 1.2)),
    _sent("gear", "GEARBOX/Gear", (0, 6), unit="gear", role="gear"),
    _sent("gear_drum", "GEARBOX/GearDrum", (0, 6), truth="gear", sensor="gear_drum"),
    _sent("output_speed", "GEARBOX/OutputSpeed", (0, 3000), truth=None),
    _sent("gearbox_temperature", "GEARBOX/GearboxTemperature", (-20, 160),
          caution={"high": 120.0, "hold_s": 2.0}, warning={"high": 135.0, "hold_s": 2.0}),
    _sent("clutch_pressure", "DRIVER/ClutchPressure", (0, 35)),
    _sent("engine_state", "DRIVER/EngineState", (0, 2), unit="state"),
    _sent("fan_state", "DRIVER/FanCommand", (0, 1), unit="state", role="fan_state"),
    _sent("barometric_pressure", "ENGINE_PRESSURES/BarometricPressure", (85, 106), role="barometric_pressure"),
    _sent("airbox_pressure", "ENGINE_PRESSURES/AirboxPressure", (85, 110), truth=None),
    _sent("fuel_flow", "ENGINE_PRESSURES/FuelFlow", (0, 80)),
    _sent("vehicle_speed", "ENGINE_PRESSURES/VehicleSpeed", (0, 260), role="vehicle_speed"),
    _sent("knock_1", "CYLINDERS/Knock1", (0, 2000), truth=None, unit="mV"),
    _sent("knock_2", "CYLINDERS/Knock2", (0, 2000), truth=None, unit="mV"),
    _sent("knock_3", "CYLINDERS/Knock3", (0, 2000), truth=None, unit="mV"),
    _sent("coolant_temperature", "ENGINE_TEMPERATURES/CoolantTemperature", (-20, 130), role="coolant_temperature",
          caution={"high": 110.0, "hold_s": 2.0, "hysteresis": 2.0}, warning={"high": 117.0, "hold_s": 2.0}),
    _sent("air_temperature", "ENGINE_TEMPERATURES/AirTemperature", (-20, 80), role="air_temperature"),
    _sent("fuel_level", "ENGINE_TEMPERATURES/FuelLevel", (0, 12), caution={"low": 1.0, "hold_s": 10.0}),
    _sent("battery_voltage", "CONTROLLER_SUPPLY/BatteryVoltage", (8, 16), role="battery_voltage",
          caution={"low": 12.0, "hold_s": 2.0, "when": "engine_speed > 500"},
          warning={"low": 11.0, "high": 15.5, "hold_s": 2.0, "when": "engine_speed > 500"}),
    _sent("controller_supply", "CONTROLLER_SUPPLY/SensorSupply", (4.5, 5.5), truth=None, role="reference_voltage"),
    _sent("current_pump", "POWER_CURRENTS_1/FuelPumpCurrent", (0, 15)),
    _sent("current_fan", "POWER_CURRENTS_1/FanCurrent", (0, 25)),
    _sent("current_ignition", "POWER_CURRENTS_1/IgnitionCurrent", (0, 15)),
    _sent("current_total", "POWER_CURRENTS_2/TotalCurrent", (0, 60)),
    _sent("power_supply", "POWER_SUPPLY/SupplyVoltage", (8, 16), truth=None, role="module_supply"),
)  # fmt: skip

CHASSIS_CHANNELS = (
    _damper("DAMPERS_A/AIN1", "front-left"),
    _damper("DAMPERS_A/AIN2", "front-right"),
    _damper("DAMPERS_B/AIN4", "rear-left"),
    _damper("DAMPERS_B/AIN5", "rear-right"),
    _wired("DAMPERS_A/AIN3", (-175.0, 178.0), why="wheels straight on the flat patch", role="steering_angle"),
    _sent("accel_long", "INERTIAL_1/AccelLongitudinal", (-4, 4), role="accel_long"),
    _sent("accel_lat", "INERTIAL_1/AccelLateral", (-4, 4), role="accel_lat"),
    _sent("accel_vert", "INERTIAL_1/AccelVertical", (-4, 6), role="accel_vert"),
    _sent("yaw_rate", "INERTIAL_2/YawRate", (-150, 150), role="yaw_rate"),
    _sent("roll_rate", "INERTIAL_2/RollRate", (-150, 150)),
    _sent("pitch_rate", "INERTIAL_2/PitchRate", (-150, 150)),
    _sent("roll", "INERTIAL_3/RollAngle", (-20, 20)),
    _sent("pitch", "INERTIAL_3/PitchAngle", (-20, 20)),
    _wheel("fl", "FrequencyFrontLeft", "front", "front-left"),
    _wheel("fr", "FrequencyFrontRight", "front", "front-right"),
    _wheel("rl", "FrequencyRearLeft", "rear", "rear-left"),
    _wheel("rr", "FrequencyRearRight", "rear", "rear-right"),
    _sent("brake_pressure_front", "BRAKES/PressureFront", (-5, 150), role="brake_pressure", position="front"),
    _sent("brake_pressure_rear", "BRAKES/PressureRear", (-5, 150), role="brake_pressure", position="rear"),
    _sent("brake_travel", "BRAKES/PedalTravel", (0, 100), truth=None),
    *(
        _sent(f"brake_temperature_{corner}", f"BRAKE_TEMPERATURES/Disc{signal}", (-20, 900), position=position,
              caution={"high": 620.0, "hold_s": 1.0}, invalid_raw=[0xFFFF])
        for corner, signal, position in (
            ("fl", "FrontLeft", "front-left"),
            ("fr", "FrontRight", "front-right"),
            ("rl", "RearLeft", "rear-left"),
            ("rr", "RearRight", "rear-right"),
        )
    ),
    _wired("ANALOGUE_A/AIN6", (-0.2, 10.0), role="oil_pressure",
           caution={"low": 1.6, "hold_s": 0.3, "when": "engine_speed > 4500"},
           warning={"low": 1.1, "hold_s": 0.3, "hysteresis": 0.2, "when": "engine_speed > 4500"}),
    _wired("ANALOGUE_A/AIN7", (-0.2, 8.0), role="fuel_pressure",
           caution={"low": 3.0, "high": 4.2, "hold_s": 0.3, "when": "engine_speed > 1500"}),
    _wired("ANALOGUE_A/AIN8", (-0.2, 2.0), caution={"high": 1.4, "hold_s": 1.0}),
    _wired("ANALOGUE_A/AIN9", (50.0, 72.0)),
    _wired("ANALOGUE_B/AIN10", (-20.0, 160.0), role="oil_temperature",
           caution={"high": 132.0, "hold_s": 2.0, "hysteresis": 2.0}, warning={"high": 142.0, "hold_s": 2.0}),
    _wired("ANALOGUE_B/AIN11", (-20.0, 120.0)),
    _wired("ANALOGUE_B/AIN12", (-20.0, 50.0)),
    _wired("ANALOGUE_B/AIN13", (-20.0, 150.0)),
    _wired("EXHAUST/TC1", (-20.0, 1100.0), role="exhaust_temperature", caution={"high": 1040.0, "hold_s": 1.0}),
    _wired("EXHAUST/TC2", (-20.0, 1100.0), role="exhaust_temperature", caution={"high": 1040.0, "hold_s": 1.0}),
    _wired("EXHAUST/TC3", (-20.0, 1100.0), role="exhaust_temperature", caution={"high": 1040.0, "hold_s": 1.0}),
    _sent("cold_junction", "EXHAUST/ColdJunction", (-20, 85), truth="board_temperature"),
    _sent("latitude", "GNSS_POSITION/Latitude", (-90, 90), role="latitude", delay_s=0.12),
    _sent("longitude", "GNSS_POSITION/Longitude", (-180, 180), role="longitude", delay_s=0.12),
    _sent("gnss_speed", "GNSS_SPEED/GroundSpeed", (0, 260), truth="vehicle_speed", delay_s=0.12),
    _sent("course", "GNSS_SPEED/Course", (0, 360), truth=None, delay_s=0.12),
    _sent("altitude", "GNSS_SPEED/Altitude", (-100, 2000), delay_s=0.12),
    _sent("satellites", "GNSS_SPEED/Satellites", (0, 31), truth=None, delay_s=0.12),
    _sent("node_supply", "DAMPER_NODE_SUPPLY/SupplyVoltage", (8, 16), truth=None, unit="V", role="module_supply"),
    _sent("sensor_supply", "DAMPER_NODE_SUPPLY/Reference5V", (4.5, 5.5), truth="reference_voltage", unit="V",
          role="reference_voltage"),
)  # fmt: skip

COMPUTED_CHANNELS = (
    *(
        Entry(f"damper_{corner}_speed", f"rate_of_change(damper_{corner})", {"unit": "mm/s"})
        for corner in ("fl", "fr", "rl", "rr")
    ),
    Entry("brake_bias",
          "100 * brake_pressure_front / max(brake_pressure_front + brake_pressure_rear, 5.0)", {"unit": "%"}),
    Entry("front_speed", "(wheel_speed_fl + wheel_speed_fr) / 2", {"unit": "km/h"}),
    Entry("rear_slip", "100 * ((wheel_speed_rl + wheel_speed_rr) / 2 - front_speed) / max(front_speed, 5.0)",
          {"unit": "%"}),
    Entry("roll_travel", "(damper_fr + damper_rr - damper_fl - damper_rl) / 2", {"unit": "mm"}),
    Entry("accel_lat_expected", 'convert(vehicle_speed, "m/s") * convert(yaw_rate, "rad/s") / 9.80665', {"unit": "g"}),
    Entry("combined_accel", "sqrt(accel_long ** 2 + accel_lat ** 2)", {"unit": "g"}),
    Entry("oil_pressure_margin", "oil_pressure - where(engine_speed > 500, engine_speed * 0.0003, 0)", {"unit": "bar"}),
    Entry("exhaust_spread",
          "max(exhaust_temperature_1, exhaust_temperature_2, exhaust_temperature_3)"
          " - min(exhaust_temperature_1, exhaust_temperature_2, exhaust_temperature_3)", {}),
    Entry("supply_drop", "battery_voltage - node_supply", {"unit": "V"}),
    Entry("distance", 'accumulate(convert(vehicle_speed, "m/s"))', {"unit": "m"}),
)  # fmt: skip
