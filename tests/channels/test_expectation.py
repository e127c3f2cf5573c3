"""What is expected of an identifier: who has the first word, and that everybody who asks hears the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import CarFile, Channel, FrameEntry, FrameName, SignalName
from buswright.channels.expectation import (
    NOTHING,
    Expectation,
    Expectations,
    Facts,
    Stated,
    believable,
    contradicted,
    expectation,
    name_of,
    rate_of_channel,
)
from buswright.channels.following.follow import Follower
from buswright.channels.session import Session
from buswright.channels.watching import watch
from buswright.diagnosis.case import Case
from buswright.diagnosis.now.channels import judge_channel
from buswright.diagnosis.silence import absentees, missing_after_ns
from buswright.frames.table import Frames
from buswright.health.baseline.baseline import IdBaseline
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.match import Group, Kind
from buswright.messages.model import J1939, Database, Message, Signal
from tests.health.traffic import MS, START, S, comb

DATA = Path(__file__).parents[1] / "data" / "car_file"
NAME = FrameName("engine", 0x123, False)
ON_CHANGE, CYCLIC, ON_REQUEST = "OnChange", "Cyclic", "OnRequest"


@pytest.fixture(scope="module")
def whole() -> CarFile:
    return load_car_file(DATA / "car.toml")


def message(cycle_ms: float | None = None, send_type: str = "", *, multiplexed: bool = False, **more) -> Message:
    signals = (Signal("A", 0, 16), Signal("B", 16, 16, multiplexer="C" if multiplexed else None, mux_values=((0, 0),)))
    signals += (Signal("C", 32, 8, is_multiplexer=True),) if multiplexed else ()
    return Message("TOLD", NAME.id, False, 8, signals, cycle_time_ms=cycle_ms, send_type=send_type, **more)


def car_of(
    whole: CarFile, told: Message | None, entry: FrameEntry | None, rates: dict[str, float | None] | None = None
) -> CarFile:
    """A car of one bus, with a channel for each signal of the message."""
    channels = {
        name: Channel(name, signal=SignalName("engine", "TOLD", name), expected_hz=rate)
        for name, rate in (rates or {"A": None}).items()
    }
    databases = {"engine": Database((), (told,))} if told else {}
    frames = {NAME: entry} if entry else {}
    return replace(whole, channels=channels, frames=frames, databases=databases, modules={}, sensors={})


# -- precedence -------------------------------------------------------------------------------------------------------

periods_ms = st.sampled_from([None, 5.0, 10.0, 20.0, 100.0])
told_facts = st.none() | st.builds(
    Facts,
    period_ns=st.sampled_from([None, 5e6, 2e7]),
    change_driven=st.sampled_from([None, True, False]),
    length=st.sampled_from([None, 4, 8]),
    counter=st.sampled_from([None, Counter(0, 4)]),
    checksum=st.sampled_from([None, Checksum("xor", 7)]),
)
entries = st.none() | st.builds(
    FrameEntry,
    st.just(NAME),
    period_ms=periods_ms,
    change_driven=st.sampled_from([None, True, False]),
    counter=st.sampled_from([None, Counter(8, 4)]),
)
messages = st.none() | st.builds(message, periods_ms, st.sampled_from(["", CYCLIC, ON_CHANGE, ON_REQUEST]))


@given(entries, st.sampled_from([None, 50.0, 200.0]), messages, told_facts, told_facts)
def test_the_car_file_comes_before_the_database_that_before_a_good_run_and_the_traffic_last(
    whole, entry, rate, told, remembered, learned
):
    car = car_of(whole, told, entry, {"A": rate, "B": 25.0 if rate else None})
    found = expectation(NAME, car=car, message=told, remembered=remembered, learned=learned)
    period, on_change = Stated(), Stated()
    if entry and entry.period_ms:
        period = Stated(entry.period_ms * 1e6, "car file")
    elif told and rate:
        period = Stated(1e9 / rate, "car file: expected_hz")
    elif told and told.cycle_time_ms:
        period = Stated(told.cycle_time_ms * 1e6, "database")
    elif remembered and remembered.period_ns:
        period = Stated(remembered.period_ns, "baseline")
    elif learned and learned.period_ns:
        period = Stated(learned.period_ns, "learned")
    if entry and entry.change_driven is not None:
        on_change = Stated(entry.change_driven, "car file")
    elif period.source in ("car file", "car file: expected_hz"):
        on_change = Stated(False, period.source)
    elif told and told.send_type in (ON_CHANGE, ON_REQUEST):
        on_change = Stated(True, "database")
    elif told and told.cycle_time_ms:
        on_change = Stated(False, "database")
    elif remembered and remembered.change_driven is not None:
        on_change = Stated(remembered.change_driven, "baseline")
    elif learned and learned.change_driven is not None:
        on_change = Stated(learned.change_driven, "learned")
    assert (found.period_ns, found.change_driven) == (period, on_change)
    assert found.due_ns == (None if on_change.value else period.value)
    assert found.on_request == (Stated(True, "database") if told and told.send_type == ON_REQUEST else Stated())
    assert found.length.source == ("database" if told else found.length.source)
    if entry and entry.counter:
        assert found.counter == Stated(entry.counter, "car file")
    for fact, source in ((found.counter, "baseline"), (found.checksum, "baseline")):
        if fact.value is not None and fact.source == "learned":
            assert remembered is None or getattr(remembered, "counter" if fact is found.counter else "checksum") is None
        assert fact.source in ("car file", source, "learned", "unknown")


def test_which_period_is_expected_and_who_says_so(whole):
    expectations = Expectations(whole)

    def period(bus: str, identifier: int, extended: bool) -> Stated[float]:
        told = next(
            (m for m in whole.databases[bus].messages if (m.id, m.extended) == (identifier, extended)),
            None,
        )
        return expectations.of(FrameName(bus, identifier, extended), told).period_ns

    assert period("chassis", 0x1A1, False) == Stated(2e6, "car file")
    assert period("engine", 0x1A0, False) == Stated(10e6, "car file: expected_hz")
    assert period("engine", 0x210, False) == Stated(100e6, "database")
    assert period("engine", 0x210, True) == Stated()
    assert period("engine", 0x7FF, False) == Stated()


def test_an_entry_may_name_the_identifier_that_was_seen_or_the_one_of_the_database(whole):
    told = replace(message(), id=0x18F0_04FE, extended=True, protocol=J1939)
    group = Group(Kind.MESSAGE, "engine", told, source=0x21)
    seen, defined = FrameName("engine", 0x18F0_0421, True), FrameName("engine", 0x18F0_04FE, True)
    assert name_of(group) == seen
    for name in (seen, defined):
        car = replace(car_of(whole, told, None), frames={name: FrameEntry(name, period_ms=20.0)})
        assert expectation(seen, car=car, message=told).period_ns == Stated(20e6, "car file")


def test_a_multiplexed_signal_has_the_rate_of_its_channel_alone(whole):
    told = message(10.0, multiplexed=True)
    car = car_of(whole, told, None, {"A": None, "B": 25.0})
    expectations, group = Expectations(car), Group(Kind.MESSAGE, "engine", told)
    assert expectations.of(NAME, told).period_ns == Stated(10e6, "database")  # not the 25 Hz of some of its frames
    assert expectations.of_signal(group, told.signals[0]).due_hz == 100.0
    assert expectations.of_signal(group, told.signals[1], 25.0).period_ns == Stated(40e6, "car file: expected_hz")
    assert expectations.of_signal(group, told.signals[1]).due_ns is None
    session = Session([spaced([10.0] * 20)], car)
    assert session.expected("B") == expectations.of_signal(group, told.signals[1], 25.0)
    assert session.expected("A").due_hz == 100.0


def test_a_period_that_the_traffic_contradicts():
    assert [contradicted(10.0, steady) for steady in (7.4, 7.6, 12.4, 12.6)] == [True, False, False, True]
    assert [believable(10.0, measured) for measured in (4.9, 5.0, 20.0, 20.1)] == [False, True, True, False]


@pytest.mark.parametrize(
    ("sending", "facts"),
    [
        ("periodic", Facts(20e6, False, length=8)),
        ("change-driven", Facts(None, True, length=8)),
        ("irregular", Facts(None, None, length=8)),
        ("too few", Facts(None, None, length=8)),
    ],
)
def test_what_a_good_run_makes_one_expect(sending, facts):
    assert IdBaseline(None, None, 900, sending, 20.0, 0.1, 0.2, 0, {"4": 1, "8": 899}).facts == facts


# -- everybody who asks -----------------------------------------------------------------------------------------------


def spaced(spacing_ms: list[float]) -> Frames:
    frames = comb(NAME.id, 1, len(spacing_ms) / 1000)
    return replace(frames, time_ns=START + np.rint(np.cumsum(spacing_ms) * MS).astype(np.int64))


@settings(max_examples=60, deadline=None)
@given(
    entries,
    st.sampled_from([None, 50.0, 100.0]),
    st.builds(message, periods_ms, st.sampled_from(["", CYCLIC, ON_CHANGE, ON_REQUEST])),
    told_facts,
    st.integers(0, 1000),
)
def test_health_sessions_followed_channels_and_the_wiggle_test_say_the_same(whole, entry, rate, told, remembered, seed):
    car = car_of(whole, told, entry and replace(entry, counter=None), {"A": rate})
    frames = spaced(np.random.default_rng(seed).uniform(5, 40, 60).tolist())
    tracker = HealthTracker(car=car, remembered={NAME: remembered} if remembered else {})
    tracker.update(frames)
    figures = tracker.result().ids[NAME]
    stated = expectation(NAME, car=car, message=told)
    session = Session([frames], car)
    watched = watch(session["A"], told.signals[0], session.expected("A"), car)
    follower = Follower(car)
    follower.update(frames)
    (now,) = follower.result(int(frames.time_ns[-1]) + 20 * S)
    assert session.expected("A") == stated
    assert now.expected_hz == stated.due_hz
    assert watched.by_clock is (not stated.change_driven.value)
    assert watched.period_s == (None if stated.due_ns is None else stated.due_ns / 1e9)
    for fact in ("period_ns", "change_driven", "on_request", "length"):
        if getattr(stated, fact).declared:
            assert getattr(figures.expected, fact) == getattr(stated, fact)
        elif remembered and getattr(remembered, fact) is not None:
            assert getattr(figures.expected, fact) == Stated(getattr(remembered, fact), "baseline")
        else:
            assert not getattr(figures.expected, fact).declared
    if stated.change_driven.declared:
        # Random spacings may look like events above a clock, and a database's cycle time is often the heartbeat's.
        at_times = set() if stated.change_driven.source.startswith("car file") else {"heartbeat"}
        assert figures.period.sending in ({"change-driven"} if stated.change_driven.value else {"periodic"} | at_times)
        assert judge_channel(now).word == ("ok" if stated.change_driven.value else "silent")
    if figures.period.sending == "periodic" and figures.expected.period_ns.declared and not figures.period.conflict:
        assert figures.period.judged_ns == figures.expected.due_ns


def test_the_car_file_makes_a_send_on_change_message_one_of_the_clock(whole):
    """Its channel isn't "ok" 20 s after its last frame, and its identifier is missing: both hear the car file."""
    told = message(send_type=ON_CHANGE)
    frames = spaced((5 + np.random.default_rng(5).exponential(60, 200)).tolist())  # no period to be learned
    for said, state, sending in ((False, "silent", "periodic"), (None, "ok", "change-driven")):
        car = car_of(whole, told, FrameEntry(NAME, change_driven=said))
        follower, tracker = Follower(car), HealthTracker(car=car)
        follower.update(frames)
        tracker.update(frames)
        end = int(frames.time_ns[-1])
        health = tracker.result()
        figures = health.ids[NAME]
        assert [judge_channel(now).word for now in follower.result(end + 20 * S)] == [state]
        assert [judge_channel(now).word for now in follower.result(end + 20 * MS)] == ["ok"]
        assert figures.period.sending == sending
        judged = figures.period.judged_ns
        missing = judged is not None and missing_after_ns(Case(health, car), NAME, judged) < 20 * S
        assert missing == (state == "silent")


