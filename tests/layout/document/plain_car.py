"""A car that has nothing of the invented one: one bus, multiplexed and big-endian signals, 29-bit and unknown IDs."""

DATABASE = """VERSION ""
BU_: dash box
BO_ 291 STATUS: 8 box
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" dash
 SG_ Volts m0 : 8|16@1+ (0.01,0) [0|20] "V" dash
 SG_ Amps m1 : 8|16@1- (0.1,0) [-100|100] "A" dash
 SG_ Level m1 : 31|8@0+ (1,0) [0|100] "%" dash
BO_ 768 PLACE: 8 box
 SG_ Latitude : 0|32@1- (1e-07,0) [-90|90] "deg" dash
 SG_ Longitude : 32|32@1- (1e-07,0) [-180|180] "deg" dash
BO_ 1024 NEVER: 2 dash
 SG_ Lamp : 0|1@1+ (1,0) [0|1] "" box
CM_ BO_ 768 "Where Ann Author parks it.";
"""

CAR = """format = 1
[car]
name = "Plain"
[bus.main]
bitrate = 250_000
interfaces = ["can7"]
databases = ["plain.dbc"]
chain = ["dash", "box"]
terminators = ["dash"]
[module.box]
bus = "main"
stub_m = 0.4
[sensor.level]
kind = "linear"
points = [[0, 0], [100, 40]]
electrical = "%"
unit = "l"
cautions = ["Fuel: no sparks."]
[channel.level]
signal = "main/STATUS/Level"
sensor = "level"
zero = { add = 0.5, by = "Ann Author", why = "her note" }
[channel.latitude]
signal = "main/PLACE/Latitude"
role = "latitude"
[channel.longitude]
signal = "main/PLACE/Longitude"
role = "longitude"
[[calibration_log]]
sensor = "level"
date = 2026-04-02
by = "Ann Author"
reference = "her can"
residual = 0.2
due = 2027-04-02
"""

SECONDS = 4


def lines():
    """Yield candump lines: STATUS every 20 ms on pages 0, 1 and 3, PLACE, a 29-bit frame, and one nobody knows."""
    for k in range(50 * SECONDS):
        time = 1_780_000_000 + k * 0.02
        page = (0, 1, 3)[k % 3]
        body = {0: 1200 + k % 5, 1: 300 + k % 7, 3: 0}[page].to_bytes(2, "little")
        level = 50 + k // 3 % 3 if page == 1 else 0
        yield f"({time:.6f}) can7 123#{bytes([page, *body, level, 0, 0, 0, 0]).hex().upper()}\n"
        place = (481_234_567).to_bytes(4, "little") + (111_234_567).to_bytes(4, "little")
        yield f"({time + 0.001:.6f}) can7 300#{place.hex().upper()}\n"
        yield f"({time + 0.002:.6f}) can7 18FF0102#{bytes([k % 256, 0, 7, 7]).hex().upper()}\n"
        if k % 2:
            yield f"({time + 0.003:.6f}) can7 7F0#{bytes([k % 200, 1]).hex().upper()}\n"


def put(folder):
    """Write the car into a folder."""
    folder.mkdir(exist_ok=True)
    (folder / "plain.dbc").write_text(DATABASE)
    (folder / "car.toml").write_text(CAR)
    (folder / "run.log").write_text("".join(lines()))
    return folder
