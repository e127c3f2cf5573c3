"""Channels that are followed are those of the recorded session, whatever the cutting; and how they are in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import Channel, Zero
from buswright.channels.following.follow import Follower
from buswright.channels.following.model import ChannelNow
from buswright.channels.limits import Exceedance
from buswright.channels.samples.series import Quality, Series, unusable
from buswright.channels.session import Session
from buswright.diagnosis.now.channels import judge_channel
from buswright.frames.table import Flag, Frames, concatenate
from buswright.messages.database import load_database
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car
from tests.frames.frame_batches import batch_of

S = 1_000_000_000
MS = 1_000_000

SLOPES = frozenset({"rate_of_change", "low_pass"})
"""They use the sender's period as the window measures it: equal to some parts in 10 000."""


@pytest.fixture(scope="module")
def car():
    return demo_car()


def simulated(seconds: float, *faults: Fault, **options) -> Frames:
    return concatenate(list(simulate_run(seconds, faults=faults, **options)))


@pytest.fixture(scope="module")
def clean() -> Frames:
    return simulated(24.0)


def changed_payloads(frames: Frames) -> Frames:
    """Break wires, shorten frames, stop a counter and spoil checksums, all over the run."""
    payload, length = frames.payload.copy(), frames.length.copy()
    dampers = np.flatnonzero((frames.bus == 1) & (frames.id == 0x1A0))
    analogue = np.flatnonzero((frames.bus == 1) & (frames.id == 0x1B0))
    engine = np.flatnonzero((frames.bus == 0) & (frames.id == 0x0A0))
    payload[dampers[700:900], 0:2] = np.frombuffer(np.array([4990], "<u2").tobytes(), np.uint8)
    payload[analogue[600:720], 0:2] = np.frombuffer(np.array([550], "<u2").tobytes(), np.uint8)
    payload[engine[1000:1005]] = payload[engine[999]]
    payload[engine[2000], 0] ^= 0x40
    length[dampers[1500:1503]] = 1
    length[analogue[900]] = 0
    return replace(frames, payload=payload, length=length)


RUNS = {
    "clean": lambda: simulated(24.0),
    "wires and payloads": lambda: changed_payloads(simulated(24.0)),
    "lost and late": lambda: simulated(
        24.0,
        Fault("frames-lost", onset_s=6.0, duration_s=10.0),
        Fault("module-missing", "module:damper_node", onset_s=9.0, duration_s=6.0),
        Fault("capture-drop", onset_s=17.0, duration_s=4.0, repeat=2),
    ),
    "clock set back": lambda: simulated(24.0, Fault("clock-jump", onset_s=13.0, severity=-5.0)),
    "clock set forward": lambda: simulated(24.0, Fault("clock-jump", onset_s=13.0, severity=40.0)),
}


def pieces(frames: Frames, seed: int, most: int):
    random = np.random.default_rng(seed)
    at = 0
    while at < len(frames):
        stop = min(len(frames), at + int(random.integers(1, most)))
        yield frames.slice(at, stop)
        at = stop


def follow(follower: Follower, frames: Frames, seed: int, most: int) -> tuple[ChannelNow, ...]:
    """Feed random cuts; ask for a result after some of them."""
    random = np.random.default_rng(seed + 1)
    for piece in pieces(frames, seed, most):
        follower.update(piece)
        if random.random() < 0.7:
            follower.result(int(piece.time_ns[-1]))
    return follower.result(int(frames.time_ns[-1]))


def quality_of(series: Series) -> np.ndarray:
    return np.zeros(len(series), np.uint16) if series.quality is None else series.quality


def same(mine, theirs, tolerance: float) -> bool:
    if not tolerance:
        return bool(np.array_equal(mine, theirs, equal_nan=True))
    scale = np.nanmax(np.abs(theirs), initial=1.0)
    return bool(np.allclose(mine, theirs, rtol=tolerance, atol=tolerance * scale, equal_nan=True))


