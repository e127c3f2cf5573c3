"""The simulated car as python-can's own multicast and serial buses hear it, and where it can't be heard."""

import ast
import socket
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

import buswright
from buswright.errors import UserError
from buswright.frames.table import Flag, concatenate
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.written import read_fault
from buswright.simulate.live import loopback
from buswright.simulate.live.car import LiveCar
from buswright.simulate.live.loopback import Multicast, Outlets
from buswright.simulate.live.pacing import Player
from buswright.simulate.live.prepared import PreparedRun
from buswright.simulate.live.serial_line import has_pseudo_terminals
from buswright.simulate.run import START_EPOCH_NS, simulate_run
from tests.ports import free_ports
from tests.simulate.listening import assert_heard, multicast, rows_of, serial, served_until, stopping
from tests.simulate.live.test_datagrams import frames_of

pytest.importorskip("msgpack")
pytest.importorskip("serial")

needs_terminals = pytest.mark.skipif(not has_pseudo_terminals(), reason="this system has no pseudo-terminals")


def simulated(seconds, bus, **options):
    frames = concatenate(list(simulate_run(seconds, **options)))
    return rows_of(frames.take(frames.bus == bus))


def take_the_rest(lines, listeners, frames):
    """Serve serial lines until their listeners have every frame: a busy machine's are behind when the drive ends."""
    for line, listener, count in zip(lines, listeners, frames, strict=False):
        assert served_until(line, lambda listener=listener, count=count: len(listener.received) >= count)


# -- What is sent is what is received ---------------------------------------------------------------------------------


@needs_terminals
def test_both_buses_are_heard_whole_and_apart_at_their_own_pace():
    seconds = 3.0
    with closing(Outlets(free_ports(2))) as outlets:
        ports = [several[0].port for several in outlets.by_bus]
        with stopping(
            multicast(ports[0]), multicast(ports[1]), serial(outlets.serial[0].path, 500_000),
            serial(outlets.serial[1].path, 1_000_000),
        ) as listeners:  # fmt: skip
            played = LiveCar(outlets.by_bus, seconds=seconds).run()
            take_the_rest(outlets.serial, listeners[2:], played.frames)
    wanted = [simulated(seconds, bus) for bus in (0, 1)]
    for bus in (0, 1):
        assert_heard(listeners[bus], wanted[bus])
        assert listeners[2 + bus].received == wanted[bus]
    assert [line.lost for line in outlets.serial] == [0, 0]
    assert played.frames == tuple(map(len, wanted))
    assert played.elapsed_s > seconds - 0.1  # its last frame comes a little before the end


def test_nothing_is_lost_at_ten_times_the_pace():
    port = free_ports(2)
    with closing(Outlets(port)) as outlets, stopping(multicast(port), multicast(port + 1)) as listeners:
        LiveCar(outlets.by_bus, seconds=20.0, speed=10.0).run()
    for bus, listener in enumerate(listeners):
        assert_heard(listener, simulated(20.0, bus))


@needs_terminals
def test_serial_lines_at_three_times_the_pace():
    with closing(Outlets(free_ports(2))) as outlets, stopping(serial(outlets.serial[0].path, 500_000)) as (listener,):
        played = LiveCar(outlets.by_bus, seconds=6.0, speed=3.0).run()
        take_the_rest(outlets.serial, [listener], played.frames)
    assert outlets.serial[0].lost == 0
    assert listener.received == simulated(6.0, 0)


def test_can_fd_goes_through_too():
    run = list(simulate_run(2.0, fd=True))
    assert concatenate(run).has(Flag.FD).any()
    port = free_ports()
    with closing(Multicast(port)) as outlet, stopping(multicast(port)) as (listener,):
        Player(PreparedRun(run, 2, START_EPOCH_NS), [[], [outlet]], speed=4.0).run()
    assert_heard(listener, simulated(2.0, 1, fd=True))


@needs_terminals
def test_each_outlet_says_how_to_listen_to_it():
    with closing(Outlets(port := free_ports(2))) as outlets:
        paths = [line.path for line in outlets.serial]
        assert [[outlet.source for outlet in several] for several in outlets.by_bus] == [
            [
                f"live:udp_multicast/239.74.163.2?port={port}&name=can0",
                f"live:slcan/{paths[0]}?bitrate=500000&name=can0",
            ],
            [
                f"live:udp_multicast/239.74.163.2?port={port + 1}&name=can1",
                f"live:slcan/{paths[1]}?bitrate=1000000&name=can1",
            ],
        ]


# -- Where it can't be heard ------------------------------------------------------------------------------------------


@pytest.fixture
def outlet():
    with closing(Multicast(free_ports())) as made:
        yield made


def test_multicast_stays_on_the_loopback_interface_and_makes_no_hop(outlet):
    sender = outlet._socket
    assert sender.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL) == 0
    assert sender.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, 4) == socket.inet_aton("127.0.0.1")
    assert sender.getsockname()[0] == "127.0.0.1"
    assert sender.getpeername()[0] == "239.74.163.2"


