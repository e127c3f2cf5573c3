"""Packing, usual rates, and sizes of recordings."""

from __future__ import annotations

import pytest

from buswright.capacity.advice import packings, rate_advice
from buswright.capacity.carried.stream import Rates
from buswright.capacity.log_size import bytes_per_frame, made_frames, sizes_of
from buswright.health.described import Described
from tests.capacity.sets import stream
from tests.health.traffic import comb
from tests.messages.databases import from_text

RATES = Rates(500_000)


def test_frames_of_one_module_and_period_are_packed():
    own = {"module": "node", "label": ""}
    bus = [
        stream(0x100, 10, length=2, **own),
        stream(0x101, 10.002, length=4, **own),
        stream(0x102, 10, length=2, **own),
        stream(0x103, 20, length=2, **own),
        stream(0x104, 10, length=5, module="other"),
        stream(0x107, 10, length=4, module="other"),
        stream(0x105, 10, length=2),
        stream(0x106, 10, length=2),
    ]
    (found,) = packings(bus, RATES)
    assert [each.name.id for each in found.streams] == [0x100, 0x102, 0x101]
    assert found.frames == 1
    # Two bytes 75 bits, four 95, eight 135, every 10 ms at 500 kbit/s.
    assert found.saves == pytest.approx((75 + 75 + 95 - 135) * 2e-6 / 10e-3, rel=1e-3)


DATABASE = """VERSION ""
BU_: NODE
BO_ 256 DAMPERS: 8 NODE
 SG_ DamperFL : 0|16@1+ (0.1,0) [0|150] "mm" Vector__XXX
BO_ 257 HOT: 8 NODE
 SG_ OilTemperature : 0|16@1+ (0.1,0) [0|150] "degC" Vector__XXX
 SG_ Counter : 16|4@1+ (1,0) [0|15] "" Vector__XXX
BO_ 258 MIXED: 8 NODE
 SG_ OilTemperature : 0|16@1+ (0.1,0) [0|150] "degC" Vector__XXX
 SG_ Something : 16|16@1+ (1,0) [0|0] "" Vector__XXX
"""


def test_rates_are_held_against_what_a_kind_of_signal_needs(tmp_path):
    described = Described(None, {"main": from_text(tmp_path, DATABASE)}, {})
    bus = [stream(0x100, 40, label="DAMPERS"), stream(0x101, 20, label="HOT"), stream(0x102, 20, label="MIXED")]
    slow, fast = rate_advice(bus, described, RATES)
    assert (slow.stream.label, slow.too_slow, slow.kind, slow.guessed) == ("DAMPERS", True, "damper_travel", True)
    assert (fast.stream.label, fast.too_slow, fast.high_hz) == ("HOT", False, 5)
    assert fast.saves == pytest.approx(0.9 * 270e-6 / 20e-3)  # 50 Hz to 5 Hz


def test_encoders_write_what_is_counted():
    frames = comb(0x1A0, 10, 5)
    found = bytes_per_frame(frames)
    assert set(found) == {".log", ".log.gz", ".asc", ".asc.gz"}
    assert found[".log"] == len("(1775900000.000000) can0 1A0#0011223344556677\n")
    assert found[".log.gz"] < found[".log"] / 2
    (size, *_rest) = sizes_of(found, 100)
    assert size.per_hour == pytest.approx(found[".log"] * 100 * 3600)


def test_made_up_frames_are_frames_of_the_plan(tmp_path):
    bus = [
        stream(0x100, 10),
        stream(0x18FF1A42, 50, extended=True),
        stream(0x200, 20, length=24, fd=True, switched=True),
    ]
    frames = made_frames(bus, RATES, "main")
    assert {(int(i), int(n)) for i, n in zip(frames.id, frames.length, strict=True)} == {
        (0x100, 8),
        (0x18FF1A42, 8),
        (0x200, 24),
    }
    assert len(frames) == pytest.approx(4 * (100 + 20 + 50), abs=3)
    assert (frames.time_ns[1:] > frames.time_ns[:-1]).all()
    assert frames.payload[:, :8].std() > 70  # random: they pack badly