def check_equal(now: ChannelNow, whole: Series, tolerance: float) -> None:
    """Compare with the session's series over the same frames."""
    valid = whole.valid
    assert (now.samples, now.bad_samples) == (len(whole), int(np.count_nonzero(~valid))), now.name
    statistics = whole.statistics()
    assert same(np.array([now.minimum, now.maximum]), np.array([statistics.minimum, statistics.maximum]), tolerance)
    segment = whole.segment(len(whole.segments) - 1)
    if not len(segment):
        return
    assert now.time_ns == segment.time_ns[-1], now.name
    assert same(np.array([now.value]), segment.value[-1:], tolerance), now.name
    second = segment.time_ns > segment.time_ns[-1] - S
    assert now.quality == np.bitwise_or.reduce(quality_of(segment)[second]), now.name
    if whole.raw is not None:
        assert now.raw == segment.raw[-1]
    if whole.volts is not None:
        assert now.volts == segment.volts[-1] or (np.isnan(now.volts) and np.isnan(segment.volts[-1]))
    # The trace: least, most and "any unusable" of each second.
    seconds = segment.time_ns // S - now.trace.start_ns // S
    ok = segment.valid
    for index in np.unique(seconds[seconds >= 0]).tolist():
        here = seconds == index
        assert bool(now.trace.bad[index]) == bool((~ok[here]).any()), (now.name, index)
        good = segment.value[here & ok]
        low, high = (good.min(), good.max()) if len(good) else (np.nan, np.nan)
        assert same(np.array([now.trace.low[index]]), np.array([low], np.float32), tolerance), (now.name, index)
        assert same(np.array([now.trace.high[index]]), np.array([high], np.float32), tolerance), (now.name, index)


def tolerance_of(car, name: str) -> float:
    """To the last bit; where filters and grids are summed in another order, to the last but a few."""
    formula = car.channels[name].formula
    if formula is None or formula.functions in (("accumulate", "convert"), ("accumulate", "abs"), ("keep_last",)):
        return 0.0
    return 2e-4 if SLOPES & set(formula.functions) else 1e-9


@pytest.mark.parametrize("run", RUNS)
def test_channels_equal_the_recorded_session(run, car):
    frames = RUNS[run]()
    session = Session([frames], car)
    whole = {name: session[name] for name in car.channels}
    for seed, most in ((1, 3_000), (2, 40_000)):
        channels = follow(Follower(car), frames, seed, most)
        assert [now.name for now in channels] == list(car.channels)
        for now in channels:
            check_equal(now, whole[now.name], tolerance_of(car, now.name))


def several_of_one_signal(car):
    """The car with further channels of signals that have one: without a sensor, and with a zero of its own."""
    base = car.channels["damper_fl"]
    plain = Channel("damper_fl_input", signal=base.signal, unit="mV")
    other = replace(base, name="damper_fl_other", zero=Zero(1.5), role=None, position=None, caution=None, warning=None)
    return replace(car, channels={**car.channels, plain.name: plain, other.name: other})


def test_several_channels_of_one_signal_equal_the_recorded_session(car):
    frames = RUNS["wires and payloads"]()
    several = several_of_one_signal(car)
    session = Session([frames], several)
    names = ("damper_fl", "damper_fl_input", "damper_fl_other")
    assert np.array_equal(session["damper_fl_input"].raw, session["damper_fl"].raw)
    other = session["damper_fl_other"].value - session["damper_fl"].value
    assert np.allclose(other[np.isfinite(other)], 1.5 - car.channels["damper_fl"].zero.add)
    for now in follow(Follower(several), frames, 4, 3_000):
        if now.name in names:
            check_equal(now, session[now.name], 0.0)
            assert now.samples > 1_000


def test_they_do_so_at_every_moment(clean, car):
    follower = Follower(car)
    last = 0
    for stop in (300, 2_000, 9_000, 9_050, 21_000, 30_000, 44_000):
        for piece in clean.slice(last, min(stop, len(clean))).pieces(777):
            follower.update(piece)
        last = min(stop, len(clean))
        so_far = clean.slice(0, last)
        session = Session([so_far], car)
        for now in follower.result(int(so_far.time_ns[-1])):
            series = session[now.name]
            assert now.samples == len(series), (stop, now.name)
            if len(series):
                assert same(np.array([now.value]), series.value[-1:], tolerance_of(car, now.name)), (stop, now.name)


def test_plotted_samples_are_those_of_the_session(car):
    frames = RUNS["wires and payloads"]()
    session = Session([frames], car)
    follower = Follower(car)
    follow(follower, frames, 3, 2_000)
    names = list(car.channels)
    for name, plotted in zip(names, follower.plotted([*names, "no such channel"]), strict=True):
        mine, theirs = plotted.series, session[name]
        assert mine.name == name
        assert np.array_equal(mine.time_ns, theirs.time_ns), name
        assert same(mine.value, theirs.value, tolerance_of(car, name)), name
        assert np.array_equal(quality_of(mine), quality_of(theirs)), name
        assert (mine.volts is None) == (theirs.volts is None)
    limits = dict(zip(names, follower.plotted(names), strict=True))["oil_pressure"].limits
    assert limits == (("warning", "low", 1.1), ("caution", "low", 1.6))


