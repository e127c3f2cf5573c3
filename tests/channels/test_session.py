"""Sessions: channels by name, their quality, limits, and common time bases."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import buswright as bw
from buswright.channels import spool as spool_module
from buswright.channels.carfile.checks.parts import MOST_CHAIN
from buswright.channels.carfile.load import check_car_file
from buswright.channels.carfile.model import Channel, Limits, Zero
from buswright.channels.carfile.needs import inputs_of
from buswright.channels.expectation import NOTHING, Stated
from buswright.channels.following.follow import Follower
from buswright.channels.following.window import needs_whole_run
from buswright.channels.formula.parse import parse_formula
from buswright.channels.measuring.measured import _reference_at
from buswright.channels.measuring.recorded import Segments
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.channels.spool import Spool
from buswright.frames.table import Flag, Frames, concatenate
from tests.frames.frame_batches import batch_of

ROOT = Path(__file__).parent.parent.parent
RUN, CAR = ROOT / "captures" / "wrenfell_run.log", ROOT / "dbc_examples" / "wrenfell.toml"
S = 1_000_000_000


@pytest.fixture(scope="module")
def car():
    return bw.load_car_file(CAR)


@pytest.fixture(scope="module")
def frames():
    return concatenate(list(bw.open_capture(RUN)))


@pytest.fixture(scope="module")
def session(car):
    return bw.open_session(RUN, car)


def rows_of(frames: Frames, bus: str, identifier: int) -> np.ndarray:
    return np.flatnonzero((frames.bus == frames.buses.index(bus)) & (frames.id == identifier))


def changed(frames: Frames, **columns: np.ndarray) -> Frames:
    return replace(frames, **columns)


def test_it_reads_only_when_asked_and_once(car):
    passes = []

    class Watched:
        def __iter__(self):
            passes.append(1)
            return iter(bw.open_capture(RUN))

    session = Session(Watched(), car)
    assert "damper_fl" in session
    assert not passes
    assert session["damper_fl"] is session["damper_fl"]
    assert len(session["oil_pressure"])
    assert passes == [1]


def test_every_channel_has_its_unit_and_samples(session, car):
    assert list(session) == list(car.channels)
    for name, series in session.items():
        assert series.unit == car.channels[name].unit or car.channels[name].formula is not None
        assert len(series) > 0, name


def test_raw_volts_and_value_follow_from_one_another(session, car):
    series = session["damper_fl"]
    channel = car.channels["damper_fl"]
    calibration = car.sensors[channel.sensor].calibration
    assert series.raw is not None
    assert series.volts is not None
    assert np.allclose(series.volts, series.raw / 1000.0, rtol=1e-15)  # the node sends millivolts
    assert np.allclose(series.value, calibration.apply(series.volts) + channel.zero.add)


def test_a_signal_without_a_sensor_keeps_the_database_scaling(session):
    store = bw.read_signals(
        bw.open_capture(RUN),
        bw.open_database(ROOT / "dbc_examples" / "wrenfell_engine.dbc"),
        bus_names={"can0": "engine"},
    )
    assert np.array_equal(
        session["engine_speed"].value, next(iter(store.matching("engine/ENGINE_1/EngineSpeed"))).value
    )


def test_a_clean_run_is_clean(session):
    allowed = bw.Quality.INTERPOLATED | bw.Quality.AFTER_GAP | bw.Quality.OUTSIDE_CALIBRATION
    for name, series in session.items():
        if series.quality is not None:
            odd = np.count_nonzero(series.quality & ~np.uint16(allowed))
            assert odd / len(series) < 0.005, (name, bw.describe_quality(int(np.bitwise_or.reduce(series.quality))))


def test_a_wire_that_breaks_is_a_rail_not_a_value(frames, car):
    rows = rows_of(frames, "can1", 0x1A0)
    payload = frames.payload.copy()
    payload[rows[1000:1100], 0:2] = np.frombuffer(np.array([4990], "<u2").tobytes(), np.uint8)
    broken = bw.open_session([changed(frames, payload=payload)], car)["damper_fl"]
    rail = (broken.quality & bw.Quality.ELECTRICAL_RAIL) != 0
    assert np.flatnonzero(rail).tolist() == list(range(1000, 1100))
    assert not broken.valid[1000:1100].any()
    assert broken.value[1000] > 40  # beyond the sensor's end: the evidence stays, it isn't clamped
    assert broken.quality[1000] & bw.Quality.TOO_FAST
    assert broken.quality[1050] & bw.Quality.BAD_CHECKSUM  # the payload was changed behind the sender's back


def test_stale_counters_wrong_checksums_and_short_frames_are_marked(frames, car):
    rows = rows_of(frames, "can1", 0x1A0)
    payload, length = frames.payload.copy(), frames.length.copy()
    payload[rows[500]] = payload[rows[499]]
    payload[rows[600], 0] ^= 1
    length[rows[700]] = 1
    damaged = changed(frames, payload=payload, length=length)
    series = bw.open_session([damaged], car)["damper_fl"]
    third = len(frames) // 3
    parts = [damaged.slice(0, third), damaged.slice(third, 2 * third), damaged.slice(2 * third, len(frames))]
    cut = bw.open_session(parts, car)["damper_fl"]
    assert np.array_equal(cut.quality, series.quality)
    assert np.array_equal(cut.value, series.value, equal_nan=True)
    assert series.quality[500] & bw.Quality.STALE_COUNTER
    assert series.quality[600] == bw.Quality.BAD_CHECKSUM
    assert series.quality[700] & bw.Quality.SHORT_FRAME
    clean = np.delete(series.quality, [500, 501, 600, 700])
    assert not (clean & np.uint16(bw.Quality.STALE_COUNTER | bw.Quality.BAD_CHECKSUM | bw.Quality.SHORT_FRAME)).any()


def test_a_gap_is_marked_and_not_crossed(frames, car):
    first = int(frames.time_ns[0])
    there = (frames.time_ns < first + 10 * S) | (frames.time_ns > first + 11 * S)
    session = bw.open_session([frames.take(there)], car)
    series = session["damper_fl"]
    assert np.count_nonzero(series.quality & bw.Quality.AFTER_GAP if series.quality is not None else 0) == 1
    points, columns = session.resampled(100, ["damper_fl", "damper_fl_speed"])
    silent = (points > first + 10.02 * S) & (points < first + 10.98 * S)
    for name in columns:
        assert np.isnan(columns[name].value[silent]).all()
        assert (columns[name].quality[silent] & bw.Quality.AFTER_GAP).all()


def test_a_clock_that_jumps_back_splits_all_channels_alike(frames, car):
    time_ns = frames.time_ns.copy()
    time_ns[20_000:] -= 60 * S
    session = bw.open_session([changed(frames, time_ns=time_ns)], car)
    counts = {len(session[name].segments) for name in ("damper_fl", "engine_speed", "oil_temperature")}
    assert counts == {2}
    whole = bw.open_session([frames], car)
    for name in ("damper_fl_speed", "rear_slip", "brake_bias"):
        before, after = whole[name].value, session[name].value
        differing = ~np.isclose(before[: len(after)], after[: len(before)], equal_nan=True)
        assert np.count_nonzero(differing) < 60, name  # only around the jump


def test_segments_belong_to_the_capture_not_to_a_bus(frames):
    time_ns = frames.time_ns.copy()
    time_ns[20_000:] -= 60 * S
    jumped = changed(frames, time_ns=time_ns)
    whole = Segments()
    assert len(whole.starts(jumped)) == 1
    pieces, starts, before = Segments(), [], 0
    for piece in jumped.pieces(777):
        starts += [before + start for start in pieces.starts(piece)]
        before += len(piece)
    assert starts == whole.__class__().starts(jumped) == [20_000]


def test_limits_become_events(frames, car):
    clean = bw.open_session([frames], car)
    assert not [each for each in clean.exceedances("oil_pressure") if each.level == "warning"]
    rows = rows_of(frames, "can1", 0x1B0)
    payload = frames.payload.copy()
    assert str(car.channels["oil_pressure"].signal) == "chassis/ANALOGUE_A/AIN6"
    payload[rows[600:700], 0:2] = np.frombuffer(np.array([550], "<u2").tobytes(), np.uint8)  # hardly any pressure
    session = bw.open_session([changed(frames, payload=payload)], car)
    assert (session["oil_pressure"].quality[600:700] & bw.Quality.BAD_CHECKSUM == 0).all()
    (warning,) = [each for each in session.exceedances("oil_pressure") if each.level == "warning"]
    assert (warning.side, warning.samples) == ("low", 100)
    assert warning.start_ns == frames.time_ns[rows[600]]
    assert warning.end_ns == frames.time_ns[rows[699]]
    assert warning.peak == session["oil_pressure"].value[600:700].min()
    assert warning in session.exceedances()


def test_delay_moves_the_stamps_back(car):
    session = Session(bw.open_capture(RUN), car)
    delayed = next(c for c in car.channels.values() if c.delay_s)
    message = session.recorded.messages[f"{delayed.signal.bus}/{delayed.signal.message}"]
    assert np.array_equal(session[delayed.name].time_ns, message.time_ns() - round(delayed.delay_s * 1e9))


def test_no_frames_have_no_common_times(car):
    assert Session([], car).grid_ns(100).tolist() == []


def test_unknown_channels_name_the_closest(session):
    with pytest.raises(KeyError, match="did you mean 'damper_fl'"):
        session["damper_flx"]


def test_without_a_car_file_channels_are_signals():
    session = bw.open_session(RUN, dbc=[ROOT / "dbc_examples" / "wrenfell_chassis.dbc"], bus={"can1": "chassis"})
    assert "chassis/DAMPERS_A/AIN1" in session
    assert session["chassis/DAMPERS_A/AIN1"].unit == "mV"
    assert session["chassis/DAMPERS_A/MessageCounter"].kind == "state"
    with pytest.raises(bw.UserError, match="car file or a database"):
        bw.open_session(RUN)


def test_a_channel_that_never_comes_is_empty(frames, car):
    gone = frames.take(frames.id != 0x1A0)
    session = bw.open_session([gone], car)
    assert len(session["damper_fl"]) == 0
    assert len(session["damper_fl_speed"]) == 0
    table = session.to_pandas(rate=10)
    assert table["damper_fl"].isna().all()


def test_to_pandas(session):
    names = ["damper_fl", "engine_speed"]
    wide = session.to_pandas(names, rate=50)
    assert list(wide.columns) == names
    assert np.array_equal(wide.index.as_unit("ns").asi8, session.resampled(50, "gear")[0])
    seconds = session.to_pandas(names, rate=50, index="seconds").index
    assert np.allclose(np.diff(seconds), 0.02)
    assert np.array_equal(np.rint(seconds * 1e9) + session.first_ns, session.resampled(50, "gear")[0])
    tall = session.to_pandas(names=["damper_fl", "engine_speed"])
    assert isinstance(tall, pd.DataFrame)
    assert len(tall) == len(session["damper_fl"]) + len(session["engine_speed"])
    assert tall.index.is_monotonic_increasing


def test_dependencies_are_found(car):
    needed = inputs_of(car, ["brake_bias"])
    assert needed[0] == "brake_bias"
    assert set(car.channels["brake_bias"].formula.inputs) <= set(needed)


def test_what_a_limit_waits_for_is_needed_too(car):
    conditional = [channel for channel in car.channels.values() if channel.warning and channel.warning.when]
    assert conditional
    for channel in conditional:
        assert set(channel.warning.when.inputs) <= set(inputs_of(car, [channel.name]))


def test_a_night_between_two_runs_has_no_grid_points(frames, car):
    later = changed(frames, time_ns=frames.time_ns + 12 * 3600 * S)
    session = bw.open_session([frames, later], car)
    table = session.to_pandas("engine_speed", rate=10, index="seconds")
    assert len(table) < 2 * 26 * 10 + 10
    assert table.index[-1] == pytest.approx(12 * 3600 + 25.9, abs=0.2)
    steps = np.diff(table.index)
    assert np.count_nonzero(steps > 0.15) == 1
    assert table["engine_speed"].notna().mean() > 0.97


def test_a_reference_holds_into_its_gaps_but_not_over_its_own_faults():
    """10 Hz with nothing from 1 s to 3 s: it holds for 3.1 periods on either side; a bad sample is not bridged."""
    times = np.concatenate((np.arange(0, 11), np.arange(30, 41))) * 100_000_000
    value = np.arange(22.0)
    quality = np.zeros(22, np.uint16)
    quality[5] = bw.Quality.ELECTRICAL_RAIL
    reference = Series("supply", "V", times, value, quality=quality, period_s=0.1)
    at = np.array([0.45, 0.55, 1.2, 1.3, 1.5, 2.6, 2.75, 4.2, 4.5]) * 1e9
    at = at.astype(np.int64)
    given = _reference_at(reference, at, np.zeros(1, np.int64))
    assert np.array_equal(given, [np.nan, np.nan, 10.0, 10.0, np.nan, np.nan, 11.0, 21.0, np.nan], equal_nan=True)


RANGES = """VERSION ""
BU_: node
BO_ 256 LEVELS: 4 node
 SG_ Level : 0|8@1+ (0.5,0) [10.2|39.9] "l" Vector__XXX
 SG_ Gear : 8|8@1+ (1,0) [1|6] "" Vector__XXX
 SG_ Free : 16|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ Lean : 24|8@1- (1,0) [-20|20] "deg" Vector__XXX
