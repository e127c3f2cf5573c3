"""Spans of a capture."""

import pytest

from buswright.errors import UserError
from buswright.frames.table import Clock, Flag, Frames
from buswright.frames.window import Moment, Window
from tests.frames.frame_batches import batch_of

S = 1_000_000_000
EPOCH = 1_700_000_000 * S


def frames_at(seconds, flags=0) -> Frames:
    return batch_of([(EPOCH + round(second * S), 0, 0, flags, 0, b"") for second in seconds], ("a",))


def kept(window, seconds, clock=Clock()):  # noqa: B008
    batches = [frames_at(seconds[:3]), frames_at(seconds[3:])]
    return [(int(t) - EPOCH) / S for b in window.cut(batches, clock) for t in b.time_ns]


@pytest.mark.parametrize(
    ("start", "stop", "expected"),
    [
        (None, None, [0, 1, 2, 3, 4, 5]),
        ("1", "3", [1, 2, 3]),
        ("1.5", None, [2, 3, 4, 5]),
        (None, "0", [0]),
        ("2023-11-14T22:13:22Z", "2023-11-14T22:13:23+00:00", [2, 3]),
        ("2023-11-14T22:13:22", "2023-11-14T23:13:23+01:00", [2, 3]),
    ],
)
def test_both_ends_are_included(start, stop, expected):
    window = Window(*(Moment.parse(t) if t else None for t in (start, stop)))
    assert kept(window, [0, 1, 2, 3, 4, 5]) == expected


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("8", 8), ("+8", 8), ("8 s", 8), ("+8.5", 8.5), ("-2", -2), (".5", 0.5), ("5.", 5),
        ("22:13:28", 8), ("22:13:28.5", 8.5), ("22:14", 40), ("22:13:28Z", 8), ("23:13:28+01:00", 8),
        ("22:13:10", -10), ("00:00:10", 6410),
    ],
)  # fmt: skip
def test_times_as_screens_print_them(text, seconds):
    assert Moment.parse(text).on(EPOCH, Clock()) == EPOCH + round(seconds * S)


def test_a_time_of_day_is_in_the_zone_that_was_named():
    assert Moment.parse("23:13:28", timezone="+01:00").on(EPOCH, Clock()) == EPOCH + 8 * S


def test_a_time_of_day_names_the_whole_second_of_the_first_frame_and_the_next_day_if_the_capture_gets_there():
    first = EPOCH + S // 2
    assert Moment.parse("22:13:20").on(first, Clock()) == first
    assert Moment.parse("22:13:20").within(first, first + S, Clock(), "--at") == first
    night = Moment.parse("21:00:00")
    assert night.on(EPOCH, Clock(), EPOCH + 60 * S) == EPOCH - (73 * 60 + 20) * S
    assert night.on(EPOCH, Clock(), EPOCH + 86_000 * S) == EPOCH + (86_400 - 73 * 60 - 20) * S
    with pytest.raises(UserError, match="21:00:00: the capture begins after"):
        night.within(EPOCH, EPOCH + 60 * S, Clock(), "--at")


def test_a_time_of_day_needs_a_clock_that_has_one():
    with pytest.raises(UserError, match="no absolute time"):
        Moment.parse("22:13:28").on(0, Clock("capture"))


def test_a_nanosecond_counts():
    window = Window(Moment.parse("1.000000001"), None)
    assert kept(window, [0, 1, 1.000000001]) == [1.000000001]


@pytest.mark.parametrize("text", ["", "abc", "1..2", "2023-13-01", "1e3", "nan", "+", ".", "8 m", "25:00:00", "10:0"])
def test_nonsense_is_refused(text):
    with pytest.raises(UserError, match="is not a time"):
        Moment.parse(text)


def test_absolute_time_needs_an_absolute_clock():
    with pytest.raises(UserError, match="no absolute time"):
        kept(Window(Moment.parse("2023-11-14"), None), [0, 1, 2, 3], Clock("capture"))


def test_ends_the_wrong_way_round():
    with pytest.raises(UserError, match="swap"):
        kept(Window(Moment.parse("3"), Moment.parse("1")), [0, 1, 2, 3])


def test_untimed_frames_pass_an_open_window_only():
    untimed = frames_at([0, 1], int(Flag.UNTIMED))
    assert sum(map(len, Window().cut([untimed], Clock()))) == 2
    with pytest.raises(UserError, match="--from 0: the capture's frames have no time stamps"):
        list(Window(Moment.parse("0"), None).cut([untimed], Clock()))
    both = [untimed, frames_at([0, 1])]
    assert sum(map(len, Window(Moment.parse("0"), None).cut(both, Clock()))) == 2


@pytest.mark.parametrize(
    ("start", "stop", "said"),
    [
        ("100", None, "--from 100: the capture ends before"),
        ("100", "120", "--from 100 --to 120: the capture ends before"),
        (None, "-1", "--to -1: the capture begins after"),
        ("2.2", "2.8", "--from 2.2 --to 2.8: no frame lies there"),
        ("2023-11-14T22:14:00", None, "--from 2023-11-14T22:14:00: the capture ends before"),
    ],
)
def test_a_span_without_a_frame_says_where_the_frames_are(start, stop, said):
    window = Window(*(Moment.parse(t) if t else None for t in (start, stop)))
    with pytest.raises(UserError) as caught:
        kept(window, [0, 1, 2, 3, 4, 7.5])
    assert str(caught.value.message) == said
    assert "lasts 7.5 s: give a time from 0 to 7.500, or from 2023-11-14T22:13:20Z to" in caught.value.hint
    if start != "2023-11-14T22:14:00":
        with pytest.raises(UserError) as caught:
            kept(window, [0, 1, 2, 3, 4, 7.5], Clock("capture"))
        assert caught.value.hint.endswith("from 0 to 7.500")
    assert list(window.cut([], Clock())) == []


