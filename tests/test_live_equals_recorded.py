"""Live and recorded are one: health and channels of a live run equal those of its recording, value for value."""

import re
import subprocess
import sys
import threading

import numpy as np
import pytest

from buswright.channels.carfile.needs import interface_names
from buswright.channels.session import Session
from buswright.frames.captures.opening import open_capture
from buswright.frames.live.capture import open_live
from buswright.frames.recording.recorder import Recorder
from buswright.frames.recording.run import record
from buswright.frames.table import Clock, Event, Problems, concatenate
from buswright.health.track import HealthTracker
from buswright.simulate.source import demo_car
from tests.ports import free_ports

pytest.importorskip("msgpack")
pytest.importorskip("serial")
ENOUGH = 3_000
"""Frames of each bus that are recorded: some three seconds, however long a busy machine takes over them."""
PATIENCE_S = 120.0
CHANNELS = ("engine_speed", "oil_pressure", "damper_fl", "damper_fl_speed", "vehicle_speed", "exhaust_temperature_1")


@pytest.fixture(scope="module")
def driving():
    """Drive the invented car in real time in a process of its own; tell its SOURCEs by backend."""
    command = [sys.executable, "-m", "buswright", "demo", "--live", "--port", str(free_ports(2))]
    car = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    lines = []
    for line in car.stdout:
        lines.append(line.strip())
        if line.startswith("Type"):
            break
    else:
        pytest.skip(f"the car can't be driven here: {car.stderr.read()}")
    reader = threading.Thread(target=car.stdout.read, daemon=True)
    reader.start()
    yield {
        backend: [line for line in lines if re.fullmatch(rf"live:{backend}/\S+", line)]
        for backend in ("udp_multicast", "slcan")
    }
    car.terminate()
    car.wait()
    reader.join()
    for stream in (car.stdin, car.stdout, car.stderr):
        stream.close()


def health_of(batches, events, problems, clock):
    car = demo_car()
    tracker = HealthTracker(car=car)
    for frames in batches:
        tracker.update(frames)
    return tracker.result(events=events, problems=problems, clock=clock)


def same(one, other, path=""):
    """Compare two results field by field, arrays included; say where they differ."""
    assert type(one) is type(other), path
    if isinstance(one, np.ndarray):
        assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), path
    elif hasattr(one, "__dataclass_fields__"):
        for name in one.__dataclass_fields__:
            same(getattr(one, name), getattr(other, name), f"{path}.{name}")
    elif hasattr(one, "items"):
        assert set(one) == set(other), path  # which bus speaks first is no measured value
        for key in one:
            same(one[key], other[key], f"{path}[{key}]")
    elif isinstance(one, (tuple, list)):
        assert len(one) == len(other), path
        for k, (first, second) in enumerate(zip(one, other, strict=True)):
            same(first, second, f"{path}[{k}]")
    else:
        assert one == other or (one != one and other != other), (path, one, other)  # NaN


@pytest.mark.parametrize("backend", ["udp_multicast", "slcan"])
def test_health_and_channels_of_a_live_run_equal_those_of_its_recording(backend, driving, tmp_path):
    sources = driving[backend]
    assert len(sources) == 2
    live, poll = [], None
    with open_live(sources, may_acknowledge=backend == "slcan") as capture:
        poll = capture.poll

        def watched(*wait):
            live.append(poll(*wait))
            if min(sum(np.count_nonzero(batch.bus == bus) for batch in live) for bus in (0, 1)) > ENOUGH:
                capture.stop()
            return live[-1]

        capture.poll = watched
        recording = record(capture, Recorder(tmp_path / "run.log", {}), seconds=PATIENCE_S)
    assert recording.frames > 2 * ENOUGH
    recorded = open_capture(tmp_path / "run.log")
    batches = list(recorded)
    assert sum(map(len, batches)) == recording.frames == sum(map(len, live))
    # How the stamps were made is not in a candump file; all that is measured is.
    one = health_of(live, capture.events, capture.problems, recorded.clock)
    other = health_of(batches, recorded.events, recorded.problems, recorded.clock)
    same(one, other)
    assert sum(bus.frames for bus in one.buses.values()) == recording.frames
    car = demo_car()
    assert set(interface_names(car)) >= set(concatenate(live).buses)
    first, second = Session([batch for batch in live if len(batch)], car), Session(recorded, car)
    for name in CHANNELS:
        same(first[name], second[name], name)
        assert len(first[name]) > 10


def test_a_gap_in_listening_is_the_recorders_own_in_the_health_result():
    values = {"start_ns": 1_000, "seconds": 2.0}
    gap = Event(
        2_000_001_000, "can0", "gap", values, "this program did not receive can0 for 2.000 s: a gap in the recording"
    )
    (drop,) = health_of([], [gap], Problems(), Clock()).capture.drops
    assert drop == (2_000_001_000, "can0", None, gap.text, 1_000)


def test_the_comparison_can_fail():
    with pytest.raises(AssertionError):
        same({"a": (1, np.array([1.0, 2.0]))}, {"a": (1, np.array([1.0, 2.5]))})
    with pytest.raises(AssertionError):
        same({"a": 1}, {"a": 1, "b": 2})
    same(float("nan"), float("nan"))
