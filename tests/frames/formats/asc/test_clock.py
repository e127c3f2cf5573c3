"""Dates, stamps and trigger blocks of ASC files."""

import io
from datetime import UTC, datetime

import pytest

from buswright.errors import UserError
from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.asc.clock import stamp_ns
from buswright.frames.formats.asc.dates import date_ns
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, concatenate
from tests.frames.formats.asc.test_reader import read_all_ways

S, MS = 1_000_000_000, 1_000_000


def ns(*parts: int) -> int:
    return int(datetime(*parts, tzinfo=UTC).timestamp()) * S  # type: ignore[misc, arg-type]


# Forms of python-can's test data first; names of days and months as Windows abbreviates them, from memory.
DATES = {
    "Sam Sep 30 15:06:13.191 2017": ns(2017, 9, 30, 15, 6, 13) + 191 * MS,
    "Sat Sep 30 10:06:13.191 PM 2017": ns(2017, 9, 30, 22, 6, 13) + 191 * MS,
    "Tue May 27 04:09:35.000 pm 2014": ns(2014, 5, 27, 16, 9, 35),
    "Thu Apr 28 10:44:52.480 am 2022": ns(2022, 4, 28, 10, 44, 52) + 480 * MS,
    "Mon Jan 1 12:00:00 am 2024": ns(2024, 1, 1),
    "Mon Jan 1 12:00:00 pm 2024": ns(2024, 1, 1, 12),
    "Mit Mär 7 13:21:51 2005": ns(2005, 3, 7, 13, 21, 51),
    "Die Mai 03 01:02:03.004 2022": ns(2022, 5, 3, 1, 2, 3) + 4 * MS,
    "Fre Okt 7 01:02:03 2022": ns(2022, 10, 7, 1, 2, 3),
    "Don Dez 1 01:02:03,123456 2022": ns(2022, 12, 1, 1, 2, 3) + 123456000,
    "mar. mars 1 01:02:03 2022": ns(2022, 3, 1, 1, 2, 3),
    "lun. févr. 7 01:02:03 2022": ns(2022, 2, 7, 1, 2, 3),
    "lun. juil. 4 01:02:03 2022": ns(2022, 7, 4, 1, 2, 3),
    "mer. juin 1 01:02:03 2022": ns(2022, 6, 1, 1, 2, 3),
    "lun. août 1 01:02:03 2022": ns(2022, 8, 1, 1, 2, 3),
    "mar mar 1 01:02:03 2022": ns(2022, 3, 1, 1, 2, 3),
    "lun ene 3 01:02:03 2022": ns(2022, 1, 3, 1, 2, 3),
    "mar set 6 01:02:03 2022": ns(2022, 9, 6, 1, 2, 3),
    "ma mrt 1 01:02:03 2022": ns(2022, 3, 1, 1, 2, 3),
    "pt paź 7 01:02:03 2022": ns(2022, 10, 7, 1, 2, 3),
    "周四 5月 16 06:16:50.884 下午 2024": ns(2024, 5, 16, 18, 16, 50) + 884 * MS,
    "2024-05-16 06:16:50.884": ns(2024, 5, 16, 6, 16, 50) + 884 * MS,
    "16.05.2024 06:16:50": ns(2024, 5, 16, 6, 16, 50),
    "May 16 06:16 2024": ns(2024, 5, 16, 6, 16),
    "Sat Sep 30 15:06:13.5 2017": ns(2017, 9, 30, 15, 6, 13) + 5 * MS,  # python-can's writer means 5 ms
    "Sat Sep 30 15:06:13.123456789 2017": ns(2017, 9, 30, 15, 6, 13) + 123456789,
}


@pytest.mark.parametrize("text", DATES)
def test_dates_of_many_machines(text):
    assert date_ns(text, "UTC") == DATES[text]


@pytest.mark.parametrize(
    "text",
    ["", "yesterday", "Sat Sep 31 15:06:13 2017", "Sat Sep 30 25:06:13 2017", "Sat Sep 30 15:06:13 PM 2017",
     "Sat Sep 30 2017", "Sep 15:06:13 2017", "Sat Sep 30 15:06:13 1850", "Sat Sep 30 00:06:13 am 2017",
     "Xyz 3 1:02:03 2019"],
)  # fmt: skip
def test_no_dates(text):
    assert date_ns(text, "UTC") is None


