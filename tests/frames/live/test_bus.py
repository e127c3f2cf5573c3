"""A python-can bus as it is opened, asked, explained when it can't be, and let go of."""

import errno
import logging
import socket
import sys
from types import SimpleNamespace

import can
import pytest

from buswright.errors import UserError
from buswright.frames.live import bus as live
from buswright.frames.live import kernel_drops
from buswright.frames.live.address import parse_live
from buswright.frames.live.bus import RECEIVE_BUFFER_BYTES, _Bus, _explained, interface_is_up, open_bus
from buswright.frames.live.kernel_drops import interface_drops, socket_drops


class Backend:
    """What python-can opens: notes how, and what becomes of it."""

    def __init__(self, **options):
        self.options = options
        self.calls = []

    def recv(self, timeout):
        self.calls.append(timeout)
        return "a message"

    def shutdown(self):
        self.calls.append("shutdown")
        raise can.CanOperationError("unplugged")


@pytest.fixture
def opening(monkeypatch):
    """Open an address with python-can's `Bus` replaced; return what was opened, and the bus behind it."""

    def opened(text, made=Backend, acknowledging=False):
        buses = []
        monkeypatch.setattr(can, "Bus", lambda **options: buses.append(made(**options)) or buses[-1])
        return open_bus(parse_live(text), acknowledging), buses[0]

    return opened


def test_a_bus_is_opened_by_what_the_address_says_and_nothing_from_elsewhere(opening):
    opened, bus = opening("live:kvaser/0?bitrate=250k")
    assert bus.options == {
        "channel": "0",
        "interface": "kvaser",
        "ignore_config": True,
        "bitrate": 250_000,
        "driver_mode": False,
    }
    assert (opened.stamped_by, opened.counters) == ("unknown", {})
    assert opened.listener.receive(0.5) == "a message"
    opened.listener.close()
    assert bus.calls == [0.5, "shutdown"]


def test_the_default_channel_of_a_backend_is_not_named(opening):
    assert opening("live:kvaser/")[1].options["channel"] is None


@pytest.mark.parametrize(("backend", "by"), [("socketcan", "kernel"), ("udp_multicast", "kernel"), ("virtual", "host")])
def test_who_stamps_is_known(backend, by, opening):
    assert opening(f"live:{backend}/x")[0].stamped_by == by


def test_a_socketcan_bus_counts_at_its_socket_and_its_interface(opening, monkeypatch):
    enlarged = []
    monkeypatch.setattr(live, "_enlarge", enlarged.append)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        opened, _ = opening("live:socketcan/can0", lambda **_options: SimpleNamespace(recv=None, socket=sock))
        assert enlarged == [sock]
    assert list(opened.counters) == ["socket", "interface"]


def test_a_multicast_bus_has_its_socket_within(opening):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        inner = SimpleNamespace(_socket=sock)
        opened, _ = opening("live:udp_multicast/x", lambda **_options: SimpleNamespace(recv=None, _multicast=inner))
    assert list(opened.counters) == ["socket"]


@pytest.mark.parametrize(
    ("platform", "refused", "asked"),
    [
        ("linux", (), [33]),
        ("linux", (33,), [33, socket.SO_RCVBUF]),
        ("linux", (33, socket.SO_RCVBUF), [33, socket.SO_RCVBUF]),
        ("darwin", (), [socket.SO_RCVBUF]),
    ],
)
def test_a_larger_buffer_is_asked_for_as_far_as_it_is_allowed(platform, refused, asked, monkeypatch):
    """socket(7): SO_RCVBUFFORCE, 33 on most machines, is for a privileged process; SO_RCVBUF for any."""
    calls = []

    def setsockopt(level, option, value):
        calls.append(option)
        assert (level, value) == (socket.SOL_SOCKET, RECEIVE_BUFFER_BYTES)
        if option in refused:
            raise PermissionError

    monkeypatch.setattr(sys, "platform", platform)
    live._enlarge(SimpleNamespace(setsockopt=setsockopt))
    assert calls == asked


def test_listening_only_is_asked_for_unless_told_otherwise(opening, monkeypatch):
    _, bus = opening("live:pcan/0")
    assert bus.options["state"] is can.BusState.PASSIVE
    assert "state" not in opening("live:pcan/0", acknowledging=True)[1].options
    made = []
    monkeypatch.setattr(can, "Bus", lambda **options: made.append(options) or Backend())
    open_bus(parse_live("live:pcan/0"))
    assert made[0]["state"] is can.BusState.PASSIVE


def test_can_fd_is_received_from_socketcan(opening):
    make = lambda **options: SimpleNamespace(recv=None, options=options)  # noqa: E731
    assert opening("live:socketcan/can0", make)[1].options["fd"] is True
    assert "fd" not in opening("live:kvaser/0", make)[1].options


