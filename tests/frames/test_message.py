"""A message as the row that its recording gives back."""

import can
import pytest

from buswright.frames.message import DamagedMessageError, row_of
from buswright.frames.table import Flag

EXT, REM, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED)

ID = {"arbitration_id": 0x123}
LONG = {"arbitration_id": 0x123, "is_extended_id": True}
SWITCHED = {"is_fd": True, "bitrate_switch": True, "error_state_indicator": True}
MIXED = {"bitrate_switch": True, "error_state_indicator": True, "is_rx": False}


def row(**values):
    return row_of(can.Message(**({"is_extended_id": False, "timestamp": 1.0} | values), check=False))


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (ID, (0x123, 0, 0, b"")),
        (ID | {"data": b"\x01\x02"}, (0x123, 0, 2, b"\x01\x02")),
        (ID | {"data": bytes(8), "dlc": 8}, (0x123, 0, 8, bytes(8))),
        (ID | {"data": bytes(8), "dlc": 9}, (0x123, 0, 9, bytes(8))),
        (ID | {"data": bytes(8), "dlc": 15}, (0x123, 0, 15, bytes(8))),
        (ID | {"data": bytes(8), "dlc": 16}, "payload shorter or longer than its length code"),
        (ID | {"data": bytes(7), "dlc": 9}, "payload shorter or longer than its length code"),
        (ID | {"data": bytes(3), "dlc": 2}, "payload shorter or longer than its length code"),
        (ID | {"data": bytes(3), "dlc": 4}, "payload shorter or longer than its length code"),
        (ID | {"data": bytes(9)}, "payload too long"),
        (ID | MIXED | {"data": b"\x01"}, (0x123, TX, 1, b"\x01")),  # a classic frame has no CAN FD marks
        (LONG, (0x123, EXT, 0, b"")),
        ({"arbitration_id": 0}, (0, 0, 0, b"")),
        ({"arbitration_id": 0x7FF}, (0x7FF, 0, 0, b"")),
        ({"arbitration_id": 0x800}, "identifier out of range"),
        ({"arbitration_id": -1}, "identifier out of range"),
        ({"arbitration_id": 0x1FFFFFFF, "is_extended_id": True}, (0x1FFFFFFF, EXT, 0, b"")),
        ({"arbitration_id": 0x20000000, "is_extended_id": True}, "identifier out of range"),
        (ID | {"is_remote_frame": True, "dlc": 4}, (0x123, REM, 4, b"")),
        (ID | {"is_remote_frame": True, "dlc": 12}, (0x123, REM, 8, b"")),
        (ID | {"is_remote_frame": True, "dlc": -1}, (0x123, REM, 0, b"")),
        (ID | MIXED | {"is_remote_frame": True, "dlc": 1}, (0x123, REM | TX, 1, b"")),
        (ID | SWITCHED | {"data": bytes(8)}, (0x123, FD | BRS | ESI, 8, bytes(8))),
        (ID | {"is_fd": True, "data": bytes(range(9))}, (0x123, FD, 9, bytes(range(9)) + bytes(3))),
        (ID | {"is_fd": True, "data": bytes(64)}, (0x123, FD, 15, bytes(64))),
        (ID | {"is_fd": True, "data": bytes(65)}, "payload too long"),
        (ID | {"is_fd": True, "is_remote_frame": True}, (0x123, FD, 0, b"")),  # CAN FD has no remote frames
        ({"arbitration_id": 0x88, "is_error_frame": True, "data": b"\x01"}, (0x88, ERR, 8, b"\x01" + bytes(7))),
        (LONG | {"is_error_frame": True, "is_fd": True, "bitrate_switch": True}, (0x123, ERR, 8, bytes(8))),
        (ID | MIXED | {"is_error_frame": True, "is_remote_frame": True}, (0x123, ERR | TX, 8, bytes(8))),
        ({"arbitration_id": 0xFFFFFFFF, "is_error_frame": True}, (0x1FFFFFFF, ERR, 8, bytes(8))),
        (ID | {"is_error_frame": True, "data": bytes(8)}, (0x123, ERR, 8, bytes(8))),
        (ID | {"is_error_frame": True, "data": bytes(9)}, "error frame with a payload of more than 8 bytes"),
    ],
)
def test_rows(values, expected):
    if isinstance(expected, str):
        with pytest.raises(DamagedMessageError, match=expected):
            row(**values)
    else:
        assert row(**values) == (1_000_000_000, *expected)


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        (0.0, 0),
        (0.0000004, 0),
        (0.0000006, 1000),
        (1_700_000_000.123456, 1_700_000_000_123_456_000),
        (-1.5, -1_500_000_000),
    ],
)
def test_a_stamp_is_good_to_a_microsecond(stamp, time_ns):
    assert row(**ID, timestamp=stamp)[0] == time_ns