def test_the_zone_of_a_date_is_assumed():
    summer = "Sat Jul 1 12:00:00.000 2017"
    assert date_ns(summer, "+02:00") == date_ns(summer, "Europe/Berlin") == ns(2017, 7, 1, 10)
    assert date_ns("Sun Jan 1 12:00:00.000 2017", "Europe/Berlin") == ns(2017, 1, 1, 11)
    _, reading = read_all_ways(b"date %s\n0.5 1 1 Rx d 0\n" % summer.encode(), timezone="+02:00")
    assert reading.clock == Clock("epoch", "unknown", 100 * MS, "+02:00")
    with pytest.raises(UserError, match="Mars/Olympus"):
        list(asc.FORMAT.read(io.BytesIO(b"date %s\n" % summer.encode()), Reading("x", timezone="Mars/Olympus")))


@pytest.mark.parametrize(
    ("token", "value"),
    [(b"0.000001", 1000), (b"1,5", 1500 * MS), (b"3999999999.999999999", 3999999999999999999), (b"-2.5", -2500 * MS),
     (b"0.1234567899", 123456789), (b"4000000000.0", None), (b"1", None), (b"1.", None), (b".5", None),
     (b"1.2.3", None),
     (b"+1.0", None), (b"1e3", None), (b"1.\xb2", None)],
)  # fmt: skip
def test_stamps(token, value):
    assert stamp_ns(token) == value


def times(text: str, **options) -> tuple[list[int], Reading]:
    frames, reading = read_all_ways(text.encode(), **options)
    return frames.time_ns.tolist(), reading


FRAME = "1 123 Rx d 1 00"
REMOTE = "1 123 Rx r"
NOON = ns(2024, 5, 16, 12)
DATE = "Thu May 16 12:00:00.000 2024"


def test_stamps_count_from_the_headers_date():
    found, reading = times(f"date {DATE}\nbase hex  timestamps absolute\n0.000001 {FRAME}\n2.5 {REMOTE}\n")
    assert found == [NOON + 1000, NOON + 2500 * MS]
    assert reading.clock == Clock("epoch", "unknown", 1000, "UTC")


def test_without_a_date_stamps_count_from_the_start():
    found, reading = times(f"base hex\n0.000001 {FRAME}\n")
    assert found == [1000]
    assert reading.clock == Clock("capture", "unknown", 1000, "")


def test_a_date_that_cant_be_read_is_noted():
    found, reading = times(f"date the day before\n0.1 {FRAME}\n")
    assert found == [100 * MS]
    assert (reading.clock.origin, reading.problems.counts) == ("capture", {"date not understood": 1})
    assert reading.problems.rejected == 0


def test_a_trigger_block_gives_the_date_where_the_header_does_not():
    found, reading = times(f"base hex\nBegin Triggerblock {DATE}\n0.1 {FRAME}\nEnd Triggerblock\n")
    assert found == [NOON + 100 * MS]
    assert [event.time_ns for event in reading.events] == [NOON, None]


def test_stamps_that_go_on_counting_through_trigger_blocks():
    block = (
        "Begin Triggerblock Thu May 16 12:{minute:02d}:00.000 2024\n{first}.25 {line}\n{later}.5 "
        + FRAME
        + "\nEnd Triggerblock\n"
    )
    blocks = ((0, FRAME), (5, REMOTE), (9, FRAME), (20, "log trigger event"))
    text = "".join(block.format(minute=m, first=60 * m, later=60 * m + 9, line=line) for m, line in blocks)
    found, _ = times(f"date {DATE}\nbase hex\n" + text)
    expected = [NOON + (60 * m) * S + part * MS for m, _ in blocks for part in (250, 9500)]
    del expected[6]  # the last block begins with a line that is no frame
    assert found == expected


