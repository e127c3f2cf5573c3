"""Parts of a car file that contradict each other, just at and just beyond what may be."""

from __future__ import annotations

import pytest

from tests.channels.carfile.checks.small import BUS, channel, pointed_at, said, sensor

SENSOR = sensor("points = [[0, 0], [5, 10]]")
X = channel("x")
MODULES = "".join(f'[module.{name}]\nbus = "a"\nmessages = ["10{k}"]\n' for k, name in enumerate("pqr"))


@pytest.mark.parametrize(
    ("lines", "faults"),
    [
        ('fd = "iso"\n', ["5: bus.a.fd: needs data_bitrate beside it (or leave fd out on a classic CAN bus)"]),
        ('fd = "iso"\ndata_bitrate = 500_000\n', []),
        ("data_bitrate = 500_000\n", []),
        ("data_bitrate = 499_999\n", ["5: bus.a.data_bitrate: 499999 is below the bitrate of 500000"]),
        ('fd = "iso"\ndata_bitrate = "x"\n',
         ['6: bus.a.data_bitrate: "x" is not a whole number from 5_000 to 12_000_000 (in bit/s)']),
        ('chain = ["p", "q", "r"]\nlengths_m = [1, 2]\n' + MODULES, []),
        ('chain = ["p", "q", "r"]\nlengths_m = [1, 2, 3]\n' + MODULES,
         ["6: bus.a.lengths_m: has 3 lengths (a chain of 3 modules has 2 lengths between them)"]),
        ('chain = ["p"]\nlengths_m = [1]\n' + MODULES,
         ["6: bus.a.lengths_m: has 1 lengths (a chain of 1 modules has 0 lengths between them)"]),
        ("lengths_m = [1, 2]\n",
         ["5: bus.a.lengths_m: has 2 lengths (a chain of 0 modules has 0 lengths between them)"]),
        ("chain = [1]\nlengths_m = [1]\n", ["5: bus.a.chain[0]: 1 is not text (text stands in quotes)"]),
    ],
)  # fmt: skip
def test_a_bus(lines, faults):
    assert said(BUS, lines) == faults


def test_a_bit_rate_that_could_not_be_read_is_compared_with_nothing():
    (fault,) = said('[bus.a]\nbitrate = "x"\ndata_bitrate = 100_000\n')
    assert fault.startswith('3: bus.a.bitrate: "x" is not a whole number')


def test_an_interface_belongs_to_one_bus():
    other = '[bus.b]\nbitrate = 500_000\ninterfaces = ["can1", "can0", "a", "b"]\n'
    assert said(BUS, 'interfaces = ["can0", "a"]\n', other) == [
        '8: bus.b.interfaces[1]: "can0" already means bus a (an interface belongs to one bus)',
        '8: bus.b.interfaces[2]: "a" already means bus a (an interface belongs to one bus)',
    ]
    faulty = "[bus.b]\nbitrate = 500_000\ninterfaces = [7.5, 7.5]\n"
    assert [each[:24] for each in said(BUS, faulty)] == ["7: bus.b.interfaces[0]: ", "7: bus.b.interfaces[1]: "]


@pytest.mark.parametrize(
    ("parts", "fault"),
    [
        ([BUS, '[module.m]\nbus = "b"\n'], '6: module.m.bus: there is no bus "b" (known here: a)'),
        (['[module.m]\nbus = "b"\n'], '3: module.m.bus: there is no bus "b" (describe it under [bus.NAME])'),
        ([BUS, "[module.m]\nbus = 3\n"], "6: module.m.bus: 3 is not text (text stands in quotes)"),
        ([BUS, '[channel.x]\nsignal = "b/M/S"\n'], '6: channel.x.signal: there is no bus "b" (known here: a)'),
        ([BUS, '[frame."b/100"]\nperiod_ms = 10\n'], '5: frame."b/100": there is no bus "b" (known here: a)'),
    ],
)
def test_a_bus_that_there_is_not(parts, fault):
    assert said(*parts) == [fault]


# -- channels ---------------------------------------------------------------------------------------------------------

NO_PLACE = "has no place beside a formula (it belongs to the channels it uses)"
STARTER = "(it is a starter sensor: copy its table from `buswright guide sensors` into this file)"
COPY = "describe it under [sensor.NAME]; `buswright guide sensors` has some to copy"


