"""Does it really only listen? Read from what `ip -details -json link show` prints.

The shape of its answers is that of iproute2 6.x for a hardware interface with and without listen-only and for a
virtual one; bit timing is cut to what is read.
"""

import json
import shutil
import subprocess
import sys
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.errors import UserError
from buswright.frames.live import adapters
from buswright.frames.live import bus as live
from buswright.frames.live.adapters import find_adapters
from buswright.frames.live.address import parse_live
from buswright.frames.live.bus import _arguments
from buswright.frames.live.find_bitrate import tuner
from buswright.frames.live.listen_only import LinkState, Listening, ask_link, prove, read_link, set_commands, warning

CAN0 = parse_live("live:socketcan/can0")
VIRTUAL = (
    '[{"ifindex":4,"ifname":"can0","flags":["NOARP","UP","LOWER_UP"],"mtu":72,"qdisc":"noqueue","operstate":"UNKNOWN",'
    '"linkmode":"DEFAULT","group":"default","txqlen":1000,"link_type":"can","promiscuity":0,"min_mtu":0,"max_mtu":0,'
    '"linkinfo":{"info_kind":"vcan"},"num_tx_queues":1,"num_rx_queues":1}]'
)


def hardware(*modes, up=True, fd=False):
    """What is printed of a hardware interface; without a mode that is on, `ctrlmode` is not there at all."""
    data = {
        **({"ctrlmode": list(modes)} if modes else {}),
        "ctrlmode_supported": ["LOOPBACK", "LISTEN-ONLY", "ONE-SHOT", "BERR-REPORTING"],
        "state": "ERROR-ACTIVE" if up else "STOPPED",
        "berr_counter": {"tx": 0, "rx": 0},
        "restart_ms": 0,
        "bittiming": {"bitrate": 250000, "sample_point": "0.875"},
        **({"data_bittiming": {"bitrate": 2000000, "sample_point": "0.750"}} if fd else {}),
        "clock": 32000000,
    }
    flags = ["NOARP", "UP", "LOWER_UP", "ECHO"] if up else ["NOARP", "ECHO"]
    link = {"ifindex": 3, "ifname": "can0", "flags": flags, "mtu": 16, "link_type": "can"}
    return json.dumps([link | {"linkinfo": {"info_kind": "can", "info_data": data}}])


def test_listen_only_that_is_on_is_proof():
    proof = prove(CAN0, ask=lambda name: hardware("LISTEN-ONLY"))
    assert proof.listening is Listening.PROVEN
    assert proof.safe
    assert prove(CAN0, ask=lambda name: hardware("LOOPBACK", "LISTEN-ONLY", "FD")).safe


@pytest.mark.parametrize("modes", [(), ("FD",), ("LOOPBACK", "ONE-SHOT")])
def test_a_mode_that_is_only_supported_is_no_proof(modes):
    proof = prove(CAN0, ask=lambda name: hardware(*modes))
    assert proof.listening is Listening.NOT_PROVEN
    assert not proof.safe
    assert proof.commands == (
        "sudo ip link set can0 down",
        "sudo ip link set can0 type can bitrate 250000 listen-only on",
        "sudo ip link set can0 up",
    )


def test_a_virtual_interface_needs_none():
    assert prove(CAN0, ask=lambda name: VIRTUAL).listening is Listening.NOT_NEEDED


@pytest.mark.parametrize(
    "printed", [None, "", "[]", "{}", "[1]", "not JSON", '[{"ifname":"can0"}]', '[{"linkinfo":3}]']
)
def test_an_answer_that_says_nothing_proves_nothing(printed):
    proof = prove(CAN0, ask=lambda name: printed)
    assert proof.listening is Listening.NOT_PROVEN
    assert "bitrate 500000 listen-only on" in proof.commands[1]


KEYS = st.sampled_from(["linkinfo", "info_kind", "info_data", "ctrlmode", "flags", "bittiming", "bitrate"])
DOCUMENTS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


@given(DOCUMENTS)
def test_no_answer_proves_by_accident(document):
    link = read_link(json.dumps(document))
    assert link is None or not link.listen_only


def test_the_commands_keep_rate_and_data_rate():
    link = read_link(hardware("FD", fd=True))
    assert set_commands("can1", link)[1] == (
        "sudo ip link set can1 type can bitrate 250000 dbitrate 2000000 fd on listen-only on"
    )
    assert "bitrate 83333 listen" in set_commands("can1", link, 83_333)[1].replace(" dbitrate 2000000 fd on", "")


