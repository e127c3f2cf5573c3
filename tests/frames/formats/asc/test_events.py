"""What ASC files hold beside data frames, field by field."""

import pytest

from buswright.frames.formats.asc import events as asc_events
from buswright.frames.formats.asc.events import EventLog, error_frame, statistics, status
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Event

# Classes and places: include/uapi/linux/can/error.h; kinds 0 to 3 of a code: SJA1000 data sheet.
PROTOCOL, ACKNOWLEDGE, BUS_ERROR = 0x08, 0x20, 0x80
BIT, FORM, STUFF, TRANSMIT = 0x01, 0x02, 0x04, 0x80


@pytest.mark.parametrize(
    ("code", "kind", "error_class", "how", "where"),
    [
        (0b00_1_00011, "bit", PROTOCOL, BIT, 3),
        (0b00_0_00011, "bit", PROTOCOL, BIT | TRANSMIT, 3),
        (0b01_1_11000, "form", PROTOCOL, FORM, 24),
        (0b10_1_01010, "stuff", PROTOCOL, STUFF, 10),
        (0b11_0_00000, "other", PROTOCOL, TRANSMIT, 0),
    ],
)
def test_an_error_code_capture_names_kind_side_and_place(code, kind, error_class, how, where):
    expected = (BUS_ERROR | error_class, bytes((0, 0, how, where, 0, 0, 0, 0)), kind, "")
    assert error_frame(f"ECC: {code:08b}".encode()) == expected
    assert error_frame(f" Flags = 0x2 CodeExt = 0x{code:04x} Code = 0x1 ID = 0 DLC = 0".encode()) == expected


@pytest.mark.parametrize(
    ("kind_code", "kind", "error_class", "how", "where"),
    [
        (4, "checksum", PROTOCOL, 0, 0x08),
        (5, "acknowledge delimiter", PROTOCOL, FORM, 0x1B),
        (6, "other", PROTOCOL, 0, 0x0A),
        (7, "acknowledge", PROTOCOL | ACKNOWLEDGE, 0, 0x19),
        (0x3F, "other", PROTOCOL, 0, 0x0A),
    ],
)
def test_an_extended_code_knows_more_kinds(kind_code, kind, error_class, how, where):
    code = kind_code << 6 | 0x20 | 0x0A
    found = error_frame(f"CodeExt = 0x{code:x}".encode())
    assert found == (BUS_ERROR | error_class, bytes((0, 0, how, where, 0, 0, 0, 0)), kind, "")


@pytest.mark.parametrize(
    ("detail", "kind", "hit"),
    [
        (b"", "", ""),
        (b"something else", "", ""),
        (b"Flags = 0x2 ID = 12Ax DLC = 1", "", "12Ax"),
        (b"ID = 000", "", ""),
        (b"CodeExt = 0x20a2 ID = 7ff", "stuff", "7ff"),
        (b"fffe c7 20a2 Arb. 556 44x 0 0", "stuff", "44x"),
        (b"20a2 data 12 1ffx", "stuff", "1ffx"),
        (b"ECC: 1010", "", ""),
    ],
)
def test_what_was_hit(detail, kind, hit):
    error_class, payload, *words = error_frame(detail)
    assert words == [kind, hit]
    if not kind:
        assert (error_class, payload) == (BUS_ERROR, bytes(8))


@pytest.mark.parametrize(
    ("detail", "values"),
    [
        (b"D 2 R 1 XD 3", {"data": 2, "remote": 1, "extended_data": 3}),
        (b"XR 4 E 5 O 6 B 12.04%", {"extended_remote": 4, "errors": 5, "overloads": 6, "load_percent": 12.04}),
        (b"d 2 b 0,5%", {"data": 2, "load_percent": 0.5}),
        (b"D 2.5 Q 7", {}),
        (b"D " + b"9" * 30, {"data": 10**18 - 1}),
        (b"", {}),
    ],
)  # fmt: skip
def test_statistics(detail, values):
    assert statistics(detail) == values


@pytest.mark.parametrize(
    ("detail", "kind", "values"),
    [
        (b"Status:chip status error active", "chip-status", {"state": "error-active"}),
        (b"Status:chip status Error Passive - TxErr: 132 RxErr: 7", "chip-status",
         {"state": "error-passive", "tx_errors": 132, "rx_errors": 7}),
        (b"Status:warning level", "chip-status", {"state": "error-warning"}),
        (b"Status:bus off", "chip-status", {"state": "bus-off"}),
        (b"Status:busoff", "chip-status", {"state": "bus-off"}),
        (b"Status:txerr:1 rxerr: 0", "chip-status", {"tx_errors": 1, "rx_errors": 0}),
        (b"Status:overrun", "drop", {}),
        (b"Status:messages Lost", "drop", {}),
        (b"Status:", "chip-status", {}),
    ],
)  # fmt: skip
def test_status(detail, kind, values):
    assert status(detail) == (kind, values)


def test_events_are_bounded_and_the_rest_is_counted(monkeypatch):
    monkeypatch.setattr(asc_events, "EVENTS_KEPT", 2)
    reading = Reading("run.asc")
    log = EventLog(reading)
    for number in range(1, 6):
        assert log.counting is (number > 2)
        log.add(number, Event(number, None, "note", {}, f"event {number}"))
    assert [event.time_ns for event in reading.events] == [1, 2]
    assert [(each.reason, each.line, each.text, each.count) for each in reading.problems] == [
        ("more events than are kept", 3, "event 3", 3)
    ]
    assert reading.problems.noted == 3


def test_lines_of_a_kind_are_one_event_with_the_time_of_the_first(monkeypatch):
    monkeypatch.setattr(asc_events, "OTHERS_KEPT", 3)
    reading = Reading("run.asc")
    log = EventLog(reading)
    assert not log.counting
    log.count(5, "1", "TxRq")
    assert log.counting
    log.count(6, "1", "ErrorFrame", "stuff", "44x")
    log.count(7, "2", "ErrorFrame", "bit")
    log.count(8, "1", "TxRq")
    log.count(9, None, "Fourth")
    log.count(10, None, "Fifth")
    log.finish()
    assert [(event.time_ns, event.bus, event.kind, event.text, dict(event.values)) for event in reading.events] == [
        (5, "1", "other", "2 × TxRq", {"word": "TxRq", "count": 2}),
        (6, "1", "other", "1 × ErrorFrame, stuff error while 44x was sent",
         {"word": "ErrorFrame", "count": 1, "error": "stuff", "id": "44x"}),
        (7, "2", "other", "1 × ErrorFrame, bit error", {"word": "ErrorFrame", "count": 1, "error": "bit"}),
        (9, None, "other", "2 × (further kinds)", {"word": "(further kinds)", "count": 2}),
    ]  # fmt: skip
    assert not log.counting
    log.finish()
    assert len(reading.events) == 4