@pytest.mark.skipif(not Path("/sys/class/net").exists(), reason="counts packets of interfaces as Linux does")
def test_no_other_interface_sends_anything(outlet):
    def sent():
        counters = Path("/sys/class/net").glob("*/statistics/tx_packets")
        return {path.parts[4]: int(path.read_text()) for path in counters}

    frames = frames_of([(n, 0x123, Flag(0), 1, b"x") for n in range(5000)])
    before = sent()
    outlet.put(frames, 0, 5000)
    more = {name: count - before[name] for name, count in sent().items()}
    assert more.pop("lo") >= 5000
    assert sum(more.values()) < 2500, "other programs talk a little, this one would talk a lot"


@pytest.mark.parametrize(
    "address", ["127.0.0.1", "192.0.2.1", "224.0.0.1", "ff15::1", "255.255.255.255", "0.0.0.0", "can0", "", "localhost"]
)
def test_other_addresses_are_refused(address):
    with pytest.raises(UserError, match="only speaks inside this computer"):
        Multicast(free_ports(), address)


@pytest.mark.parametrize("port", [0, 80, 65_536, -1])
def test_other_ports_are_refused(port):
    with pytest.raises(UserError, match="out of range"):
        Multicast(port)


@pytest.mark.parametrize(("name", "value"), [("hops", 1), ("interface", "0.0.0.0")])
def test_a_system_that_does_not_keep_it_inside_is_refused(monkeypatch, name, value):
    class Leaky(socket.socket):
        def getsockopt(self, level, option, *size):
            if option == socket.IP_MULTICAST_TTL and name == "hops":
                return value
            if option == socket.IP_MULTICAST_IF and name == "interface":
                return socket.inet_aton(value)
            return super().getsockopt(level, option, *size)

    port = free_ports()
    with monkeypatch.context() as patched:
        patched.setattr(loopback.socket, "socket", Leaky)
        with pytest.raises(UserError, match="nothing is sent"):
            Multicast(port)
    Multicast(port).close()  # what was claimed was given back


def test_a_port_is_fed_by_one_only(outlet):
    port = outlet.port
    with pytest.raises(UserError, match="another program already sends on port") as caught:
        Multicast(port)
    assert "--port" in caught.value.hint
    outlet.close()
    Multicast(port).close()


def test_what_was_opened_is_closed_when_the_rest_can_not_be_had(outlet):
    port = outlet.port
    with pytest.raises(UserError):
        Outlets(port - 1)
    Multicast(port - 1).close()


def test_a_listener_hears_its_own_bus_only_whatever_the_group():
    # Two groups on one port would leak into each other: Linux gives a socket every group that anyone has joined.
    port = free_ports(2)
    frames = frames_of([(0, 0x100, Flag(0), 1, b"a"), (0, 0x200, Flag(0), 1, b"b")])
    with (
        closing(Multicast(port)) as one,
        closing(Multicast(port + 1)) as other,
        stopping(multicast(port), multicast(port + 1)) as listeners,
    ):
        one.put(frames, 0, 1)
        other.put(frames, 1, 2)
    assert [listener.received for listener in listeners] == [rows_of(frames)[:1], rows_of(frames)[1:]]


PLAYING = sorted((Path(buswright.__file__).parent / "simulate" / "live").glob("[a-z]*.py"))
WAYS_OUT = {
    "AF_CAN",
    "PF_CAN",
    "Bus",
    "ThreadSafeBus",
    "Serial",
    "open",
    "Popen",
    "system",
    "import_module",
    "__import__",
}