def test_a_period_that_the_samples_contradict_is_no_measure_of_silence(whole):
    frames = spaced([10.0] * 100)
    end = int(frames.time_ns[-1])
    for period_ms in (1000.0, 15.0, None):
        follower = Follower(car_of(whole, message(), FrameEntry(NAME, period_ms=period_ms)))
        follower.update(frames)
        assert [judge_channel(now).word for now in follower.result(end + S)] == ["silent"]
        assert [judge_channel(now).word for now in follower.result(end + 400 * MS)] == ["ok"]


def test_what_never_came_is_expected_as_if_it_had(whole):
    other = comb(0x321, 10, 20, buses=("engine",))
    for entry, told, due_ms in (
        (None, message(50.0, senders=("ecu",)), 50.0),
        (FrameEntry(NAME, period_ms=20.0), message(50.0, ON_CHANGE, senders=("ecu",)), 20.0),
        (FrameEntry(NAME, change_driven=False), message(send_type=ON_CHANGE, senders=("ecu",)), None),
    ):
        car = car_of(whole, told, entry)
        tracker = HealthTracker(car=car)
        tracker.update(other)
        health = tracker.result()
        (one,) = absentees(Case(health, car), "engine")
        assert (one.name, one.period_ms, one.by) == (NAME, due_ms, "database")
        assert one.expected == expectation(NAME, car=car, message=told)
    car = car_of(whole, message(send_type=ON_CHANGE, senders=("ecu",)), None)
    tracker = HealthTracker(car=car)
    tracker.update(other)
    assert absentees(Case(tracker.result(), car), "engine") == ()


