"""What channels differ in from one baseline made by hand to the other, and what a spoilt recording explains."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline, CaptureFacts, ChannelBaseline
from buswright.health.baseline.compare import compare
from buswright.health.baseline.differences import Difference
from buswright.health.baseline.standstill import AtRest, Basis, RestFigures
from buswright.wording import times
from tests.health.baseline.test_compare import bus, entry, told

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT

REST = RestFigures(400, 20.0, 0.1, 0.01, 1.0, 0.004, 0.001)


def channel(rest: RestFigures | dict[str, Any] | None = None, **about: Any) -> ChannelBaseline:
    """A damper: 0 to 100 mm over 0.5 to 4.5 V, at rest at 20 mm."""
    own = replace(REST, **rest) if isinstance(rest, dict) else REST if rest is None else rest
    given: dict[str, Any] = {"message": "chassis/DAMPERS", "unit": "mm", "input_unit": "V", "role": "damper_travel"}
    given |= {"position": None, "samples": 5000, "rate_hz": 100.0, "low": 10.0, "high": 60.0, "span": 100.0}
    return ChannelBaseline(**(given | {"rest": own} | about))


def run(one: ChannelBaseline | None, *, basis: Basis = "key-on", name: str = "damper", **capture: Any) -> Baseline:
    channels = {} if one is None else {name: one}
    ids = {"1A0": entry(message="DAMPERS")}
    return Baseline(CaptureFacts(**capture), {"chassis": bus(ids)}, AtRest(basis, "", 5.0), channels)


def differences(before: ChannelBaseline, after: ChannelBaseline, basis: Basis = "key-on") -> tuple[Difference, ...]:
    return compare(run(before, basis=basis), run(after, basis=basis))


WHO = "channel:damper"


def test_a_channel_that_has_no_samples_though_its_message_comes() -> None:
    nothing = channel(samples=0, rest=None)
    assert differences(channel(), nothing) == (
        Difference(
            *("channel-silent", SUSPECT, WHO, "damper has no samples, though its message arrives", 5000.0, 0.0),
            *("samples", "", "length and multiplexer of the message; the database"),
        ),
    )
    gone = replace(run(nothing), buses={"chassis": bus({})})
    assert [each.kind for each in compare(run(channel()), gone)] == ["id-vanished"]
    died = replace(run(nothing), buses={"chassis": bus({"1A0": entry(message="DAMPERS", silent_s=9.0)})})
    assert [each.kind for each in compare(run(channel()), died)] == ["id-vanished"]
    assert [each.kind for each in compare(run(channel()), replace(run(nothing), buses={}))] == ["bus-vanished"]
    assert differences(nothing, nothing) == differences(nothing, channel()) == ()
    assert compare(run(channel()), run(None)) == ()


def test_another_unit() -> None:
    def changed(before: str, after: str) -> tuple[Difference, ...]:
        return differences(channel(unit=before), channel(unit=after))

    assert changed("mm", "degC") == (
        Difference(
            *("unit-changed", SUSPECT, WHO, "damper was in mm and now is in °C"),
            threshold="any change",
            look="the car files",
        ),
    )
    assert changed("", "bar")[0].text == "damper was in no unit and now is in bar"


@pytest.mark.parametrize(
    ("before", "after", "severity"),
    [
        (0.0, 0.01, None),
        (0.0, 0.0101, SUSPECT),
        (0.0, 0.5, SUSPECT),
        (0.0, 0.501, FAULT),
        (0.02, 0.04, None),
        (0.02, 0.041, SUSPECT),
    ],
)
def test_samples_that_mean_nothing(before: float, after: float, severity: Severity | None) -> None:
    found = differences(channel(unusable=before), channel(unusable=after))
    assert told(found) == ([] if severity is None else [("channel-unusable", severity)])
    if after == 0.5:
        assert found == (
            Difference(
                *("channel-unusable", SUSPECT, WHO),
                "damper means nothing in 50.0 % of its samples, before in 0.0 %",
                *(0.0, 0.5, "share", "1 % and twice what it was is suspect, 50 % a fault"),
                "its plug, wire and supply: `buswright diagnose` says whether its input is open or shorted",
                0.5,
            ),
        )


LOOK_AT_SCALE = "the unit and scaling set in its module, in the database and in the car file; then the sensor"


def test_a_range_that_moved_is_told_whole() -> None:
    assert differences(channel(), channel(low=-95.0, high=70.0)) == (
        Difference(
            *("range-moved", SUSPECT, WHO, "damper went down to -95 mm, before to 10 mm", 10.0, -95.0, "mm"),
            *("further beyond than it can measure from end to end, 100 mm", LOOK_AT_SCALE, 1.05),
        ),
    )
    (up,) = differences(channel(), channel(high=210.0))
    assert (up.text, up.before, up.after, up.size) == ("damper went up to 210 mm, before to 60 mm", 60.0, 210.0, 1.5)


@pytest.mark.parametrize(
    ("before", "after", "moved"),
    [
        ({}, {"high": 160.0}, False),
        ({}, {"high": 160.1}, True),
        ({}, {"low": -90.0}, False),
        ({}, {"low": -90.1}, True),
        ({"span": None}, {"high": 999.0, "span": None}, False),
        ({"span": 0.0}, {"high": 999.0}, False),
        ({"low": None}, {"high": 999.0}, False),
        ({"high": None}, {"high": 999.0}, False),
        ({}, {"high": 999.0, "low": None}, False),
        # In another unit of one quantity: 10 to 60 mm, 100 mm of span, are 1 to 6 cm and 10 cm.
        ({}, {"unit": "cm", "low": 1.0, "high": 16.0, "span": 10.0}, False),
        ({}, {"unit": "cm", "low": 1.0, "high": 16.1, "span": 10.0}, True),
    ],
)
def test_a_range_moved_by_more_than_it_can_measure(before: dict[str, Any], after: dict[str, Any], moved: bool) -> None:
    found = compare(run(channel(**before), basis="key-on"), run(channel(**after), basis="quietest"))
    assert ("range-moved" in {each.kind for each in found}) is moved


def test_a_step_of_the_raw_value() -> None:
    assert differences(channel(), channel({"input_resolution": 0.002})) == (
        Difference(
            *("scale-changed", SUSPECT, WHO, "one step of damper is 0.002 V, before 0.001 V", 0.001, 0.002, "V"),
            *("5 % more or less", "the database and input_scale of the two runs, and the unit set in its module"),
            pytest.approx(math.log(2)),
        ),
    )


PLAIN: dict[str, Any] = {"input_unit": None}


@pytest.mark.parametrize(
    ("before", "after", "changed"),
    [
        (channel(), channel({"input_resolution": 0.0010499}), False),
        (channel(), channel({"input_resolution": 0.0010501}), True),
        (channel(), channel({"input_resolution": 0.0009501}), False),
        (channel(), channel({"input_resolution": 0.0009499}), True),
        (channel(), channel({"input_resolution": 0.0}), False),
        (channel({"input_resolution": 0.0}), channel(), False),
        (channel(), channel({"resolution": 9.0}), False),  # through a curve a step has no one size
        (channel(), channel({"input_resolution": 9.0}, input_unit="mV"), False),
        (channel(**PLAIN), channel({"resolution": 0.02}, **PLAIN), True),
        (channel(**PLAIN), channel({"input_resolution": 9.0}, **PLAIN), False),
        (channel(**PLAIN), channel({"resolution": 0.001, "zero": 2.0}, unit="cm", **PLAIN), False),
    ],
)
def test_a_step_changed_by_more_than_five_percent(
    before: ChannelBaseline, after: ChannelBaseline, changed: bool
) -> None:
    found = [each for each in differences(before, after) if each.kind == "scale-changed"]
    assert bool(found) is changed


# Zero -----------------------------------------------------------------------------------------------------------------


def test_a_zero_that_moved_is_told_whole() -> None:
    moved = {"zero": 23.0, "input": 1.12}
    sensor = "sensor and its mounting, the wire and its ground. Was the car in the same state (driver, fuel)?"
    text = "damper rests at 23 mm, before at 20 mm (+3 mm); its input at 1.12 V, before at 1 V"
    said = 20.0, 23.0, "mm", "2 % of the span of 100 mm is suspect, 5 % a fault"
    expected = Difference("zero-moved", SUSPECT, WHO, text, *said, sensor, pytest.approx(0.03))
    assert differences(channel(), channel(moved)) == (expected,)
    calibration = "calibration or zero in the car file: the input is the same as before"
    (same_input,) = differences(channel(), channel(moved | {"input": 1.0019}))
    assert same_input.look == calibration
    (other_input,) = differences(channel(), channel(moved | {"input": 1.0021}))
    assert other_input.look == sensor
    (lower,) = differences(channel(), channel(moved | {"input": 0.9979}))
    assert lower.look == sensor
    for one, other in ((None, 1.0), (1.0, None)):
        (plain,) = differences(channel({"input": one}), channel({"zero": 23.0, "input": other}))
        assert plain.text == "damper rests at 23 mm, before at 20 mm (+3 mm)"


@pytest.mark.parametrize(
    ("before", "after", "severity"),
    [
        ({}, {"zero": 22.0}, None),
        ({}, {"zero": 22.01}, SUSPECT),
        ({}, {"zero": 17.99}, SUSPECT),
        ({}, {"zero": 25.0}, SUSPECT),
        ({}, {"zero": 25.01}, FAULT),
        ({}, {"zero": 14.99}, FAULT),
        ({}, {"zero": None}, None),
        ({"zero": None}, {}, None),
        # Two steps of the raw value, and five times what noise makes of a median: 5 * 10 / 400**0.5.
        ({}, {"zero": 23.0, "resolution": 2.0}, None),
        ({}, {"zero": 23.0, "resolution": 1.45}, SUSPECT),
        ({"noise": 12.0}, {"zero": 23.0}, None),
        ({"noise": 11.8}, {"zero": 23.0}, SUSPECT),
        ({}, {"zero": 23.0, "noise": 12.0}, None),
        ({"samples": 100}, {"zero": 23.0, "noise": 6.0}, None),
        ({"samples": 100}, {"zero": 23.0, "noise": 5.9}, SUSPECT),
        ({"noise": None}, {"zero": 23.0, "noise": None}, SUSPECT),
    ],
)
def test_a_zero_moved_by_a_share_of_the_span(
    before: dict[str, Any], after: dict[str, Any], severity: Severity | None
) -> None:
    found = [each for each in differences(channel(before), channel(after)) if each.kind == "zero-moved"]
    assert told(tuple(found)) == ([] if severity is None else [("zero-moved", severity)])


def test_without_a_span_a_zero_is_not_judged_and_values_are_compared_in_the_later_unit() -> None:
    assert differences(channel(span=None), channel({"zero": 40.0}, span=None)) == ()
    in_cm = {"resolution": 0.001, "noise": 0.01}
    cm: dict[str, Any] = {"unit": "cm", "low": 1.0, "high": 6.0, "span": 10.0}
    assert differences(channel(), channel(in_cm | {"zero": 2.0}, **cm)) == ()
    (found,) = differences(channel(), channel(in_cm | {"zero": 2.3}, **cm))
    assert (found.before, found.after, found.unit) == (2.0, 2.3, "cm")
    kelvin = differences(channel(unit="degC"), channel({"zero": 293.15}, unit="K", low=283.15, high=333.15))
    assert kelvin == ()


NOTHING_YET = "nothing yet: its role does not mean the same reading whenever the car rests"


@pytest.mark.parametrize(
    ("role", "basis", "severity"),
    [
        ("damper_travel", "key-on", SUSPECT),
        ("damper_travel", "engine-off", SUSPECT),
        ("damper_travel", "standing", SUSPECT),
        ("oil_pressure", "key-on", SUSPECT),
        ("oil_pressure", "engine-off", SUSPECT),
        ("oil_pressure", "standing", NOTE),
        ("coolant_temperature", "key-on", NOTE),
        (None, "key-on", NOTE),
    ],
)
def test_a_role_says_whether_a_zero_is_the_same_whenever_the_car_rests(
    role: str | None, basis: Basis, severity: Severity
) -> None:
    (found,) = differences(channel(role=role), channel({"zero": 23.0}, role=role), basis)
    assert found.severity is severity
    assert bool(found.threshold) is (severity is SUSPECT)
    if severity is NOTE:
        assert (found.look == NOTHING_YET) is (role is not None)


HELD = "nothing yet: the driver may have pressed or held it, as its lowest reading of the whole run didn't move"


@pytest.mark.parametrize(
    ("role", "ends", "severity"),
    [
        ("brake_pressure", (10.0, 60.0), NOTE),
        ("brake_pressure", (14.9, 60.0), NOTE),  # half of the way is 5
        ("brake_pressure", (15.0, 60.0), FAULT),
        ("brake_pressure", (5.0, 60.0), NOTE),  # it went the other way
        ("throttle", (15.0, 60.0), FAULT),
        ("steering_angle", (15.0, 60.0), NOTE),
        ("steering_angle", (15.0, 65.0), FAULT),
        ("steering_angle", (14.0, 65.0), NOTE),
        ("steering_angle", (None, 65.0), NOTE),
        ("yaw_rate", (10.0, 60.0), FAULT),
    ],
)
def test_what_a_driver_loads_has_moved_where_its_extremes_moved_too(
    role: str, ends: tuple[float | None, float], severity: Severity
) -> None:
    after = channel({"zero": 30.0}, role=role, low=ends[0], high=ends[1])
    (found,) = differences(channel(role=role), after)
    assert found.severity is severity
    assert (found.look == HELD) is (severity is NOTE)


# Noise ----------------------------------------------------------------------------------------------------------------

SLACK = math.exp(3 * math.sqrt(2 / 400))
"""Of 400 samples each: three standard deviations of the logarithm of a noise, of which each is good to 1/20."""


def test_noise_that_rose_is_told_whole() -> None:
    assert differences(channel(), channel({"input_noise": 0.012})) == (
        Difference(
            *("noise-up", SUSPECT, WHO, "damper is 3 times as noisy at rest: 0.012 V, before 0.004 V", 0.004, 0.012),
            *("V", f"{2 * SLACK:.3g} times as noisy, with 400 and 400 samples"),
            *("ground and shield of its wire, its plug; then the channels that share them", pytest.approx(3.0)),
        ),
    )


@pytest.mark.parametrize(
    ("before", "after", "severity"),
    [
        ({}, {"input_noise": 0.004 * 2 * SLACK * 0.999}, None),
        ({}, {"input_noise": 0.004 * 2 * SLACK * 1.001}, SUSPECT),
        ({}, {"input_noise": 0.004 * 5 * SLACK * 0.999}, SUSPECT),
        ({}, {"input_noise": 0.004 * 5 * SLACK * 1.001}, FAULT),
        ({"samples": 100}, {"input_noise": 0.0111}, None),  # 2 * exp(3 * (1/100 + 1/400)**0.5) = 2.797
        ({"samples": 100}, {"input_noise": 0.0113}, SUSPECT),
        # On one step of the raw value or between two is chance: half a step is the least that is held against.
        ({"input_noise": 0.0}, {"input_noise": 0.001}, None),
        ({"input_noise": 0.0}, {"input_noise": 0.00101}, None),
        ({"input_noise": 0.0}, {"input_noise": 0.0013}, SUSPECT),
        ({"input_noise": 0.0}, {"input_noise": 0.5, "input_resolution": 0.6}, None),
        # Without an input's noise that of the value.
        ({"input_noise": None, "noise": None}, {"input_noise": None, "noise": 9.0}, None),
        ({"input_noise": None}, {"input_noise": None, "noise": None}, None),
        ({"input_noise": None}, {"input_noise": None, "noise": 0.3}, SUSPECT),
        ({"input_noise": None}, {"noise": 0.3}, SUSPECT),
        ({}, {"input_noise": None, "noise": 0.3}, SUSPECT),
        ({"noise": 0.01}, {"noise": 9.0}, None),
    ],
)
def test_noise_rose_by_more_than_chance(
    before: dict[str, Any], after: dict[str, Any], severity: Severity | None
) -> None:
    found = [each for each in differences(channel(before), channel(after)) if each.kind == "noise-up"]
    assert told(tuple(found)) == ([] if severity is None else [("noise-up", severity)])


@pytest.mark.parametrize(
    ("role", "unit", "noise", "basis", "severity", "look"),
    [
        ("damper_travel", "V", {"input_noise": 0.012}, "quietest", NOTE, "nothing yet: the car may have moved"),
        ("damper_travel", None, {"noise": 0.3}, "key-on", SUSPECT, "ground and shield"),
        ("air_temperature", None, {"noise": 0.3}, "key-on", NOTE, "nothing yet: what a module computes or switches"),
        ("air_temperature", "V", {"input_noise": 0.012}, "key-on", SUSPECT, "ground and shield"),
    ],
)
def test_what_a_module_computes_may_move_while_the_car_stands(
    role: str, unit: str | None, noise: dict[str, float], basis: Basis, severity: Severity, look: str
) -> None:
    plain = {} if unit else {"input_noise": None}
    before, after = (channel(plain | own, role=role, input_unit=unit) for own in ({}, noise))
    (found,) = differences(before, after, basis)
    assert (found.kind, found.severity, found.unit) == ("noise-up", severity, unit or "mm")
    assert found.look.startswith(look)


def test_noise_is_compared_in_the_later_unit() -> None:
    plain: dict[str, Any] = {"input_noise": None}
    cm: dict[str, Any] = {"unit": "cm", "low": 1.0, "high": 6.0, "span": 10.0, "input_unit": None}
    rest = plain | {"zero": 2.0, "resolution": 0.001}
    before = channel(plain, input_unit=None)
    assert differences(before, channel(rest | {"noise": 0.01}, **cm)) == ()
    (found,) = differences(before, channel(rest | {"noise": 0.03}, **cm))
    assert (found.before, found.after, found.size) == (pytest.approx(0.01), 0.03, pytest.approx(3))


# What isn't compared --------------------------------------------------------------------------------------------------


def test_what_is_not_compared_is_said() -> None:
    def notes(a: Baseline, b: Baseline) -> list[str]:
        found = compare(a, b)
        assert all((each.kind, each.severity, each.subject) == ("not-compared", NOTE, "capture") for each in found)
        return [each.text for each in found]

    bare = replace(run(None), at_rest=None)
    one = run(channel())
    assert notes(bare, one) == ["channels are not compared: the earlier run was saved without a car file or database"]
    assert notes(one, bare) == ["channels are not compared: the later run was saved without a car file or database"]
    assert notes(bare, bare) == []
    assert notes(one, run(channel({"zero": 90.0}), basis="standing")) == [
        (
            "zero and noise are not compared, because the car was at rest in two ways: "
            "standing, engine not yet started; then standing, engine running"
        )
    ]
    assert notes(one, run(channel(), car_file_sha256="ab")) == [
        "the runs were decoded with different car files, so values may differ"
    ]
    assert compare(run(channel()), run(replace(channel({"zero": 90.0}), rest=None))) == ()
    assert compare(run(replace(channel(), rest=None)), run(channel({"zero": 90.0}))) == ()


def test_what_touches_safety_comes_before_others_of_the_same_weight() -> None:
    brakes, damper = channel(role="oil_pressure"), channel()
    before, after = (
        replace(run(None), channels={"a": replace(damper, samples=many), "b": replace(brakes, samples=many)})
        for many in (9, 0)
    )
    assert [each.subject for each in compare(before, after)] == ["channel:b", "channel:a"]


# A spoilt recording ---------------------------------------------------------------------------------------------------

ONCE = {"000": entry(module=None), "001": entry(module=None)}
LOSING = ONCE | {"000": entry(module=None, missing=50)}


def spoilt(ids: dict[str, Any], recording: dict[str, int], before: dict[str, int] | None = None, **about: Any) -> Any:
    a = Baseline(CaptureFacts(recording=before or {}), {"engine": bus(ONCE)})
    capture = CaptureFacts(recording=recording, silent_s=about.pop("silent_s", 0.0))
    return compare(a, Baseline(capture, {"engine": bus(ids, **about)}))


def test_a_spoilt_recording_is_told_whole() -> None:
    assert spoilt(ONCE, {"clock-jump": 1}) == (
        Difference(
            *("recording-changed", SUSPECT, "capture"),
            "in the later run, and not in the earlier, the recorder's clock jumped",
            *(0.0, 0.0, "differences", "any such fault that the earlier run has not"),
            *("switch off the recorder's time synchronisation while it records", 0.0),
        ),
    )
    assert spoilt(LOSING, {"clock-jump": 3, "capture-drop": 2}, silent_s=0.5) == (
        Difference(
            *("recording-changed", SUSPECT, "capture"),
            "in the later run, and not in the earlier, the recorder lost frames and the recorder's clock jumped "
            "3 times; this accounts for 1 difference (frames-missing) of engine/000",
            *(0.0, 1.0, "differences", "any such fault that the earlier run has not"),
            "the adapter's receive buffer and the load of the recording computer and switch off the recorder's time "
            "synchronisation while it records",
            1.0,
        ),
    )
    assert spoilt(ONCE, {"clock-jump": 2})[0].text.endswith(f"the recorder's clock jumped {times(2)}")
    stamped = spoilt({"000": entry(module=None, jitter_ms=3.0), "001": entry(module=None)}, {"host-timestamps": 1})
    assert (stamped[0].severity, stamped[0].threshold) == (NOTE, "")
    assert stamped[0].text.endswith("this accounts for 1 difference (jitter-up) of engine/000")
    assert spoilt(ONCE, {"host-timestamps": 1, "echo": 1})[0].severity is SUSPECT
    assert spoilt(ONCE, {"clock-jump": 1}, {"clock-jump": 5}) == ()
    assert spoilt(ONCE, {"a fault of another version": 1}) == ()


@pytest.mark.parametrize(
    ("recording", "about", "explained"),
    [
        # 50 frames of 10 ms each: 1.2 times the silence, and three frames for each time.
        ({"capture-drop": 1}, {"silent_s": 0.392}, True),
        ({"capture-drop": 1}, {"silent_s": 0.391}, False),
        ({"capture-drop": 15}, {}, False),
        ({"capture-drop": 16}, {"silent_s": 0.02}, True),
        ({"capture-drop": 17}, {}, True),
        ({"clock-jump": 9, "capture-drop": 8}, {}, True),
        ({"clock-jump": 8, "capture-drop": 8}, {}, False),
        ({"host-timestamps": 1}, {}, True),
        ({"bad-lines": 1}, {}, True),
        ({"echo": 1}, {}, False),
    ],
)
def test_frames_are_missing_by_no_more_than_the_recording_lost(
    recording: dict[str, int], about: dict[str, Any], explained: bool
) -> None:
    kinds = [each.kind for each in spoilt(LOSING, recording, **about)]
    assert kinds == (["recording-changed"] if explained else ["frames-missing", "recording-changed"])


@pytest.mark.parametrize(
    ("about", "explained"),
    [
        ({"period_ms": 12.4}, True),
        ({"period_ms": 12.6}, False),
        ({"period_ms": 7.6}, True),
        ({"period_ms": 7.4}, False),
        ({"period_ms": 30.0, "sending": "irregular"}, True),
        ({"jitter_ms": 5.0}, True),
        ({"lengths": {"6": 9}}, False),
    ],
)
def test_steadily_another_period_is_not_the_recorders(about: dict[str, Any], explained: bool) -> None:
    kinds = [each.kind for each in spoilt(ONCE | {"000": entry(module=None, **about)}, {"clock-jump": 1})]
    assert (kinds == ["recording-changed"]) is explained


def test_each_fault_of_a_recording_explains_its_own() -> None:
    kinds = {
        "frames-missing": {"missing": 5},
        "period-changed": {"period_ms": 10.5},
        "jitter-up": {"jitter_ms": 5.0},
        "length-changed": {"lengths": {"6": 9}},
    }
    explained = {
        cause: {
            kind
            for kind, about in kinds.items()
            if len(spoilt(ONCE | {"000": entry(module=None, **about)}, {cause: 4}, silent_s=1.0)) == 1
        }
        for cause in ("clock-jump", "capture-drop", "host-timestamps", "echo", "bad-lines")
    }
    timing = {"frames-missing", "period-changed", "jitter-up"}
    assert explained == {
        "clock-jump": timing,
        "capture-drop": timing,
        "host-timestamps": timing,
        "echo": timing,
        "bad-lines": {"frames-missing"},
    }
    assert [each.kind for each in spoilt(ONCE, {"echo": 1}, load=0.6)] == ["recording-changed"]
    assert [each.kind for each in spoilt(ONCE, {"clock-jump": 1}, load=0.6)] == ["recording-changed", "load-up"]


def test_of_many_explained_differences_eight_are_named() -> None:
    ids = {f"{number:03X}": entry(module=None) for number in range(40)}
    after = {key: replace(each, jitter_ms=5.0) if int(key, 16) < 10 else each for key, each in ids.items()}
    a = Baseline(CaptureFacts(), {"engine": bus(ids)})
    (found,) = compare(a, Baseline(CaptureFacts(recording={"clock-jump": 1}), {"engine": bus(after)}))
    names = ", ".join(f"engine/{number:03X}" for number in range(8))
    assert found.text.endswith(f"this accounts for 10 differences (jitter-up) of {names} and 2 more")


def test_channels_of_a_doubled_recording_are_not_blamed() -> None:
    for cause, kinds in (("echo", ["recording-changed"]), ("clock-jump", ["recording-changed", "channel-unusable"])):
        found = compare(run(channel()), run(channel(unusable=0.3), recording={cause: 1}))
        assert [each.kind for each in found] == kinds


def test_a_silence_that_the_earlier_run_had_too_explains_nothing() -> None:
    a = Baseline(CaptureFacts(silent_s=5.0), {"engine": bus(ONCE)})
    b = Baseline(CaptureFacts(recording={"capture-drop": 1}, silent_s=5.3), {"engine": bus(LOSING)})
    assert [each.kind for each in compare(a, b)] == ["frames-missing", "recording-changed"]
