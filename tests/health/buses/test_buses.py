"""Load, spacings, silences, errors and duplicates of a bus, against sums made the plain way."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Clock, Event, Flag, Frames, Problems, concatenate
from buswright.frames.wire.bits import FdForm, WireBits, wire_bits
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run
from tests.frames import bit_reference
from tests.health.traffic import MS, START, S, comb, cut, measured, mixed, serialised, special, without

RATES = {"can0": 500_000, "can1": 1_000_000}


@cache
def car() -> Frames:
    """Six seconds of the simulated car, both buses."""
    return concatenate(list(simulate_run(6, seed=3)))


@cache
def reference_bits() -> np.ndarray:
    """Bits of every frame from the encoder that writes them out one by one."""
    frames = car()
    bits = [
        bit_reference.classic(
            int(frames.id[row]),
            bool(frames.flags[row] & Flag.EXTENDED),
            bool(frames.flags[row] & Flag.REMOTE),
            int(frames.dlc[row]),
            frames.payload_of(row),
        ).nominal
        for row in range(len(frames))
    ]
    return np.array(bits)


@pytest.mark.parametrize("number", [0, 1])
def test_load_of_the_simulated_car_to_a_thousandth(number: int) -> None:
    frames, name = car(), f"can{number}"
    bus = measured(frames, bitrates=RATES).buses[name]
    rows = frames.bus == number
    seconds = (frames.time_ns[rows][-1] - frames.time_ns[rows][0]) / 1e9
    assert bus.load == pytest.approx(reference_bits()[rows].sum() / RATES[name] / seconds, rel=1e-3)
    assert bus.bits == reference_bits()[rows].sum()
    for windows in (bus.windows, bus.slow_windows):
        number_of = frames.time_ns[rows] // windows.width_ns
        for start, bits, count, load in zip(windows.start_ns, windows.bits, windows.frames, windows.load, strict=True):
            inside = number_of == start // windows.width_ns
            assert bits == reference_bits()[rows][inside].sum()
            assert count == inside.sum()
            assert load == pytest.approx(bits / RATES[name] / (windows.width_ns / 1e9))
    for peak, windows in ((bus.peak_100ms, bus.windows), (bus.peak_1s, bus.slow_windows)):
        assert peak is not None
        assert peak.load is not None
        assert windows.load.max() <= peak.load <= 1.02 * windows.load.max()
        ends = frames.time_ns[rows] - peak.start_ns
        assert peak.bits == reference_bits()[rows][(ends >= 0) & (ends < windows.width_ns)].sum()
        assert peak.load == pytest.approx(peak.bits / RATES[name] / (windows.width_ns / 1e9))


def full_bus(start_s: float, seconds: float) -> Frames:
    """Frames of 100 bits end to end at 100 kbit/s: a full bus, from `start_s` on."""
    one = comb(0x123, 1, seconds, payload=np.zeros((round(seconds * 1000), 1), dtype=np.uint8))
    return dataclasses.replace(one, time_ns=one.time_ns + round(start_s * S))


def bits_of_100(frames: Frames) -> WireBits:
    n = len(frames)
    return WireBits(np.full(n, 100, np.int32), np.zeros(n, np.int32), np.zeros(n, np.int32))


@pytest.mark.parametrize("start_s", [1.0, 1.5, 1.95, 2.123])
def test_a_burst_is_as_high_wherever_the_second_of_the_clock_begins(start_s: float) -> None:
    tracker = HealthTracker(bitrates={"*": 100_000})
    for part in (comb(0x100, 100, 1), full_bus(start_s, 1.0), comb(0x100, 100, 1, start=START + 4 * S)):
        tracker.update(part, bits_of_100(part))
    bus = tracker.result().buses["can0"]
    assert bus.peak_1s is not None
    assert bus.peak_100ms is not None
    assert bus.peak_1s.load == pytest.approx(1.0)
    assert bus.peak_100ms.load == pytest.approx(1.0)
    assert abs(bus.peak_1s.start_ns - START - start_s * S) <= MS


@pytest.mark.parametrize("frames", [2, 5, 40])
def test_a_recording_shorter_than_a_window_is_as_busy_as_it_was(frames: int) -> None:
    """As many bits as spacings: two frames end to end are one frame time, and the bus was full for it."""
    full = full_bus(0.0, 1.0).slice(0, frames)
    tracker = HealthTracker(bitrates={"*": 100_000})
    tracker.update(full, bits_of_100(full))
    health = tracker.result()
    bus = health.buses["can0"]
    assert bus.load == pytest.approx(1.0)
    assert bus.peak_100ms == bus.peak_1s == (START, bus.load, 100 * (frames - 1))
    (figures,) = health.ids.values()
    assert figures.load == pytest.approx(1.0)


def test_shares_add_up_by_identifier() -> None:
    health = measured(car(), bitrates=RATES)
    for bus in health.buses.values():
        own = list(health.ids_of(bus.name))
        assert sum(figures.share for figures in own) == pytest.approx(1.0)
        assert bus.load is not None
        assert sum(figures.load or 0.0 for figures in own) == pytest.approx(bus.load)
        assert sum(figures.frames for figures in own) == bus.frames


def test_remote_and_error_frames_are_counted_as_said() -> None:
    """A remote frame counts as it is, an error frame as 20 + 3 bits, a controller's report as none."""
    data = comb(0x123, 10, 1)
    remote = special(START + 5 * MS, 0x321, Flag.REMOTE, n=3)
    error = special(START + 20 * MS, 0x88, Flag.ERROR, bytes(8), n=4)
    report = special(START + 40 * MS, 0x204, Flag.ERROR, bytes([0, 0x20, 0, 0, 0, 0, 130, 7]), n=2)
    plain = measured(data, bitrates={"*": 500_000}).buses["can0"]
    bus = measured(mixed(data, remote, error, report), bitrates={"*": 500_000}).buses["can0"]
    one_remote = bit_reference.classic(0x321, False, True, 0, b"").nominal
    assert bus.bits == plain.bits + 3 * one_remote + 4 * 23
    assert (bus.data_frames, bus.remote_frames, bus.error_frames) == (100, 3, 6)
    assert bus.windows.errors.sum() == 6