def test_a_good_run_says_how_often_that_comes_of_which_nobody_else_does(whole):
    steady = IdBaseline("TOLD", "ecu", 900, "periodic", 20.0, 0.1, 0.2, 0, {"8": 900})
    changing = replace(steady, sending="change-driven")
    car = car_of(whole, message(senders=("ecu",)), None)
    tracker = HealthTracker(car=car)
    tracker.update(comb(0x321, 10, 20, buses=("engine",)))
    health = tracker.result()
    (one,) = absentees(Case(health, car, {NAME: steady}), "engine")
    assert (one.expected.period_ns, one.by) == (Stated(20e6, "baseline"), "database")
    assert absentees(Case(health, car, {NAME: changing}), "engine") == ()
    strange = FrameName("engine", 0x555, False)
    found = absentees(Case(health, car_of(whole, None, None), {strange: steady}), "engine")
    assert (strange, "good run", 20.0) in [(one.name, one.by, one.period_ms) for one in found]


def test_nothing_is_expected_where_nobody_says_anything():
    assert expectation(NAME) == NOTHING
    assert NOTHING.due_hz is None


@pytest.mark.parametrize(
    ("source", "declared"),
    [("car file", True), ("car file: expected_hz", True), ("database", True), ("baseline", True), ("learned", False),
     ("unknown", False)],
)  # fmt: skip
def test_what_was_stated_before_the_traffic_was_looked_at(source, declared):
    assert Stated(1.0, source).declared is declared