HOUR = 3_600 * S


@pytest.mark.parametrize(
    ("text", "lasts", "expected"),
    [
        ("10:13:20", None, 12 * HOUR),  # as far behind as before: it is still to come
        ("10:13:21", None, S - 12 * HOUR),
        ("11:13:20", 13 * HOUR, 13 * HOUR),
        ("11:13:21", 13 * HOUR, 13 * HOUR + S),  # within the second of the last frame
        ("11:13:22", 13 * HOUR, 2 * S - 11 * HOUR),
        ("11:13:20", 13 * HOUR - 1, 13 * HOUR),
        ("22:13:20", None, 0),
        ("22:13:19", None, -S),
        ("22:13:19", 24 * HOUR, 24 * HOUR - S),
        ("22:13:20", 30 * HOUR, 0),
    ],
)
def test_a_time_of_day_is_on_the_day_that_the_capture_reaches(text, lasts, expected):
    last = None if lasts is None else EPOCH + lasts
    assert Moment.parse(text).on(EPOCH, Clock(), last) - EPOCH == expected


@pytest.mark.parametrize(
    ("text", "nanoseconds"),
    [
        ("1.0000000019", S + 1),
        ("-1.5", -1_500_000_000),
        (".000000001", 1),
        ("0", 0),
        ("12s", 12 * S),
        ("-0.25 s", -S // 4),
    ],
)
def test_seconds_are_read_to_the_nanosecond(text, nanoseconds):
    assert Moment.parse(f" {text} ") == Moment(nanoseconds, None, f" {text} ")
    assert Moment.parse(text).on(7, Clock("none")) == 7 + nanoseconds


@pytest.mark.parametrize(
    ("text", "timezone", "expected"),
    [
        ("2023-11-14T22:13:20.000001", "UTC", EPOCH + 1000),
        ("2023-11-14T23:13:20.5+01:00", "UTC", EPOCH + S // 2),
        ("2023-11-14T23:13:20", "+01:00", EPOCH),
        ("1969-12-31T23:59:59.5Z", "UTC", -S // 2),
        ("1970-01-02", "UTC", 86_400 * S),
    ],
)
def test_dates_count_from_1970(text, timezone, expected):
    moment = Moment.parse(text, timezone=timezone)
    assert moment.on(5, Clock()) == expected
    assert (moment.relative_ns, moment.of_day) == (None, None)


@pytest.mark.parametrize(
    ("text", "why"), [("0", ""), ("5", ""), ("-0.000000001", "begins after"), ("5.000000001", "ends before")]
)
def test_a_moment_lies_within_a_capture_up_to_its_ends(text, why):
    moment = Moment.parse(text)
    if not why:
        assert moment.within(EPOCH, EPOCH + 5 * S, Clock(), "--at") == EPOCH + moment.relative_ns
        return
    with pytest.raises(UserError) as caught:
        moment.within(EPOCH, EPOCH + 5 * S, Clock("capture"), "--at")
    assert caught.value.message == f"--at {text}: the capture {why}"
    assert caught.value.hint == "the capture lasts 5 s: give a time from 0 to 5.000"


def test_a_span_of_one_moment_is_one():
    one = Moment.parse("1")
    assert kept(Window(one, one), [0, 1, 2]) == [1]
    assert Window(one, one).limits(EPOCH, Clock()) == (EPOCH + S, EPOCH + S)
    assert Window(None, one).limits(0, Clock()) == (None, S)
    assert Window(one, None).limits(0, Clock()) == (S, None)
    assert (bool(Window()), bool(Window(one)), bool(Window(None, one))) == (False, True, True)


def test_reading_ends_more_than_a_second_behind_the_end():
    """So that frames of another bus, which come a little late, are still taken."""
    read = []

    def batches(*times):
        for seconds in times:
            read.append(seconds)
            yield frames_at(seconds)

    window = Window(None, Moment.parse("2"))
    spans = [[0.0, 1.0], [3.0, 9.0], [1.5, 9.0], [3.5, 2.5], [3.1], [4.0]]
    found = [frames.time_ns.tolist() for frames in window.cut(batches(*spans), Clock())]
    assert [[(at - EPOCH) / S for at in times] for times in found] == [[0.0, 1.0], [1.5]]
    assert read == spans[:5]
    read.clear()
    late = Window(Moment.parse("10"), Moment.parse("11"))
    assert [len(each) for each in late.cut(batches([0.0], [50.0], [10.0, 12.0, 11.0]), Clock)] == [2]
    assert len(read) == 3  # nothing lay inside before


def test_the_end_of_a_capture_is_its_latest_frame():
    with pytest.raises(UserError) as caught:
        list(Window(Moment.parse("5.5"), None).cut([frames_at([0, 5, 2]), frames_at([3])], Clock("capture")))
    assert caught.value.hint == "the capture lasts 5 s: give a time from 0 to 5.000"


def test_a_batch_that_lies_inside_is_passed_on_as_it_is():
    frames = frames_at([1, 2])
    (found,) = Window(Moment.parse("0"), Moment.parse("1")).cut([frames], Clock())
    assert found is frames