def test_python_can_says_nothing_by_itself():
    assert any(isinstance(handler, logging.NullHandler) for handler in logging.getLogger("can").handlers)


def test_a_port_that_the_goodbye_left_open_is_closed():
    closed = []

    class Port:
        def close(self):
            closed.append(True)
            raise OSError

    bus = Backend()
    bus.serialPortOrig = Port()
    _Bus(bus).close()
    assert (bus.calls, closed) == (["shutdown"], [True])


def test_what_a_serial_line_garbled_is_forgotten_before_the_next_message():
    bus, port = Backend(), object()
    bus._buffer = bytearray(b"t123")
    fault = can.CanOperationError("no text")

    def recv(_timeout):
        raise fault

    bus.recv = recv
    listener = _Bus(bus, port)
    assert bus.serialPortOrig is port
    with pytest.raises(can.CanOperationError):
        listener.receive(0.1)
    assert bus._buffer == b"t123"
    fault.__cause__ = UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range")
    with pytest.raises(can.CanOperationError):
        listener.receive(0.1)
    assert bus._buffer == b""
    bus.recv = lambda timeout: ("heard", timeout)
    assert listener.receive(0.25) == ("heard", 0.25)


# Words for what went wrong ------------------------------------------------------------------------------------------


def test_an_address_near_to_no_backend_gets_the_list():
    with pytest.raises(UserError) as caught:
        open_bus(parse_live("live:zzzzzzzz/0"))
    assert caught.value.message == "live:zzzzzzzz/0: python-can has no backend 'zzzzzzzz'"
    assert caught.value.hint == "`buswright interfaces` lists what is there"


def test_a_nearly_right_backend_is_suggested():
    with pytest.raises(UserError) as caught:
        open_bus(parse_live("live:slcann/0"))
    assert caught.value.hint == "live:slcan/…"


@pytest.mark.parametrize(("text", "mark"), [("live:slcan/COM3", "?"), ("live:slcan/COM3?name=a", "&")])
def test_a_missing_bit_rate_is_written_behind_the_address(text, mark):
    with pytest.raises(UserError) as caught:
        open_bus(parse_live(text))
    assert caught.value.message == f"{text}: at which bit rate?"
    assert caught.value.hint == f"{text}{mark}bitrate=500000"


@pytest.mark.parametrize(
    ("text", "module", "package"),
    [
        ("live:slcan/COM3?bitrate=500000", "serial", "pyserial"),
        ("live:udp_multicast/239.74.163.2", "msgpack", "msgpack"),
        ("live:gs_usb/0", "gs_usb", "gs-usb"),
    ],
)
def test_a_backend_without_its_package_says_what_to_install(text, module, package, monkeypatch):
    monkeypatch.setitem(sys.modules, module, None)  # importing it fails
    said = _explained(parse_live(text), can.CanInterfaceNotImplementedError("no module"))
    assert (said.message, said.hint) == (f"{text}: needs one more package", f"pip install {package}")


def test_a_backend_that_has_its_package_fails_for_another_reason(monkeypatch):
    monkeypatch.setitem(sys.modules, "serial", SimpleNamespace())
    said = _explained(parse_live("live:slcan/COM3?bitrate=500000"), OSError(errno.EBUSY, "busy"))
    assert said.hint == "another program has it open"


LISTS = "`buswright interfaces` lists what is there"


@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (errno.ENODEV, LISTS),
        (errno.ENOENT, LISTS),
        (errno.EACCES, "give yourself the right to the port: sudo usermod -aG dialout $USER, then log in again"),
        (errno.EBUSY, "another program has it open"),
        (errno.EAFNOSUPPORT, "this kernel has no CAN sockets: sudo modprobe can_raw"),
        (errno.EIO, f"{LISTS}, `buswright guide live` the options"),
        (None, f"{LISTS}, `buswright guide live` the options"),
    ],
)
def test_a_number_of_the_system_leads_on_wherever_it_stands(number, hint):
    address = parse_live("live:socketcan/can0")
    itself = OSError(number, "as the system says it")
    inside = can.CanInitializationError("outer words")
    inside.__cause__ = itself
    coded = can.CanInitializationError("outer words", number)
    assert [_explained(address, fault).hint for fault in (itself, inside, coded)] == [hint] * 3


def test_what_is_explained_is_said_whole():
    address = parse_live("live:socketcan/can0")
    said = _explained(address, can.CanInitializationError("outer words"))
    assert said.message == "live:socketcan/can0: can't be opened: outer words"
    assert _explained(address, KeyError()).message == "live:socketcan/can0: can't be opened: KeyError"
    known = UserError("known")
    assert _explained(address, known) is known