def holding(found: tuple[Exceedance, ...], series: Series) -> tuple[str, str] | None:
    """Gravest exceedance that reaches the latest usable sample."""
    last = series.time_ns[series.valid]
    now = sorted((each for each in found if len(last) and each.end_ns == last[-1]), key=lambda each: each.level)
    return (now[-1].level, now[-1].side) if now else None


@pytest.mark.parametrize("step", [900, 5_000])
def test_limits_hold_as_in_the_session(step, car):
    """At every moment the level is that of a session over the frames so far: hold, hysteresis, conditions."""
    frames = RUNS["wires and payloads"]()
    follower = Follower(car)
    limited = [name for name, channel in car.channels.items() if channel.caution or channel.warning]
    seen = set()
    for stop in range(step, len(frames), step):
        follower.update(frames.slice(stop - step, stop))
        channels = {now.name: now for now in follower.result(int(frames.time_ns[stop - 1]))}
        if stop % (5 * step) and not any(channels[name].level for name in limited):
            continue
        session = Session([frames.slice(0, stop)], car, only=limited)
        for name in limited:
            now = channels[name]
            wanted = holding(session.exceedances(name), session[name])
            assert (None if now.level is None else (now.level, now.side)) == wanted, (stop, name)
            if judge_channel(now).word in ("caution", "warning"):
                assert judge_channel(now).word == now.level
            seen.add((name, now.level))
        if stop > 30_000:
            break
    assert ("oil_pressure", "warning") in seen or ("oil_pressure", "caution") in seen


def test_extremes_begin_anew(clean, car):
    follower = Follower(car)
    half = len(clean) // 2
    for piece in clean.slice(0, half).pieces(1_000):
        follower.update(piece)
    follower.reset_extremes()
    assert all(now.samples == 0 and np.isnan(now.minimum) for now in follower.result(int(clean.time_ns[half - 1])))
    before = Session([clean.slice(0, half)], car)
    for piece in clean.slice(half, len(clean)).pieces(1_000):
        follower.update(piece)
        follower.result(int(piece.time_ns[-1]))
    whole = Session([clean], car)
    for now in follower.result(int(clean.time_ns[-1])):
        later = whole[now.name].time_ns > before[now.name].time_ns[-1]
        rest = whole[now.name].take(later)
        assert now.samples == len(rest), now.name
        assert same(
            np.array([now.minimum, now.maximum]),
            np.array([rest.statistics().minimum, rest.statistics().maximum]),
            tolerance_of(car, now.name),
        )


def test_clear_forgets_everything(clean, car):
    follower = Follower(car)
    follower.update(clean)
    follower.clear()
    assert all(judge_channel(now).word == "waiting" and now.samples == 0 for now in follower.result(0))
    first = follow(follower, clean.slice(0, 9_000), 1, 2_000)
    other = follow(Follower(car), clean.slice(0, 9_000), 2, 5_000)
    assert [(now.value, now.samples) for now in first if now.time_ns] == [
        (now.value, now.samples) for now in other if now.time_ns
    ]


def test_what_stops_coming_is_silent_and_what_has_not_come_waits(clean, car):
    follower = Follower(car)
    gone_ns = int(clean.time_ns[0]) + 10 * S
    frames = clean.take((clean.id != 0x1A0) | (clean.time_ns < gone_ns))
    frames = frames.take(frames.id != 0x1B0)
    follower.update(frames)
    states = {now.name: now for now in follower.result(int(frames.time_ns[-1]))}
    assert judge_channel(states["damper_fl"]).word == "silent"
    assert judge_channel(states["damper_fl"]).rate_hz == 0.0
    assert np.isfinite(states["damper_fl"].value)
    assert judge_channel(states["damper_fl_speed"]).word == "silent"
    assert judge_channel(states["oil_pressure"]).word == "waiting"
    assert states["oil_pressure"].time_ns is None
    assert states["oil_pressure"].unit == car.channels["oil_pressure"].unit
    assert judge_channel(states["engine_speed"]).word == "ok"
    assert states["engine_speed"].rate_hz == pytest.approx(200.0, rel=0.01)
    later = {now.name: now for now in follower.result(int(frames.time_ns[-1]) + 60 * S)}
    assert judge_channel(later["engine_speed"]).word == "silent"
    assert np.isnan(later["engine_speed"].trace.low).sum() >= 59