@pytest.mark.parametrize(
    ("parts", "faults"),
    [
        ([X, 'formula = "y"\n', channel("y", signal="M/T")],
         ["7: channel.x.formula: stands beside signal (a channel has one of the two)"]),
        ([channel("x", 'unit = "V"', signal="")],
         ['5: channel.x: has neither signal nor formula (signal = "bus/message/signal")']),
        ([SENSOR, channel("x", 'formula = "y"', 'sensor = "s"', "input_scale = 2", "zero = { add = 1 }",
                          "invalid_raw = [1]", 'wiring = { input = "A" }', "fingerprints = { open = 1 }", signal=""),
          channel("y")],
         [f"{11 + k}: channel.x.{key}: {NO_PLACE}" for k, key in enumerate(
             ("sensor", "input_scale", "zero", "invalid_raw", "wiring", "fingerprints"))]),
        ([X, 'sensor = "t"\n', SENSOR],
         ['7: channel.x.sensor: there is no sensor "t" (known here: s)',
          "8: note: sensor.s: no channel uses this sensor"]),
        ([X, 'sensor = "t"\n'], [f'7: channel.x.sensor: there is no sensor "t" ({COPY})']),
        ([X, 'sensor = "pressure_10_bar"\n'],
         ['7: channel.x.sensor: there is no sensor "pressure_10_bar" in this file ' + STARTER]),
        ([X, "input_scale = 2\n"],
         ["7: channel.x.input_scale: needs a sensor (without one the database's scaling is final)"]),
        ([X, "sensor = 3\ninput_scale = 2\n"], ["7: channel.x.sensor: 3 is not text (text stands in quotes)"]),
        ([SENSOR, X, 'sensor = "s"\ninput_scale = 0\n'], ["12: channel.x.input_scale: 0 makes every value the same"]),
        ([SENSOR, X, 'sensor = "s"\ninput_scale = "0"\n'],
         ['12: channel.x.input_scale: "0" is not a number (numbers stand without quotes)']),
        ([X, channel("z", 'formula = "x + xx"', signal="")],
         ['8: channel.z.formula: there is no channel "xx" (did you mean "x"?)']),
        ([X, 'caution = { low = 1, when = "w > 1" }\n'],
         ['7: channel.x.caution.when: there is no channel "w" (known here: x)']),
    ],
)  # fmt: skip
def test_a_channel(parts, faults):
    assert said(BUS, *parts) == faults


LOW = "is reached before caution.low = 1 (warning limits lie beyond caution limits)"
HIGH = "is reached before caution.high = 5 (warning limits lie beyond caution limits)"


@pytest.mark.parametrize(
    ("lines", "faults"),
    [
        ("caution = { hold_s = 1 }\n",
         ["7: channel.x.caution: has neither low nor high ({ low = 1.0, high = 5.0 })"]),
        ("caution = { low = 4.9, high = 5 }\n", []),
        ("caution = { low = 5, high = 5 }\n", ["7: channel.x.caution.low: 5 is not below high = 5"]),
        ("caution = { low = 6, high = 5, hysteresis = 9 }\n", ["7: channel.x.caution.low: 6 is not below high = 5"]),
        ("caution = { low = 1, high = 5, hysteresis = 3.99 }\n", []),
        ("caution = { low = 1, high = 5, hysteresis = 4 }\n",
         ["7: channel.x.caution.hysteresis: 4 is as wide as low to high, or wider: it would never clear"]),
        ("caution = { low = 1, hysteresis = 99 }\n", []),
        ('caution = { low = 7, high = "x" }\n',
         ['7: channel.x.caution.high: "x" is not a number (numbers stand without quotes)']),
        ("caution = { low = 1, high = 5 }\nwarning = { low = 1, high = 5 }\n", []),
        ("caution = { low = 1, high = 5 }\nwarning = { low = 0.9, high = 5.1 }\n", []),
        ("caution = { low = 1, high = 5 }\nwarning = { low = 1.1, high = 4.9 }\n",
         [f"8: channel.x.warning.low: 1.1 {LOW}", f"8: channel.x.warning.high: 4.9 {HIGH}"]),
        ("caution = { low = 1 }\nwarning = { high = 0.5 }\n", []),
        ("caution = { high = 1 }\nwarning = { low = 2 }\n", []),
    ],
)  # fmt: skip
def test_limits(lines, faults):
    assert said(BUS, X, lines) == faults


SAME = ('7: warning: channel.y.signal: "a/M/S" is channel x already, and both have the same values '
        "(is the signal right? else give it a sensor or a unit of its own)")  # fmt: skip


@pytest.mark.parametrize(
    ("other", "faults"),
    [
        (channel("y"), [SAME.replace("7:", "8:")]),
        (channel("y", "expected_hz = 10"), [SAME.replace("7:", "8:")]),
        (channel("y", signal="M/T"), []),
        (channel("y", "delay_s = 1"), []),
        (channel("y", "invalid_raw = [1]"), []),
        (SENSOR + channel("y", 'sensor = "s"', "input_scale = 1"), []),
    ],
)
def test_two_channels_with_the_same_values(other, faults):
    assert said(BUS, X, other) == faults


