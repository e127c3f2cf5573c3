"""Five ways in which people build such cars, each with dice for what varies within it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.cars import sensors
from tests.cars.car import Bus, Car, Channel, Message, Module
from tests.cars.sensors import Sensor

ROLES = (
    {
        "rpm": "engine_speed",
        "v_gps": "vehicle_speed",
        "throttle": "throttle",
        "gear": "gear",
        "steer": "steering_angle",
        "brake_f": "brake_pressure",
        "brake_r": "brake_pressure",
        "ax": "accel_long",
        "ay": "accel_lat",
        "az": "accel_vert",
        "yaw": "yaw_rate",
        "map": "manifold_pressure",
        "baro": "barometric_pressure",
        "p_oil": "oil_pressure",
        "p_fuel": "fuel_pressure",
        "t_oil": "oil_temperature",
        "t_water": "coolant_temperature",
        "t_air": "air_temperature",
        "lambda": "lambda",
        "vbat": "battery_voltage",
        "fan": "fan_state",
        "lat": "latitude",
        "lon": "longitude",
    }
    | {f"d_{c}": "damper_travel" for c in ("fl", "fr", "rl", "rr")}
    | {f"ws_{c}": "wheel_speed" for c in ("fl", "fr", "rl", "rr")}
    | {f"egt{i}": "exhaust_temperature" for i in range(1, 9)}
)

CORNERS = {"fl": "front-left", "fr": "front-right", "rl": "rear-left", "rr": "rear-right"}

ENGLISH = {
    "rpm": "engine_speed",
    "v_gps": "gps_speed",
    "throttle": "throttle_pos",
    "gear": "gear",
    "steer": "steering",
    "brake_f": "brake_press_front",
    "brake_r": "brake_press_rear",
    "ax": "accel_x",
    "ay": "accel_y",
    "az": "accel_z",
    "yaw": "yaw",
    "map": "manifold",
    "baro": "baro",
    "p_oil": "oil_press",
    "p_fuel": "fuel_press",
    "p_water": "water_press",
    "t_oil": "oil_temp",
    "t_water": "water_temp",
    "t_air": "air_temp",
    "t_box": "gearbox_temp",
    "t_module": "box_temp",
    "lambda": "lambda_1",
    "vbat": "battery",
    "fan": "fan",
    "lat": "gps_lat",
    "lon": "gps_lon",
    "d_": "damper_",
    "ws_": "wheel_",
    "egt": "egt_",
    "vref": "sensor_5v",
    "vsup": "box_supply",
}
FRENCH = {
    "rpm": "regime",
    "v_gps": "vitesse_gps",
    "throttle": "papillon",
    "gear": "rapport",
    "steer": "volant",
    "brake_f": "pression_frein_av",
    "brake_r": "pression_frein_ar",
    "ax": "accel_long",
    "ay": "accel_lat",
    "az": "accel_vert",
    "yaw": "lacet",
    "map": "pression_admission",
    "baro": "pression_atmo",
    "p_oil": "pression_huile",
    "p_fuel": "pression_essence",
    "p_water": "pression_eau",
    "t_oil": "temp_huile",
    "t_water": "temp_eau",
    "t_air": "temp_air",
    "t_box": "temp_boite",
    "t_module": "temp_boitier",
    "lambda": "richesse",
    "vbat": "batterie",
    "fan": "ventilateur",
    "lat": "latitude",
    "lon": "longitude",
    "d_": "amorto_",
    "ws_": "roue_",
    "egt": "echap_",
    "vref": "alim_5v",
    "vsup": "alim_boitier",
}
PREFIXED = {
    "rpm": "N_Eng",
    "v_gps": "V_GPS",
    "throttle": "TPS",
    "gear": "Gear_Act",
    "steer": "A_Steer",
    "brake_f": "P_BrkF",
    "brake_r": "P_BrkR",
    "ax": "G_Long",
    "ay": "G_Lat",
    "az": "G_Vert",
    "yaw": "W_Yaw",
    "map": "P_Man",
    "baro": "P_Amb",
    "p_oil": "P_Oil",
    "p_fuel": "P_Fuel",
    "p_water": "P_Wtr",
    "t_oil": "T_Oil",
    "t_water": "T_Wtr",
    "t_air": "T_Air",
    "t_box": "T_Gbx",
    "t_module": "T_Pcb",
    "lambda": "Lam1",
    "vbat": "U_Bat",
    "fan": "B_Fan",
    "lat": "Pos_Lat",
    "lon": "Pos_Lon",
    "d_": "DMP_",
    "ws_": "WSS_",
    "egt": "T_Exh",
    "vref": "U_Sens",
    "vsup": "U_Node",
}
GERMAN = {
    "rpm": "Drehzahl",
    "v_gps": "Tempo_Satellit",
    "throttle": "Drosselklappe",
    "gear": "Gang",
    "steer": "Lenkwinkel",
    "brake_f": "Bremsdruck_v",
    "brake_r": "Bremsdruck_h",
    "ax": "Laengsb",
    "ay": "Querb",
    "az": "Hochb",
    "yaw": "Gierrate",
    "map": "Saugrohrdruck",
    "baro": "Luftdruck",
    "p_oil": "Oeldruck",
    "p_fuel": "Benzindruck",
    "p_water": "Wasserdruck",
    "t_oil": "Oeltemp",
    "t_water": "Wassertemp",
    "t_air": "Lufttemp",
    "t_box": "Getriebetemp",
    "t_module": "Platinentemp",
    "lambda": "Lambdawert",
    "vbat": "Bordspannung",
    "fan": "Luefter",
    "lat": "Breite",
    "lon": "Laenge",
    "d_": "Federweg_",
    "ws_": "Rad_",
    "egt": "Abgastemp_",
    "vref": "Geberspannung",
    "vsup": "Knotenspannung",
}

READY: dict[str, tuple[str, float, float, bool, int, float, float, float]] = {
    # unit, resolution, offset, signed, bits, lowest, highest, noise in steps
    "rpm": ("rpm", 1.0, 0.0, False, 16, 0, 16000, 3.0),
    "throttle": ("%", 0.1, 0.0, False, 16, 0, 100, 0.6),
    "gear": ("", 1.0, 0.0, False, 8, 0, 7, 0.0),
    "v_gps": ("km/h", 0.05, 0.0, False, 16, 0, 400, 0.8),
    "steer": ("deg", 0.1, 0.0, True, 16, -720, 720, 0.7),
    "ax": ("g", 0.001, 0.0, True, 16, -8, 8, 4.0),
    "ay": ("g", 0.001, 0.0, True, 16, -8, 8, 4.0),
    "az": ("g", 0.001, 0.0, True, 16, -16, 16, 5.0),
    "yaw": ("deg/s", 0.05, 0.0, True, 16, -300, 300, 2.0),
    "map": ("kPa", 0.1, 0.0, False, 16, 0, 300, 2.0),
    "baro": ("kPa", 0.1, 0.0, False, 16, 0, 120, 0.3),
    "p_oil": ("bar", 0.01, 0.0, False, 16, 0, 12, 1.0),
    "p_fuel": ("bar", 0.01, 0.0, False, 16, 0, 12, 1.0),
    "t_water": ("degC", 0.1, 0.0, True, 16, -40, 180, 1.0),
    "t_oil": ("degC", 0.1, 0.0, True, 16, -40, 180, 1.0),
    "t_air": ("degC", 1.0, -40.0, False, 8, -40, 210, 0.2),
    "t_module": ("degC", 0.5, -40.0, False, 8, -40, 85, 0.2),
    "lambda": ("", 0.001, 0.0, False, 16, 0, 2, 3.0),
    "vbat": ("V", 0.01, 0.0, False, 16, 0, 20, 2.0),
    "vsup": ("V", 0.01, 0.0, False, 16, 0, 20, 2.0),
    "vref": ("V", 0.001, 0.0, False, 16, 0, 6, 1.5),
    "fan": ("", 1.0, 0.0, False, 8, 0, 1, 0.0),
    "lat": ("deg", 1e-7, 0.0, True, 32, -90, 90, 8.0),
    "lon": ("deg", 1e-7, 0.0, True, 32, -180, 180, 8.0),
    "egt": ("degC", 1.0, 0.0, False, 16, 0, 1200, 0.8),
    "ws": ("km/h", 0.05, 0.0, False, 16, 0, 400, 1.0),
}


class Builder:
    """Builds a car row by row."""

    def __init__(self, style: str, seed: int, names: dict[str, str]) -> None:
        self.rng = np.random.default_rng([seed, sum(map(ord, style)), 5])
        rng = self.rng
        self.car = Car(style, seed, int(rng.choice([2, 3, 4, 4, 6])), 4)
        self.car.supply_volts = float(rng.normal(5.0, 0.012))
        self.names = names
        self.used: dict[str, set[int]] = {}
        self.inputs: dict[str, int] = {}
        self.number = int(rng.integers(1, 5))
        self.noise = (0.2, 1.0)
        self.wiring = True
        self.supplies: dict[str, list[str]] = {}
        self.grounds: dict[str, list[str]] = {}
        self.plugs: dict[str, int] = {}

    def chance(self, part: float) -> bool:
        """Throw the dice."""
        return bool(self.rng.random() < part)

    def pick(self, *values):  # type: ignore[no-untyped-def]
        """Give one of them."""
        return values[int(self.rng.integers(len(values)))]

    def bus(self, name: str, interface: str, bitrate: int) -> None:
        """Add a network."""
        self.car.buses[name] = Bus(name, interface, bitrate, f"{name}.dbc")
        self.used[name] = set()

    def module(self, name: str, bus: str, bits: int, supplies: int = 0, grounds: int = 1, **more) -> None:  # type: ignore[no-untyped-def]
        """Add a node with its sensor supplies and grounds."""
        self.car.modules[name] = Module(name, bus, bits, drop=float(self.rng.uniform(0.05, 0.25)), **more)
        first = len([s for held in self.supplies.values() for s in held])
        self.supplies[name] = [f"5V-{chr(65 + first + i)}" for i in range(supplies)]
        first = len([g for held in self.grounds.values() for g in held])
        self.grounds[name] = [f"G{first + 1 + i}" for i in range(grounds)]

    def identifier(self, bus: str, low: int, high: int) -> int:
        """Give an identifier that is free."""
        while True:
            value = int(self.rng.integers(low, high))
            if value not in self.used[bus]:
                self.used[bus].add(value)
                return value

    def message(
        self, name: str, module: str, span: tuple[int, int], hertz: float, big: bool, extended: bool = False, **more
    ) -> str:  # type: ignore[no-untyped-def]
        """Add a frame."""
        bus = self.car.modules[module].bus
        self.car.messages[name] = Message(
            name, bus, module, self.identifier(bus, *span), extended, 1 / hertz, big, **more
        )
        return name

    def name_of(self, quantity: str) -> str:
        """Give the channel's name in this style."""
        if not self.names:
            self.number += 1
            return f"ch{self.number:02d}"
        for head in ("d_", "ws_", "egt"):
            if quantity.startswith(head) and quantity not in self.names:
                tail = quantity[len(head) :]
                if self.names is FRENCH:
                    tail = {"fl": "avg", "fr": "avd", "rl": "arg", "rr": "ard"}.get(tail, tail)
                elif self.names is GERMAN:
                    tail = {"fl": "vl", "fr": "vr", "rl": "hl", "rr": "hr"}.get(tail, tail)
                elif self.names is PREFIXED:
                    tail = tail.upper()
                return self.names[head] + tail
        base, _, tail = quantity.partition(":")
        return self.names[base] + (f"_{tail.lower().replace('-', '_')}" if tail else "")

    def place(self, channel: Channel, quantity: str) -> None:
        """Give role and position."""
        base = quantity.partition(":")[0]
        role = {"vref": "reference_voltage", "vsup": "module_supply"}.get(base) or ROLES.get(base, "")
        channel.role = role
        corner = quantity.rpartition("_")[2]
        if role in ("damper_travel", "wheel_speed"):
            channel.position = CORNERS[corner]
        elif role == "brake_pressure":
            channel.position = {"f": "front", "r": "rear"}[corner]

    def analogue(self, quantity: str, sensor: Sensor, module: str, message: str, how: str = "volts", **more) -> Channel:  # type: ignore[no-untyped-def]
        """Add a channel behind a converter."""
        name = self.name_of(quantity)
        node = self.car.modules[module]
        index = self.inputs[module] = self.inputs.get(module, 0) + 1
        channel = Channel(
            name, quantity, module, message, f"AIN{index}" if self.names else f"In{index:02d}", sensor, how, sensor.unit
        )
        channel.noise = float(self.rng.uniform(*self.noise))
        channel.bias = sensor.open_reads or "low"
        if how == "counts":
            channel.bits, channel.resolution = 16, node.full / 2**node.bits
        if sensor.kind == "pulses":
            channel.resolution, channel.noise, channel.bits = 0.1, float(self.rng.uniform(0.3, 2.0)), 16
        channel.input = f"AIN{index}" if self.names else f"A{index:02d}"
        supplies, grounds = self.supplies[module], self.grounds[module]
        channel.supply = supplies[(index - 1) * len(supplies) // 12 % len(supplies)] if sensor.fed else ""
        channel.ground = grounds[(index - 1) // 3 % len(grounds)]
        channel.plug = f"{module[0].upper()}P{(index - 1) // 4 + 1}"
        channel.tells_wiring = self.wiring
        channel.range = (0.0, 5000.0) if how == "volts" and sensor.kind != "pulses" and self.chance(0.5) else (0.0, 0.0)
        self.place(channel, quantity)
        for key, value in more.items():
            setattr(channel, key, value)
        self.car.channels[name] = channel
        return channel

    def ready(self, quantity: str, module: str, message: str, **more) -> Channel:  # type: ignore[no-untyped-def]
        """Add a channel that its module scales."""
        name = self.name_of(quantity)
        base = quantity.partition(":")[0]
        key = next((k for k in (base, base.rstrip("12345678"), base.partition("_")[0]) if k in READY), "")
        unit, step, offset, signed, bits, low, high, noise = READY[key]
        per = 3.6 if unit == "km/h" else 1.0
        tail = {"ch": "Val"}.get(name[:2], name)
        channel = Channel(
            name,
            quantity,
            module,
            message,
            tail if self.names else f"V{name[2:]}",
            None,
            "ready",
            unit,
            bits,
            signed,
            step,
            offset,
            noise * float(self.rng.uniform(0.6, 1.4)),
            range=(float(low), float(high)),
            per_unit=per,
        )
        self.place(channel, quantity)
        for field, value in more.items():
            setattr(channel, field, value)
        self.car.channels[name] = channel
        return channel

    def fingerprint(self, part: float) -> None:
        """Give some channels what the bench test showed. Open and shorted differ by tens of millivolts on this car."""
        for channel in self.car.channels.values():
            if channel.sensor and channel.how != "ready" and channel.sensor.electrical == "V" and self.chance(part):
                channel.fingerprints = {"open": round(open_volts(channel), 3), "to_ground": 0.004, "to_supply": 4.995}

    def forget_roles(self, part: float) -> None:
        """Leave some roles unsaid."""
        for channel in self.car.channels.values():
            if channel.role and self.chance(part):
                channel.role = channel.position = ""

    def done(self) -> Car:
        """Lay the signals out, make the sensors as imperfect as bought ones, and return the car."""
        for channel in self.car.channels.values():
            dice, sensor = float(np.clip(self.rng.normal(), -2, 2)), channel.sensor
            spread = {"ax": 0.008, "ay": 0.008, "az": 0.01, "yaw": 0.25, "steer": 0.9, "throttle": 0.25}.get(
                channel.quantity
            )
            if spread is None and channel.quantity[:2] == "d_":
                spread = 0.4
            elif spread is None and sensor and sensor.kind == "ratio":
                spread = 0.0025 * abs(sensor.points[1][1] - sensor.points[0][1])
            elif spread is None and channel.quantity[:2] == "t_" and channel.how != "ready":
                spread = 0.6
            channel.skew = (
                (spread or 0.0) * dice * (sensor.per_unit if sensor and channel.quantity in ("ax", "ay", "az") else 1.0)
            )
        self.car.lay_out()
        return self.car


def open_volts(channel: Channel) -> float:
    """Give the volts of an input whose wire is open: its bias resistor against the leak of its converter."""
    return {"high": 4.965, "low": 0.045, "floating": 1.7}[channel.bias]


def damper(builder: Builder, label: str) -> tuple[Sensor, float]:
    """Give a damper pot and how far from its end it is mounted."""
    stroke = float(builder.pick(100.0, 125.0, 150.0))
    ends = builder.pick(((0.5, 0.0), (4.5, stroke)), ((0.25, 0.0), (4.75, stroke)))
    return sensors.pot(label, "mm", ends, 4000.0, builder.pick("high", "high", "low", "floating")), round(
        stroke * 0.14, 1
    )


def club(seed: int) -> Car:
    """One bus at 500 kbit/s, eleven bits, big-endian millivolts of one box, English names, wiring told."""
    b = Builder("club", seed, ENGLISH)
    b.noise = (0.25, 0.9)
    b.bus("main", "can0", 500_000)
    b.module("ecu", "main", 12)
    b.module("sensor_box", "main", 12, supplies=2, grounds=2)
    b.message("ECU_1", "ecu", (0x300, 0x320), 50, True)
    b.message("ECU_2", "ecu", (0x320, 0x340), b.pick(10, 20), True)
    b.message("BOX_A", "sensor_box", (0x400, 0x410), b.pick(100, 200), True)
    b.message("BOX_B", "sensor_box", (0x410, 0x420), b.pick(50, 100), True)
    b.message("BOX_C", "sensor_box", (0x420, 0x430), 50, True)
    b.message("BOX_D", "sensor_box", (0x430, 0x440), 10, True)
    b.message("BOX_STATE", "sensor_box", (0x440, 0x450), 10, True, counter=True)
    for quantity in ("rpm", "throttle", "map", "gear"):
        b.ready(quantity, "ecu", "ECU_1")
    for quantity in ("t_water", "lambda", "vbat"):
        b.ready(quantity, "ecu", "ECU_2")
    sensor, mount = damper(b, "damper")
    for corner in CORNERS:
        b.analogue(f"d_{corner}", sensor, "sensor_box", "BOX_A", zero=-mount)
    brake = sensors.pressure("brake", float(b.pick(100, 140, 200)), rate=4000.0)
    b.analogue("brake_f", brake, "sensor_box", "BOX_B", plausible=(-3.0, 200.0))
    b.analogue("brake_r", brake, "sensor_box", "BOX_B")
    b.analogue("steer", sensors.pot("steer_pot", "deg", ((0.5, -180.0), (4.5, 180.0)), 1500.0), "sensor_box", "BOX_B")
    b.analogue("ay", sensors.inertial("g_sensor", "g", 3.0), "sensor_box", "BOX_B")
    b.analogue("p_oil", sensors.pressure("oil_10", 10.0, rate=80.0), "sensor_box", "BOX_C", plausible=(-0.3, 10.0))
    b.analogue("p_fuel", sensors.pressure("oil_10", 10.0, rate=80.0), "sensor_box", "BOX_C")
    b.analogue("ax", sensors.inertial("g_sensor", "g", 3.0), "sensor_box", "BOX_C")
    b.analogue("yaw", sensors.inertial("gyro", "deg/s", 150.0), "sensor_box", "BOX_C")
    thermistor = sensors.ntc("ntc", b.rng)
    b.analogue("t_oil", thermistor, "sensor_box", "BOX_D")
    b.analogue("t_box", thermistor, "sensor_box", "BOX_D")
    b.ready("v_gps", "ecu", "ECU_2")
    b.ready("vref:5V-A", "sensor_box", "BOX_STATE")
    b.ready("vref:5V-B", "sensor_box", "BOX_STATE")
    b.ready("vsup:sensor_box", "sensor_box", "BOX_STATE")
    b.message("WHEELS", "ecu", (0x340, 0x350), b.pick(50, 100), True)
    for corner in CORNERS:
        b.ready(f"ws_{corner}", "ecu", "WHEELS")
    if b.chance(0.5):
        b.fingerprint(1.0)
    return b.done()


def numbered(seed: int) -> Car:
    """Two buses, 29 bits, little-endian counts of sixteen bits, channels only numbered, no wiring, no 5 V measured."""
    b = Builder("numbered", seed, {})
    b.noise = (0.6, 3.0)
    b.wiring = False
    b.bus("a", "can0", 1_000_000)
    b.bus("b", "can1", 500_000)
    b.module("N1", "a", int(b.pick(14, 16)), supplies=1, grounds=1)
    b.module("N2", "a", 16, supplies=1, grounds=1)
    b.module("N9", "b", 12)
    span = (0x18F0_0000, 0x18FF_FFFF)
    b.message("M1", "N1", span, b.pick(200, 500), False, True)
    b.message("M2", "N1", span, 100, False, True)
    b.message("M3", "N2", span, 100, False, True)
    b.message("M4", "N2", span, b.pick(10, 25), False, True)
    b.message("M5", "N2", span, 20, False, True)
    b.message("M8", "N9", span, 100, False, True, counter=True)
    b.message("M9", "N9", span, 20, False, True, says_period=False)
    b.message("M10", "N9", span, 10, False, True)
    sensor, mount = damper(b, "s1")
    for corner in CORNERS:
        b.analogue(f"d_{corner}", sensor, "N1", "M1", "counts", zero=-mount)
    unit = b.pick("bar", "psi")
    brake = sensors.pressure("s2", float(b.pick(100, 160)), unit, 4000.0)
    b.analogue("brake_f", brake, "N1", "M2", "counts")
    b.analogue("brake_r", brake, "N1", "M2", "counts")
    b.analogue("throttle", sensors.pot("s3", "%", ((0.55, 0.0), (4.2, 100.0)), 1500.0, "low"), "N1", "M2", "counts")
    b.analogue("steer", sensors.pot("s4", "deg", ((0.5, -200.0), (4.5, 200.0)), 1500.0, "low"), "N1", "M2", "counts")
    for quantity, axis in (("ax", 4.0), ("ay", 4.0), ("az", 8.0)):
        b.analogue(quantity, sensors.inertial(f"s5{quantity}", "g", axis), "N2", "M3", "counts")
    b.analogue("yaw", sensors.inertial("s6", "deg/s", 120.0), "N2", "M3", "counts")
    b.analogue("p_oil", sensors.pressure("s7", 7.0, rate=80.0, bias="high"), "N2", "M5", "counts")
    b.analogue("p_fuel", sensors.pressure("s7", 7.0, rate=80.0, bias="high"), "N2", "M5", "counts")
    b.analogue("p_water", sensors.pressure("s8", 3.0, rate=30.0), "N2", "M5", "counts")
    thermistor = sensors.ntc("s9", b.rng)
    b.analogue("t_oil", thermistor, "N2", "M4", "counts")
    b.analogue("t_water", thermistor, "N2", "M4", "counts")
    b.analogue("t_box", thermistor, "N2", "M4", "counts")
    for quantity in ("rpm", "map", "gear"):
        b.ready(quantity, "N9", "M8")
    for quantity in ("v_gps", "vbat", "t_air", "lambda"):
        b.ready(quantity, "N9", "M9")
    wheel = sensors.pulses("s10", b.rng, b.pick("km/h", "m/s"))
    b.message("M7", "N9", span, 50, False, True)
    for corner in CORNERS:
        b.analogue(f"ws_{corner}", wheel, "N9", "M7", "volts")
    for quantity in ("fan", "baro"):
        b.ready(quantity, "N9", "M10")
    return b.done()


def francais(seed: int) -> Car:
    """One bus at 1 Mbit/s, mixed byte orders, a multiplexed message of temperatures, messages sent on change."""
    b = Builder("francais", seed, FRENCH)
    b.noise = (0.3, 1.2)
    b.bus("principal", "can0", 1_000_000)
    b.module("calculateur", "principal", 12)
    b.module("boitier_av", "principal", int(b.pick(12, 14)), supplies=1, grounds=1)
    b.module("boitier_ar", "principal", int(b.pick(12, 14)), supplies=1, grounds=1)
    b.car.names_modules = True
    b.message("CALC_RAPIDE", "calculateur", (0x100, 0x120), 100, False, counter=True)
    b.message("CALC_LENT", "calculateur", (0x120, 0x140), 20, False)
    b.message("CALC_ETAT", "calculateur", (0x140, 0x150), 10, False, on_change=True, says_period=False)
    b.message("AV_RAPIDE", "boitier_av", (0x200, 0x210), b.pick(250, 500), False)
    b.message("AV_MOYEN", "boitier_av", (0x210, 0x220), 100, True)
    b.message("AR_RAPIDE", "boitier_ar", (0x300, 0x310), b.pick(250, 500), False)
    b.message("AR_TEMP", "boitier_ar", (0x310, 0x320), 20, False, pages=2, lowest_page=int(b.pick(0, 1)))
    b.message("AR_MOYEN", "boitier_ar", (0x320, 0x330), 50, True)
    b.message("GPS", "calculateur", (0x500, 0x510), b.pick(10, 20), False)
    b.message("GPS_POS", "calculateur", (0x510, 0x520), 10, False)
    for quantity in ("rpm", "throttle", "map"):
        b.ready(quantity, "calculateur", "CALC_RAPIDE")
    b.ready("t_water", "calculateur", "CALC_LENT", invalid=0x7FFF)
    b.ready("t_air", "calculateur", "CALC_LENT", invalid=0xFF)
    b.ready("vbat", "calculateur", "CALC_LENT")
    b.ready("lambda", "calculateur", "CALC_LENT", invalid=0xFFFF)
    b.ready("gear", "calculateur", "CALC_ETAT")
    b.ready("fan", "calculateur", "CALC_ETAT")
    sensor, mount = damper(b, "potentiometre")
    brake = sensors.pressure("frein", float(b.pick(100, 140)), rate=4000.0, bias=b.pick("low", "high"))
    for corner in ("fl", "fr"):
        b.analogue(f"d_{corner}", sensor, "boitier_av", "AV_RAPIDE", zero=-mount)
    b.analogue("brake_f", brake, "boitier_av", "AV_MOYEN")
    b.analogue(
        "steer", sensors.pot("volant_pot", "deg", ((0.5, -150.0), (4.5, 150.0)), 1500.0), "boitier_av", "AV_MOYEN"
    )
    b.analogue("brake_r", brake, "boitier_av", "AV_MOYEN")
    for corner in ("rl", "rr"):
        b.analogue(f"d_{corner}", sensor, "boitier_ar", "AR_RAPIDE", zero=-mount)
    b.analogue(
        "p_oil", sensors.pressure("huile", 10.0, "kPa" if b.chance(0.4) else "bar", 80.0), "boitier_ar", "AR_MOYEN"
    )
    b.analogue("p_fuel", sensors.pressure("essence", 7.0, "bar", 80.0), "boitier_ar", "AR_MOYEN")
    b.analogue("p_water", sensors.pressure("eau", 3.0, "bar", 30.0), "boitier_ar", "AR_MOYEN")
    thermistor = sensors.ntc("ctn", b.rng)
    first, second = b.car.messages["AR_TEMP"].lowest_page, b.car.messages["AR_TEMP"].lowest_page + 1
    b.analogue("t_oil", thermistor, "boitier_ar", "AR_TEMP", page=first)
    b.analogue("t_box", thermistor, "boitier_ar", "AR_TEMP", page=first)
    exhaust = sensors.couple("thermocouple")
    b.analogue("egt1", exhaust, "boitier_ar", "AR_TEMP", page=second)
    b.analogue("egt2", exhaust, "boitier_ar", "AR_TEMP", page=second)
    b.ready("t_module", "boitier_ar", "AR_TEMP", page=second)
    b.message("INERTIE", "calculateur", (0x150, 0x170), 100, True)
    for quantity in ("ax", "ay", "yaw"):
        b.ready(quantity, "calculateur", "INERTIE")
    b.ready("v_gps", "calculateur", "GPS")
    b.ready("lat", "calculateur", "GPS_POS")
    b.ready("lon", "calculateur", "GPS_POS")
    b.message("ROUES", "calculateur", (0x170, 0x180), 50, False)
    for corner in CORNERS:
        b.ready(f"ws_{corner}", "calculateur", "ROUES")
    if b.chance(0.4):
        b.fingerprint(0.6)
    return b.done()


def prefixed(seed: int) -> Car:
    """Two buses, one of eleven and one of 29 bits; dampers at up to 1000 Hz, fingerprints, few roles unsaid."""
    b = Builder("prefixed", seed, PREFIXED)
    b.noise = (0.4, 1.5)
    b.bus("pt", "can1", 500_000)
    b.bus("daq", "can0", 1_000_000)
    b.module("ECU", "pt", 12)
    b.module("DAQ_F", "daq", int(b.pick(12, 14)), supplies=1, grounds=1)
    b.module("DAQ_R", "daq", int(b.pick(12, 14)), supplies=1, grounds=2)
    b.message("ECU_Fast", "ECU", (0x0C0, 0x0D0), 100, False, counter=True)
    b.message("ECU_Mid", "ECU", (0x0D0, 0x0E0), 50, False, counter=True)
    b.message("ECU_Slow", "ECU", (0x0E0, 0x0F0), 10, False)
    span = (0x0CFE_0000, 0x0CFF_0000)
    b.message("F_Fast", "DAQ_F", span, b.pick(500, 1000), False, True)
    b.message("F_Mid", "DAQ_F", span, 100, False, True, counter=True)
    b.message("F_Stat", "DAQ_F", span, 10, False, True)
    b.message("R_Fast", "DAQ_R", span, b.pick(500, 1000), False, True)
    b.message("R_Mid", "DAQ_R", span, 100, False, True, counter=True)
    b.message("R_Slow", "DAQ_R", span, b.pick(10, 20), False, True)
    b.message("R_Stat", "DAQ_R", span, 10, False, True)
    b.message("Wheels", "DAQ_F", span, 100, False, True)
    for quantity in ("rpm", "throttle", "map"):
        b.ready(quantity, "ECU", "ECU_Fast")
    for quantity in ("lambda", "gear", "vbat", "fan"):
        b.ready(quantity, "ECU", "ECU_Mid")
    for quantity in ("t_water", "t_air", "baro", "v_gps"):
        b.ready(quantity, "ECU", "ECU_Slow")
    sensor, mount = damper(b, "DmpPot")
    brake = sensors.pressure("PBrk", float(b.pick(100, 150)), rate=4000.0)
    front = {"5V-A": "U_Sens_5v-a"}
    for node, tail in (("DAQ_F", "f"), ("DAQ_R", "r")):
        name = b.supplies[node][0]
        ref = b.ready(f"vref:{name}", node, f"{tail.upper()}_Stat")
        b.car.channels.pop(ref.name)
        ref.name = ref.signal = "U_Sens_" + tail.upper()
        b.car.channels[ref.name] = ref
        front[node] = ref.name
        sup = b.ready(f"vsup:{node}", node, f"{tail.upper()}_Stat")
        b.car.channels.pop(sup.name)
        sup.name = sup.signal = "U_Node_" + tail.upper()
        b.car.channels[sup.name] = sup
    follow = b.chance(0.6)

    def fed(kind: Sensor, node: str) -> Sensor:
        if not follow:
            return kind
        return sensors.replace(kind, label=f"{kind.label}_{node[-1]}", reference=front[node])

    for corner in ("fl", "fr"):
        b.analogue(f"d_{corner}", fed(sensor, "DAQ_F"), "DAQ_F", "F_Fast", zero=-mount)
    b.analogue("brake_f", fed(brake, "DAQ_F"), "DAQ_F", "F_Mid")
    b.analogue(
        "steer", fed(sensors.pot("StrPot", "deg", ((0.4, -220.0), (4.6, 220.0)), 1500.0), "DAQ_F"), "DAQ_F", "F_Mid"
    )
    b.analogue("ay", sensors.inertial("Acc3", "g", 3.0), "DAQ_F", "F_Mid", bits=12, resolution=2.0)
    for corner in ("rl", "rr"):
        b.analogue(f"d_{corner}", fed(sensor, "DAQ_R"), "DAQ_R", "R_Fast", zero=-mount)
    b.analogue("brake_r", fed(brake, "DAQ_R"), "DAQ_R", "R_Mid")
    b.analogue("p_oil", fed(sensors.pressure("P10", 10.0, rate=80.0), "DAQ_R"), "DAQ_R", "R_Mid")
    b.analogue("ax", sensors.inertial("Acc3", "g", 3.0), "DAQ_R", "R_Mid", bits=12, resolution=2.0)
    b.analogue("yaw", sensors.inertial("Gyr", "deg/s", 150.0), "DAQ_F", "F_Mid", bits=12, resolution=2.0)
    b.analogue("t_oil", sensors.ntc("Ntc", b.rng), "DAQ_R", "R_Slow")
    b.analogue("t_box", sensors.rtd("Pt"), "DAQ_R", "R_Slow")
    b.analogue("p_fuel", fed(sensors.pressure("P7", 7.0, rate=80.0), "DAQ_R"), "DAQ_R", "R_Slow")
    b.analogue("p_water", fed(sensors.pressure("P3", 2.5, rate=30.0), "DAQ_R"), "DAQ_R", "R_Slow")
    wheel = sensors.pulses("WSS", b.rng)
    for corner in CORNERS:
        b.analogue(f"ws_{corner}", wheel, "DAQ_F", "Wheels")
    b.fingerprint(0.8)
    b.forget_roles(0.12)
    return b.done()


def deutsch(seed: int) -> Car:
    """One slow bus, ten to fifty hertz, converters of eight and ten bits, stamps of a laptop, German names."""
    b = Builder("deutsch", seed, GERMAN)
    b.noise = (0.2, 0.5)
    b.bus("bus", "can0", 250_000)
    b.car.host_stamps = True
    b.module("Motorsteuerung", "bus", 10)
    b.module("Messknoten", "bus", 10, supplies=2, grounds=2, ratio=b.chance(0.4))
    b.message("MS_1", "Motorsteuerung", (0x600, 0x610), 50, b.chance(0.5))
    b.message("MS_2", "Motorsteuerung", (0x610, 0x620), 10, b.chance(0.5))
    b.message("MK_1", "Messknoten", (0x180, 0x190), 50, False)
    b.message("MK_2", "Messknoten", (0x190, 0x1A0), 50, False)
    b.message("MK_3", "Messknoten", (0x1A0, 0x1B0), 20, False)
    b.message("MK_4", "Messknoten", (0x1B0, 0x1C0), 10, False)
    for quantity in ("rpm", "throttle", "map"):
        b.ready(quantity, "Motorsteuerung", "MS_1")
    for quantity in ("t_water", "t_air", "vbat", "lambda"):
        b.ready(quantity, "Motorsteuerung", "MS_2")
    sensor, mount = damper(b, "Wegsensor")
    for corner in CORNERS:
        b.analogue(f"d_{corner}", sensor, "Messknoten", "MK_1", zero=-mount)
    brake = sensors.pressure("Bremse", float(b.pick(100, 120)), rate=4000.0)
    b.analogue("brake_f", brake, "Messknoten", "MK_2")
    b.analogue("brake_r", brake, "Messknoten", "MK_2")
    b.analogue(
        "steer", sensors.pot("Lenkpoti", "deg", ((0.5, -160.0), (4.5, 160.0)), 1500.0, "low"), "Messknoten", "MK_2"
    )
    b.analogue("ay", sensors.inertial("Beschl", "g", 2.5), "Messknoten", "MK_2")
    b.analogue("p_oil", sensors.pressure("Druck10", 10.0, rate=80.0), "Messknoten", "MK_3")
    b.analogue("p_fuel", sensors.pressure("Druck10", 10.0, rate=80.0), "Messknoten", "MK_3")
    thermistor = sensors.ntc("Heissleiter", b.rng)
    b.analogue("t_oil", thermistor, "Messknoten", "MK_4")
    b.analogue("t_box", thermistor, "Messknoten", "MK_4")
    b.analogue(
        "fan", Sensor("switch", "Luefterschalter", "", open_reads="high", healthy=(0.05, 4.95)), "Messknoten", "MK_4"
    )
    b.message("RAD", "Motorsteuerung", (0x620, 0x630), 20, False)
    for corner in CORNERS:
        b.ready(f"ws_{corner}", "Motorsteuerung", "RAD")
    b.message("GPS", "Motorsteuerung", (0x630, 0x640), 10, False)
    b.ready("v_gps", "Motorsteuerung", "GPS")
    b.ready("vsup:Messknoten", "Messknoten", "MK_4")
    b.wiring = True
    if b.chance(0.4):
        for channel in b.car.channels.values():
            channel.tells_wiring = False
    return b.done()


STYLES: dict[str, Callable[[int], Car]] = {
    "club": club,
    "numbered": numbered,
    "francais": francais,
    "prefixed": prefixed,
    "deutsch": deutsch,
}


def build_car(style: str, seed: int) -> Car:
    """Build a car of a style; another seed is another car of that style."""
    return STYLES[style](seed)