VAL_ 256 Gear 0 "neutral" 1 "first" ;
"""


@pytest.mark.parametrize(
    ("signal", "raws", "outside"),
    [
        ("Level", [0, 19, 20, 50, 80, 81, 255], [1, 1, 0, 0, 0, 1, 1]),  # half a step is rounding
        ("Gear", [0, 1, 6, 7, 255], [0, 0, 0, 1, 1]),  # a named value is one that the sender may give
        ("Free", [0, 1, 255], [0, 0, 0]),
        ("Lean", [0, 20, 21, 236, 235, 128], [0, 0, 1, 0, 1, 1]),
        ("Lean", [0, 20, 19], [0, 0, 0]),
    ],
)
def test_values_outside_the_range_of_the_database_are_marked(tmp_path, signal, raws, outside):
    (tmp_path / "levels.dbc").write_text(RANGES)
    at = {"Level": 0, "Gear": 1, "Free": 2, "Lean": 3}[signal]
    inside = bytearray((40, 1, 0, 0))
    rows = []
    for number, raw in enumerate(raws):
        payload = inside.copy()
        payload[at] = raw
        rows.append((1_000 * S + number * 10_000_000, 0, 0x100, 0, 4, bytes(payload)))
    session = bw.open_session([batch_of(rows)], dbc=[tmp_path / "levels.dbc"])
    series = session[f"can0/LEVELS/{signal}"]
    quality = np.zeros(len(series), np.uint16) if series.quality is None else series.quality
    assert (quality == bw.Quality.DATABASE_RANGE).tolist() == [bool(each) for each in outside]
    assert ((quality == 0) | (quality == bw.Quality.DATABASE_RANGE)).all()
    for name in ("Level", "Gear", "Free", "Lean"):
        if name != signal:
            assert session[f"can0/LEVELS/{name}"].quality is None


def test_a_frame_that_is_too_short_for_a_signal_says_that_and_no_more(tmp_path):
    (tmp_path / "levels.dbc").write_text(RANGES)
    rows = [
        (1_000 * S + n * 10_000_000, 0, 0x100, 0, length, bytes((40, 1, 0, 0))[:length])
        for n, length in enumerate((4, 1, 4))
    ]
    session = bw.open_session([batch_of(rows)], dbc=[tmp_path / "levels.dbc"])
    assert session["can0/LEVELS/Level"].quality is None
    assert session["can0/LEVELS/Gear"].quality.tolist() == [0, int(bw.Quality.SHORT_FRAME), 0]


SMALL = """VERSION ""
BU_: NODE
BO_ 256 STATES: 8 NODE
 SG_ Switch : 0|16@1+ (1,0) [0|0] "V" NODE
 SG_ Count : 16|48@1+ (1,0) [0|0] "" NODE