def test_a_broken_wire_is_bad_with_its_reason(clean, car):
    broken = changed_payloads(clean)
    dampers = np.flatnonzero((broken.bus == 1) & (broken.id == 0x1A0))
    follower = Follower(car)
    follower.update(broken.slice(0, int(dampers[800])))
    now = {each.name: each for each in follower.result(int(broken.time_ns[dampers[800]]))}["damper_fl"]
    assert judge_channel(now).word == "bad"
    assert now.quality & Quality.ELECTRICAL_RAIL
    assert "wiring fault" in now.quality_words
    assert now.volts == pytest.approx(4.99)
    assert now.bad_samples >= 100
    assert now.maximum < now.value


def test_a_channel_that_can_not_be_computed_costs_only_itself(clean, car, monkeypatch):
    from buswright.channels import session as session_module

    original = session_module.measure_channel

    def failing(channel, *arguments, **options):
        if channel.name == "damper_fl":
            raise ValueError("this curve has no inverse")
        return original(channel, *arguments, **options)

    monkeypatch.setattr(session_module, "measure_channel", failing)
    follower = Follower(car)
    follower.update(clean.slice(0, 10_000))
    now = {each.name: each for each in follower.result(int(clean.time_ns[9_999]))}
    assert judge_channel(now["damper_fl"]).word == judge_channel(now["damper_fl_speed"]).word == "bad"
    assert now["damper_fl"].quality_words == "this curve has no inverse"
    assert judge_channel(now["damper_fr"]).word == "ok"
    assert [plotted.series.name for plotted in follower.plotted(["damper_fl", "damper_fr"])] == [
        "damper_fl",
        "damper_fr",
    ]


def test_a_formula_without_a_value_is_bad_and_says_so(tmp_path):
    (tmp_path / "body.dbc").write_text(DATABASE)
    (tmp_path / "car.toml").write_text(CAR + '\n[channel.nothing]\nformula = "log(0 - abs(level) - 1)"\nunit = "V"\n')
    follower = Follower(load_car_file(tmp_path / "car.toml"))
    frames = awkward_frames()
    follower.update(frames)
    now = {each.name: each for each in follower.result(int(frames.time_ns[-1]))}["nothing"]
    assert (judge_channel(now).word, now.quality, now.bad_samples == now.samples > 0) == ("bad", 0, True)
    assert now.quality_words.startswith("no number")


def test_what_is_told_of_a_channel(clean, car):
    follower = Follower(car)
    follower.update(clean)
    now = {each.name: each for each in follower.result(int(clean.time_ns[-1]))}
    oil = now["oil_pressure"]
    assert (oil.bus, oil.message) == ("chassis", "ANALOGUE_A")
    assert oil.module == car.module_of("chassis", "ANALOGUE_A")
    assert oil.limit_text == (
        "caution below 1.6 bar for 0.3 s when engine_speed > 4500; warning below 1.1 bar for 0.3 s when"
        " engine_speed > 4500"
    )
    assert oil.electrical == "V"
    assert oil.wiring == car.channels["oil_pressure"].wiring
    assert oil.expected_hz == 100.0 or oil.expected_hz == pytest.approx(oil.rate_hz, rel=0.05)
    assert now["front_speed"].formula == car.channels["front_speed"].formula.text
    assert now["front_speed"].raw is None


# A car with everything that is awkward -------------------------------------------------------------------------------

