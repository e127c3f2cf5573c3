"""What a car file and its databases disagree in, just within and just beyond what rounding explains."""

from __future__ import annotations

import pytest

from tests.channels.carfile.checks.small import BUS, channel, said, sensor

SENDER = "(a frame has one sender)"
OTHER = "[bus.b]\nbitrate = 500_000\n"


def module(name: str, *messages: str, bus: str = "a") -> str:
    listed = f"messages = {list(messages)}\n" if messages else ""
    return f'[module.{name}]\nbus = "{bus}"\n{listed}'


@pytest.mark.parametrize(
    ("parts", "faults"),
    [
        ([BUS], []),
        ([BUS.replace("500_000", "250_000")],
         ["3: warning: bus.a.bitrate: 250000 contradicts the database, which says 500000"]),
        ([BUS.replace("500_000", '"x"')],
         [('3: bus.a.bitrate: "x" is not a whole number from 5_000 to 1_000_000 '
           "(in bit/s: 500_000 or 1_000_000 are usual)")]),
        ([BUS, module("nod")],
         [("5: warning: module.nod: the database of bus a knows no sender of this name, and no messages are listed "
           '(did you mean "node"?)')]),
        ([BUS, module("nod", "M")], []),
        ([BUS, module("node")], []),
        ([OTHER, module("nod", bus="b")], []),
        ([BUS, module("p", "M"), module("q", "100", "M", "7FF"), module("r", "7ff")],
         [f'10: module.q.messages[0]: "100" is already sent by p {SENDER}',
          f'10: module.q.messages[1]: "M" is already sent by p {SENDER}',
          f'13: module.r.messages[0]: "7ff" is already sent by q {SENDER}']),
        ([BUS, OTHER, module("p", "M"), module("q", "M", bus="b")], []),  # a frame of another bus
        ([OTHER, module("p", "ANY", "100", bus="b"), module("q", "100", "ANY", bus="b")],
         [f'9: module.q.messages[0]: "100" is already sent by p {SENDER}',
          f'9: module.q.messages[1]: "ANY" is already sent by p {SENDER}']),
        ([BUS, module("p", "MW", "M@0A")],
         ['7: module.p.messages[0]: bus a has no message "MW" (did you mean "M"?)',
          '7: module.p.messages[1]: "M@0A" has a source address, but M is not J1939 ("M" alone)']),
        ([BUS, 'chain = ["node", "other", "nobody"]\nterminators = ["other", "node", "x"]\n'],
         ['5: bus.a.chain[2]: there is no module "nobody" (did you mean "node"?)',
          '6: bus.a.terminators[2]: there is no module "x" (known here: node, other)']),
        ([BUS, 'chain = ["node"]\nterminators = ["other"]\n'],
         ['6: warning: bus.a.terminators[0]: "other" has no place in chain']),
        ([BUS, 'terminators = ["other"]\n'], []),
        ([OTHER, 'chain = ["zz"]\n'],
         ['4: bus.b.chain[0]: there is no module "zz" (describe it under [module.NAME])']),
        ([BUS.replace("a.dbc", "b.dbc"), 'chain = ["zz"]\n'],  # who its senders are is unknown
         ['4: bus.a.databases[0]: there is no file "b.dbc" (did you mean "a.dbc"?)']),
    ],
)  # fmt: skip
def test_buses_and_modules(parts, faults):
    assert said(*parts) == faults


def test_a_source_address_has_one_sender():
    """18FEEE05 is the message EEC, sent by the module of address 05."""
    modules = module("p", "18FEEE05", "EEC@06"), module("q", "EEC@05", "18FEEE06", "18FEEE07"), module("r", "18FEEE00")
    assert said(BUS, *modules) == [
        f'10: module.q.messages[0]: "EEC@05" is already sent by p {SENDER}',
        f'10: module.q.messages[1]: "18FEEE06" is already sent by p {SENDER}',
    ]


def test_a_rate_is_held_against_the_entry_of_its_source_address():
    entry = '[frame."a/18FEEE05"]\nperiod_ms = 20\n'
    assert said(BUS, channel("x", "expected_hz = 100", signal="EEC@06/WARM"), entry) == []
    assert said(BUS, channel("x", "expected_hz = 100", signal="EEC@05/WARM"), entry) == [
        (
            "7: warning: channel.x.expected_hz: 100 Hz contradicts the period of EEC, 20 ms in its [frame] entry "
            "(period_ms wins)"
        )
    ]