def test_what_is_only_asked_for_is_kept_by_identifier() -> None:
    data = comb(0x123, 10, 1.0)
    health = measured(mixed(data, special(START, 0x321, Flag.REMOTE, n=3), special(START, 0x123, Flag.REMOTE, n=2)))
    assert health.only_asked == {FrameName("can0", 0x321, False): 3}
    assert health.ids[FrameName("can0", 0x123, False)].remote_frames == 2


def test_load_counts_bits_at_both_rates() -> None:
    frames = comb(0x300, 10, 2, length=24)
    switched = dataclasses.replace(frames, flags=frames.flags | np.uint8(Flag.BRS))
    bus = measured(switched, bitrates={"can0": 500_000}, data_bitrates={"can0": 2_000_000}).buses["can0"]
    expected = [
        bit_reference.fd(0x300, False, True, False, 12, switched.payload_of(row), True)
        for row in range(1, len(switched))  # the first one took its time before
    ]
    time_s = sum(each.nominal / 500_000 + each.data / 2_000_000 for each in expected)
    assert bus.load == pytest.approx(time_s / bus.seconds)
    first = bit_reference.fd(0x300, False, True, False, 12, switched.payload_of(0), True)
    assert bus.data_bits == sum(each.data for each in expected) + first.data
    assert measured(mixed(switched, comb(0x100, 10, 1))).buses["can0"].fd_frames == len(switched)


@pytest.mark.parametrize(("said", "form"), [("", "iso"), ('fd = "non-iso"', "non-iso")])
def test_can_fd_without_a_stuff_count_is_counted_so_where_the_car_file_says_it(
    tmp_path: Path, said: str, form: FdForm
) -> None:
    car_file = tmp_path / "car.toml"
    car_file.write_text(
        f"""
        format = 1
        [car]
        name = "Wrenfell 3"
        [bus.chassis]
        bitrate = 500_000
        data_bitrate = 2_000_000
        interfaces = ["can0"]
        {said}
        """
    )
    frames = comb(0x300, 10, 1, length=24)
    bus = measured(frames, car=load_car_file(car_file)).buses["chassis"]
    bits = wire_bits(frames, fd=form)
    assert (bus.bits, bus.data_bits) == (int(bits.nominal.sum()), int(bits.data.sum()))