DATABASE = """VERSION ""
NS_ :
BS_:
BU_: node
BO_ 256 PAGES: 8 node
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" Vector__XXX
 SG_ PressureA m0 : 8|16@1+ (0.1,0) [0|1000] "bar" Vector__XXX
 SG_ PressureB m1 : 8|16@1+ (0.1,0) [0|1000] "bar" Vector__XXX
BO_ 512 SPEED: 4 node
 SG_ Speed : 0|16@1- (0.01,0) [0|0] "m/s" Vector__XXX
 SG_ Gear : 16|8@1+ (1,0) [0|0] "" Vector__XXX
BO_ 513 SLOW: 2 node
 SG_ Level : 0|16@1+ (0.01,0) [0|0] "l" Vector__XXX
BO_ 2364540158 EEC1: 8 Vector__XXX
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_DEF_ "ProtocolType" "";
BA_ "ProtocolType" "J1939";
BA_ "GenMsgCycleTime" BO_ 512 10;
BA_ "GenMsgCycleTime" BO_ 513 2500;
BA_ "GenMsgCycleTime" BO_ 2364540158 20;
VAL_ 512 Gear 0 "neutral" 1 "first" 2 "second" ;
"""
CAR = """format = 1
[car]
name = "Wrenfell 3"
[bus.body]
bitrate = 500_000
interfaces = ["can0"]
databases = ["body.dbc"]
[channel.pressure_a]
signal = "body/PAGES/PressureA"
[channel.pressure_b]
signal = "body/PAGES/PressureB"
[channel.speed]
signal = "body/SPEED/Speed"
plausible = [-100.0, 100.0]
[channel.gear]
signal = "body/SPEED/Gear"
role = "gear"
[channel.level]
signal = "body/SLOW/Level"
[channel.revolutions]
signal = "body/EEC1/EngineSpeed"
[channel.metres]
formula = "accumulate(abs(speed))"
[channel.metres_twice]
formula = "2 * metres + 0 * level"
[channel.twice_level]
formula = "2 * level"
[channel.last_speed]
formula = "keep_last(speed)"
[channel.last_shared]
formula = "keep_last(where(revolutions > 2000, speed, 0 / 0 * speed))"
[channel.earlier]
formula = "lagged(speed, 0.5) - speed"
[channel.smooth]
formula = "low_pass(speed, 5)"
[channel.ratio]
formula = "speed / revolutions"
[channel.in_gear]
formula = "where(gear > 0, revolutions, 0)"
"""


@pytest.fixture(scope="module")
def awkward_car(tmp_path_factory):
    folder = tmp_path_factory.mktemp("awkward")
    (folder / "body.dbc").write_text(DATABASE)
    (folder / "car.toml").write_text(CAR)
    return load_car_file(folder / "car.toml")


