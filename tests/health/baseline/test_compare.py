"""What two baselines made by hand differ in: whole differences, and every limit at it and just beyond."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from buswright.findings import Severity
from buswright.health.baseline.baseline import (
    Baseline,
    BusBaseline,
    CaptureFacts,
    ChecksumBaseline,
    CounterBaseline,
    IdBaseline,
)
from buswright.health.baseline.compare import compare
from buswright.health.baseline.differences import Difference

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def entry(**about: Any) -> IdBaseline:
    """By the clock, every 10 ms, a thousand times; of a module of its own."""
    told: dict[str, Any] = {"message": "ENGINE_1", "module": "node", "frames": 1000, "sending": "periodic"}
    told |= {"period_ms": 10.0, "jitter_ms": 0.1, "late_ms": 0.2, "missing": 0, "lengths": {"8": 1000}}
    return IdBaseline(**(told | about))


def bus(ids: dict[str, IdBaseline], **about: Any) -> BusBaseline:
    told: dict[str, Any] = {"bitrate": 500_000, "bitrate_source": "car file", "seconds": 60.0}
    told |= {"load": 0.3, "load_peak": 0.4, "errors": 0, "ids": ids}
    return BusBaseline(**(told | about))


def run(ids: dict[str, IdBaseline] | None = None, *, name: str = "engine", **about: Any) -> Baseline:
    return Baseline(CaptureFacts(), {name: bus({"0A0": entry()} if ids is None else ids, **about)})


def differences(before: dict[str, Any], after: dict[str, Any]) -> tuple[Difference, ...]:
    """Of an identifier that was so and is so."""
    return compare(run({"0A0": entry(**before)}), run({"0A0": entry(**after)}))


def told(found: tuple[Difference, ...]) -> list[tuple[str, Severity]]:
    return [(each.kind, each.severity) for each in found]


# One identifier -------------------------------------------------------------------------------------------------------

COUNTER = CounterBaseline(48, 4, 1, 16, False, 1000, 1.0)
CHECKSUM = ChecksumBaseline("crc8-j1850", 7, 1000, 0)
WHO, CALLED = "id:engine/0A0", "engine/0A0 (ENGINE_1)"


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (
            {},
            {"lengths": {"6": 900, "8": 100}},
            Difference(
                *("length-changed", FAULT, WHO, f"{CALLED} has 6 bytes, before 8", 8.0, 6.0, "bytes"),
                *(
                    "any change of the usual length",
                    "firmware or settings of its module; the database must say the same",
                ),
            ),
        ),
        (
            {},
            {"lengths": {"8": 990, "7": 6, "4": 4}},
            Difference(
                *("length-changed", SUSPECT, WHO, f"{CALLED} had 7 or 4 bytes in 10 frames, and never before"),
                *(8.0, 7.0, "bytes", "any new length"),
                *("a second sender of this identifier, or its module restarting", 0.01),
            ),
        ),
        (
            {},
            {"period_ms": 12.0},
            Difference(
                *("period-changed", SUSPECT, WHO),
                f"{CALLED} came every 10 ms and now comes every 12 ms (+20.0 %)",
                *(10.0, 12.0, "ms", "2 % is suspect, 25 % a fault"),
                "the rate set in its module, or another module that sends the same identifier",
                pytest.approx(0.2),
            ),
        ),
        (
            {},
            {"sending": "irregular", "period_ms": None},
            Difference(
                *("period-changed", SUSPECT, WHO, f"{CALLED} was periodic before and is irregular now"),
                *(10.0, None, "ms", ""),
                "settings of its module; a full bus or a recorder that drops frames spoils a rhythm too",
                1.0,
            ),
        ),
        (
            {"jitter_ms": 0.25},
            {"jitter_ms": 2.0},
            Difference(
                *("jitter-up", SUSPECT, WHO, f"{CALLED} jitters by 2 ms, before 0.25 ms", 0.25, 2.0, "ms"),
                "standard deviation over 10 % of the period, and twice what it was",
                "the load of the bus, then of its module; time stamps made by the computer do the same to all "
                "identifiers",
                0.2,
            ),
        ),
        (
            {"missing": 0, "frames": 1000},
            {"missing": 5, "frames": 995},
            Difference(
                *("frames-missing", SUSPECT, WHO, f"{CALLED} misses 5 frames, 0.50 % (before: 0.00 %)", 0.0, 0.005),
                *("share", "0.10 % is suspect, 1.00 % a fault, if twice what it was"),
                *("`buswright health` says who lost them: sender, bus or recorder", 0.005),
            ),
        ),
        (
            {"counter": COUNTER},
            {},
            Difference(
                *("counter-changed", SUSPECT, WHO, f"{CALLED} had a counter at bit 48, 4 bits, and now has none"),
                *(1.0, None, "share", "over 200 frames in both runs"),
                *("its module: a task that hangs repeats old frames; or different firmware", 1.0),
            ),
        ),
        (
            {"counter": COUNTER},
            {"counter": replace(COUNTER, start=52, step=3)},
            Difference(
                *("counter-changed", SUSPECT, WHO),
                f"{CALLED} had a counter at bit 48, 4 bits, step 1; now it is at bit 52, 4 bits, step 3",
                *(1.0, 1.0, "share", "any change of its place", "firmware or settings of its module", 1.0),
            ),
        ),
        (
            {"counter": replace(COUNTER, share=0.999)},
            {"counter": replace(COUNTER, share=0.98)},
            Difference(
                *("counter-changed", SUSPECT, WHO, f"{CALLED} has 2.00 % wrong counter steps (before: 0.10 %)"),
                *(0.999, 0.98, "share", "0.10 % more than twice what it was"),
                *("`buswright health` shows whether frames were lost, stale or doubled", pytest.approx(0.02)),
            ),
        ),
        (
            {"checksum": replace(CHECKSUM, wrong=10)},
            {},
            Difference(
                *("checksum-changed", SUSPECT, WHO),
                f"{CALLED} had the checksum crc8-j1850 in byte 7, and now has no known one",
                *(0.99, None, "share", "over 200 frames in both runs"),
                *("its module's firmware, or a second sender of this identifier", 1.0),
            ),
        ),
        (
            {"checksum": CHECKSUM},
            {"checksum": replace(CHECKSUM, byte=0, kind="xor")},
            Difference(
                *("checksum-changed", SUSPECT, WHO),
                f"{CALLED} had the checksum crc8-j1850 in byte 7, and now has xor in byte 0",
                *(1.0, None, "share", "over 200 frames in both runs"),
                *("its module's firmware, or a second sender of this identifier", 1.0),
            ),
        ),
        (
            {"checksum": replace(CHECKSUM, wrong=1)},
            {"checksum": replace(CHECKSUM, wrong=20)},
            Difference(
                *("checksum-changed", SUSPECT, WHO, f"{CALLED} has 2.00 % wrong checksums (before: 0.10 %)"),
                *(0.999, 0.98, "share", "0.10 % more than twice what it was"),
                *("its module's firmware, or a second sender of this identifier", 0.02),
            ),
        ),
    ],
)
def test_a_difference_of_an_identifier_is_told_whole(
    before: dict[str, Any], after: dict[str, Any], expected: Difference
) -> None:
    assert differences(before, after) == (expected,)


def case(before: dict[str, Any], after: dict[str, Any], *expected: tuple[str, Severity]) -> Any:
    return pytest.param(before, after, list(expected), id=f"{before} {after}")


LONG = {"lengths": {"6": 9}}
UP, LOST, CHANGED = "jitter-up", "frames-missing", "period-changed"
STEPS, SUMS = "counter-changed", "checksum-changed"


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        # Seen twenty times in both runs.
        case({"frames": 20}, {"frames": 20, **LONG}, ("length-changed", FAULT)),
        case({"frames": 19}, {"frames": 20, **LONG}),
        case({"frames": 20}, {"frames": 19, **LONG}),
        case({"lengths": {"8": 9, "6": 1}}, {"lengths": {"8": 1, "6": 9}}, ("length-changed", FAULT)),
        case({"lengths": {"8": 9, "6": 1}}, {"lengths": {"8": 9, "6": 8}}),
        case({"lengths": {}}, {"lengths": {"8": 9}}, ("length-changed", FAULT)),
        # A period: 2 % and 25 %, either way.
        case({}, {"period_ms": 10.19}),
        case({}, {"period_ms": 10.21}, (CHANGED, SUSPECT)),
        case({}, {"period_ms": 9.81}),
        case({}, {"period_ms": 9.79}, (CHANGED, SUSPECT)),
        case({}, {"period_ms": 12.49}, (CHANGED, SUSPECT)),
        case({}, {"period_ms": 12.51}, (CHANGED, FAULT)),
        case({}, {"period_ms": 7.49}, (CHANGED, FAULT)),
        # Another rhythm, where both were clear.
        case({"sending": "irregular"}, {}, (CHANGED, SUSPECT)),
        case({"sending": "irregular"}, {"sending": "change-driven"}),
        case({}, {"sending": "too few"}),
        case({"sending": "too few"}, {}),
        case({}, {"sending": "heartbeat"}, (CHANGED, SUSPECT)),
        case({"period_ms": None}, {}, (CHANGED, SUSPECT)),
        # Jitter: over a tenth of the period of now, and twice what it was.
        case({}, {"jitter_ms": 1.0}),
        case({}, {"jitter_ms": 1.01}, (UP, SUSPECT)),
        case({"jitter_ms": 0.6}, {"jitter_ms": 1.2}),
        case({"jitter_ms": 0.6}, {"jitter_ms": 1.21}, (UP, SUSPECT)),
        case({"jitter_ms": None}, {"jitter_ms": 5.0}),
        case({}, {"jitter_ms": None}),
        case({"period_ms": 10.1}, {"jitter_ms": 1.005}, (UP, SUSPECT)),
        # Missing: over 0.1 % or 1 % of all that were due, twice what it was, and three frames.
        case({}, {"missing": 2}),
        case({}, {"missing": 3}, (LOST, SUSPECT)),
        case({}, {"frames": 2997, "missing": 3}),
        case({}, {"frames": 2996, "missing": 3}, (LOST, SUSPECT)),
        case({}, {"frames": 990, "missing": 10}, (LOST, SUSPECT)),
        case({}, {"frames": 990, "missing": 11}, (LOST, FAULT)),
        case({"frames": 990, "missing": 10}, {"frames": 980, "missing": 20}),
        case({"frames": 990, "missing": 10}, {"frames": 980, "missing": 21}, (LOST, FAULT)),
        # Counters: 200 steps in both runs; wrong ones 0.1 % beyond twice what they were, and three.
        case({"counter": replace(COUNTER, steps=199)}, {}),
        case({"counter": replace(COUNTER, steps=200)}, {}, (STEPS, SUSPECT)),
        case({"counter": COUNTER}, {"frames": 200}),
        case({"counter": COUNTER}, {"frames": 201}, (STEPS, SUSPECT)),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, start=52, steps=199)}),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, start=52, steps=200)}, (STEPS, SUSPECT)),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, big_endian=True)}, (STEPS, SUSPECT)),
        case({}, {"counter": COUNTER}),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, share=0.997)}, (STEPS, SUSPECT)),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, share=0.9971)}),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, share=0.9991, steps=9000)}),
        case({"counter": COUNTER}, {"counter": replace(COUNTER, share=0.9989, steps=9000)}, (STEPS, SUSPECT)),
        case({"counter": replace(COUNTER, share=0.99)}, {"counter": replace(COUNTER, share=0.9791)}),
        case({"counter": replace(COUNTER, share=0.99)}, {"counter": replace(COUNTER, share=0.9789)}, (STEPS, SUSPECT)),
        # As wide as it has counted so far: the narrow one may be the wide one, before it went round twice.
        case({"counter": COUNTER}, {"counter": replace(COUNTER, length=8, modulus=256)}, (STEPS, SUSPECT)),
        case({"counter": replace(COUNTER, length=8, modulus=256, steps=511)}, {"counter": replace(COUNTER, length=12)}),
        case(
            {"counter": replace(COUNTER, length=12)},
            {"counter": replace(COUNTER, length=8, modulus=256, steps=512)},
            (STEPS, SUSPECT),
        ),
        # Checksums: the same limits.
        case({"checksum": replace(CHECKSUM, frames=199)}, {}),
        case({"checksum": replace(CHECKSUM, frames=200)}, {}, (SUMS, SUSPECT)),
        case({"checksum": CHECKSUM}, {"frames": 199}),
        case({"checksum": CHECKSUM}, {"frames": 200}, (SUMS, SUSPECT)),
        case({}, {"checksum": CHECKSUM}),
        case({"checksum": CHECKSUM}, {"checksum": replace(CHECKSUM, wrong=2)}),
        case({"checksum": CHECKSUM}, {"checksum": replace(CHECKSUM, wrong=3)}, (SUMS, SUSPECT)),
        case({"checksum": CHECKSUM}, {"checksum": replace(CHECKSUM, wrong=3, frames=3000)}),
        case({"checksum": CHECKSUM}, {"checksum": replace(CHECKSUM, wrong=4, frames=3000)}, (SUMS, SUSPECT)),
        case({"checksum": replace(CHECKSUM, wrong=10)}, {"checksum": replace(CHECKSUM, wrong=20)}),
        case({"checksum": replace(CHECKSUM, wrong=10)}, {"checksum": replace(CHECKSUM, wrong=22)}, (SUMS, SUSPECT)),
    ],
)
def test_limits_of_an_identifier(
    before: dict[str, Any], after: dict[str, Any], expected: list[tuple[str, Severity]]
) -> None:
    assert told(differences(before, after)) == expected


def test_without_a_message_the_identifier_alone_is_named() -> None:
    (found,) = differences({}, {"message": None, "period_ms": 20.0})
    assert found.text.startswith("engine/0A0 came every 10 ms")


# What has gone, and what is new ---------------------------------------------------------------------------------------

GONE = "was regular before; now silent for over two seconds and ten periods"


def test_an_identifier_that_has_stopped() -> None:
    two = {"0A0": entry(), "0A1": entry(module=None, message=None, frames=900)}
    assert compare(run(two), run({"0A0": entry()})) == (
        Difference(
            *("id-vanished", FAULT, "id:engine/0A1", "engine/0A1 has stopped", 900.0, 0.0, "frames", GONE),
            *("settings and firmware of the module that sends it", 900.0),
        ),
    )
    (died,) = compare(run(two), run({"0A0": entry(silent_s=7.654321), "0A1": two["0A1"]}))
    assert died == Difference(
        *("id-vanished", FAULT, WHO, f"{CALLED} has stopped 7.65 s before the end of the later run", 1000.0, 0.0),
        *("frames", GONE, "settings and firmware of node", 1000.0),
    )


@pytest.mark.parametrize(
    ("about", "seconds", "due"),
    [
        ({}, 60.0, True),
        ({"frames": 20}, 60.0, True),
        ({"frames": 19}, 60.0, False),
        ({"sending": "heartbeat"}, 60.0, True),
        ({"sending": "change-driven"}, 60.0, False),
        ({"period_ms": None}, 60.0, False),
        ({"period_ms": 500.0}, 7.0, False),  # two seconds and ten periods
        ({"period_ms": 500.0}, 7.001, True),
    ],
)
def test_what_may_not_have_been_due_is_a_note(about: dict[str, Any], seconds: float, due: bool) -> None:
    before, after = run({"0A0": entry(), "0A1": entry(**about)}), run({"0A0": entry()}, seconds=seconds)
    (found,) = compare(before, after)
    assert (found.severity, found.threshold == GONE) == ((FAULT, True) if due else (NOTE, False))
    if not due:
        assert found.text.endswith("has stopped (it was rare or sent on events, so it may not have been due)")
        assert (found.threshold, found.look) == ("", "")


@pytest.mark.parametrize(
    ("before_s", "now_s", "stopped"),
    [(0.0, 2.1, False), (0.0, 2.101, True), (2.099, 50.0, True), (2.1, 50.0, False)],
)
def test_who_stopped_came_to_the_end_of_the_earlier_run(before_s: float, now_s: float, stopped: bool) -> None:
    found = differences({"silent_s": before_s}, {"silent_s": now_s})
    assert told(found) == ([("id-vanished", FAULT)] if stopped else [])


def test_a_module_that_has_stopped_is_one_difference() -> None:
    ids = {"0A0": entry(module="dash"), "1A0": entry(frames=500), "1A1": entry(), "1A2": entry(sending="irregular")}
    found = compare(run(ids), run({"0A0": ids["0A0"], "1A1": entry(silent_s=9.0)}))
    text = "module node has stopped sending on bus engine: 1A0, 1A1, 1A2"
    look = "its fuse and supply at the plug, then its bus wires, then what lies behind it on the chain"
    assert found == (
        Difference("module-vanished", FAULT, "module:node", text, 3.0, 0.0, "identifiers", GONE, look, size=3.0),
    )
    died = {"0A0": ids["0A0"], "1A0": entry(silent_s=8.0), "1A1": entry(silent_s=9.0), "1A2": ids["1A2"]}
    (later,) = compare(run(ids), run(died))
    assert later.text == "module node has stopped sending on bus engine 8 s before the end of the later run: 1A0, 1A1"
    assert (later.kind, later.before, later.size) == ("module-vanished", 2.0, 2.0)


def test_a_module_of_which_something_came_has_not_stopped() -> None:
    ids = {"0A0": entry(module="dash"), "1A0": entry(), "1A1": entry(), "1A2": entry()}
    found = compare(run(ids), run({"0A0": ids["0A0"], "1A2": entry()}))
    assert [each.subject for each in found] == ["id:engine/1A0", "id:engine/1A1"]


def test_a_module_with_one_identifier_is_that_identifier() -> None:
    ids = {"0A0": entry(), "1A0": entry(module="dash")}
    assert told(compare(run(ids), run({"0A0": entry()}))) == [("id-vanished", FAULT)]


def test_a_module_that_only_sends_on_events_may_not_have_been_due() -> None:
    ids = {"0A0": entry(), "1A0": entry(module="dash", sending="irregular"), "1A1": entry(module="dash", frames=3)}
    assert told(compare(run(ids), run({"0A0": entry()}))) == [("id-vanished", NOTE)] * 2


@pytest.mark.parametrize(
    ("about", "severity", "text"),
    [
        ({"frames": 4}, SUSPECT, "engine/1A0 (ENGINE_1) is new, every 10 ms"),
        ({"sending": "irregular", "frames": 20}, SUSPECT, "engine/1A0 (ENGINE_1) is new"),
        ({"sending": "irregular", "frames": 19}, NOTE, "engine/1A0 (ENGINE_1) is new"),
        ({"period_ms": None, "frames": 19}, NOTE, "engine/1A0 (ENGINE_1) is new"),
    ],
)
def test_an_identifier_that_is_new(about: dict[str, Any], severity: Severity, text: str) -> None:
    new = entry(**about)
    (found,) = compare(run(), run({"0A0": entry(), "1A0": new}))
    threshold, look = "periodic, or at least 20 frames", "what was fitted or changed since: a new module, or one "
    said = ("", "") if severity is NOTE else (threshold, look + "with other settings")
    frames = float(new.frames)
    assert found == Difference("id-new", severity, "id:engine/1A0", text, 0.0, frames, "frames", *said, size=frames)


def test_buses_that_are_new_gone_or_renamed() -> None:
    ids = {f"{number:03X}": entry(module=None) for number in range(10)}
    other = {f"{number:03X}": entry(module=None) for number in range(0x100, 0x105)}
    found = compare(run(ids, name="engine"), run(other, name="chassis"))
    look = "was this bus recorded? Adapter, interface name (--bus NAME=INTERFACE), then the plug of the bus"
    assert found == (
        Difference(
            *("bus-vanished", FAULT, "bus:engine", "the later run has no bus engine", 10.0, 0.0, "identifiers", ""),
            look,
        ),
        Difference("bus-new", NOTE, "bus:chassis", "the earlier run has no bus chassis", 0.0, 5.0, "identifiers"),
    )
    text = "bus engine is called can0 in the later run, with the same identifiers"
    assert compare(run(ids), run(ids, name="can0")) == (Difference("bus-renamed", NOTE, "bus:engine", text),)


@pytest.mark.parametrize(("shared", "extra", "one"), [(8, 2, True), (7, 3, False), (8, 4, False), (7, 2, True)])
def test_a_bus_is_the_same_with_over_seven_tenths_of_its_identifiers(shared: int, extra: int, one: bool) -> None:
    """Of the larger of the two."""
    ids = {f"{number:03X}": entry(module=None) for number in range(shared)}
    more = ids | {f"{number:03X}": entry(module=None) for number in range(0x100, 0x100 + extra)}
    for a, b in ((ids, more), (more, ids)):
        found = compare(run(a), run(b, name="can0"))
        assert (found[-1].kind == "bus-renamed") is one


def test_a_renamed_bus_is_compared_under_its_old_name_and_no_name_is_taken_twice() -> None:
    ids = {f"{number:03X}": entry(module=None) for number in range(9)}
    slower = ids | {"000": entry(module=None, period_ms=20.0)}
    found = compare(run(ids), run(slower, name="can0"))
    assert [(each.kind, each.subject) for each in found] == [
        ("period-changed", "id:engine/000"),
        ("bus-renamed", "bus:engine"),
    ]
    two = Baseline(CaptureFacts(), {"engine": bus(ids), "chassis": bus(ids)})
    renamed = compare(two, run(ids, name="can0"))
    assert [(each.kind, each.subject) for each in renamed] == [
        ("bus-vanished", "bus:chassis"),
        ("bus-renamed", "bus:engine"),
    ]
    kept = Baseline(CaptureFacts(), {"engine": bus(ids), "can0": bus(ids)})
    assert [each.kind for each in compare(run(ids), kept)] == ["bus-new"]
    assert [each.kind for each in compare(kept, run(ids))] == ["bus-vanished"]


# Many at once ---------------------------------------------------------------------------------------------------------


def many(count: int, changed: int, **about: Any) -> tuple[Difference, ...]:
    """So many identifiers of modules of their own, of which so many changed."""
    before = {f"{number:03X}": entry(module=f"m{number}") for number in range(count)}
    after = {key: replace(each, **about) if int(key, 16) < changed else each for key, each in before.items()}
    return compare(run(before), run(after))


@pytest.mark.parametrize(("count", "changed", "one"), [(8, 4, True), (9, 4, False), (4, 4, True), (3, 3, False)])
def test_what_half_of_a_bus_does_at_once_is_one_difference(count: int, changed: int, one: bool) -> None:
    found = many(count, changed, missing=50)
    if not one:
        assert told(found) == [(LOST, FAULT)] * changed
        return
    names = ", ".join(f"{number:03X}" for number in range(changed))
    assert found == (
        Difference(
            *("frames-missing", SUSPECT, "bus:engine"),
            f"{changed} identifiers of bus engine changed at once (frames missing in {changed}): {names}",
            *(0.0, float(changed), "identifiers", f"at least 50 % of its {count} periodic identifiers"),
            "the recording first: an adapter that dropped frames, a clock that was set, time stamps made by the "
            "computer; then the load of the bus. `buswright health` of the later run says which",
            float(changed),
        ),
    )


def test_several_changes_of_many_are_counted_by_kind_and_called_by_the_heaviest() -> None:
    (found,) = many(6, 5, missing=50, jitter_ms=3.0, period_ms=10.5)
    assert found.kind == "period-changed"
    assert "(frames missing in 5, another rhythm in 5, more jitter in 5)" in found.text


def test_what_only_a_module_can_do_is_never_put_together() -> None:
    assert told(many(4, 4, lengths={"6": 1000})) == [("length-changed", FAULT)] * 4


def test_what_a_whole_module_does_at_once_is_one_difference() -> None:
    before = {f"{number:03X}": entry(module="dash" if number < 3 else f"m{number}") for number in range(9)}
    worse = {"000": {"missing": 50}, "001": {"missing": 5}, "002": {"period_ms": 10.5}}
    after = {key: replace(each, **worse.get(key, {})) for key, each in before.items()}
    (found,) = compare(run(before), run(after))
    assert found == Difference(
        *("period-changed", FAULT, "module:dash"),
        "3 identifiers of module dash changed at once (frames missing in 2, another rhythm in 1): 000, 001, 002",
        *(0.0, 3.0, "identifiers", "all of its 3 periodic identifiers"),
        "its supply at the plug, then its bus wires and its settings; `buswright diagnose` of the later run says when",
        3.0,
    )
    but_one = after | {"001": before["001"]}
    assert {each.subject for each in compare(run(before), run(but_one))} == {"id:engine/000", "id:engine/002"}


# Load, errors, clocks -------------------------------------------------------------------------------------------------


def of_bus(before: dict[str, Any], after: dict[str, Any]) -> tuple[Difference, ...]:
    return compare(run(**before), run(**after))


LOAD_LOOK = "identifiers that are new, faster, or sent over and over"


def test_differences_of_a_bus_are_told_whole() -> None:
    assert of_bus({}, {"load": 0.42}) == (
        Difference(
            *("load-up", SUSPECT, "bus:engine", "bus engine is loaded to 42.0 %, before 30.0 %", 0.3, 0.42, "share"),
            *("5 % more of its capacity is suspect, over 80 % a fault", LOAD_LOOK, pytest.approx(0.12)),
        ),
    )
    assert of_bus({}, {"load_peak": 0.7}) == (
        Difference(
            *("load-up", SUSPECT, "bus:engine", "bus engine reached 70.0 % in its busiest second, before 40.0 %"),
            *(0.4, 0.7, "share", "60 % over one second, and 5 % more than before"),
            "`buswright health` says when, and whose frames they were",
        ),
    )
    assert of_bus({}, {"bitrate": 250_000, "load": 0.9}) == (
        Difference(
            *("bit-rate-changed", FAULT, "bus:engine", "500,000 bit/s before, 250,000 bit/s now", 500_000.0),
            *(250_000.0, "bit/s", "any change", "car file, database and --bitrate of the two runs"),
        ),
    )
    text = "500,000 bit/s before, 250,000 bit/s now; it was guessed from the traffic, so loads are not compared"
    for side in ("before", "after"):
        guessed = {"bitrate_source": "guessed"}
        a, b = (guessed if side == "before" else {}), {"bitrate": 250_000} | (guessed if side == "after" else {})
        assert of_bus(a, b) == (
            Difference("bit-rate-changed", NOTE, "bus:engine", text, 500_000.0, 250_000.0, "bit/s"),
        )
    assert of_bus({"errors": 6}, {"errors": 30}) == (
        Difference(
            *("errors-up", SUSPECT, "bus:engine", "bus engine had 30 error frames, 30 a minute (before: 6)", 6.0, 30.0),
            *("1/min", "1 a minute more than twice those before is suspect, 1 a second a fault"),
            *("terminators, plugs and stubs of this bus; with power off, 60 ohm between its wires", 30.0),
        ),
    )


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        case({"load": 0.25}, {"load": 0.30}),
        case({"load": 0.25}, {"load": 0.3001}, ("load-up", SUSPECT)),
        case({"load": 0.5}, {"load": 0.80}, ("load-up", SUSPECT)),
        case({"load": 0.5}, {"load": 0.801}, ("load-up", FAULT)),
        case({"load": 0.8}, {"load": 0.9}, ("load-up", FAULT)),
        case({"load": 0.81}, {"load": 0.9}, ("load-up", SUSPECT)),
        case({"load": None}, {"load": 0.9}),
        case({}, {"load": None}),
        case({}, {"load_peak": 0.65}),
        case({}, {"load_peak": 0.651}, ("load-up", SUSPECT)),
        case({"load_peak": 0.7}, {"load_peak": 0.7499}),
        case({"load_peak": 0.7}, {"load_peak": 0.751}, ("load-up", SUSPECT)),
        case({"load_peak": None}, {"load_peak": 0.9}),
        case({}, {"load_peak": None}),
        case({"bitrate": None}, {"bitrate": 250_000}),
        case({}, {"bitrate": None}),
        # Error frames: a rate that rises, over twice what it was and 1 a minute, and three of them.
        case({}, {"errors": 1}, ("errors-up", NOTE)),
        case({}, {"errors": 2}, ("errors-up", NOTE)),
        case({}, {"errors": 3}, ("errors-up", SUSPECT)),
        case({}, {"errors": 3, "seconds": 180.0}, ("errors-up", NOTE)),
        case({}, {"errors": 3, "seconds": 179.0}, ("errors-up", SUSPECT)),
        case({"errors": 4}, {"errors": 9}, ("errors-up", NOTE)),
        case({"errors": 4}, {"errors": 10}, ("errors-up", SUSPECT)),
        case({}, {"errors": 60}, ("errors-up", SUSPECT)),
        case({}, {"errors": 61}, ("errors-up", FAULT)),
        case({"errors": 5}, {"errors": 5}),
        case({"errors": 5}, {"errors": 5, "seconds": 30.0}),
        case({"errors": 5}, {"errors": 6, "seconds": 80.0}),
        case({}, {"errors": 3, "seconds": 0.1}, ("errors-up", FAULT)),
        case({"seconds": 0.1, "errors": 1}, {"seconds": 1.0, "errors": 2}, ("errors-up", NOTE)),
    ],
)
def test_limits_of_a_bus(before: dict[str, Any], after: dict[str, Any], expected: list[tuple[str, Severity]]) -> None:
    assert told(of_bus(before, after)) == expected


IDS = {key: entry(module=None) for key in ("0A0", "0A1", "0B0", "0B1", "0C0")}


@pytest.mark.parametrize(
    ("before", "after", "moved"),
    [
        ((("0A0", "0A1"), ("0B0", "0B1")), (("0A0", "0A1"), ("0B0", "0B1")), []),
        ((("0A0", "0A1", "0C0"), ("0B0", "0B1")), (("0A0", "0A1"), ("0B0", "0B1", "0C0")), ["0C0"]),
        ((("0A0", "0A1", "0C0"), ("0B0", "0B1")), (("0A0", "0A1"),), []),
        ((("0A0", "0A1"),), (("0A0", "0B0"),), []),  # what it is with now had no clock known before
        ((("0A0", "0A1"), ("0B0", "0B1")), (("0A0", "0A1", "0B0", "0B1"),), []),  # each kept its company
    ],
)
def test_who_left_the_clock_it_shared(before: Any, after: Any, moved: list[str]) -> None:
    found = compare(run(IDS, clocks=before), run(IDS, clocks=after))
    assert [each.subject for each in found] == [f"id:engine/{key}" for key in moved]
    if moved:
        text = "engine/0C0 (ENGINE_1) shared a clock with 0A0, 0A1, and now with 0B0, 0B1"
        assert found == (
            Difference("clock-changed", NOTE, "id:engine/0C0", text, look="another module may send it now"),
        )


# Order ----------------------------------------------------------------------------------------------------------------


def test_heavier_ones_come_first_then_by_kind_size_and_name() -> None:
    ids = {f"{number:03X}": entry(module=None) for number in range(20)}
    worse = {"000": {"period_ms": 10.5}, "001": {"period_ms": 20.0}, "002": {"lengths": {"6": 1}}}
    worse |= {"003": {"period_ms": 10.6}, "004": {"period_ms": 10.5}}
    found = compare(run(ids), run({key: replace(each, **worse.get(key, {})) for key, each in ids.items()}, errors=1))
    assert [each.subject for each in found] == [
        *("id:engine/002", "id:engine/001", "id:engine/003", "id:engine/000", "id:engine/004", "bus:engine"),
    ]