BO_ 257 LONG: 8 NODE
 SG_ Whole : 0|64@1+ (1,0) [0|0] "" NODE
BO_ 2566843904 WARM: 8 NODE
 SG_ Oil : 0|8@1+ (1,-40) [-40|210] "degC" NODE
 SG_ Speed : 8|16@1+ (0.125,0) [0|8031.875] "rpm" NODE
 SG_ Hours : 24|32@1+ (0.05,0) [0|210554060.75] "h" NODE
 SG_ AliveCounter : 56|8@1+ (1,0) [0|255] "" NODE
BA_DEF_ BO_  "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "";
BA_ "VFrameFormat" BO_ 2566843904 3;
VAL_ 256 Count 7 "seventh" ;
"""
SMALL_CAR = """format = 1
[bus.body]
bitrate = 500_000
interfaces = ["can0"]
databases = ["small.dbc"]
[sensor.door]
kind = "switch"
electrical = "V"
states = [{ name = "off", band = [0.0, 1.0] }, { name = "on", band = [2.0, 5.0] }]
[channel.door]
signal = "body/STATES/Switch"
sensor = "door"
[channel.whole]
signal = "body/LONG/Whole"
[channel.oil]
signal = "body/WARM/Oil"
"""


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    (folder / "small.dbc").write_text(SMALL)
    (folder / "car.toml").write_text(SMALL_CAR)
    return bw.load_car_file(folder / "car.toml"), folder / "small.dbc"


def test_a_frame_that_is_too_short_has_no_value(small):
    """Neither whole numbers of 64 bits nor switches, which have no NaN of their own, make a zero of it."""
    rows = [(k * S, 0, identifier, 0, 1, b"\x03") for k in range(4) for identifier in (256, 257)]
    session = bw.open_session([batch_of(rows)], small[0])
    for name in ("door", "whole"):
        series = session[name]
        assert len(series) == 4
        assert np.isnan(series.value).all(), name
        assert (series.quality == bw.Quality.SHORT_FRAME).all()
    tall = session.to_pandas()
    assert tall["raw"].isna().all()
    assert tall["value"].isna().all()
    assert tall["volts"].isna().all()


def test_states_of_switches_and_of_value_tables_have_names(small):
    inputs = (0, 3, 9)  # volts: off, on, in no band
    rows = [(k * S, 0, 256, 0, 8, bytes([volts, 0, 7 - k] + [0] * 5)) for k, volts in enumerate(inputs)]
    frames = batch_of([*rows, (3 * S, 0, 256, 0, 1, b"\0")])
    session = Session([frames], small[0])
    assert [session["door"].label(k) for k in range(4)] == ["off", "on", "", ""]
    moved = replace(small[0].channels["door"], zero=Zero(0.3))
    other = Session([frames], replace(small[0], channels={"door": moved}))["door"]
    assert [other.label(k) for k in range(3)] == ["off", "on", ""]
    signals = bw.open_session([frames], dbc=small[1])
    assert [signals["can0/STATES/Count"].label(k) for k in range(4)] == ["seventh", "", "", ""]
    assert signals["can0/STATES/Switch"].label(0) == ""
    for stop, text in ((1, "off"), (2, "on"), (3, "")):
        follower = Follower(small[0])
        follower.update(frames.slice(0, stop))
        assert {now.name: now.text for now in follower.result(stop * S)}["door"] == text


def test_what_j1939_keeps_for_error_and_not_available_is_no_measurement(small):
    bad = bw.Quality.SENDER_INVALID
    payloads = {
        "FA FA FA FA FA FA FA FF": 0,
        "FB FF FD FF FF FF FD FF": 0,
        "FE FF FE FF FF FF FE FF": bad,
        "FF 00 FF 00 00 00 FF FF": bad,
        "FF FF FF FF FF FF FF FF": bad,
    }
    rows = [(k * S, 0, 0x18FEEE00, 1, 8, bytes.fromhex(text)) for k, text in enumerate(payloads)]
    session = bw.open_session([batch_of(rows)], dbc=small[1])
    assert len(session.names) == 4
    for name in session.names:
        quality = session[name].quality
        got = [0] * 5 if quality is None else (quality & bad).tolist()
        assert got == ([0] * 5 if name.endswith("Counter") else list(payloads.values())), name
    assert np.array_equal(
        Session([batch_of(rows)], small[0])["oil"].usable_value[:3], [210, 211, np.nan], equal_nan=True
    )


def chain(small, length: int, *, two: bool = False):
    """Give a car file in which each channel is made of the one before it, or of the two before."""
    text = SMALL_CAR + '[channel.c0]\nformula = "oil + 1"\n[channel.c1]\nformula = "c0 + 1"\n'
    for k in range(2, length):
        other = f"0 * c{k - 2} + 1" if two else "1"
        text += f'[channel.c{k}]\nformula = "c{k - 1} + {other}"\n'
    path = small[1].with_name(f"chain{length}.toml")
    path.write_text(text)
    return path


@pytest.mark.parametrize("two", [False, True])
def test_a_chain_of_formulas_may_be_long(small, two):
    """Its last channel is worked out without calls in calls, and each channel once (36 of two took half a minute)."""
    car = bw.load_car_file(chain(small, 400, two=two))
    frames = batch_of([(k * S, 0, 0x18FEEE00, 1, 8, bytes(8)) for k in range(20)])
    assert (Session([frames], car)["c399"].value == -40 + 400).all()
    follower = Follower(car)
    follower.update(frames)
    assert follower.result(19 * S)[-1].value == Session([frames], car)["c399"].value[-1]
    assert not needs_whole_run(car, "c399")


def test_check_names_a_chain_that_is_too_long(small):
    faults = check_car_file(chain(small, MOST_CHAIN)).errors
    assert len(faults) == 1
    assert "channel.c499.formula: is the last of a chain of 501 channels" in str(faults[0])
    assert "500 are computed at most" in str(faults[0])
    assert not check_car_file(chain(small, MOST_CHAIN - 1)).errors


# -- made of a few frames ---------------------------------------------------------------------------------------------

GOOD = bw.load_car_file(Path(__file__).parents[1] / "data" / "car_file" / "car.toml")
START = 1_780_000_000 * S


def engine(*seconds: float, rpm: float = 1000, oil_mv: int = 2500, flags: int = 0) -> Frames:
    """Frames of ENGINE_A on the engine bus, at seconds after the start."""
    payload = round(rpm / 0.25).to_bytes(2, "little") + oil_mv.to_bytes(2, "little") + bytes(4)
    return batch_of([(START + round(at * S), 0, 0x1A0, flags, 8, payload) for at in seconds])


def since(session: Session, rate_hz: float) -> list[int]:
    return (session.grid_ns(rate_hz) - START).tolist()


def test_a_session_says_what_it_is_of():
    capture = bw.open_capture(RUN)
    assert Session(capture, GOOD).capture is capture
    session = Session([engine(0, 1)], GOOD)
    assert session.capture is None
    assert (session.is_read, session.first_ns, session.is_read) == (False, START, True)
    assert (len(session), list(session)) == (len(GOOD.channels), list(GOOD.channels))
    assert "rpm" not in session
    assert (session.home("engine_speed"), session.home("damper_fl_speed"), session.home("fuel")) == (
        "engine/ENGINE_A", None, None,
    )  # fmt: skip
    assert session.sources_of("engine_speed") == session.sources_of("nothing") == ()
    assert Session([], GOOD).first_ns == 0
    assert Session([engine(0)], None, databases=GOOD.databases["engine"]).sources_of("can0/ENGINE_A/RPM") == ()


def test_only_what_is_wanted_is_decoded():
    database = GOOD.databases["engine"]
    every = Session([engine(0)], None, databases=database)
    assert every.names == tuple(f"can0/ENGINE_A/{name}" for name in ("RPM", "OIL_MV", "COOLANT_MV", "GEAR", "CHECK"))
    some = Session([engine(0)], None, databases=database, only=["*/ENGINE_A/RPM"])
    assert some.names == ("can0/ENGINE_A/RPM",)
    own = Session([engine(0)], GOOD, only=["oil_pressure"])
    message = own.recorded.messages["engine/ENGINE_A"]
    assert (own.names, list(message.signals)) == (("oil_pressure",), ["RPM", "OIL_MV"])  # its warning waits for the rpm


def test_channels_that_are_made_of_each_other_are_refused():
    """A checked car file has no circle; a car put together in Python may."""
    channels = {name: Channel(name, formula=parse_formula(other)) for name, other in (("a", "b"), ("b", "a"))}
    with pytest.raises(bw.UserError) as caught:
        Session([], replace(GOOD, channels=channels))["a"]
    assert caught.value.message in (
        "channels depend on each other: a -> b -> a", "channels depend on each other: b -> a -> b",
    )  # fmt: skip
    assert caught.value.hint == "break the circle in the car file"


def test_a_part_is_of_the_same_car_over_other_frames():
    session = Session([engine(0, 1)], GOOD, only=["engine_speed"], bus_names={"can9": "engine"})
    part = session.part([engine(5)])
    assert (part.names, part.bus_names["can9"], part["engine_speed"].time_ns.tolist()) == (
        ("engine_speed",), "engine", [START + 5 * S],
    )  # fmt: skip
    assert part._expectations is session._expectations  # what is expected is found once for both
    assert session.part([]).car is GOOD


@pytest.mark.parametrize(
    ("name", "text"),
    [("engine_sped", "no channel 'engine_sped'; did you mean 'engine_speed'?"), ("xyz", "no channel 'xyz'")],
)
def test_a_name_that_there_is_not(name, text):
    for session in (Session([engine(0)], GOOD), Session([engine(0)], None, databases=GOOD.databases["engine"])):
        with pytest.raises(KeyError) as caught:
            session[name]
        assert caught.value.args[0] == (text if session.car else text.partition(";")[0])


def test_the_span_is_from_the_first_to_the_last_message():
    session = Session([engine(1, 3), engine(2)], GOOD)
    assert session.span_ns() == (START + S, START + 3 * S)
    assert Session([], GOOD).span_ns() is None
    both = batch_of([(START + 4 * S, 0, 0x210, 0, 8, bytes(8)), (START, 0, 0x210, 0, 8, bytes(8))])
    assert Session([engine(1, 3), both], GOOD).span_ns() == (START, START + 4 * S)


@pytest.mark.parametrize(
    ("stop", "rate_hz", "expected"),
    [
        (0.2, 10, [0, 100_000_000, 200_000_000]),
        (0.199, 10, [0, 100_000_000]),
        (0.333333333, 3, [0, 333_333_333]),  # a third of a second, as far as nanoseconds tell
        (0.3332, 3, [0]),  # but not 0.0004 of a point earlier
        (0.0, 10, [0]),
    ],
)
def test_grid_points_count_from_the_first_frame_ends_included(stop, rate_hz, expected):
    assert since(Session([engine(0, stop)], GOOD), rate_hz) == expected


def test_grid_points_are_those_of_the_capture_whatever_was_selected():
    other = batch_of([(START, 0, 0x7FF, 0, 0, b"")])  # known to no database, but the capture's first frame
    session = Session([other, engine(0.25, 0.5)], GOOD)
    assert since(session, 10) == [300_000_000, 400_000_000, 500_000_000]


@pytest.mark.parametrize(("second", "expected"), [(10, 11), (11, 3)])
def test_a_silence_of_more_than_ten_seconds_has_no_grid_points(second, expected):
    # Counted in whole seconds that have a message: the second after the frame at 0 s ends with a point at 1 s.
    assert len(since(Session([engine(0, second)], GOOD), 1)) == expected


def test_grid_points_after_a_silence_begin_with_the_second_in_which_it_ended():
    # Points are at 0.9995 s, 1.9995 s and so on; the second that begins at 20 s has the one at 20.9995 s.
    assert since(Session([engine(0.9995, 20.5, 21.5)], GOOD), 1) == [999_500_000, 20_999_500_000]


@pytest.mark.parametrize("rate_hz", [0, -1, float("nan")])
def test_a_grid_needs_a_rate(rate_hz):
    with pytest.raises(bw.UserError, match=f"a rate of {rate_hz:g} Hz is impossible"):
        Session([engine(0)], GOOD).grid_ns(rate_hz)


def test_frames_without_a_time_have_no_common_one():
    with pytest.raises(bw.UserError, match="frames without time stamps"):
        Session([engine(0), engine(1, flags=int(Flag.UNTIMED))], GOOD).grid_ns(10)


def test_channels_are_brought_to_one_grid():
    session = Session([engine(0, rpm=1000), engine(0.01, rpm=1100), engine(0.02, rpm=1200)], GOOD)
    points, columns = session.resampled(100)
    assert (list(columns), len(points)) == (list(GOOD.channels), 3)
    assert columns["engine_speed"].value.tolist() == [1000, 1100, 1200]
    assert np.isnan(columns["fuel"].value).all()
    assert list(session.resampled(100, ["engine_speed"])[1]) == ["engine_speed"]
    with Spool() as spool:
        kept = Session([engine(0, rpm=1000), engine(0.01, rpm=1100)], GOOD, spool=spool)
        assert kept.resampled(100, ["engine_speed"])[1]["engine_speed"].value.tolist() == [1000, 1100]


def test_columns_of_a_long_capture_lie_in_files(monkeypatch):
    monkeypatch.setattr(spool_module, "LEAST_BYTES", 0)
    times = [k / 100 for k in range(100)]
    with Spool() as spool:
        session = Session([engine(*times)], GOOD, spool=spool)
        series = session["engine_speed"]
        value = session.resampled(200, ["engine_speed"])[1]["engine_speed"].value
        for column in (series.value, series.time_ns, value):
            assert spool.keep(column) is column  # what lies in a file already is not written again
        assert (series.value.tolist(), value.tolist()) == ([1000.0] * 100, [1000.0] * 199)


def test_limits_hold_only_while_their_condition_does():
    # The oil pressure warns below 80 kPa for 0.1 s, but only above 500 rpm: 740 mV are 60 kPa at 5 V.
    volts = bytes(2) + (5000).to_bytes(2, "little") + bytes(4)
    supply = batch_of([(START + k * S // 10, 0, 0x210, 0, 8, volts) for k in range(20)])
    slow = engine(*np.arange(0, 1, 0.01), rpm=400, oil_mv=740)
    fast = engine(*np.arange(1, 2, 0.01), rpm=600, oil_mv=740)
    frames = concatenate([supply, slow, fast])
    session = Session([frames.take(np.argsort(frames.time_ns, kind="stable"))], GOOD)
    (found,) = session.exceedances("oil_pressure")
    assert (found.channel, found.level, found.side, found.limit, found.unit) == (
        "oil_pressure", "warning", "low", 80.0, "kPa",
    )  # fmt: skip
    assert (found.start_ns, found.end_ns, found.samples) == (START + S, START + 1_990_000_000, 100)
    assert found.peak == pytest.approx(60.0)
    # All channels, by time: the coolant stands at 0 mV, which no healthy sensor gives, and is no measurement.
    assert session.exceedances() == (found,)
    assert Session([slow], None, databases=GOOD.databases["engine"]).exceedances() == ()


def test_exceedances_of_all_channels_come_by_time():
    low, high = Limits(low=2000.0), Limits(high=500.0)
    channels = {
        "late": replace(GOOD.channels["engine_speed"], name="late", warning=high),
        "early": replace(GOOD.channels["engine_speed"], name="early", caution=low),
    }
    session = Session([engine(0, rpm=100), engine(0.01, rpm=900)], replace(GOOD, channels=channels))
    assert [(each.channel, each.level, each.start_ns - START) for each in session.exceedances()] == [
        ("early", "caution", 0), ("late", "warning", 10_000_000),
    ]  # fmt: skip


def test_what_is_expected_of_a_channels_samples():
    session = Session([engine(0)], GOOD)
    assert session.expected("engine_speed").period_ns == Stated(1e7, "car file: expected_hz")
    assert session.expected("fuel") == NOTHING  # its message never came
    assert session["engine_speed"].period_s == pytest.approx(0.01)
    assert session["engine_speed"].first_ns == START
    bare = Session([engine(0)], None, databases=GOOD.databases["engine"])
    assert bare.expected("can0/ENGINE_A/RPM").period_ns == Stated(1e7, "database")