def test_stamps_that_start_again_in_every_trigger_block():
    text = f"date {DATE}\nbase hex\n" + "".join(
        f"Begin Triggerblock Thu May 16 12:{minute:02d}:00 2024\n0.0 Start of measurement\n0.25 {FRAME}\n0.5 {REMOTE}\n"
        for minute in (0, 5, 9)
    )
    found, reading = times(text)
    assert found == [NOON + minute * 60 * S + part * MS for minute in (0, 5, 9) for part in (250, 500)]
    assert not reading.problems


def test_the_blocks_date_wins_over_a_header_that_is_off():
    """As in python-can's sample test_CanMessage.asc, whose header is seven hours before its trigger block."""
    found, _ = times(f"date Thu May 16 05:00:00 2024\nBegin Triggerblock {DATE}\n0.1 {FRAME}\n")
    assert found == [NOON + 100 * MS]


def test_a_date_that_comes_late_does_not_mix_clocks():
    found, reading = times(f"base hex\n0.1 {FRAME}\nBegin Triggerblock {DATE}\n0.2 {FRAME}\n")
    assert found == [100 * MS, 200 * MS]
    assert reading.problems.counts == {"date after frames without one": 1}


def test_joined_files_each_have_their_date():
    part = "date {}\nbase hex\nBegin Triggerblock {}\n0.5 {}\n0.6 {}\n"
    late = "Thu May 16 18:00:00.000 2024"
    found, _ = times(part.format(DATE, DATE, FRAME, REMOTE) + part.format(late, late, REMOTE, FRAME))
    assert found == [NOON + p * MS for p in (500, 600)] + [NOON + 6 * 3600 * S + p * MS for p in (500, 600)]


def test_relative_stamps_add_up_over_all_stamped_lines():
    lines = [
        "0.0 Start of measurement", f"0.001 {FRAME}", f"0.002 {REMOTE}", "0.01 1  Statistic: D 0 R 0", f"0.003 {FRAME}",
        "0.1 SV: 1", "0.2 1 12G Rx d 0", f"0.004 {FRAME}", f"0.005 2 {FRAME[2:]}",
    ]  # fmt: skip
    found, reading = times(f"date {DATE}\nbase hex  timestamps relative\n" + "\n".join(lines) + "\n")
    assert [t - NOON for t in found] == [p * MS for p in (1, 3, 16, 320, 325)]
    assert reading.problems.counts == {"bad identifier": 1}
    assert [e.time_ns for e in reading.events if e.kind == "statistics"] == [NOON + 13 * MS]


def test_relative_stamps_through_trigger_blocks():
    text = f"date {DATE}\nbase hex  timestamps relative\nBegin Triggerblock {DATE}\n0.5 {FRAME}\n0.5 {FRAME}\n"
    goes_on = f"Begin Triggerblock Thu May 16 12:05:00.000 2024\n299.5 {FRAME}\n0.5 {FRAME}\n"
    again = f"Begin Triggerblock Thu May 16 12:10:00.000 2024\n0.5 {FRAME}\n0.5 {FRAME}\n"
    found, _ = times(text + goes_on + again)
    assert [t - NOON for t in found] == [p * MS for p in (500, 1000, 300_500, 301_000, 600_500, 601_000)]


def test_time_that_goes_backwards_is_kept():
    found, reading = times(f"base hex\n5.0 {FRAME}\n1.0 {FRAME}\n6.0 {FRAME}\n")
    assert found == [5 * S, S, 6 * S]
    assert not reading.problems


def test_both_kinds_of_decimal_separator_and_any_width_in_one_file():
    found, reading = times(f"base hex\n1.5 {FRAME}\n1,25 {FRAME}\n 1.000000001 {REMOTE}\n1,1234567 {FRAME}\n")
    assert found == [1500 * MS, 1250 * MS, S + 1, 1123456700]
    assert reading.clock.resolution_ns == 1


def test_the_public_reader_is_the_format():
    reading = Reading("x")
    frames = concatenate(list(asc.FORMAT.read(io.BytesIO(f"0.5 {FRAME}\n".encode()), reading)))
    assert (asc.FORMAT.name, frames.time_ns.tolist(), reading.buses) == ("ASC", [S // 2], ["1"])
