"""What is sent on both buses, message by message, each bus in the order in which its senders list it."""

from __future__ import annotations

from buswright.messages.checksum import Checksum
from buswright.simulate.car.definition import Message, Signal, celsius, checksum, counter, millivolts, number, state

_OFF_ON = {0: "off", 1: "on"}
_GEARS = {0: "neutral", 1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}

ENGINE_MESSAGES = (
    Message("ENGINE_1", 0x0A0, "engine_controller", "engine", 5, 0.0, "The engine's fast quantities.", (
        number("EngineSpeed", "engine_speed", "rpm", 0.25, 0, 16000, "From the crankshaft wheel.", noise=2.0),
        number("ThrottlePosition", "throttle", "%", 0.01, 0, 110, "Of the butterflies.", noise=0.04),
        number("ManifoldPressure", "manifold_pressure", "kPa", 0.01, 0, 120, "Absolute.", noise=0.15),
        counter(),
        checksum(gap=4),
    ), checksum=Checksum("crc8-j1850", 7, data_id=0xA0)),
    Message("ENGINE_2", 0x0A1, "engine_controller", "engine", 5, 2.0, "What the controller commands.", (
        number("PedalPosition", "pedal", "%", 0.01, 0, 110, "Of the accelerator pedal.", noise=0.03),
        number("IgnitionAdvance", "ignition_advance", "deg", 0.1, -20, 60, "Before top dead centre.", offset=0.0),
        number("InjectionTime", "injection_time", "ms", 0.001, 0, 30, "Opening of the injectors."),
        number("EngineTorque", "engine_torque", "Nm", 0.1, -100, 200, "Worked out by the controller.", noise=0.3),
    )),
    Message("LAMBDA", 0x0A8, "engine_controller", "engine", 10, 4.0, "Mixture.", (
        number("Lambda", "lambda_collector", "lambda", 0.0001, 0.5, 2.0, "Wideband probe.", noise=0.002),
        number("LambdaTarget", "lambda_target", "lambda", 0.0001, 0.5, 2.0, "What the controller aims at."),
        number("HeaterDuty", "lambda_heater", "%", 0.5, 0, 100, "Of the probe's heater.", bits=8),
        state("ProbeState", 4, "probe_state", {0: "cold", 1: "heating", 2: "ready"}, "Of the probe."),
    ), length=6),
    Message("GEARBOX", 0x0B0, "engine_controller", "engine", 10, 5.0, "Gearbox.", (
        state("Gear", 4, "gear", _GEARS, "Engaged gear."),
        state("ShiftActive", 1, "shift_active", _OFF_ON, "Ignition is cut for a shift."),
        state("ClutchSwitch", 1, "clutch_switch", {0: "released", 1: "pressed"}, "Of the clutch lever."),
        number("GearDrum", "gear_drum_mv", "mV", 1.0, 0, 5000, "Voltage of the drum sensor.", noise=2.0, gap=2),
        number("OutputSpeed", "output_speed", "rpm", 0.1, 0, 4000, "Of the rear axle.", noise=0.4),
        celsius("GearboxTemperature", "gearbox_temperature", "Oil in the sump.", 0.05, high=200.0),
    )),
    Message("DRIVER", 0x0C0, "engine_controller", "engine", 20, 7.0,
            "What the driver does, and what is commanded for him.", (
        state("UpshiftLever", 1, "shift_active", _OFF_ON, "Right-hand lever."),
        state("BrakeSwitch", 1, "brake_switch", _OFF_ON, "Of the brake pedal."),
        state("StarterButton", 1, "cranking", _OFF_ON, "Starter button."),
        state("FuelPump", 1, "pump_on", _OFF_ON, "Command to the power node."),
        state("FanCommand", 1, "fan_state", _OFF_ON, "Command to the power node."),
        state("EngineState", 3, "engine_state", {0: "stopped", 1: "cranking", 2: "running"}, "Of the controller."),
        number("ClutchPressure", "clutch_pressure", "bar", 0.01, 0, 40, "Hydraulic line of the clutch.",
               bits=12, noise=0.02),
        counter(),
    ), length=4),
    Message("ENGINE_PRESSURES", 0x121, "engine_controller", "engine", 20, 9.0, "Pressures at the controller.", (
        number("BarometricPressure", "barometric_pressure", "kPa", 0.01, 50, 120, "Inside the controller.",
               noise=0.02),
        number("AirboxPressure", "airbox_pressure", "kPa", 0.01, 50, 120, "Absolute.", noise=0.05),
        number("FuelFlow", "fuel_flow", "l/h", 0.01, 0, 200, "From the injection times."),
        number("VehicleSpeed", "vehicle_speed", "km/h", 0.01, 0, 350, "From the gearbox output.", noise=0.03),
    )),
    Message("CYLINDERS", 0x130, "engine_controller", "engine", 20, 11.0, "One cylinder after the other.", (
        Signal("CylinderIndex", 8, "cylinder", "", 1.0, 0.0, 1, 3, "Which cylinder the rest is about.",
               is_multiplexer=True),
        *(
            signal
            for i in (1, 2, 3)
            for signal in (
                number(f"Trim{i}", f"trim_{i}", "%", 0.01, -50, 50, f"Injection trim of cylinder {i}.", mux=i),
                number(f"Knock{i}", f"knock_{i}", "mV", 0.1, 0, 5000, f"Knock sensor, window of cylinder {i}.",
                       noise=6.0, mux=i),
                number(f"Advance{i}", "ignition_advance", "deg", 0.5, -20, 60, f"Ignition of cylinder {i}.",
                       bits=8, offset=-30.0, mux=i),
            )
        ),
    )),
    Message("ENGINE_TEMPERATURES", 0x140, "engine_controller", "engine", 100, 13.0, "Slow quantities.", (
        celsius("CoolantTemperature", "coolant_temperature", "In the cylinder head."),
        celsius("AirTemperature", "air_temperature", "In the airbox."),
        celsius("ControllerTemperature", "board_temperature", "Inside the controller."),
        number("FuelLevel", "fuel_level", "l", 0.01, 0, 20, "Float in the tank.", noise=0.03),
    )),
    Message("ENGINE_STATUS", 0x3F0, "engine_controller", "engine", 100, 37.0, "How the controller is.", (
        number("UpTime", "uptime", "s", 0.1, 0, 4e8, "Since the controller was switched on.", bits=32),
        number("FuelUsed", "fuel_used", "l", 0.001, 0, 65, "Since key-on."),
        number("FirmwareMark", "firmware", "1", 1.0, 0, 65535, "Build of the firmware."),
    )),
    Message("CONTROLLER_SUPPLY", 0x180, "engine_controller", "engine", 50, 17.0, "Supply of the controller.", (
        number("BatteryVoltage", "battery_voltage", "V", 0.001, 0, 30, "At the controller.", noise=0.012),
        number("SensorSupply", "controller_reference", "V", 0.001, 0, 6, "5 V for the engine's sensors.",
               noise=0.0012),
    ), length=4),
    Message("POWER_CURRENTS_1", 0x200, "power_node", "engine", 50, 3.0, "Currents of the big loads.", (
        number("FuelPumpCurrent", "current_pump", "A", 0.01, 0, 100, "Output 1.", noise=0.05),
        number("FanCurrent", "current_fan", "A", 0.01, 0, 100, "Output 2.", noise=0.07),
        number("IgnitionCurrent", "current_ignition", "A", 0.01, 0, 100, "Output 3.", noise=0.06),
        counter(),
        checksum(gap=4),
    ), checksum=Checksum("xor", 7)),
    Message("POWER_CURRENTS_2", 0x201, "power_node", "engine", 50, 14.0, "Currents of the small loads.", (
        number("ControllerCurrent", "current_ecu", "A", 0.01, 0, 100, "Output 4.", noise=0.02),
        number("DataCurrent", "current_data", "A", 0.01, 0, 100, "Output 5.", noise=0.02),
        number("TotalCurrent", "current_total", "A", 0.01, 0, 200, "Sum of all outputs.", noise=0.1),
    ), length=6),
    Message("POWER_SUPPLY", 0x202, "power_node", "engine", 50, 25.0, "Supply of the power node.", (
        number("SupplyVoltage", "power_supply", "V", 0.001, 0, 30, "At the node's input stud.", noise=0.01),
        celsius("NodeTemperature", "board_temperature", "Of the output stage.", 0.1, high=150.0),
    ), length=4),
    Message("POWER_STATES", 0x203, "power_node", "engine", 50, 36.0, "States of the outputs.", (
        state("FuelPumpOutput", 2, "pump_on", {0: "off", 1: "on", 2: "tripped"}, "Output 1."),
        state("FanOutput", 2, "fan_state", {0: "off", 1: "on", 2: "tripped"}, "Output 2."),
        state("MasterSwitch", 1, "always_on", _OFF_ON, "Isolator."),
        number("UpTime", "uptime", "s", 0.1, 0, 1.6e6, "Since the node was switched on.", bits=24, gap=3),
    ), length=4),
)  # fmt: skip

