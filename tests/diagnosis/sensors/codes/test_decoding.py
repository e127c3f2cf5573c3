"""Signals read in the wrong byte order or with the wrong sign, ranges, disowned samples: limits worked by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Quality, Series
from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.codes.decoding import decoding_sightings, order_answers, sign_answers
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.messages.model import Signal
from tests.diagnosis.made import health, identifier
from tests.diagnosis.sensors.synthetic import sensor

MS10 = 10_000_000


def evidence(raw: Any, *, quality: Any = None, kind: Any = "continuous", volts: Any = None, unit: str = "",
             **described: Any) -> ChannelEvidence:  # fmt: skip
    """A channel of raw codes at 100 Hz; `volts` is the live band of a sensor of 4 V."""
    signal = Signal("S", 0, described.pop("length", 16), unit=unit, **described)
    raw = np.asarray(raw).astype(np.int64)
    value = raw * float(signal.scale) + float(signal.offset)
    bits = None if quality is None else np.broadcast_to(np.uint16(quality), raw.shape).copy()
    series = Series("s", unit, np.arange(len(raw)) * MS10, value, raw=raw, quality=bits, kind=kind,
                    volts=value if volts else None)  # fmt: skip
    watched = Watched("s", step=abs(float(signal.scale)), span=4.0, period_s=0.01)
    wire = sensor(healthy=volts) if volts else None
    return ChannelEvidence(series, sensor=wire, signal=signal, message="bus/M", module="node", watched=watched)


def found(raw: Any, **keys: Any) -> list[Finding]:
    each = evidence(raw, **keys)
    return [one.finding for one in decoding_sightings(Case(health(), channels=Channels({"s": each})))]


def faults(raw: Any, **keys: Any) -> list[str]:
    return [one.fault for one in found(raw, **keys)]


# Byte order -------------------------------------------------------------------------------------------------


def ramp(high: int, count: int = 1000) -> Any:
    """Codes that go up and down through so many values of their high byte."""
    return np.rint(np.abs(np.mod(np.arange(count) / 100, 2) - 1) * (256 * high - 1)).astype(np.uint16)


def turned(codes: Any) -> Any:
    return codes.byteswap().astype(np.int64)


def test_five_values_of_the_high_byte_are_needed() -> None:
    # The trade: with five the reading is 5.8 to 6.6 times as rough, with three 2.7 times.
    assert [faults(turned(ramp(high))) for high in (4, 5)] == [[], ["byte-order"]]
    assert faults(ramp(16).astype(np.int64)) == []


def test_two_hundred_samples_are_needed() -> None:
    codes = turned(ramp(16))
    assert [faults(codes[:count]) for count in (199, 200)] == [[], ["byte-order"]]


def test_the_order_is_said_by_its_name() -> None:
    (little,) = found(turned(ramp(16)))
    assert (little.severity, little.subject) == (Severity.FAULT, "channel:s")
    assert little.confidence == pytest.approx(calibrated("byte-order", 0.9), abs=5e-4)
    assert " times as much read as little-endian than read as big-endian." in little.evidence[0]
    assert little.evidence[1] == "Read as big-endian its high byte takes 16 values."
    assert little.next_check == "Change the byte order of S in the database to big-endian, and look at the start bit."
    (big,) = found(turned(ramp(16)), big_endian=True)
    assert " read as big-endian than read as little-endian." in big.evidence[0]
    assert big.next_check.endswith("to little-endian, and look at the start bit.")


def test_the_byte_that_is_read_as_the_highest_must_be_the_busy_one() -> None:
    def moving(step: int) -> list[str]:
        up_and_down = np.abs(np.mod(np.arange(1000) * step, 131_000) - 65_500)
        return faults(turned(up_and_down.astype(np.uint16)))

    # In steps of 300 both bytes change with every sample; in steps of 100 the high one with two of five.
    assert "byte-order" not in moving(301)
    assert "byte-order" in moving(101)


def test_half_a_range_is_none() -> None:
    for limits in ({"minimum": 0.0}, {"maximum": 1000.0}):
        assert faults(turned(ramp(16)), **limits) == ["byte-order"]


def test_the_smoother_reading_may_be_a_signed_one() -> None:
    swing = (ramp(16).astype(np.int64) - 2048).astype(np.int16)
    assert faults(swing.byteswap().astype(np.uint16).astype(np.int64)) == ["byte-order"]
    assert faults(swing.byteswap().astype(np.int64), signed=True) == ["byte-order"]
    assert faults(swing.astype(np.int64), signed=True) == []


def test_a_state_and_a_signal_of_other_lengths_have_no_order() -> None:
    codes = turned(ramp(16))
    assert faults(codes, kind="state") == []
    assert "byte-order" not in faults(codes & 0xFFF, length=12)
    wide = np.rint(np.abs(np.mod(np.arange(4000) / 1000, 2) - 1) * 1.2e9).astype(np.uint32).byteswap().astype(np.int64)
    assert faults(wide, length=32) == ["byte-order"]


def test_most_samples_beyond_the_range_that_the_other_order_brings_back_are_told_so() -> None:
    # 0 to 900 in steps of one, read the other way: most of it is beyond 1000, though only four high bytes come.
    codes = turned(ramp(3)[:1000])
    (one,) = found(codes, minimum=0.0, maximum=1000.0, unit="kPa")
    share = np.mean(codes > 1000)
    assert one.evidence[0] == f"{100 * share:.1f} % of s lies outside 0 to 1000 kPa, the database's range."
    assert one.evidence[1] == "Read in the other byte order 100.0 % lie inside, and it runs smoother."
    assert one.threshold == "more than 50.0 % beyond the database's range"
    few = np.where(np.arange(1000) % 2 == 0, codes, 0)
    assert "byte-order" not in faults(few, minimum=0.0, maximum=1000.0)
    beyond = ramp(3)
    beyond[:11] = 1200  # of a thousand: over one in a hundred is beyond that way, too
    assert faults(turned(beyond), minimum=0.0, maximum=1000.0) == []
    beyond[:1] = 500
    assert faults(turned(beyond), minimum=0.0, maximum=1000.0) == ["byte-order"]
    signed = (ramp(3).astype(np.int64) - 384).astype(np.int16)
    assert faults(signed.byteswap().astype(np.int64), signed=True, minimum=-50.0, maximum=50.0, scale=0.1) == [
        "byte-order"
    ]


# Sign -------------------------------------------------------------------------------------------------------


def around(middle: int, half: int, count: int = 2000) -> Any:
    """Codes that go up and down about a middle, evenly, in steps of a hundredth of their way."""
    return np.rint(middle + half * (2 * np.abs(np.mod(np.arange(count) / 100, 2) - 1) - 1)).astype(np.int64)


@pytest.mark.parametrize(
    ("half", "length", "named"),
    [
        # The gap between the codes is 2^16 less twice the half: over half of all codes.
        (16_000, 16, True), (16_700, 16, False), (100, 8, False), (60, 8, True), (30, 7, False),
    ],
)  # fmt: skip
def test_a_wide_gap_of_unused_codes_is_a_wrong_sign(half: int, length: int, named: bool) -> None:
    codes = around(0, half) & ((1 << length) - 1)
    assert ("signedness" in faults(codes, length=length)) is named


def test_what_is_said_of_a_sign() -> None:
    (one,) = found(around(0, 8000) & 0xFFFF)
    # From 8000 to 57536 nothing is used; it crosses nought twenty times, half of the codes lie below the gap.
    assert one.evidence == (
        "s jumps across 49,536 unused codes 20 times.",
        "50.5 % of its samples lie below that gap, the rest above.",
        "Read as signed it never jumps.",
    )
    assert (one.count, one.severity) == (20, Severity.FAULT)
    assert one.confidence == pytest.approx(calibrated("signedness", 0.92), abs=5e-4)
    assert one.next_check == "Make S signed in the database."
    (other,) = found((around(32768, 8000)).astype(np.uint16).astype(np.int16).astype(np.int64), signed=True)
    assert other.next_check == "Make S unsigned in the database."


def test_both_sides_of_the_gap_have_one_in_a_hundred() -> None:
    def said(below: int) -> list[str]:
        codes = np.full(2000, 3000) + np.arange(2000) % 5
        rows = np.arange(100, 100 + 4 * below, 4)
        codes[rows] = -20 - np.arange(below) % 7
        codes[rows - 1] = codes[rows + 1] = 100
        return faults(codes & 0xFFFF)

    assert [said(below) for below in (19, 20)] == [[], ["signedness"]]


def test_one_crossing_proves_nothing_and_samples_that_the_sender_disowns_do_not_count() -> None:
    once = np.concatenate((np.arange(-600, 600) * 5, [3000] * 100)) & 0xFFFF
    assert "signedness" not in faults(once)
    codes = around(0, 8000) & 0xFFFF
    disowned = np.where(codes > 32768, Quality.SENDER_INVALID, 0)
    assert "signedness" not in faults(codes, quality=disowned)
    assert [faults(codes[:count]) for count in (199, 200)] == [[], ["signedness"]]
    assert faults(codes, kind="state") == []


def test_a_switch_jumps_in_both_readings() -> None:
    codes = np.where(np.arange(2000) % 50 < 25, 12_000, -12_000) & 0xFFFF
    assert faults(codes + np.arange(2000) % 3) == []


@pytest.mark.parametrize(
    ("low", "band", "named"),
    [
        # A tenth of 4.5 V below nought for one sample in a hundred.
        (-0.46, (0.25, 4.75), True),
        (-0.44, (0.25, 4.75), False),
        (-0.46, (-0.1, 4.75), False),
    ],
)
def test_no_converter_reads_below_nought(low: float, band: Any, named: bool) -> None:
    # 5 V in 2^12 codes, read as signed: what is over 2.5 V shows 5 V too little.
    codes = np.rint(np.where(np.arange(2000) % 50 < 25, low + 0.001, 2.0) / (5 / 4096)).astype(np.int64)
    codes += np.arange(2000) % 2
    got = found(codes, length=12, signed=True, scale=5 / 4096, unit="V", volts=band)
    assert [one.evidence[1] for one in got if one.fault == "signedness"] == [
        "Read as unsigned they lie in its live band."
    ] * named
    if named:
        assert got[0].evidence[0] == "The input of s reads down to -0.459 V: below nought, where no converter reads."


# Disowned, ranges, multiplexers -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marked", "samples", "found_"), [(4, 1000, False), (5, 1000, True), (9, 10_000, False), (10, 10_000, True)]
)
def test_samples_that_their_sender_disowns(marked: int, samples: int, found_: bool) -> None:
    quality = np.where(np.arange(samples) < marked, Quality.SENDER_INVALID, 0)
    got = found(np.arange(samples) % 50, length=8, quality=quality)
    assert [one.fault for one in got] == ["sender-invalid"] * found_


def test_what_is_said_of_disowned_samples() -> None:
    quality = np.where(np.isin(np.arange(1000) // 10, (20, 50)), Quality.SENDER_INVALID, 0)
    (one,) = found(np.arange(1000) % 50, length=8, quality=quality)
    assert one.evidence == ("The module marks 2.00 % of s as not available or in error, 2 times.",)
    assert (one.start_ns, one.end_ns, one.count, one.severity) == (200 * MS10, 510 * MS10, 2, Severity.SUSPECT)
    assert one.confidence == pytest.approx(calibrated("sender-invalid", 0.9), abs=5e-4)
    assert one.threshold == "over 0.1 % of the samples"
    (all_,) = found(np.arange(1000) % 50, length=8, quality=Quality.SENDER_INVALID)
    assert all_.evidence[0].endswith(": from the first sample to the last.")


def ranged(codes: Any, *, electrical: bool = False, quality: Any = None, **keys: Any) -> list[Finding]:
    limits = {"minimum": 0.0, "maximum": 100.0, "scale": 1.0, "length": 10} | keys
    codes = np.asarray(codes)
    outside = np.where((codes < limits["minimum"]) | (codes > limits["maximum"]), Quality.DATABASE_RANGE, 0)
    got = found(codes, quality=outside if quality is None else quality,
                volts=(0.25, 4.75) if electrical else None, unit="V" if electrical else "kPa", **limits)  # fmt: skip
    return [one for one in got if one.fault == "out-of-range"]


def smoothly(top: int, count: int = 1000) -> Any:
    """Codes that go up by one a sample to a top, stay there for a tenth of the run, and stay low then."""
    up = np.minimum(np.arange(count), top)
    return np.where(
        np.arange(count) < top + count // 10, up, np.maximum(top + count // 10 + top - np.arange(count), 50)
    )


def test_a_tenth_of_the_range_further_counts() -> None:
    assert ranged(smoothly(110)) == []
    (one,) = ranged(smoothly(111))
    assert one.evidence[0].endswith(" of s lies beyond the database's 0 to 100 kPa: up to 111, down to 111.")
    assert one.severity is Severity.SUSPECT
    assert one.confidence == pytest.approx(calibrated("out-of-range", 0.6), abs=5e-4)
    assert ranged(50 - smoothly(60), signed=True) == []
    assert ranged(50 - smoothly(61), signed=True)


def test_a_leap_out_of_the_range_counts_however_far() -> None:
    def leap(start: int) -> list[Finding]:
        codes = np.full(1000, 50)
        codes[:2] = [49, 51]
        codes[300:320] = 105
        codes[299] = start
        return ranged(codes)

    assert [len(leap(start)) for start in (94, 95)] == [1, 0]  # 11 and 10 of a range of 100
    (one,) = leap(94)
    assert (one.count, one.start_ns, one.end_ns) == (1, 300 * MS10, 320 * MS10)


@pytest.mark.parametrize(
    ("samples", "electrical", "found_"), [(9, False, 0), (10, False, 1), (9, True, 0), (10, True, 1), (11, True, 1)]
)
def test_how_many_samples_beyond_the_range_prove_something(samples: int, electrical: bool, found_: int) -> None:
    codes = np.full(1000, 50) + np.arange(1000) % 2
    codes[300 : 300 + samples] = 300
    got = ranged(codes, electrical=electrical)
    assert len(got) == found_
    for one in got:
        assert one.threshold.startswith(
            "over 1.0 % of the samples" if electrical else "at least 10 samples of a number that the module computes"
        )
        assert one.threshold.endswith(", by more than 10.0 % of the range or in one leap of as much")


def test_of_a_short_run_five_samples_are_needed_of_an_input() -> None:
    for samples, found_ in ((4, 0), (5, 1)):
        codes = np.full(100, 50) + np.arange(100) % 2
        codes[30 : 30 + samples] = 300
        assert len(ranged(codes, electrical=True)) == found_


def test_rails_disowned_samples_and_ranges_that_are_none_say_nothing() -> None:
    codes = np.full(1000, 50) + np.arange(1000) % 2
    codes[300:400] = 300
    for bit in (Quality.SENDER_INVALID, Quality.ELECTRICAL_RAIL):
        both = np.where(codes == 300, Quality.DATABASE_RANGE | bit, 0)
        assert ranged(codes, quality=both) == []
    assert ranged(codes, minimum=100.0, maximum=100.0, quality=np.where(codes == 300, 4, 0)) == []


def test_a_multiplexer_with_a_value_that_the_database_does_not_know() -> None:
    ids = [identifier(0x1A0, 10.0, message="M")]
    case = Case(health(ids), channels=Channels({}, undefined_mux={"main/M/Mux": 60}))
    (one,) = (each.finding for each in decoding_sightings(case))
    assert (one.fault, one.subject, one.count) == ("mux-undefined", "id:main/1A0", 60)
    assert one.evidence[0].startswith("60 frames of M (1.0 %) select signals")  # of 6000
    assert "the maker of node_a" in one.next_check
    unknown = Case(health(), channels=Channels({}, undefined_mux={"main/N/Mux": 3}))
    (other,) = (each.finding for each in decoding_sightings(unknown))
    assert other.subject == "bus:main"
    assert other.evidence[0].startswith("3 frames of N (100.0 %)")
    assert str(FrameName("main", 0x1A0, False)) == "main/1A0"


# Answers ----------------------------------------------------------------------------------------------------


def told(answers: Any, raw: Any, **keys: Any) -> str | None:
    each = evidence(raw, **keys)
    case = Case(SimpleNamespace(), channels=Channels({"s": each}))  # type: ignore[arg-type]
    said = answers(case).get("channel:s")
    return said.why if isinstance(said, Why) else said


def test_whether_the_run_tells_the_byte_order() -> None:
    clear = "a reading 4 times as smooth the other way round"
    assert told(order_answers, ramp(16)[:199]) == "only 199 samples came"
    assert told(order_answers, ramp(16)[:200]) == clear
    # Read the other way the high byte is the low one: it must take five values, about equally often.
    four, five = (np.arange(1000) % count + 256 * 7 for count in (4, 5))
    assert told(order_answers, four) == "read the other way its high byte takes about 4 values: too few to tell"
    assert told(order_answers, five) == clear
    rare = np.where(np.arange(1000) < 990, 7, np.arange(1000) % 200)
    assert told(order_answers, rare) == "read the other way its high byte takes about 1 values: too few to tell"
    assert told(order_answers, ramp(16), length=12) is None


def test_whether_the_run_tells_the_sign() -> None:
    codes = around(0, 8000) & 0xFFFF
    assert told(sign_answers, codes) == "leaps across half of its codes"
    assert told(sign_answers, codes[:199]) == "only 199 samples came"
    assert told(sign_answers, codes[:200]) == "leaps across half of its codes"
    hardly = "its highest bit hardly changed in this run"
    few = np.where(np.arange(1000) < 9, 40_000, 5)
    assert told(sign_answers, few) == hardly
    assert told(sign_answers, np.where(np.arange(1000) < 10, 40_000, 5)) == "leaps across half of its codes"
    assert told(sign_answers, np.where(np.arange(1000) < 991, 40_000, 5)) == hardly
    assert told(sign_answers, np.arange(1000) % 100, length=7) is None
    assert told(sign_answers, np.arange(1000) % 100, length=8) == hardly
    assert told(sign_answers, np.arange(1000) % 100, length=33) is None