def of_role(name: str, role: str, position: str = "", signal: str = "M/S") -> str:
    return channel(name, f'role = "{role}"', *([f'position = "{position}"'] if position else []), signal=signal)


@pytest.mark.parametrize(
    ("first", "second", "fault"),
    [
        (("gear",), ("gear",), "x is already gear (give each its position, or the role to one of them)"),
        (("gear",), ("gear", "rear"), ""),
        (("gear",), ("throttle",), ""),
        (("lambda",), ("lambda",), ""),  # one a cylinder bank
        (("lambda", "left"), ("lambda", "left"), "x is already lambda at left (a role stands once per position)"),
        (("damper_travel", "front-left"), ("damper_travel", "front-right"), ""),
    ],
)
def test_a_role_stands_once_in_a_position(first, second, fault):
    faults = said(BUS, of_role("x", *first), of_role("y", *second, signal="M/T"))
    assert [each.partition(".role: ")[2] for each in faults] == ([fault] if fault else [])


@pytest.mark.parametrize("line", ['role = "gaer"', 'role = "gear"\nposition = "x"'])
def test_a_role_that_could_not_be_read_is_nobodys(line):
    (fault,) = said(BUS, channel("x", line), of_role("y", "gear", signal="M/T"))
    assert ".x." in fault


def circle(*names: str) -> str:
    """Channels each of which is made of the next."""
    return "".join(
        channel(one, f'formula = "{other} + 1"', signal="")
        for one, other in zip(names, [*names[1:], names[0]], strict=True)
    )


@pytest.mark.parametrize(
    ("count", "needs"),
    [
        (1, "c0 needs c0"),
        (2, "c0 needs c1 needs c0"),
        (7, "c0 needs c1 needs c2 needs c3 needs c4 needs c5 needs c6 needs c0"),
        (8, "c0 needs c1 needs c2 needs c3 needs … needs c0"),
        (9, "c0 needs c1 needs c2 needs c3 needs … needs c0"),
    ],
)
def test_a_circle_is_told_at_its_first_channel(count, needs):
    text = f"6: channel.c0.formula: needs itself: {needs} (start from a channel with a signal)"
    assert said(BUS, circle(*(f"c{k}" for k in range(count)))) == [text]


def test_circles_are_told_one_by_one_up_to_twenty():
    assert said(BUS, channel("z", 'formula = "y"', signal=""), circle("y", "b")) == [
        "8: channel.y.formula: needs itself: y needs b needs y (start from a channel with a signal)"
    ]
    more = "; check again then, there may be more circles)"
    found = said(BUS, *(circle(f"c{k}") for k in range(21)))
    assert (len(found), [line.endswith(more) for line in found]) == (20, [False] * 19 + [True])
    ratio = SENSOR.replace("linear", "ratiometric") + 'reference = "r"\n'
    assert said(BUS, ratio, channel("r", 'sensor = "s"', "input_scale = 1")) == [
        "12: channel.r.sensor: needs itself: r needs r (start from a channel with a signal)"
    ]


# -- frames -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "faults"),
    [
        ("counter = { start = 0, length = 4, modulus = 16 }\n", []),
        ("counter = { start = 0, length = 4, modulus = 17 }\n",
         ['6: frame."a/100".counter.modulus: 17 values don\'t fit 4 bits']),
        ('counter = { start = 52, length = 4 }\nchecksum = { kind = "crc8-j1850", byte = 7 }\n', []),
        ('counter = { start = 53, length = 4 }\nchecksum = { kind = "crc8-j1850", byte = 7 }\n',
         ['6: frame."a/100".counter: the counter and the checksum share bit 56']),
        ('counter = { start = 55, length = 9 }\nchecksum = { kind = "crc8-j1850", byte = 6 }\n',
         ['6: frame."a/100".counter: the counter and the checksum share bit 55']),
        ('counter = { start = 56, length = 4 }\nchecksum = { kind = "crc8-j1850", byte = 6 }\n', []),
        ('counter = { start = 56, length = "x" }\nchecksum = { kind = "crc8-j1850", byte = 7 }\n',
         ['6: frame."a/100".counter.length: "x" is not a whole number from 1 to 32 (numbers stand without quotes)']),
        ('counter = { start = 56, length = 4 }\nchecksum = { kind = "crc8-j1850", byte = "x" }\n',
         ['7: frame."a/100".checksum.byte: "x" is not a whole number from 0 to 63 (numbers stand without quotes)']),
        (f'checksum = {{ kind = "crc8-j1850", byte = 7, data_id = {[1] * 16} }}\n',
         ['6: frame."a/100".checksum.data_id: a list of bytes belongs to e2e-p02 only (one number)']),
        (f'checksum = {{ kind = "e2e-p02", byte = 0, data_id = {[1] * 16} }}\n', []),
    ],
)  # fmt: skip
def test_counters_and_checksums(lines, faults):
    assert said(BUS, '[frame."a/100"]\n', lines) == faults