DAMPER_MESSAGES = (
    Message("DAMPERS_A", 0x1A0, "damper_node", "chassis", 5, 0.0, "Front axle.", (
        millivolts("AIN1", "Damper, front left."),
        millivolts("AIN2", "Damper, front right."),
        millivolts("AIN3", "Steering."),
        counter(),
        checksum(gap=4),
    ), checksum=Checksum("crc8-j1850", 7, data_id=0x1A0)),
    Message("DAMPERS_B", 0x1A1, "damper_node", "chassis", 5, 1.0, "Rear axle.", (
        millivolts("AIN4", "Damper, rear left."),
        millivolts("AIN5", "Damper, rear right."),
        counter(),
        checksum(gap=4),
    ), length=6, checksum=Checksum("crc8-j1850", 5, data_id=0x1A1)),
)  # fmt: skip

DAMPER_MESSAGES_FD = (
    Message("DAMPERS_FD", 0x1A2, "damper_node", "chassis", 2, 0.0, "All four corners in one CAN FD frame.", (
        checksum(16),
        counter(8),
        millivolts("AIN1", "Damper, front left.", gap=8),
        millivolts("AIN2", "Damper, front right."),
        millivolts("AIN3", "Steering."),
        millivolts("AIN4", "Damper, rear left."),
        millivolts("AIN5", "Damper, rear right."),
        number("HubAccelFrontLeft", "hub_fl", "g", 0.01, -100, 100, "Upright, front left.", noise=0.08),
        number("HubAccelFrontRight", "hub_fr", "g", 0.01, -100, 100, "Upright, front right.", noise=0.08),
        number("HubAccelRearLeft", "hub_rl", "g", 0.01, -100, 100, "Upright, rear left.", noise=0.08),
        number("HubAccelRearRight", "hub_rr", "g", 0.01, -100, 100, "Upright, rear right.", noise=0.08),
    ), length=24, fd=True, checksum=Checksum("e2e-p05", 0, data_id=0x1A2)),
)  # fmt: skip