def awkward_frames(seconds: float = 40.0, jump: bool = False) -> Frames:
    """Pages in turn, a speed with a long wrong stretch, a slow message, engine speed of two sources."""
    start, rows = 1_000 * S, []
    random = np.random.default_rng(5)
    for at in range(int(seconds * 100)):
        time_ns = start + at * 10 * MS + int(random.integers(0, 400_000))
        speed = round(100 * 20 * np.sin(at / 130)) if not 1_400 < at < 2_600 else 25_000
        gear = at // 700 % 3
        payload = int(speed).to_bytes(2, "little", signed=True) + bytes([gear, 0])
        rows.append((time_ns, 0, 512, 0, 4, payload if at % 313 else payload[:1]))
        if at % 2 == 0:
            number = round((3000 + 2500 * np.sin(at / 400)) / 0.125)
            rows.append((time_ns + 900_000, 0, 0x0CF00421, 1, 8, bytes(3) + number.to_bytes(2, "little") + bytes(3)))
            other = round(1000 / 0.125).to_bytes(2, "little")
            rows.append((time_ns + 1_200_000, 0, 0x0CF00433, 1, 8, bytes(3) + other + bytes(3)))
        if at % 5 == 0:
            page = bytes([at // 5 % 3]) + int(500 + at % 97).to_bytes(2, "little") + bytes(5)
            rows.append((time_ns + 2_000_000, 0, 256, 0, 8, page))
        if at % 250 == 0:
            rows.append((time_ns + 3_000_000, 0, 513, 0, 2, int(3_000 + at).to_bytes(2, "little")))
    if jump:
        half = len(rows) // 2
        rows[half:] = [(row[0] - 15 * S, *row[1:]) for row in rows[half:]]
    return batch_of(rows)


def rate_at(awkward_car, name: str, identifier: int, times_ms: list[int], now_ms: int) -> float | None:
    """Follow a channel whose message came at these times; return its rate at a moment."""
    start = 1_000 * S
    follower = Follower(awkward_car)
    follower.update(batch_of([(start + at * MS, 0, identifier, 0, 4, bytes(4)) for at in times_ms if at <= now_ms]))
    (found,) = (now for now in follower.result(start + now_ms * MS) if now.name == name)
    return found.rate_hz


def test_a_rate_is_that_of_the_last_two_seconds(awkward_car):
    """100 Hz for ten seconds, then 50 Hz: two seconds later that is the rate, one second later it is a mixture."""
    times = [*range(0, 10_000, 10), *range(10_000, 20_000, 20)]
    assert rate_at(awkward_car, "speed", 512, times, 9_990) == pytest.approx(100.0)
    assert rate_at(awkward_car, "speed", 512, times, 11_000) == pytest.approx((100 + 50) / 2)
    assert rate_at(awkward_car, "speed", 512, times, 12_000) == pytest.approx(50.0)


def test_what_has_not_come_since_the_clock_was_set_back_has_no_rate_and_is_silent_in_time(awkward_car):
    start = 1_000 * S
    before = [(start + n * 10 * MS, 0, 512, 0, 4, bytes(4)) for n in range(1_000)]
    after = [(start - 500 * S + n * 10 * MS, 0, 513, 0, 2, bytes(2)) for n in range(500)]
    follower = Follower(awkward_car)
    told = []
    for rows, now_ns in ((before, before[-1][0]), (after[:20], after[19][0]), (after[20:], after[-1][0])):
        follower.update(batch_of(rows))
        (speed,) = (now for now in follower.result(now_ns) if now.name == "speed")
        told.append((judge_channel(speed).rate_hz, judge_channel(speed).word))
    assert told == [(pytest.approx(100.0), "ok"), (0.0, "ok"), (0.0, "silent")]


def test_a_slow_rate_is_that_of_four_periods(awkward_car):
    """Every 2 s, expected every 2.5 s, the last one half a second late: of the last 10 s four steps are whole."""
    times = [2_000 * n for n in range(30)]
    late = times[-1] + 2_500
    assert rate_at(awkward_car, "level", 513, times, times[-1]) == pytest.approx(0.5)
    assert rate_at(awkward_car, "level", 513, [*times, late], late) == pytest.approx(4 / 8.5)


@pytest.mark.parametrize("jump", [False, True])
@pytest.mark.parametrize(("seed", "most"), [(1, 150), (2, 2_000), (3, 100_000)])
def test_multiplexers_open_addresses_and_formulas_that_need_the_whole_run(seed, most, jump, awkward_car):
    frames = awkward_frames(jump=jump)
    session = Session([frames], awkward_car)
    follower = Follower(awkward_car)
    channels = {now.name: now for now in follow(follower, frames, seed, most)}
    assert channels["revolutions"].message == "EEC1@21"
    assert channels["gear"].text in ("neutral", "first", "second")
    assert channels["pressure_a"].expected_hz is None
    assert channels["pressure_a"].rate_hz == pytest.approx(20 / 3, rel=0.05)
    for name in awkward_car.channels:
        check_equal(channels[name], session[name], tolerance_of(awkward_car, name))
    for name, plotted in zip(awkward_car.channels, follower.plotted(list(awkward_car.channels)), strict=True):
        whole = session[name].segment(len(session[name].segments) - 1)
        assert np.array_equal(plotted.series.time_ns, whole.time_ns), name
        assert same(plotted.series.value, whole.value, tolerance_of(awkward_car, name)), name


def test_a_segment_that_begins_with_a_single_frame(awkward_car):
    """What has no frame in the batch in which the clock jumps is counted all the same."""
    frames = awkward_frames(jump=True)
    half = int(np.argmin(np.diff(frames.time_ns))) + 1
    follower = Follower(awkward_car)
    for start, stop in ((0, half), (half, half + 1), (half + 1, half + 2), (half + 2, len(frames))):
        follower.update(frames.slice(start, stop))
        channels = {now.name: now for now in follower.result(int(frames.time_ns[stop - 1]))}
    session = Session([frames], awkward_car)
    for name, now in channels.items():
        check_equal(now, session[name], tolerance_of(awkward_car, name))


def test_a_counter_that_stands_still_across_a_cut(clean, car):
    frames = changed_payloads(clean)
    engine = np.flatnonzero((frames.bus == 0) & (frames.id == 0x0A0))
    follower, last = Follower(car), 0
    for stop in (*(int(row) + 1 for row in engine[997:1007]), len(frames)):
        follower.update(frames.slice(last, stop))
        follower.result(int(frames.time_ns[stop - 1]))
        last = stop
    now = {each.name: each for each in follower.result(int(frames.time_ns[-1]))}["engine_speed"]
    assert now.bad_samples == np.count_nonzero(~Session([frames], car)["engine_speed"].valid) >= 5


def test_an_integral_and_a_kept_value_outlast_the_window(awkward_car):
    """The speed is unusable for 12 s, far longer than a window: what was last known is still there."""
    frames = awkward_frames()
    follower = Follower(awkward_car)
    stop = int(np.searchsorted(frames.time_ns, 1_025 * S))
    for piece in frames.slice(0, stop).pieces(100):
        follower.update(piece)
        channels = {now.name: now for now in follower.result(int(piece.time_ns[-1]))}
    session = Session([frames.slice(0, stop)], awkward_car)
    assert judge_channel(channels["speed"]).word == "bad"
    for name in ("last_speed", "metres"):
        whole = session[name]
        check_equal(channels[name], whole, 0.0)
    assert np.isfinite(channels["last_speed"].value)
    assert unusable(np.array([channels["last_speed"].quality], np.uint16)).all()


# Without a car file, and odd input -----------------------------------------------------------------------------------


def test_without_a_car_file_channels_are_signals(tmp_path):
    (tmp_path / "body.dbc").write_text(DATABASE)
    databases = {"*": [load_database(tmp_path / "body.dbc")]}
    frames = awkward_frames(20.0)
    session = Session([frames], None, databases=databases, bus_names={"can0": "body"})
    follower = Follower(databases=databases, bus_names={"can0": "body"})
    channels = follow(follower, frames, 1, 500)
    assert {now.name for now in channels} == set(session.names)
    for now in channels:
        check_equal(now, session[now.name], 0.0)
    by_name = {now.name: now for now in channels}
    assert by_name["body/SPEED/Speed"].expected_hz == 100.0
    assert by_name["body/SPEED/Speed"].module == "node"
    assert by_name["body/EEC1@33/EngineSpeed"].value == 1000.0


def test_with_neither_there_are_no_channels(clean):
    follower = Follower()
    follower.update(clean)
    assert follower.result(0) == ()
    assert follower.plotted(["x"]) == ()


def test_a_message_sent_on_change_is_never_silent(tmp_path):
    text = DATABASE + (
        'BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","OnChange";\nBA_DEF_DEF_ "GenMsgSendType" "Cyclic";\n'
        'BA_ "GenMsgSendType" BO_ 513 1;\n'
    )
    (tmp_path / "body.dbc").write_text(text)
    follower = Follower(databases={"*": [load_database(tmp_path / "body.dbc")]})
    follower.update(batch_of([(S, 0, 513, 0, 2, bytes(2)), (2 * S, 0, 512, 0, 4, bytes(4))]))
    states = {now.name: judge_channel(now).word for now in follower.result(100 * S)}
    assert states["can0/SLOW/Level"] == "ok"
    assert states["can0/SPEED/Speed"] == "silent"


def test_frames_without_times_show_their_latest_values(clean, car):
    untimed = replace(clean, time_ns=np.zeros(len(clean), np.int64), flags=clean.flags | np.uint8(Flag.UNTIMED))
    follower = Follower(car)
    channels = {now.name: now for now in follow(follower, untimed, 1, 5_000)}
    whole = Session([untimed], car)["engine_speed"]
    assert channels["engine_speed"].value == whole.value[-1]
    assert channels["engine_speed"].samples == len(whole)
    assert channels["engine_speed"].maximum == whole.value.max()


def test_memory_is_bounded(car):
    """Three minutes at native rate: only two of them, and the windows' margins, are held."""
    follower = Follower(car)
    one = simulated(20.0)
    for turn in range(9):
        for piece in one.pieces(10_000):
            follower.update(replace(piece, time_ns=piece.time_ns + turn * 20 * S))
    now = follower.result(int(one.time_ns[-1]) + 8 * 20 * S)
    count = np.count_nonzero((one.bus == 0) & (one.id == 0x0A0))
    assert {each.name: each for each in now}["engine_speed"].samples == 9 * count
    (plotted,) = follower.plotted(["engine_speed"])
    assert 119.5 < (plotted.series.time_ns[-1] - plotted.series.time_ns[0]) / S <= 120.0
    held = follower._windows.recent.by_name
    assert sum(message.rows - message.first for message in held.values()) < 145 * len(one) / 20