def busy(rate: int, share: float, seconds: float = 6.0, seed: int = 1, jitter_us: float = 200.0) -> Frames:
    """Identifiers of 8 random bytes that fill a bus to that share, put one behind the other as arbitration does it.

    Released with jitter, as sender tasks do.
    """
    rng = np.random.default_rng(seed)
    periods = [10, 10, 20, 10, 50, 20, 100, 10, 20, 50]
    frames_per_s = share * rate / 125
    many = round(frames_per_s / sum(1000 / p for p in periods) * len(periods))
    parts = []
    for number in range(many):
        period = periods[number % len(periods)]
        phase = float(rng.uniform(0, period))
        parts.append(
            comb(0x80 + 4 * number, period, seconds, phase_ms=phase, seed=seed, ppm=float(rng.uniform(-50, 50)))
        )
    whole = concatenate(parts)
    released = whole.time_ns + np.rint(rng.gamma(1.5, jitter_us / 1.5, len(whole)) * 1000).astype(np.int64)
    whole = dataclasses.replace(whole, time_ns=released)
    return serialised(whole, wire_bits(whole).time_ns(rate))


@pytest.mark.parametrize("share", [0.2, 0.4, 0.55])
def test_nothing_is_missing_on_a_clean_bus(share: float) -> None:
    health = measured(busy(500_000, share, seconds=20), bitrates={"*": 500_000})
    assert health.buses["can0"].load == pytest.approx(share, abs=0.06)
    assert [str(f.name) for f in health.ids.values() if f.gaps.total] == []
    assert health.gap_groups == ()
    assert all(f.period.sending == "periodic" for f in health.ids.values())
    assert not any(f.two_senders for f in health.ids.values())


def test_on_a_full_bus_late_is_not_called_missing() -> None:
    """At over 70 % load frames of low priority run late by more than half a period, and none is lost."""
    health = measured(busy(500_000, 0.97, seconds=10, jitter_us=1500), bitrates={"*": 500_000})
    assert (health.buses["can0"].load or 0) > 0.85
    gaps = [f.gaps for f in health.ids.values() if f.gaps.total]
    assert gaps
    assert sum(g.late for g in gaps) > 20
    assert sum(g.missing for g in gaps) <= 0.02 * sum(g.total for g in gaps)
    assert {g.rule for g in gaps} <= {"2.5 periods", "1.5 periods, 2.5 above 70 % load"}


@pytest.mark.parametrize("rate", [125_000, 250_000, 500_000, 1_000_000])
def test_bit_rate_is_guessed_and_said_to_be(rate: int) -> None:
    bus = measured(busy(rate, 0.25, seconds=3)).buses["can0"]
    assert (bus.bitrate.bits_per_s, bus.bitrate.source) == (rate, "guessed")
    assert "guessed" in bus.bitrate.basis
    assert 0 < bus.bitrate.support < 1
    assert bus.spacing.impossible == 0


def test_no_guess_where_nothing_is_back_to_back() -> None:
    bus = measured(comb(0x100, 100, 10)).buses["can0"]
    assert bus.bitrate.source == "unknown"
    assert bus.load is None
    assert np.isnan(bus.windows.load).all()
    assert bus.peak_1s is not None
    assert bus.peak_1s.load is None
    assert bus.peak_1s.bits > 0