CHASSIS_MESSAGES = (
    Message("INERTIAL_1", 0x0F0, "inertial_node", "chassis", 10, 1.0, "Accelerations.", (
        number("AccelLongitudinal", "accel_long", "g", 0.001, -6, 6, "Forward positive.", noise=0.012),
        number("AccelLateral", "accel_lat", "g", 0.001, -6, 6, "To the left positive.", noise=0.012),
        number("AccelVertical", "accel_vert", "g", 0.001, -6, 6, "Up positive; 1 g at rest.", noise=0.015),
        counter(),
        checksum(gap=4),
    ), checksum=Checksum("crc8-autosar", 7)),
    Message("INERTIAL_2", 0x0F1, "inertial_node", "chassis", 10, 3.5, "Turn rates.", (
        number("YawRate", "yaw_rate", "deg/s", 0.01, -300, 300, "Turning left positive.", noise=0.07),
        number("RollRate", "roll_rate", "deg/s", 0.01, -300, 300, "Right side down positive.", noise=0.07),
        number("PitchRate", "pitch_rate", "deg/s", 0.01, -300, 300, "Nose down positive.", noise=0.07),
        counter(),
        checksum(gap=4),
    ), checksum=Checksum("crc8-autosar", 7)),
    Message("INERTIAL_3", 0x0F2, "inertial_node", "chassis", 10, 6.0, "Attitude, from all of the node's sensors.", (
        number("RollAngle", "roll", "deg", 0.01, -90, 90, "Right side down positive.", noise=0.03),
        number("PitchAngle", "pitch", "deg", 0.01, -90, 90, "Nose down positive.", noise=0.03),
        number("Heading", "course", "deg", 0.01, 0, 360, "Clockwise from north.", noise=0.02),
    ), length=6),
    Message("WHEEL_SPEEDS", 0x110, "wheel_node", "chassis", 10, 0.0,
            "Pulse frequencies of the wheel sensors, most significant byte first.", (
        number("FrequencyFrontLeft", "wheel_hz_fl", "Hz", 0.1, 0, 6000, "48 teeth.", noise=0.05),
        number("FrequencyFrontRight", "wheel_hz_fr", "Hz", 0.1, 0, 6000, "48 teeth.", noise=0.05),
        number("FrequencyRearLeft", "wheel_hz_rl", "Hz", 0.1, 0, 6000, "48 teeth.", noise=0.05),
        number("FrequencyRearRight", "wheel_hz_rr", "Hz", 0.1, 0, 6000, "48 teeth.", noise=0.05),
    ), big_endian=True),
    Message("BRAKES", 0x111, "wheel_node", "chassis", 10, 4.0, "Brake circuits.", (
        checksum(),
        counter(),
        number("PressureFront", "brake_pressure_front", "bar", 0.01, -20, 250, "Front circuit.", noise=0.06, gap=4),
        number("PressureRear", "brake_pressure_rear", "bar", 0.01, -20, 250, "Rear circuit.", noise=0.06),
        number("PedalTravel", "brake_travel", "%", 0.01, 0, 110, "Of the brake pedal.", noise=0.05),
    ), checksum=Checksum("e2e-p02", 0, data_id=0x11)),
    Message("BRAKE_TEMPERATURES", 0x112, "wheel_node", "chassis", 50, 8.0, "Brake discs.", (
        celsius("DiscFrontLeft", "brake_temperature_fl", "Infrared, front left.", 0.5),
        celsius("DiscFrontRight", "brake_temperature_fr", "Infrared, front right.", 0.5),
        celsius("DiscRearLeft", "brake_temperature_rl", "Infrared, rear left.", 0.5),
        celsius("DiscRearRight", "brake_temperature_rr", "Infrared, rear right.", 0.5),
    )),
    Message("ANALOGUE_A", 0x1B0, "damper_node", "chassis", 20, 3.0, "Pressures.", (
        millivolts("AIN6", "Oil pressure."),
        millivolts("AIN7", "Fuel pressure."),
        millivolts("AIN8", "Coolant pressure."),
        millivolts("AIN9", "Brake bias bar."),
    )),
    Message("ANALOGUE_B", 0x1B1, "damper_node", "chassis", 50, 8.0, "Temperatures.", (
        millivolts("AIN10", "Oil temperature."),
        millivolts("AIN11", "Temperature behind the radiator."),
        millivolts("AIN12", "Ambient air."),
        millivolts("AIN13", "Gearbox casing, platinum probe."),
    )),
    Message("EXHAUST", 0x1B2, "damper_node", "chassis", 40, 12.0,
            "Exhaust thermocouples, without cold-junction compensation.", (
        number("TC1", "TC1", "mV", 0.002, -10, 60, "Thermocouple, cylinder 1."),
        number("TC2", "TC2", "mV", 0.002, -10, 60, "Thermocouple, cylinder 2."),
        number("TC3", "TC3", "mV", 0.002, -10, 60, "Thermocouple, cylinder 3."),
        number("ColdJunction", "board_temperature", "°C", 0.01, -40, 125, "At the terminals.", noise=0.03, offset=0.0),
    )),
    Message("GNSS_POSITION", 0x2D1, "inertial_node", "chassis", 40, 6.0, "Where the car is.", (
        number("Latitude", "latitude", "deg", 1e-7, -90, 90, "North positive.", bits=32, noise=2e-7),
        number("Longitude", "longitude", "deg", 1e-7, -180, 180, "East positive.", bits=32, noise=3e-7),
    ), delay_s=0.12),
    Message("GNSS_SPEED", 0x2D2, "inertial_node", "chassis", 40, 7.0, "How the car moves over ground.", (
        number("GroundSpeed", "vehicle_speed", "km/h", 0.01, 0, 500, "Over ground.", noise=0.06),
        number("Course", "course", "deg", 0.01, 0, 360, "Clockwise from north.", noise=0.05),
        number("Altitude", "altitude", "m", 0.1, -500, 6000, "Above the ellipsoid.", offset=-500.0, noise=0.15),
        number("Satellites", "satellites", "1", 1.0, 0, 31, "In use.", bits=5),
        state("Fix", 3, "gnss_fix", {0: "none", 1: "dead reckoning", 2: "2D", 3: "3D"}, "Kind of fix."),
    ), delay_s=0.12),
    Message("GNSS_TIME", 0x2D3, "inertial_node", "chassis", 200, 9.0, "Time.", (
        number("TimeOfDay", "time_of_day", "s", 0.001, 0, 86400, "UTC.", bits=32),
        number("Dilution", "dilution", "1", 0.01, 0, 99, "Horizontal dilution of precision.", noise=0.01),
    ), length=6, delay_s=0.12),
    Message("DAMPER_NODE_SUPPLY", 0x18FF1A42, "damper_node", "chassis", 50, 0.5,
            "How the node is; the one message with a 29-bit identifier.", (
        number("SupplyVoltage", "node_supply", "mV", 1.0, 0, 30000, "At the node's plug.", noise=10.0),
        number("Reference5V", "reference_mv", "mV", 1.0, 0, 6000, "5 V for the sensors.", noise=0.8),
        celsius("BoardTemperature", "board_temperature", "Inside the node.", 0.06, high=125.0),
        number("UpTime", "uptime", "s", 1.0, 0, 65535, "Since the node was switched on."),
    ), extended=True),
)  # fmt: skip