# An adapter that is asked to listen only ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "acknowledging", "said"),
    [
        (False, False, None),
        (True, True, None),
        (True, False, "this adapter refuses to listen only"),
        (OSError(errno.EIO, "gone"), False, "can't be opened: [Errno 5] gone"),
    ],
)
def test_an_adapter_that_refuses_is_let_go_of(answers, acknowledging, said, opening, monkeypatch):
    def refuses(port):
        assert port.name == "the port"
        if isinstance(answers, Exception):
            raise answers
        return answers

    monkeypatch.setattr(live, "refuses_to_listen", refuses)
    made = []

    def serial_line(**options):
        made.append(Backend(**options))
        made[-1].serialPortOrig = SimpleNamespace(name="the port", close=lambda: made[-1].calls.append("close"))
        return made[-1]

    text = "live:slcan/COM3?bitrate=500000"
    if said is None:
        opened, bus = opening(text, serial_line, acknowledging)
        assert (bus.calls, opened.stamped_by) == ([], "host")
        assert ("listen_only" in bus.options) is not acknowledging
        return
    with pytest.raises(UserError) as caught:
        opening(text, serial_line, acknowledging)
    assert caught.value.message == f"{text}: {said}"
    assert made[0].calls == ["shutdown", "close"]


# What the system says -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("flags", "up"), [("0x1003", True), ("0x1002", False), ("0x1", True), ("junk", None)])
def test_an_interface_is_up_by_the_lowest_of_its_flags(flags, up, tmp_path):
    """IFF_UP is 1 (netdevice(7))."""
    (tmp_path / "can0").mkdir()
    (tmp_path / "can0" / "flags").write_text(flags + "\n")
    assert interface_is_up("can0", tmp_path) is up
    assert interface_is_up("can9", tmp_path) is None


def test_what_python_can_finds_is_listed_in_order_and_what_is_not_asked_is_said(monkeypatch):
    asked = []

    def detect(wanted, timeout):
        asked.append((set(wanted), timeout))
        logging.getLogger("can.interface.detect_available_configs").warning("slow: %d s", 2)
        return [{"interface": "pcan", "channel": "B"}, {"interface": "kvaser"}, {"interface": "pcan", "channel": "A"}]

    monkeypatch.setattr(can, "detect_available_configs", detect)
    found, notes = live.detected()
    assert found == [("kvaser", ""), ("pcan", "A"), ("pcan", "B")]
    assert notes[0] == "python-can's search: slow: 2 s"
    assert notes[1].startswith("socketcand: servers tell of themselves")
    assert "live:socketcand/can0?host=ADDRESS&port=29536" in notes[1]
    ((wanted, timeout),) = asked
    assert not wanted & {"virtual", "udp_multicast", "serial", "socketcand"}
    assert {"pcan", "kvaser", "socketcan"} <= wanted
    assert timeout == 2.0
    assert not logging.getLogger("can.interface.detect_available_configs").handlers


# What the kernel drops ----------------------------------------------------------------------------------------------


def test_a_socket_tells_its_drops_as_the_ninth_of_nine_numbers(monkeypatch):
    """<linux/sock_diag.h>: SK_MEMINFO_DROPS is 8, of nine; <asm-generic/socket.h>: SO_MEMINFO is 55."""
    numbers = list(range(100, 109))

    def getsockopt(level, option, size):
        assert (level, option, size) == (socket.SOL_SOCKET, 55, 36)
        return b"".join(number.to_bytes(4, sys.byteorder) for number in numbers)

    sock = SimpleNamespace(getsockopt=getsockopt)
    monkeypatch.setattr(sys, "platform", "linux")
    assert socket_drops(sock)() == 108
    monkeypatch.setattr(sys, "platform", "darwin")
    assert socket_drops(sock)() is None
    monkeypatch.setattr(sys, "platform", "linux")
    numbers.pop()  # an older kernel
    assert socket_drops(sock)() is None

    def refuse(*_arguments):
        raise OSError

    assert socket_drops(SimpleNamespace(getsockopt=refuse))() is None
    assert kernel_drops._DROPS == kernel_drops._FIELDS - 1


@pytest.mark.parametrize(
    ("there", "total"),
    [
        ({"rx_dropped": "1", "rx_over_errors": "20", "rx_missed_errors": "300"}, 321),
        ({"rx_missed_errors": "5", "tx_dropped": "7"}, 5),
        ({"rx_dropped": "0"}, 0),
        ({"rx_dropped": "many", "rx_over_errors": "4"}, 4),
        ({}, None),
    ],
)
def test_an_interface_tells_what_it_dropped_or_not_at_all(there, total, tmp_path):
    folder = tmp_path / "can0" / "statistics"
    folder.mkdir(parents=True)
    for name, text in there.items():
        (folder / name).write_text(text + "\n")
    assert interface_drops("can0", tmp_path)() == total
