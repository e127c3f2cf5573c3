"""Faults of the recording: the wire is as it was, what is written down is not."""

import io

import numpy as np
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Flag, concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.recorder_stages import ECHO_NS
from tests.simulate.fault_runs import SECONDS, at, clean, same, seconds_of, seen
from tests.simulate.scenarios import written_run


@pytest.mark.parametrize("step", [0.75, 3600.0, -0.4, -20.0])
def test_a_clock_jump_moves_all_later_stamps(step):
    run = seen(Fault("clock-jump", severity=step, onset_s=15.0))
    assert same(run.frames, clean().frames, times=False)
    moved = run.frames.time_ns - clean().frames.time_ns
    late = at(clean().frames) >= 15.0
    assert not moved[~late].any()
    assert set(moved[late].tolist()) == {round(step * 1e9)}
    assert seconds_of(run.truth.start_ns) == pytest.approx(15.0)
    assert seconds_of(run.truth.end_ns) == pytest.approx(max(15.0, 15.0 + step))


def test_what_a_recorder_drops_is_gone_on_all_buses_and_nothing_else():
    run = seen(Fault("capture-drop", onset_s=10.0, duration_s=22.0, severity=0.3, repeat=4))
    old = clean().frames
    inside = np.zeros(len(old), dtype=bool)
    for start, end in run.truth.spans:
        inside |= (old.time_ns >= start) & (old.time_ns < end)
        assert end - start == pytest.approx(0.3e9, abs=2)
    assert same(run.frames, old.take(~inside))
    assert run.truth.count == inside.sum()
    assert set(run.truth.related) == {"bus:engine", "bus:chassis"}
    assert run.events == ()


def test_a_drop_may_end_in_a_burst_and_be_reported():
    fault = Fault("capture-drop", onset_s=29.9, duration_s=3.0, severity=0.3, variant="burst+events+overflow")
    run = seen(fault)  # the gap crosses from one block to the next
    start, end = run.truth.spans[0]
    frames = run.frames.take((run.frames.time_ns >= start) & (run.frames.time_ns < end))
    assert len(frames) == 16
    assert np.diff(frames.time_ns).max() <= 13_000
    assert (wire_bits(frames).time_ns(1_000_000)[1:] > np.diff(frames.time_ns)).all()  # which no wire can do
    missing = len(clean().frames) - len(run.frames) + len(run.errors())
    assert run.truth.count == missing
    assert sum(event.values["dropped"] for event in run.events) == missing
    assert {event.bus for event in run.events} == {"can0", "can1"}
    assert {event.time_ns for event in run.events} == {end}
    assert set(run.errors().id.tolist()) == {0x04}
    assert set(run.errors().payload[:, 1].tolist()) == {0x01}  # linux/can/error.h: receive overflow
    assert (np.diff(run.frames.time_ns) >= 0).all()


def test_a_drop_on_one_bus_leaves_the_other():
    run = seen(Fault("capture-drop", "bus:engine", severity=0.5))
    assert same(run.bus(1), clean().bus(1))
    assert len(run.bus(0)) == len(clean().bus(0)) - run.truth.count


@pytest.mark.parametrize("share", [1.0, 0.4])
def test_an_echo_repeats_frames_within_a_millisecond(share):
    run = seen(Fault("echo", "bus:chassis", onset_s=0.0, severity=share))
    old = clean().bus(1)
    assert len(run.bus(1)) == len(old) + run.truth.count
    assert run.truth.count / len(old) == pytest.approx(share, abs=0.01)
    assert (np.diff(run.frames.time_ns) >= 0).all()
    assert same(run.bus(0), clean().bus(0))
    frames = run.of(0x1A0)
    if share == 1.0:
        assert np.array_equal(frames.payload[0::2], frames.payload[1::2])
        delays = np.diff(frames.time_ns)[0::2]
        assert delays.min() >= ECHO_NS[0] - 1000
        assert delays.max() < ECHO_NS[1]