def test_a_link_is_read_as_it_is():
    link = read_link(hardware("LISTEN-ONLY", up=False))
    assert (link.kind, link.up, link.state, link.bitrate, link.data_bitrate) == ("can", False, "STOPPED", 250_000, None)


@pytest.mark.parametrize(
    ("text", "listening"),
    [
        ("live:udp_multicast/239.74.163.2", Listening.NOT_NEEDED),
        ("live:virtual/x", Listening.NOT_NEEDED),
        ("live:slcan//dev/ttyACM0?bitrate=500000", Listening.NOT_PROVEN),
        ("live:socketcand/can0?host=h", Listening.NOT_PROVEN),
        ("live:gs_usb/0", Listening.NOT_PROVEN),
    ],
)
def test_other_backends_are_judged_by_what_they_are(text, listening):
    assert prove(parse_live(text)).listening is listening


def test_the_warning_says_what_may_happen_and_what_sets_it():
    text = "\n".join(warning(CAN0, prove(CAN0, ask=lambda name: hardware())))
    assert "can0 may acknowledge frames and send error flags" in text
    assert "sudo ip link set can0 up" in text


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("live:slcan//dev/ttyACM0?bitrate=500000", {"listen_only": True}),
        ("live:kvaser/0", {"driver_mode": False}),
        ("live:cantact/0", {"monitor": True}),
        ("live:vector/0", {"listen_only": True}),
    ],
)
def test_listening_only_is_asked_for_unless_a_bench_needs_an_answer(text, asked):
    address = parse_live(text)
    assert asked.items() <= _arguments(address, acknowledging=False).items()
    assert not asked.keys() & _arguments(address, acknowledging=True).keys()


def test_a_passive_state_is_python_cans():
    import can

    assert _arguments(parse_live("live:pcan/PCAN_USBBUS1"), acknowledging=False)["state"] is can.BusState.PASSIVE


def test_socketcan_receives_can_fd_unless_told_otherwise():
    assert _arguments(CAN0, acknowledging=False)["fd"] is True
    assert _arguments(parse_live("live:socketcan/can0?fd=false"), acknowledging=False)["fd"] is False


def test_the_system_is_asked_without_a_shell(monkeypatch):
    calls = []

    answers = [0, 1, OSError("no"), subprocess.TimeoutExpired("ip", 5)]

    def run(command, **options):
        calls.append(command)
        assert options == {"capture_output": True, "check": False, "text": True, "timeout": 5}
        answer = answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return subprocess.CompletedProcess(command, answer, VIRTUAL, "")

    monkeypatch.setattr(shutil, "which", lambda name: "/sbin/ip")
    monkeypatch.setattr(subprocess, "run", run)
    assert ask_link("can0; reboot") == VIRTUAL
    assert calls == [["/sbin/ip", "-details", "-json", "link", "show", "dev", "can0; reboot"]]
    assert [ask_link("can0") for _ in range(3)] == [None] * 3  # unknown to it, not to be run, without an answer
    monkeypatch.setattr(shutil, "which", lambda name: None)
    assert ask_link("can0") is None


@pytest.mark.parametrize(
    ("kind", "modes", "listening"),
    [
        ("can", ["LISTEN-ONLY"], Listening.PROVEN),
        ("can", ["LISTEN-ONLY-SUPPORTED"], Listening.NOT_PROVEN),
        ("can", "LISTEN-ONLY", Listening.NOT_PROVEN),
        ("slcan", ["LISTEN-ONLY"], Listening.NOT_PROVEN),
        ("vcan", [], Listening.NOT_NEEDED),
        ("vxcan", [], Listening.NOT_NEEDED),
        ("", ["LISTEN-ONLY"], Listening.NOT_PROVEN),
    ],
)
def test_only_a_controller_that_shows_it_listens_only(kind, modes, listening):
    link = [{"flags": ["UP"], "linkinfo": {"info_kind": kind, "info_data": {"ctrlmode": modes}}}]
    proof = prove(CAN0, ask=lambda _name: json.dumps(link))
    assert proof.listening is listening
    assert bool(proof.commands) is (listening is Listening.NOT_PROVEN)
    assert proof.safe is (listening is not Listening.NOT_PROVEN)


@pytest.mark.parametrize(
    ("timing", "rate"),
    [({"bitrate": 250_000}, 250_000), ({"bitrate": 0}, None), ({}, None), (None, None), ([250_000], None)],
)
def test_a_rate_that_is_not_set_is_none(timing, rate):
    link = [{"linkinfo": {"info_kind": "can", "info_data": {"bittiming": timing, "data_bittiming": timing}}}]
    found = read_link(json.dumps(link))
    assert (found.bitrate, found.data_bitrate, found.up, found.state, found.modes) == (rate, rate, False, "", ())