def ways_out(text):
    """What is named in a module that could reach an interface: bus factories, CAN sockets, files of any name."""
    tree = ast.parse(text)
    words = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    words |= {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and not node.level:
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    from_can = {name for name in names if name.split(".")[0] in ("can", "serial")}
    return (words & WAYS_OUT) - {"Bus"} | from_can


@pytest.mark.parametrize("path", PLAYING, ids=lambda path: path.stem)
def test_no_way_leads_to_an_interface(path):
    assert ways_out(path.read_text(encoding="utf-8")) == set()


def test_the_search_for_ways_can_find_one():
    assert ways_out("import can\ncan.Bus()") == {"can"}
    assert ways_out("from can import Bus") == {"can.Bus"}
    assert ways_out("import socket\nsocket.socket(socket.AF_CAN)") == {"AF_CAN"}
    assert ways_out("open('/dev/ttyACM0', 'w')") == {"open"}


# -- Faults that come and go ------------------------------------------------------------------------------------------


class Script:
    """Does things to a car at moments of its drive, from where it is attended: an outlet of its own."""

    source = ""
    waiting = False

    def __init__(self, *steps):
        self.steps = list(steps)
        self.rows = []
        self.said = []

    def fileno(self):
        return -1

    def serve(self):
        return False

    def put(self, frames, start, stop):
        self.rows += zip(frames.time_ns[start:stop].tolist(), frames.id[start:stop].tolist(), strict=True)
        at_s = (int(frames.time_ns[stop - 1]) - START_EPOCH_NS) / 1e9
        while self.steps and at_s >= self.steps[0][0]:
            self.said.append(self.steps.pop(0)[1](self.car))

    def close(self):
        pass

    def drive(self, **options):
        self.car = LiveCar([[], [self]], **options)
        return self.car.run()

    def times_s(self, identifier):
        return np.array([(t - START_EPOCH_NS) / 1e9 for t, i in self.rows if i == identifier])


def test_faults_from_the_start_are_those_of_the_run():
    faults = [read_fault("id-missing:id:chassis/1B1@3s")]
    script = Script()
    script.drive(seconds=6.0, speed=6.0, faults=faults)
    wanted = concatenate(list(simulate_run(6.0, faults=faults)))
    assert script.rows == [
        (t, i) for t, i, b in zip(wanted.time_ns.tolist(), wanted.id.tolist(), wanted.bus.tolist(), strict=True) if b
    ]
    assert 2.5 < script.times_s(0x1B1).max() < 3.0


def test_a_fault_is_switched_on_and_off_while_it_drives():
    script = Script(
        (2.0, lambda car: car.switch_on(Fault("id-missing", "id:chassis/1B1"))), (12.0, lambda car: car.switch_off())
    )
    script.drive(seconds=24.0, speed=5.0)
    on, (off,) = script.said
    assert 2.0 < on.onset_s < 12.0 < off.end_s(24.0) < 22.0
    seen = script.times_s(0x1B1)
    gap = int(np.argmax(np.diff(seen)))
    # Later than announced where the machine is too busy to make the other run in time, and never earlier.
    assert on.onset_s - 0.3 < seen[gap] < off.end_s(24.0) - 0.3 < seen[gap + 1]
    # What the fault doesn't concern goes on without a seam, and so does time.
    assert np.diff(script.times_s(0x1A0)).max() < 0.012
    assert (np.diff([t for t, _ in script.rows]) >= 0).all()


class RearDampers(Script):
    """Keeps what the first input of the rear axle reads, mV."""

    def __init__(self, *steps):
        super().__init__(*steps)
        self.read = []

    def put(self, frames, start, stop):
        here = frames.slice(start, stop)
        here = here.take(here.id == 0x1A1)
        millivolts = np.ascontiguousarray(here.payload[:, :2]).view("<u2").reshape(-1)
        self.read += zip(here.time_ns.tolist(), millivolts.tolist(), strict=True)
        super().put(frames, start, stop)


def test_a_plug_is_typed_loose_and_typed_off():
    loose = read_fault("loose-contact:plug:C13@by-hand", timed=False)
    script = RearDampers((2.0, lambda car: car.switch_on(loose)), (12.0, lambda car: car.switch_off()))
    script.drive(seconds=26.0, speed=5.0)
    on, (off,) = script.said
    assert on.subject == "plug:C13"
    opened = np.array([(t - START_EPOCH_NS) / 1e9 for t, millivolts in script.read if millivolts > 4900])
    assert len(opened) > 20
    # Later than announced where the machine is too busy to make the other run in time, and never earlier.
    assert on.onset_s <= opened.min()
    assert off.end_s(26.0) < 22.0
    assert opened.max() < 25.0
    bursts = 1 + np.count_nonzero(np.diff(opened) > 0.05)
    assert bursts / (opened.max() - opened.min()) == pytest.approx(4.0, rel=0.4)


def test_a_fault_switched_off_at_once_ends_at_once_and_once():
    def at_once(car):
        on = car.switch_on(Fault("id-missing", "id:chassis/1B1"))
        return on, car.switch_off(), car.switch_off(), car.faults

    script = Script((1.0, at_once))
    script.drive(seconds=20.0, speed=5.0)
    ((on, (ended,), again, faults),) = script.said
    assert ended.end_s(20.0) == pytest.approx(on.onset_s + 0.1)
    assert (again, faults) == ((), (ended,))
    assert np.diff(script.times_s(0x1B1)).max() < 0.4


def test_what_cannot_be_switched_on_changes_nothing():
    def try_it(car):
        with pytest.raises(UserError, match="no module"):
            car.switch_on(Fault("module-missing", "module:xyz"))
        with pytest.raises(UserError, match="fault of a recording"):
            car.switch_on(Fault("clock-jump"))
        return car.faults, car.switch_off()

    script = Script((1.0, try_it))
    script.drive(seconds=8.0, speed=5.0)
    assert script.said == [((), ())]
    assert [i for _, i in script.rows] == [row[0] for row in simulated(8.0, 1)]
