"""Several captures as one: order, buses, clocks, and what overlaps."""

import pytest

from buswright.frames.captures.merge import MergedCapture
from buswright.frames.table import Clock, Event, Problems
from tests.frames.frame_batches import batch_of

EPOCH = Clock("epoch", "kernel", 1000, "")


class Part:
    """A capture of batches, each a list of (time, bus); None for the time of one that has none."""

    def __init__(self, name, *batches, clock=EPOCH, buses=("a",), events=(), metadata=None, first=...):
        self.paths, self.clock, self.buses, self.events = (name,), clock, buses, tuple(events)
        self.format, self.size, self.position, self.metadata = "candump", 10, 4, metadata or {}
        self.problems = Problems()
        self.batches = [batch_of([(at, bus, at, 0, 0, b"") for at, bus in rows], buses) for rows in batches]
        self.first = batches[0][0][0] if first is ... else first
        self.given = []

    def first_time_ns(self):
        return self.first

    def beginnings(self):
        return ((self.paths[0], self.first),)

    def __iter__(self):
        for batch in self.batches:
            self.given.append(batch)
            yield batch


def at(*times, bus=0):
    return [(time, bus) for time in times]


def merged(*parts):
    capture = MergedCapture(list(parts))
    batches = list(capture)
    return capture, [int(time) for batch in batches for time in batch.time_ns]


def test_frames_come_by_time_and_those_of_one_time_by_file():
    first, second = Part("x", at(1, 4, 4, 9), buses=("a",)), Part("y", at(2, 4, 9, 12), buses=("b",))
    capture = MergedCapture([second, first])
    rows = [(int(t), batch.buses[bus]) for batch in capture for t, bus in zip(batch.time_ns, batch.bus, strict=True)]
    assert rows == [(1, "a"), (2, "b"), (4, "a"), (4, "a"), (4, "b"), (9, "a"), (9, "b"), (12, "b")]
    assert capture.buses == ("a", "b")
    assert [(each.reason, each.path) for each in capture.problems] == [("files overlap in time", "x and y")]
    assert (capture.problems.rejected, capture.problems.noted) == (0, 1)


@pytest.mark.parametrize(("second", "overlap"), [(at(5, 6), True), (at(6, 7), False)])
def test_files_overlap_where_the_second_begins_no_later_than_the_first_ends(second, overlap):
    capture, times = merged(Part("x", at(1, 5)), Part("y", second))
    assert times == sorted(times)
    assert bool(capture.own_problems) is overlap


def test_a_later_file_is_not_begun_before_its_time():
    early, late = Part("x", at(1, 2), at(3, 4)), Part("y", at(5, 6))
    batches = iter(MergedCapture([early, late]))
    assert next(batches).time_ns.tolist() == [1, 2]
    assert (len(early.given), late.given) == (2, [])
    assert next(batches).time_ns.tolist() == [3, 4]
    assert next(batches).time_ns.tolist() == [5, 6]
    assert len(late.given) == 1


def test_no_more_is_read_than_the_batches_that_overlap():
    one, other = Part("x", at(1, 10), at(11, 20), at(21, 30)), Part("y", at(2, 3), at(4, 25))
    batches = iter(MergedCapture([one, other]))
    assert next(batches).time_ns.tolist() == [1, 2, 3]
    assert (len(one.given), len(other.given)) == (1, 2)
    assert [each.time_ns.tolist() for each in batches] == [[4, 10], [11, 20], [21, 25], [30]]


def test_time_that_goes_back_stays_within_its_file():
    _, times = merged(Part("x", at(10, 3), at(2, 12)), Part("y", at(5, 11)))
    assert times == [5, 10, 3, 2, 11, 12]


def test_buses_of_one_name_are_one_bus_and_others_are_told_apart():
    one = Part("x", [(1, 0), (2, 1)], buses=("a", "b"))
    other = Part("y", [(3, 0), (4, 1)], buses=("b", "c"))
    capture = MergedCapture([one, other])
    named = [batch.buses[bus] for batch in capture for bus in batch.bus]
    assert (named, capture.buses) == (["a", "b", "b", "c"], ("a", "b", "c"))


def test_empty_and_untimed_files_come_last_and_count_for_no_clock():
    empty = Part("e", first=None, clock=Clock("none", "unknown", 0, ""))
    untimed = Part("u", at(0, 0), first=None, clock=Clock("none", "unknown", 0, ""))
    capture, times = merged(untimed, empty, Part("x", at(5)), Part("w", at(3)))
    assert capture.paths == ("w", "x", "u", "e")
    assert times == [3, 5, 0, 0]
    assert capture.first_time_ns() == 3
    assert capture.beginnings() == (("w", 3), ("x", 5), ("u", None), ("e", None))
    assert not capture.own_problems
    assert (capture.size, capture.position, capture.format) == (40, 16, "candump")


def test_the_clock_is_as_coarse_as_the_coarsest_and_stamped_by_whom_all_agree_on():
    def clock(*others):
        return MergedCapture([Part(str(k), at(k), clock=each) for k, each in enumerate(others)]).clock

    fine = Clock("epoch", "kernel", 1, "UTC")
    assert clock(fine, Clock("epoch", "kernel", 1000, "+01:00")) == Clock("epoch", "kernel", 1000, "UTC")
    assert clock(Clock("epoch", "host", 1000, ""), fine) == Clock("epoch", "unknown", 1000, "")


def test_what_parts_say_is_put_together():
    one = Part("x", at(1), events=[Event(7, None, "late"), Event(2, None, "early")], metadata={"a": "1", "b": "1"})
    other = Part("y", at(5), events=[Event(4, None, "mid"), Event(None, None, "never")], metadata={"b": "2", "c": "2"})
    one.problems.add("odd", "x", 3)
    capture = MergedCapture([other, one])
    assert [event.kind for event in capture.events] == ["never", "early", "mid", "late"]
    assert capture.metadata == {"a": "1", "b": "1", "c": "2"}
    assert capture.problems.counts == {"odd": 1}


def test_reading_again_begins_anew_and_going_on_does_not():
    capture = MergedCapture([Part("x", at(1, 9)), Part("y", at(2, 3))])
    assert [len(list(capture)), capture.problems.counts["files overlap in time"]] == [2, 1]
    assert [len(list(capture)), capture.problems.counts["files overlap in time"]] == [2, 1]
    more = [batch_of([(20, 0, 1, 0, 0, b"")]), batch_of([(19, 0, 1, 0, 0, b"")])]
    followed = capture.merged([[more[0]], [more[1]]], go_on=True)
    assert [int(time) for batch in followed for time in batch.time_ns] == [19, 20]
    assert capture.problems.counts["files overlap in time"] == 1
    assert capture.buses == ("a", "can0")