@pytest.mark.parametrize(
    ("modes", "data_rate", "bitrate", "line"),
    [
        ((), None, None, "bitrate 250000 listen-only on"),
        (("FD",), 2_000_000, None, "bitrate 250000 dbitrate 2000000 fd on listen-only on"),
        (("FD",), None, None, "bitrate 250000 listen-only on"),
        ((), 2_000_000, None, "bitrate 250000 listen-only on"),
        ((), None, 125_000, "bitrate 125000 listen-only on"),
    ],
)
def test_commands_keep_what_is_set(modes, data_rate, bitrate, line):
    link = LinkState("can", True, modes, "", 250_000, data_rate)
    down, set_up, up = set_commands("can0", link, bitrate)
    assert (down, up) == ("sudo ip link set can0 down", "sudo ip link set can0 up")
    assert set_up == f"sudo ip link set can0 type can {line}"


def test_commands_for_an_interface_without_a_rate_name_the_usual_one():
    nothing = LinkState("can", False, (), "", None, None)
    assert set_commands("can0", None) == set_commands("can0", nothing)
    assert "bitrate 500000 listen-only on" in set_commands("can0", None)[1]


def test_a_backend_that_can_be_asked_is_told_from_one_that_can_not():
    words = {backend: prove(parse_live(f"live:{backend}/0")).why for backend in ("pcan", "gs_usb")}
    assert words == {
        "pcan": "python-can's pcan is asked to listen only, and can't confirm it",
        "gs_usb": "python-can's gs_usb can't be asked to listen only, and can't confirm it",
    }


# What is there -------------------------------------------------------------------------------------------------------


def test_interfaces_ports_and_other_backends_are_listed_with_a_line_each(tmp_path):
    for name, kind in (("can0", "280"), ("can1", "280"), ("eth0", "1")):
        (tmp_path / "net" / name).mkdir(parents=True)
        (tmp_path / "net" / name / "type").write_text(kind + "\n")
    (tmp_path / "dev").mkdir()
    for name in ("ttyACM0", "ttyUSB3", "ttyS0", "null"):
        (tmp_path / "dev" / name).touch()
    answers = {"can0": hardware("LISTEN-ONLY"), "can1": VIRTUAL}
    found = find_adapters(
        net=tmp_path / "net",
        dev=tmp_path / "dev",
        ask=answers.get,
        detect=lambda: ([("pcan", "PCAN_USBBUS1"), ("socketcan", "can0")], ["slow: nothing in 2 s"]),
        ports=lambda: {str(tmp_path / "dev" / "ttyACM0"): "a serial adapter"},
    )
    lines = [adapter.live for adapter in found.found]
    assert lines == [
        "live:socketcan/can0",
        "live:socketcan/can1",
        f"live:slcan/{tmp_path}/dev/ttyACM0?bitrate=500000",
        f"live:slcan/{tmp_path}/dev/ttyUSB3?bitrate=500000",
        "live:pcan/PCAN_USBBUS1",
    ]
    assert [parse_live(line).text for line in lines] == lines
    first, second, serial, _, other = found.found
    assert first.about == "can, up, 250,000 bit/s, error-active, listen-only"
    assert first.proof.listening is Listening.PROVEN
    assert second.proof.listening is Listening.NOT_NEEDED
    assert (serial.about, serial.proof) == ("a serial adapter", None)
    assert other.proof.listening is Listening.NOT_PROVEN
    assert found.notes == ("slow: nothing in 2 s",)


def test_an_interface_that_is_off_is_listed_with_what_switches_it_on(tmp_path):
    (tmp_path / "can1").mkdir()
    (tmp_path / "can1" / "type").write_text("280\n")
    down = VIRTUAL.replace('"UP",', "").replace('"UP"', "")
    found = find_adapters(net=tmp_path, dev=tmp_path, ask={"can1": down}.get, detect=lambda: ([], []), ports=dict)
    assert "down, switched on by: sudo ip link set can1 up" in found.found[0].about