def test_a_send_on_change_message_is_never_due():
    clock = Expectation(period_ns=Stated(2e7, "database"))
    assert (clock.due_ns, clock.due_hz) == (2e7, 50.0)
    change = replace(clock, change_driven=Stated(True, "database"))
    assert (change.due_ns, change.due_hz) == (None, None)
    assert replace(clock, change_driven=Stated(False, "database")).due_ns == 2e7
    assert (NOTHING.due_ns, NOTHING.due_hz) == (None, None)


def test_what_is_missing_is_filled_in_from_the_next_source():
    one = NOTHING.or_else("database", Facts(period_ns=1e7, change_driven=False))
    assert one == Expectation(period_ns=Stated(1e7, "database"), change_driven=Stated(False, "database"))
    assert one.or_else("learned", None) is one
    assert one.or_else("learned", Facts(period_ns=5e6, change_driven=True)) is one  # said already, False too
    both = one.or_else("learned", Facts(period_ns=5e6, length=4))
    assert both == replace(one, length=Stated(4, "learned"))


@pytest.mark.parametrize(
    ("rates", "period_ns"),
    [({"A": 50.0, "B": 100.0}, 1e7), ({"A": 50.0, "B": None}, 2e7), ({"A": None, "B": None}, None)],
)
def test_the_fastest_channel_of_a_message_says_how_often_it_comes(whole, rates, period_ns):
    told = message()
    car = car_of(whole, told, None, rates)
    found = expectation(NAME, car=car, message=told)
    assert found.period_ns == (Stated(period_ns, "car file: expected_hz") if period_ns else Stated())
    assert found.change_driven == (Stated(False, "car file: expected_hz") if period_ns else Stated())
    assert expectation(FrameName("chassis", NAME.id, False), car=car, message=told).period_ns == Stated()