def test_host_stamps_show_as_impossible_spacings() -> None:
    frames = car().take(car().bus == 0)
    clean = measured(frames, bitrates=RATES).buses["can0"].spacing
    batched = dataclasses.replace(frames, time_ns=-(-frames.time_ns // MS) * MS)
    spacing = measured(batched, bitrates=RATES, clock=Clock(resolution_ns=1000)).buses["can0"].spacing
    assert clean.impossible == 0
    assert clean.under_50us == 0
    assert (clean.back_to_back or 0) > 100
    assert (spacing.impossible or 0) > 0.2 * spacing.pairs
    assert spacing.zero == spacing.impossible
    assert spacing.on_millisecond == len(frames)


def test_coarse_stamps_alone_are_not_called_impossible() -> None:
    """ASC files with 10 µs steps shift spacings by up to a step; that is the format, not the host."""
    frames = car().take(car().bus == 1)
    coarse = dataclasses.replace(frames, time_ns=frames.time_ns // 10_000 * 10_000)
    spacing = measured(coarse, bitrates={"*": 1_000_000}, clock=Clock(resolution_ns=10_000)).buses["can1"].spacing
    assert spacing.impossible == 0


def test_silences_of_the_whole_bus() -> None:
    whole = without(mixed(comb(0x100, 2, 5), comb(0x200, 10, 5, phase_ms=1)), 2.0, 2.25)
    silences = measured(whole).buses["can0"].silences
    assert silences.count == 1
    assert silences.end_ns[0] - silences.start_ns[0] == pytest.approx(251 * MS, abs=3 * MS)
    assert silences.longest_within(START + 2100 * MS, START + 2200 * MS) == 100 * MS


def test_time_that_goes_back() -> None:
    frames = comb(0x100, 10, 4)
    stepped = dataclasses.replace(frames, time_ns=frames.time_ns - np.where(np.arange(400) >= 250, 700 * MS, 0))
    health = measured(stepped)
    bus = health.buses["can0"]
    assert [step.step_ns for step in bus.steps_back] == [-690 * MS]
    assert bus.seconds == pytest.approx(3.98)
    figures = next(iter(health.ids.values()))
    assert figures.period.backwards == 1
    assert figures.gaps.total == 0
    assert bus.spacing.zero == 0


def test_error_frames_by_class_with_their_counters() -> None:
    parts = [
        comb(0x100, 10, 3),
        special(START + S, 0x288, Flag.ERROR, bytes([0, 0, 0x84, 0x0A, 0, 0, 96, 0]), n=16),
        special(START + 1500 * MS, 0x204, Flag.ERROR, bytes([0, 0x20, 0, 0, 0, 0, 128, 0])),
        special(START + 1600 * MS, 0x240, Flag.ERROR, bytes([0, 0, 0, 0, 0, 0, 248, 0])),
        special(START + 1700 * MS, 0x100, Flag.ERROR, bytes(8)),
        special(START + 1800 * MS, 0x004, Flag.ERROR, bytes([0, 0x01, 0, 0, 0, 0, 0, 0])),
    ]
    events = (Event(START + 2 * S, "can0", "chip-status", {"tx_errors": 12, "rx_errors": 3, "state": "error-active"}),)
    health = measured(mixed(*parts), events=events)
    errors = health.buses["can0"].errors
    assert (errors.count, errors.on_the_wire) == (20, 16)
    assert errors.classes == {
        "bus-error": 16, "protocol": 16, "counters": 18, "controller": 2, "bus-off": 1, "restarted": 1,
    }  # fmt: skip
    assert errors.protocol == {"stuff": 16, "transmit": 16}
    assert errors.places == {"data": 16}
    assert errors.controller == {"transmit-passive": 1, "receive-overflow": 1}
    assert (errors.burst, errors.burst_ns) == (16, START + S)
    assert errors.bus_off_ns == (START + 1600 * MS,)
    assert errors.restarted_ns == (START + 1700 * MS,)
    assert errors.highest_transmit == 248
    assert [s.state for s in errors.states] == ["", "error-passive", "bus-off", "restarted", "error-active"]
    assert errors.states[-1].receive_errors == 3
    assert errors.within(START + S, START + S + 4 * MS) == 5
    assert [drop.bus for drop in health.capture.drops] == ["can0"]


def test_reported_losses_and_bad_lines() -> None:
    problems = Problems()
    problems.add("not a frame line", "run.log", 7, b"???")
    events = (
        Event(START, "can0", "drop", {"dropped": 7, "total": 7}, "DROPCOUNT: dropped 7 CAN frames"),
        Event(START, None, "drop", {}, "overrun"),
    )
    capture = measured(comb(0x100, 10, 1), events=events, problems=problems).capture
    assert capture.dropped == 7
    assert len(capture.drops) == 2
    assert capture.bad_lines == {"not a frame line": 1}


@pytest.mark.parametrize(("apart_ns", "copies"), [(999_999, 100), (1_000_000, 0)])
def test_a_copy_comes_within_a_millisecond(apart_ns: int, copies: int) -> None:
    frames = comb(0x100, 10, 1)
    again = dataclasses.replace(frames, time_ns=frames.time_ns + apart_ns)
    assert sum(found.copies for found in measured(mixed(frames, again)).capture.duplicates) == copies


def test_frames_that_came_twice_on_one_bus_and_on_two() -> None:
    frames = mixed(*(comb(0x100 + k, 10, 2, phase_ms=k) for k in range(5)))
    again = dataclasses.replace(frames, time_ns=frames.time_ns + 40_000)
    (one,) = measured(mixed(frames, again)).capture.duplicates
    assert (one.bus, one.other, one.copies) == ("can0", "can0", len(frames))
    assert {figures.copies for figures in measured(mixed(frames, again)).ids.values()} == {200}
    assert one.share == pytest.approx(0.5)
    names = ("can0", "can1")
    other = dataclasses.replace(again, bus=again.bus + np.uint8(1), buses=names)
    (two,) = measured(mixed(dataclasses.replace(frames, buses=names), other)).capture.duplicates
    assert (two.bus, two.other, two.share) == ("can1", "can0", 1.0)
    slow = dataclasses.replace(frames, time_ns=frames.time_ns + 2 * MS)
    assert measured(mixed(frames, slow)).capture.duplicates == ()
    assert measured(car()).capture.duplicates == ()


def test_a_filter_shows_in_the_identifiers() -> None:
    frames = mixed(*(comb(0x200 + k, 10, 1, phase_ms=k) for k in (0, 1, 2, 3, 5, 6)))
    (found,) = measured(frames).buses["can0"].filters
    assert (found.ids, found.mask, found.value, found.passes) == (6, 0x7F8, 0x200, 8)


def test_frames_without_time_are_counted_and_give_no_rate() -> None:
    frames = comb(0x100, 10, 1)
    untimed = dataclasses.replace(
        frames, time_ns=np.zeros(100, dtype=np.int64), flags=frames.flags | np.uint8(Flag.UNTIMED)
    )
    health = measured(untimed, bitrates={"*": 500_000})
    (figures,), bus = health.ids.values(), health.buses["can0"]
    assert (figures.frames, figures.untimed, bus.untimed, health.capture.untimed) == (100, 100, 100, 100)
    assert (figures.rate_hz, figures.period.learned_ns, figures.load, bus.load, bus.peak_1s) == (None,) * 5
    assert bus.bits > 0
    assert figures.payload.changes > 0


def test_two_interfaces_of_one_bus_are_one_bus() -> None:
    frames = comb(0x100, 10, 1, buses=("can0", "can1"))
    odd = dataclasses.replace(frames, bus=(np.arange(100) % 2).astype(np.uint8))
    health = measured(odd, bus_names={"can0": "engine", "can1": "engine"})
    assert list(health.buses) == ["engine"]
    assert health.buses["engine"].interfaces == ("can0", "can1")
    assert next(iter(health.ids.values())).frames == 100


def test_an_empty_capture() -> None:
    health = measured([])
    assert (health.capture.frames, health.capture.first_ns, dict(health.buses), dict(health.ids)) == (0, None, {}, {})


def test_a_regular_schedule_is_not_taken_for_frames_back_to_back() -> None:
    """Frames 1 ms apart look like 125 kbit/s to whoever doesn't look at their lengths."""
    frames = mixed(*(comb(0x100 + k, 10, 20, phase_ms=k, jitter_us=5) for k in range(10)))
    assert measured(frames).buses["can0"].bitrate.source == "unknown"
    assert measured(comb(0x100, 10, 60, jitter_us=200)).buses["can0"].bitrate.source == "unknown"


def test_steps_of_the_wall_clock_that_the_recorder_noticed_are_kept() -> None:
    tracker = HealthTracker()
    tracker.update(comb(0x100, 10, 1))
    slept = Event(START, None, "clock", {"step_s": 7.8}, "the wall clock moved by +7.800 s")
    odd = Event(START, None, "clock", {"step_s": "long"}, "unreadable")
    (kept,) = tracker.result(events=[slept, odd]).capture.clock_set
    assert kept == (START, 7_800_000_000, slept.text)
    assert tracker.result(events=[slept]).capture.drops == ()


@pytest.mark.parametrize("places", [(), (1,), (2,), (3, 4), (1, 2, 3, 4, 5)])
def test_every_change_of_the_error_counters_is_kept_however_batches_are_cut(places: tuple[int, ...]) -> None:
    counters = [(96, 8), (96, 20), (96, 8), (100, 8), (100, 8), (96, 8)]
    rows = [
        special(START + n * 10 * MS, 0x88, Flag.ERROR, bytes([0, 0, 4, 10, 0, 0, transmit, receive]))
        for n, (transmit, receive) in enumerate(counters)
    ]
    states = measured(cut(mixed(*rows), places)).buses["can0"].errors.states
    assert [(state.transmit_errors, state.receive_errors) for state in states] == [*counters[:4], counters[5]]


# CAN_ERR_PROT_LOC_... of the kernel's include/uapi/linux/can/error.h: where in a frame the error was seen.
PLACES = {
    "SOF": (0x03, "start of frame"), "ID28_21": (0x02, "identifier bits 28-21"),
    "ID20_18": (0x06, "identifier bits 20-18"), "SRTR": (0x04, "substitute remote request"),
    "IDE": (0x05, "identifier extension"), "ID17_13": (0x07, "identifier bits 17-13"),
    "ID12_05": (0x0F, "identifier bits 12-5"), "ID04_00": (0x0E, "identifier bits 4-0"),
    "RTR": (0x0C, "remote request"), "RES1": (0x0D, "reserved bit 1"), "RES0": (0x09, "reserved bit 0"),
    "DLC": (0x0B, "length code"), "DATA": (0x0A, "data"), "CRC_SEQ": (0x08, "checksum"),
    "CRC_DEL": (0x18, "checksum delimiter"), "ACK": (0x19, "acknowledge slot"),
    "ACK_DEL": (0x1B, "acknowledge delimiter"), "EOF": (0x1A, "end of frame"), "INTERM": (0x12, "intermission"),
}  # fmt: skip


@pytest.mark.parametrize("name", PLACES)
def test_the_place_of_an_error_is_the_kernels(name: str) -> None:
    code, words = PLACES[name]
    frames = special(START, 0x88, Flag.ERROR, bytes([0, 0, 4, code, 0, 0, 0, 0]))
    assert measured(frames).buses["can0"].errors.places == {words: 1}


def test_the_frame_after_an_error_is_told_however_the_capture_is_cut() -> None:
    """Errors just before 0x100, whose frames come right after them, never before 0x200."""
    good = mixed(comb(0x100, 10, 2), comb(0x200, 10, 2, phase_ms=5))
    before = comb(0x100, 10, 2).time_ns[::7] - 100_000
    failed = dataclasses.replace(
        comb(0x088, 10, 2).take(np.arange(len(before))),
        time_ns=before,
        flags=np.full(len(before), Flag.ERROR, dtype=np.uint8),
    )
    whole = mixed(good, failed)
    for size in (1, 3, len(whole)):
        tracker = HealthTracker()
        for piece in whole.pieces(size):
            tracker.update(piece)
        assert tracker.result().buses["can0"].errors.followed_by == {(0x100, False): len(before)}