def test_what_is_known_of_an_interface_stands_in_one_line(tmp_path):
    (tmp_path / "can1").mkdir()
    (tmp_path / "can1" / "type").write_text("280\n")

    def about(answer):
        found = find_adapters(net=tmp_path, dev=tmp_path / "no", ask={"can1": answer}.get, detect=NOTHING, ports=dict)
        return found.found[0].about

    fd = "can, up, 250,000 bit/s, data phase 2,000,000 bit/s, error-active, fd, listen-only"
    assert about(hardware("FD", "LISTEN-ONLY", fd=True)) == fd
    off = "can, down, 250,000 bit/s, stopped, listen-only, switched on by: sudo ip link set can1 up"
    assert about(hardware("LISTEN-ONLY", up=False)) == off
    assert about(hardware(up=False)) == "can, down, 250,000 bit/s, stopped"  # its proof has the commands
    assert about('[{"flags": ["UP"]}]') == "CAN, up"
    assert about(None) == "a CAN interface"


def NOTHING():  # noqa: N802
    return [], []


def test_folders_that_are_not_there_hold_nothing(tmp_path):
    found = find_adapters(net=tmp_path / "no", dev=tmp_path / "no", ask=lambda _name: None, detect=NOTHING, ports=dict)
    assert (found.found, found.notes) == ((), ())


def test_a_port_is_listed_once_in_order_with_what_it_says_and_a_backend_by_its_channel(tmp_path):
    for name in ("ttyUSB1", "ttyUSB0", "rfcomm0", "cu.usbmodem1", "cu.usbserial-2"):
        (tmp_path / name).touch()
    ports = {str(tmp_path / "ttyUSB0"): "", "COM3": "an adapter"}
    found = find_adapters(
        net=tmp_path / "no",
        dev=tmp_path,
        ask=lambda _name: None,
        detect=lambda: ([("slcan", "/dev/x"), ("kvaser", ""), ("pcan", "A")], ["a note"]),
        ports=lambda: ports,
    )
    assert [(each.name.removeprefix(f"{tmp_path}/"), each.about) for each in found.found] == [
        *((name, "a serial port") for name in ("cu.usbmodem1", "cu.usbserial-2", "rfcomm0", "ttyUSB0", "ttyUSB1")),
        ("COM3", "an adapter"),
        ("kvaser", "python-can's kvaser"),
        ("A", "python-can's pcan"),
    ]
    assert [each.live for each in found.found[-2:]] == ["live:kvaser/", "live:pcan/A"]
    assert found.notes == ("a note",)


@pytest.mark.parametrize(
    ("platform", "listed"), [("linux", {"A": "an adapter"}), ("win32", {"A": "an adapter", "B": "x"})]
)
def test_ports_that_are_no_usb_are_listed_where_they_can_not_be_told_by_name(platform, listed, monkeypatch):
    ports = [
        SimpleNamespace(device="A", description=" an\n adapter", vid=1),
        SimpleNamespace(device="B", description="x", vid=None),
    ]
    monkeypatch.setattr(adapters, "import_module", lambda _name: SimpleNamespace(comports=lambda: ports))
    monkeypatch.setattr(sys, "platform", platform)
    assert adapters._described_ports() == listed

    def missing(name):
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(adapters, "import_module", missing)
    assert adapters._described_ports() == {}


def test_a_backend_that_takes_too_long_to_look_is_named(monkeypatch):
    import time

    from can.interfaces.pcan import PcanBus

    monkeypatch.setattr(live, "DETECT_S", 0.01)
    monkeypatch.setattr(PcanBus, "_detect_available_configs", lambda: time.sleep(0.2) or [])
    assert any("pcan" in note for note in live.detected()[1])


def test_a_search_that_fails_is_a_note_and_costs_nothing_else(tmp_path):
    def detect():
        raise RuntimeError("no driver")

    found = find_adapters(net=tmp_path, dev=tmp_path, detect=detect, ports=dict)
    assert found.found == ()
    assert "no driver" in found.notes[0]


@pytest.mark.parametrize("text", ["live:slcan//dev/ttyACM0?bitrate=500000", "live:virtual/x", "live:gs_usb/0"])
def test_no_bit_rate_is_searched_where_listening_only_can_not_be_proven(text):
    with pytest.raises(UserError, match=r"can't be proven|no bit rate"):
        tuner(parse_live(text))


def test_a_warning_without_commands_ends_with_the_danger():
    address = parse_live("live:gs_usb/0?name=can0")
    assert warning(address, prove(address)) == [
        "CAUTION: can0 may acknowledge frames and send error flags.",
        "  Listening only is not proven: python-can's gs_usb can't be asked to listen only, and can't confirm it.",
        "  At a wrong bit rate such an adapter can stop a live bus.",
    ]