# -- the calibration log ----------------------------------------------------------------------------------------------


def entry(of: str = 'channel = "x"', date: str = "2026-04-01", due: str = "") -> str:
    return "\n".join(["[[calibration_log]]", of, f"date = {date}", *([f"due = {due}"] if due else []), ""])


@pytest.mark.parametrize(
    ("entries", "faults"),
    [
        ([entry("")], ["13: calibration_log[0]: names neither a channel nor a sensor (one of the two was calibrated)"]),
        ([entry('channel = "x"\nsensor = "s"')],
         ["13: calibration_log[0]: names both a channel and a sensor (one of the two was calibrated)"]),
        ([entry('sensor = "t"')], ['14: calibration_log[0].sensor: there is no sensor "t" (known here: s)']),
        ([entry('channel = "xx"')], ['14: calibration_log[0].channel: there is no channel "xx" (did you mean "x"?)']),
        ([entry(date="2026-05-01")], []),
        ([entry(date="2026-05-02")], ["15: warning: calibration_log[0].date: 2026-05-02 has not come yet"]),
        ([entry(due="2026-04-01")],
         ["16: calibration_log[0].due: 2026-04-01 is not after 2026-04-01, when it was done"]),
        ([entry(due="2026-04-02")],
         ["16: note: calibration_log[0].due: channel x was due for calibration on 2026-04-02"]),
        ([entry(due="2026-04-30")],
         ["16: note: calibration_log[0].due: channel x was due for calibration on 2026-04-30"]),
        ([entry(due="2026-05-01")], []),  # today it still holds
        # Only the latest of a channel counts, of two on one day the later one in the file.
        ([entry(due="2026-04-10"), entry(date="2026-04-09")], []),
        ([entry(date="2026-04-09"), entry(due="2026-04-10")], []),
        ([entry(), entry(due="2026-04-10")],
         ["19: note: calibration_log[1].due: channel x was due for calibration on 2026-04-10"]),
        ([entry(due="2026-04-10"), entry()], []),
        ([entry('sensor = "s"', due="2026-04-10"), entry(date="2026-04-09")],
         ["16: note: calibration_log[0].due: sensor s was due for calibration on 2026-04-10"]),
        ([entry(date='"2026"', due="2020-01-01")],
         ['15: calibration_log[0].date: "2026" is not a date (dates stand without quotes and time: 2026-04-02)']),
    ],
)  # fmt: skip
def test_the_calibration_log(entries, faults):
    assert said(BUS, SENSOR, channel("x", 'sensor = "s"', "input_scale = 1"), *entries) == faults


def test_a_sensor_that_nothing_uses_is_noted():
    used = channel("x", 'sensor = "s"', "input_scale = 1")
    assert said(BUS, SENSOR, used) == []
    assert said(BUS, SENSOR, SENSOR.replace(".s]", ".t]")) == [
        "5: note: sensor.s: no channel uses this sensor", "9: note: sensor.t: no channel uses this sensor",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("parts", "place"),
    [
        (['fd = "iso"\n'], '"iso"'),
        (["lengths_m = [1, 2]\n"], "[1, 2]"),
        (['[module.m]\nbus = "b"\n'], '"b"'),
        (['[frame."b/100"]\nperiod_ms = 10\n'], '"b/100"]'),
        ([X, 'formula = "y"\n', channel("y", signal="M/T")], 'formula = "y"'),
        ([channel("x", 'unit = "V"', signal="")], "x]"),
        ([X, channel("y", 'formula = "x"', 'wiring = { input = "A" }', signal="")], 'wiring = { input = "A" }'),
        ([X, "input_scale = 2\n"], "input_scale = 2"),
        ([X, channel("y", 'formula = "x + xx"', signal="")], 'xx"'),
        ([X, 'caution = { low = 1, when = "1 < w" }\n'], 'w" }'),
        ([X, "caution = { low = 5, high = 5 }\n"], "5, high = 5 }"),
        ([X, channel("y")], '"a/M/S"'),
        ([of_role("x", "gear"), of_role("y", "gear", signal="M/T")], '"gear"'),
        ([circle("x")], '"x + 1"'),
        ([SENSOR, channel("x", 'sensor = "s"', "input_scale = 1"), entry("")], "calibration_log]]"),
        ([SENSOR, channel("x", 'sensor = "s"', "input_scale = 1"), entry('sensor = "t"')], '"t"'),
        ([SENSOR], "s]"),
    ],
)
def test_a_fault_stands_where_the_eye_has_to_look(parts, place):
    assert pointed_at(BUS, *parts) == [place]