@pytest.mark.parametrize("milliseconds", [1.0, 4.0])
def test_host_stamps_come_in_clumps_that_no_wire_allows(milliseconds):
    run = seen(Fault("host-timestamps", onset_s=0.0, severity=milliseconds))
    for number, bitrate in enumerate((500_000, 1_000_000)):
        old, new = clean().bus(number), run.bus(number)
        assert same(old, new, times=False)
        late = (new.time_ns - old.time_ns) / 1e6
        assert late.min() >= 0
        assert late.max() < 1.2 * milliseconds + 0.2
        shorter = np.diff(new.time_ns) < wire_bits(new).time_ns(bitrate)[1:] - 2000
        assert shorter.mean() > 0.05
    assert (np.diff(run.frames.time_ns) >= 0).all()
    assert run.truth.count == len(run.frames)


def test_a_filter_lets_one_block_of_identifiers_through():
    run = seen(Fault("filter-in-force", "id:chassis/110", onset_s=0.0, severity=3.0))
    assert set(run.bus(1).id.tolist()) == {0x110, 0x111, 0x112}
    assert same(run.bus(0), clean().bus(0))
    assert run.truth.count == len(clean().frames) - len(run.frames)
    assert run.truth.subject == "capture"
    old = clean().bus(1)
    assert same(run.bus(1), old.take(np.isin(old.id, [0x110, 0x111, 0x112])))


def test_lost_frames_keep_the_phase_and_leave_a_hole_in_the_counter():
    run = seen(Fault("frames-lost", "id:chassis/1A0", severity=0.05))
    old = clean().frames
    kept = ~np.isin(old.time_ns, [start for start, _ in run.truth.spans])
    assert same(run.frames, old.take(kept | (old.id != 0x1A0)))
    assert run.truth.count == len(old) - len(run.frames) == len(run.truth.spans)


def test_the_wrong_bit_rate_gives_errors_and_nothing_else():
    run = seen(Fault("wrong-bitrate", "bus:chassis", onset_s=0.0))
    frames = run.bus(1)
    assert frames.has(Flag.ERROR).all()
    assert run.truth.count == len(frames) == len(clean().bus(1))
    assert set(frames.payload[:, 2].tolist()) == {0x02, 0x04}  # form, stuff
    assert frames.payload[:, 7].max() == 128
    assert same(run.bus(0), clean().bus(0))
    silent = seen(Fault("wrong-bitrate", "bus:chassis", onset_s=0.0, severity=0.0))
    assert len(silent.bus(1)) == 0


@pytest.mark.parametrize("form", ["candump", "asc"])
@pytest.mark.parametrize("share", [0.0005, 0.02, 0.3])
def test_bad_lines_are_read_by_nobody_and_counted_by_the_reader(tmp_path, form, share):
    fault = Fault("bad-lines", severity=share, onset_s=2.0, duration_s=3.0)
    text, (truth,) = written_run(6.0, form=form, faults=[fault])
    whole, _ = written_run(6.0, form=form)
    path = tmp_path / "run.log"
    path.write_bytes(text)
    capture = open_capture(path)
    frames = concatenate(list(capture))
    path.write_bytes(whole)
    assert len(frames) == len(concatenate(list(open_capture(path)))) - truth.count
    if form == "candump":
        assert len(capture.problems) == truth.count
    assert 2.0 <= seconds_of(truth.start_ns) <= seconds_of(truth.end_ns) < 5.0
    assert truth.count == len(truth.spans)


def test_drops_that_a_recorder_reports_reach_the_text(tmp_path):
    fault = Fault("capture-drop", onset_s=2.0, severity=0.3, variant="events")
    text, (truth,) = written_run(4.0, faults=[fault])
    assert text.count(b"DROPCOUNT") == 2
    path = tmp_path / "run.log"
    path.write_bytes(text)
    capture = open_capture(path)
    list(capture)
    assert sum(event.values["dropped"] for event in capture.events) == truth.count


def test_asc_text_counts_from_key_on():
    text, _ = written_run(1.0, form="asc")
    first = next(line for line in io.BytesIO(text) if line.rstrip().endswith(b"Start of measurement") is False
                 and line.strip()[:1].isdigit())  # fmt: skip
    assert float(first.split()[0]) == pytest.approx(at(clean().frames)[0], abs=1e-6)
    assert SECONDS > 30
