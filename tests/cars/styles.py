"""Six ways in which people build such cars, each with dice for what varies within it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tests.cars import sensors
from tests.cars.builder import Builder, damper
from tests.cars.car import Car
from tests.cars.names import CORNERS, ENGLISH, FRENCH, GERMAN, ITALIAN, PREFIXED
from tests.cars.sensors import Sensor

WHEELS = "ws_fl ws_fr ws_rl ws_rr"


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
    b.ready("rpm throttle map gear", "ecu", "ECU_1")
    b.ready("t_water vbat", "ecu", "ECU_2")
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
    b.analogue("lambda", sensors.wideband("wideband"), "sensor_box", "BOX_D")
    b.ready("v_gps", "ecu", "ECU_2")
    b.ready("vref:5V-A vref:5V-B vsup:sensor_box", "sensor_box", "BOX_STATE")
    b.message("WHEELS", "ecu", (0x340, 0x350), b.pick(50, 100), True)
    b.ready(WHEELS, "ecu", "WHEELS")
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
    b.analogue("p_fuel", sensors.pressure("s7", 7.0, rate=80.0, bias="high"), "N2", "M5", "counts")
    b.analogue("p_oil", sensors.pressure("s7", 7.0, rate=80.0, bias="high"), "N2", "M5", "counts")
    b.analogue("p_water", sensors.pressure("s8", 3.0, rate=30.0), "N2", "M5", "counts")
    thermistor = sensors.ntc("s9", b.rng)
    b.analogue("t_oil", thermistor, "N2", "M4", "counts")
    b.analogue("t_water", thermistor, "N2", "M4", "counts")
    b.analogue("t_box", thermistor, "N2", "M4", "counts")
    b.ready("rpm map gear", "N9", "M8")
    b.ready("v_gps vbat t_air lambda", "N9", "M9")
    wheel = sensors.pulses("s10", b.rng, b.pick("km/h", "m/s"))
    b.message("M7", "N9", span, 50, False, True)
    for corner in CORNERS:
        b.analogue(f"ws_{corner}", wheel, "N9", "M7", "volts")
    b.ready("fan baro", "N9", "M10")
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
    b.message(
        "CALC_ETAT",
        "calculateur",
        (0x140, 0x150),
        10,
        False,
        on_change=True,
        heartbeat=b.pick(0.0, 1.0),
        says_period=False,
    )
    b.message("AV_RAPIDE", "boitier_av", (0x200, 0x210), b.pick(250, 500), False)
    b.message("AV_MOYEN", "boitier_av", (0x210, 0x220), 100, True)
    b.message("AR_RAPIDE", "boitier_ar", (0x300, 0x310), b.pick(250, 500), False)
    b.message("AR_TEMP", "boitier_ar", (0x310, 0x320), 20, False, pages=2, lowest_page=int(b.pick(0, 1)))
    b.message("AR_MOYEN", "boitier_ar", (0x320, 0x330), 50, True)
    b.message("GPS", "calculateur", (0x500, 0x510), b.pick(10, 20), False)
    b.message("GPS_POS", "calculateur", (0x510, 0x520), 10, False)
    b.ready("rpm throttle map", "calculateur", "CALC_RAPIDE")
    b.ready("t_water", "calculateur", "CALC_LENT", invalid=0x7FFF)
    b.ready("t_air", "calculateur", "CALC_LENT", invalid=0xFF)
    b.ready("vbat", "calculateur", "CALC_LENT")
    b.ready("lambda", "calculateur", "CALC_LENT", invalid=0xFFFF)
    b.ready("gear fan", "calculateur", "CALC_ETAT")
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
    b.analogue("p_fuel", sensors.pressure("essence", 7.0, "bar", 80.0), "boitier_ar", "AR_MOYEN")
    b.analogue(
        "p_oil", sensors.pressure("huile", 10.0, "kPa" if b.chance(0.4) else "bar", 80.0), "boitier_ar", "AR_MOYEN"
    )
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
    b.ready("ax ay yaw", "calculateur", "INERTIE")
    b.ready("v_gps", "calculateur", "GPS")
    b.ready("lat lon", "calculateur", "GPS_POS")
    b.message("ROUES", "calculateur", (0x170, 0x180), 50, False)
    b.ready(WHEELS, "calculateur", "ROUES")
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
    b.ready("rpm throttle map", "ECU", "ECU_Fast")
    b.ready("lambda gear vbat fan", "ECU", "ECU_Mid")
    b.ready("t_water t_air baro v_gps", "ECU", "ECU_Slow")
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
        return replace(kind, label=f"{kind.label}_{node[-1]}", reference=front[node])

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
    b.module("Messknoten", "bus", int(b.pick(8, 10, 10)), supplies=2, grounds=2, ratio=b.chance(0.4))
    b.message("MS_1", "Motorsteuerung", (0x600, 0x610), 50, b.chance(0.5))
    b.message("MS_2", "Motorsteuerung", (0x610, 0x620), 10, b.chance(0.5))
    b.message("MK_1", "Messknoten", (0x180, 0x190), 50, False)
    b.message("MK_2", "Messknoten", (0x190, 0x1A0), 50, False)
    b.message("MK_3", "Messknoten", (0x1A0, 0x1B0), 20, False)
    b.message("MK_4", "Messknoten", (0x1B0, 0x1C0), 10, False)
    b.ready("rpm throttle map", "Motorsteuerung", "MS_1")
    b.ready("t_water t_air vbat lambda", "Motorsteuerung", "MS_2")
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
    b.analogue("p_fuel", sensors.pressure("Druck10", 10.0, rate=80.0), "Messknoten", "MK_3")
    b.analogue("p_oil", sensors.pressure("Druck10", 10.0, rate=80.0), "Messknoten", "MK_3")
    thermistor = replace(sensors.ntc("Heissleiter", b.rng), max_rate=None)
    b.analogue("t_oil", thermistor, "Messknoten", "MK_4")
    b.analogue("t_box", thermistor, "Messknoten", "MK_4")
    b.analogue(
        "fan", Sensor("switch", "Luefterschalter", "", open_reads="high", healthy=(0.05, 4.95)), "Messknoten", "MK_4"
    )
    b.message("RAD", "Motorsteuerung", (0x620, 0x630), 20, False)
    b.ready(WHEELS, "Motorsteuerung", "RAD")
    b.message("GPS", "Motorsteuerung", (0x630, 0x640), 10, False)
    b.ready("v_gps", "Motorsteuerung", "GPS")
    b.ready("vsup:Messknoten", "Messknoten", "MK_4")
    b.wiring = True
    if b.chance(0.4):
        for channel in b.car.channels.values():
            channel.tells_wiring = False
    return b.done()


def italiano(seed: int) -> Car:
    """One bus at 250 kbit/s, 29 bits, signals packed bit by bit; most are scaled by the engine controller."""
    b = Builder("italiano", seed, ITALIAN)
    b.noise = (0.3, 1.0)
    b.bus("vettura", "can2", 250_000)
    b.module("centralina", "vettura", 12)
    b.module("nodo", "vettura", 12, supplies=1, grounds=1)
    span = (0x0400_0000, 0x0500_0000)
    b.message("MOTORE", "centralina", span, b.pick(50, 100), False, True, counter=True)
    b.message("STATO", "centralina", span, 20, False, True)
    b.message("DINAMICA", "centralina", span, 50, b.chance(0.5), True, counter=True)
    b.message("RUOTE", "centralina", span, 50, False, True)
    big = b.chance(0.5)
    b.message("NODO_A", "nodo", span, b.pick(100, 200), big, True, counter=True)
    b.message("NODO_B", "nodo", span, 50, big, True)
    b.message("NODO_C", "nodo", span, 10, big, True)
    b.ready("rpm", "centralina", "MOTORE", bits=14, range=(0.0, 13000.0))
    b.ready("throttle", "centralina", "MOTORE", bits=11, range=(0.0, 100.0))
    b.ready("map", "centralina", "MOTORE", bits=11, range=(0.0, 160.0))
    b.ready("gear", "centralina", "MOTORE", bits=4, range=(0.0, 7.0))
    b.ready("t_water", "centralina", "STATO", bits=12, range=(-40.0, 150.0), invalid=2047)
    b.ready("t_air", "centralina", "STATO")
    b.ready("vbat", "centralina", "STATO", bits=11, range=(0.0, 18.0))
    b.ready("lambda", "centralina", "STATO", bits=11, range=(0.0, 1.8))
    b.ready("v_gps", "centralina", "STATO", bits=13, range=(0.0, 320.0))
    b.ready("ax ay", "centralina", "DINAMICA", bits=12, resolution=0.005, noise=0.8, range=(-5.0, 5.0))
    b.ready("yaw", "centralina", "DINAMICA", bits=12, resolution=0.1, noise=1.0, range=(-180.0, 180.0))
    b.ready("steer", "centralina", "DINAMICA", bits=13, range=(-360.0, 360.0))
    b.ready(WHEELS, "centralina", "RUOTE", bits=13, range=(0.0, 320.0))
    sensor, mount = damper(b, "ammortizzatore")
    for corner in CORNERS:
        b.analogue(f"d_{corner}", sensor, "nodo", "NODO_A", "counts", bits=12, zero=-mount)
    brake = sensors.pressure("freno", float(b.pick(100, 160)), rate=4000.0, bias=b.pick("low", "high"))
    b.analogue("brake_f", brake, "nodo", "NODO_B", "counts", bits=12)
    b.analogue("brake_r", brake, "nodo", "NODO_B", "counts", bits=12)
    b.analogue("p_fuel", sensors.pressure("p10", 10.0, rate=80.0), "nodo", "NODO_B", "counts", bits=12)
    b.analogue("p_oil", sensors.pressure("p10", 10.0, rate=80.0), "nodo", "NODO_B", "counts", bits=12)
    thermistor = sensors.ntc("ntc", b.rng)
    b.analogue("t_oil", thermistor, "nodo", "NODO_C", "counts", bits=12)
    b.analogue("t_box", thermistor, "nodo", "NODO_C", "counts", bits=12)
    b.ready("vsup:nodo", "nodo", "NODO_C", bits=11, range=(0.0, 18.0))
    if b.chance(0.5):
        b.fingerprint(0.7)
    b.forget_roles(0.1)
    return b.done()


STYLES: dict[str, Callable[[int], Car]] = {
    "club": club,
    "numbered": numbered,
    "francais": francais,
    "prefixed": prefixed,
    "deutsch": deutsch,
    "italiano": italiano,
}


def build_car(style: str, seed: int) -> Car:
    """Build a car of a style; another seed is another car of that style."""
    return STYLES[style](seed)
