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