# -- signals ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("signal", "fault"),
    [
        ("M/S", None),
        ("MM/S", 'bus a has no message "MM" (did you mean "M"?)'),
        ("M/SS", 'message M has no signal "SS" (did you mean "S"?)'),
        ("M/LOW", 'message M has no signal "LOW" (message MV has it: "a/MV/LOW")'),
        ("M@0A/S", '"M@0A" has a source address, but M is not J1939 ("M" alone)'),
        ("M@a/S", 'bus a has no message "M@a" (a source address is two hex digits in capitals: EEC1@0A)'),
    ],
)
def test_a_signal_that_there_is_not(signal, fault):
    assert said(BUS, channel("x", signal=signal)) == ([f"6: channel.x.signal: {fault}"] if fault else [])


def test_a_message_of_another_bus_and_a_bus_without_a_database():
    other = OTHER + 'databases = ["b.dbc"]\n'
    empty = channel("x").replace("a/M", "b/M")
    assert said(BUS, OTHER, empty) == [
        '8: channel.x.signal: bus b has no databases (databases = ["FILE"] under [bus.b])'
    ]
    assert said(BUS, other, empty) == ['7: bus.b.databases[0]: there is no file "b.dbc" (did you mean "a.dbc"?)']


@pytest.mark.parametrize(
    ("signal", "raws", "faults"),
    [
        ("M/S", "0, 65535", []),
        ("M/S", "65536, -1", ["[0]: 65536 never comes from 16 bits (0 to 65535)",
                              "[1]: -1 never comes from 16 bits (0 to 65535)"]),
        ("M/U", "-128, 127", []),
        ("M/U", "128, -129", ["[0]: 128 never comes from 8 bits (-128 to 127)",
                              "[1]: -129 never comes from 8 bits (-128 to 127)"]),
        ("M/F", "99999999999", []),  # a float may be any number
    ],
)  # fmt: skip
def test_raw_values_that_never_come(signal, raws, faults):
    expected = [f"7: channel.x.invalid_raw{each}" for each in faults]
    assert said(BUS, channel("x", f"invalid_raw = [{raws}]", signal=signal)) == expected


NEEDS_SCALE = "(a signal in counts needs input_scale, the V per count: 5 / 4095 is 0.001221)"
S = sensor("points = [[0.5, 0], [4.5, 10]]")


@pytest.mark.parametrize(
    ("parts", "faults"),
    [
        ([channel("x", signal="MV/BAR")], []),
        ([channel("x", 'unit = "kPa"', signal="MV/BAR")], []),
        ([channel("x", 'unit = "mm"', signal="MV/BAR")],
         [('7: channel.x.unit: "mm" is not what the signal is in: the database says "bar" '
           "(a unit of pressure: Pa, kPa, MPa, hPa, bar, mbar, psi, atm, mmHg, inHg)")]),
        ([channel("x", 'unit = "mm"')], []),  # the database gives none
        ([channel("x", 'unit = "bra"')],
         ['7: warning: channel.x.unit: "bra" is not a known unit, so it is only a label (did you mean "bar"?)']),
        ([S, channel("x", 'sensor = "s"', signal="MV/LOW")], []),
        ([S, channel("x", 'sensor = "s"')],
         [f"10: channel.x.signal: the signal has no unit in the database, but sensor s takes V {NEEDS_SCALE}"]),
        ([S, channel("x", 'sensor = "s"', signal="MV/BAR")],
         [f'10: channel.x.signal: the signal is in "bar", but sensor s takes V {NEEDS_SCALE}']),
        ([S, channel("x", 'sensor = "s"', "input_scale = 0.001", signal="MV/LOW")],
         [("12: warning: channel.x.input_scale: takes the place of the conversion from mV to V "
           "(leave it out if the database's unit is right)")]),
        ([S, channel("x", 'sensor = "s"', "input_scale = 0.001", signal="MV/BAR")], []),
        ([S, channel("x", 'sensor = "s"', "input_scale = 0.001")], []),
        ([S, 'electrical = "count"\n', channel("x", 'sensor = "s"')], []),
        ([S, 'electrical = "1"\n', channel("x", 'sensor = "s"')], []),
        ([S, 'electrical = "Hz"\n', channel("x", 'sensor = "s"')],
         ["11: channel.x.signal: the signal has no unit in the database, but sensor s takes Hz "
          + NEEDS_SCALE.replace("V per", "Hz per")]),
    ],
)  # fmt: skip
def test_units_of_signals(parts, faults):
    assert said(BUS, *parts) == faults


# -- rates, ranges, frames --------------------------------------------------------------------------------------------