def test_a_channel_of_another_source_address_says_nothing(whole):
    told = replace(message(), id=0x18F0_0400, extended=True, protocol=J1939)
    channel = Channel("x", signal=SignalName("engine", "TOLD@21", "A"), expected_hz=50.0)
    car = replace(car_of(whole, told, None), channels={"x": channel}, frames={})
    seen = {source: FrameName("engine", 0x18F0_0400 | source, True) for source in (0x21, 0x22)}
    assert expectation(seen[0x21], car=car, message=told).period_ns == Stated(2e7, "car file: expected_hz")
    assert expectation(seen[0x22], car=car, message=told).period_ns == Stated()


@pytest.mark.parametrize(
    ("entry", "change_driven"),
    [
        (FrameEntry(NAME, period_ms=5.0), False),  # a period without further words: the clock sends it
        (FrameEntry(NAME, period_ms=5.0, change_driven=True), True),
        (FrameEntry(NAME), None),
        (FrameEntry(NAME, change_driven=False), False),
    ],
)
def test_an_entry_says_whether_the_clock_sends_it(whole, entry, change_driven):
    found = expectation(NAME, car=car_of(whole, None, entry))
    assert found.change_driven == (Stated() if change_driven is None else Stated(change_driven, "car file"))
    assert found.period_ns == (Stated(5e6, "car file") if entry.period_ms else Stated())


@pytest.mark.parametrize(
    ("told", "facts"),
    [
        (message(), {}),
        (message(10.0), {"period_ns": 1e7, "change_driven": False}),
        (message(10.0, ON_CHANGE), {"period_ns": 1e7, "change_driven": True}),
        (message(None, ON_CHANGE), {"change_driven": True}),
        (message(None, ON_REQUEST), {"change_driven": True, "on_request": True}),
    ],
)
def test_what_a_database_says(told, facts):
    expected = {name: Stated(value, "database") for name, value in {**facts, "length": 8}.items()}
    assert expectation(NAME, message=told) == replace(NOTHING, **expected)


def test_an_expectation_is_found_once():
    expectations = Expectations(None, {NAME: Facts(period_ns=1e7)})
    first = expectations.of(NAME, None)
    assert first.period_ns == Stated(1e7, "baseline")
    assert expectations.of(NAME, None) is first
    assert expectations.of(NAME, message(5.0)).period_ns == Stated(5e6, "database")


@pytest.mark.parametrize(
    ("group", "name"),
    [
        (Group(Kind.UNMATCHED, "a", id=5, extended=True), FrameName("a", 5, True)),
        (Group(Kind.MESSAGE, "a", message()), FrameName("a", NAME.id, False)),
        (Group(Kind.MESSAGE, "a", replace(message(), id=0x18F0_04FE, extended=True), source=0),
         FrameName("a", 0x18F0_0400, True)),
    ],
)  # fmt: skip
def test_the_name_of_a_group(group, name):
    assert name_of(group) == name


def test_the_rate_of_a_channel_is_a_period():
    assert rate_of_channel(50.0) == Stated(2e7, "car file: expected_hz")
    assert rate_of_channel(None) == Stated()