OF_DATABASE = "Hz contradicts the period of MV, 10 ms in the database"
HINT = "(100 Hz, or a period_ms that is right in a [frame] entry)"


@pytest.mark.parametrize("signal", ["MV/LOW", "MV/SOME"])
@pytest.mark.parametrize(("hz", "told"), [(50, True), (97.9, True), (98.1, False), (101.9, False), (102.1, True)])
def test_a_rate_that_the_database_contradicts(signal, hz, told):
    # A multiplexed signal comes in some of the frames, so that a lower rate is none.
    told = told and not (signal == "MV/SOME" and hz < 100)
    faults = [f"7: warning: channel.x.expected_hz: {hz} {OF_DATABASE} {HINT}"]
    assert said(BUS, channel("x", f"expected_hz = {hz}", signal=signal)) == (faults if told else [])


def test_a_rate_is_held_against_the_entry_of_the_frame_first():
    entry = '[frame."a/101"]\nperiod_ms = 20\n'
    own = '9: warning: frame."a/101".period_ms: 20 contradicts the database, which says 10 ms (period_ms wins)'
    assert said(BUS, channel("x", "expected_hz = 50", signal="MV/LOW"), entry) == [own]
    assert said(BUS, channel("x", "expected_hz = 100", signal="MV/LOW"), entry) == [
        (
            "7: warning: channel.x.expected_hz: 100 Hz contradicts the period of MV, 20 ms in its [frame] entry "
            "(period_ms wins)"
        ),
        own,
    ]
    (fault,) = said(BUS, channel("x", "expected_hz = 50", signal="MV/LOW"), entry.replace("20", '"x"'))
    assert fault.startswith('9: frame."a/101".period_ms: "x" is not')
    assert said(BUS, channel("x", "expected_hz = 7")) == []  # nobody states a period


@pytest.mark.parametrize(("period_ms", "told"), [(9.79, True), (9.81, False), (10.19, False), (10.21, True)])
def test_a_period_that_the_database_contradicts(period_ms, told):
    text = f'6: warning: frame."a/101".period_ms: {period_ms} contradicts the database, which says 10 ms'
    assert said(BUS, f'[frame."a/101"]\nperiod_ms = {period_ms}\n') == ([f"{text} (period_ms wins)"] if told else [])


@pytest.mark.parametrize(
    ("unit", "limits", "faults"),
    [
        ("bar", "caution = { low = 0, high = 200 }", []),
        ("bar", "caution = { low = -0.1, high = 200 }", ["caution.low: -0.1 lies outside {}, 0 to 200"]),
        ("bar", "caution = { low = 0, high = 200.1 }", ["caution.high: 200.1 lies outside {}, 0 to 200"]),
        ("kPa", "warning = { low = 0, high = 20000 }", []),
        ("kPa", "warning = { high = 20001 }", ["warning.high: 20001 lies outside {}, 0 to 20000"]),
    ],
)
def test_limits_outside_the_range_of_the_database(unit, limits, faults):
    own = "the signal's own range in the database"
    expected = [f"8: warning: channel.x.{each.format(own)}" for each in faults]
    assert said(BUS, channel("x", f'unit = "{unit}"', limits, signal="MV/BAR")) == expected
    # A range of nothing, as databases write "none", bounds nothing; nor does it where a sensor makes the value.
    assert said(BUS, channel("x", limits)) == []


def test_a_frame_of_the_other_length_of_identifier():
    assert said(BUS, '[frame."a/00000101"]\nperiod_ms = 10\n') == [
        '5: warning: frame."a/00000101": the database has no such frame, but MV with "a/101"'
    ]
    assert said(BUS, '[frame."a/7FF"]\nperiod_ms = 10\n') == []


@pytest.mark.parametrize(
    ("line", "needs"),
    [
        ("counter = { start = 24, length = 8 }", None),
        ("counter = { start = 25, length = 8 }", 5),
        ('checksum = { kind = "xor", byte = 3 }', None),
        ('checksum = { kind = "xor", byte = 4 }', 5),
        ('checksum = { kind = "xor", byte = 3, over = [0, 3] }', None),
        ('checksum = { kind = "xor", byte = 3, over = [0, 5] }', 6),
    ],
)
def test_what_lies_behind_the_end_of_a_frame(line, needs):
    key = line.partition(" ")[0]
    text = f'6: frame."a/102".{key}: needs {needs} bytes, but SHORT has 4'
    hint = "(bytes count from 0, and bit 0 is the lowest of byte 0)"
    assert said(BUS, '[frame."a/102"]\n', line) == ([f"{text} {hint}"] if needs else [])
