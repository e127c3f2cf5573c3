"""Dates in ASC files: `Sat Sep 30 10:06:13.191 PM 2017`, in the language of the machine that wrote them."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime

from buswright.frames.zones import epoch_seconds

_CLOCK = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?$")
_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})T?$")
_DAY_FIRST = re.compile(r"^(\d{1,2})\.(\d{1,2})\.(\d{4})$")
_NUMBERED_MONTH = re.compile(r"^(\d{1,2})[月월]$")
_NUMBERED_DAY = re.compile(r"^(\d{1,2})(?:\.|st|nd|rd|th|日|일)?,?$")
_YEAR = re.compile(r"^(\d{4})[年년]?$")
_MORNING = frozenset(("am", "vorm", "上午", "午前", "오전"))
_AFTERNOON = frozenset(("pm", "nachm", "下午", "午後", "오후"))

FIRST_YEAR, LAST_YEAR = 1970, 2100
"""Dates outside are no dates of a recording, and would not fit into int64 nanoseconds with a stamp added."""

# English, German, French, Spanish, Italian, Portuguese, Dutch, Scandinavian, Polish and Czech, without accents.
# A name counts when it begins with one of these; the longest that fits decides ("juil" before "jui").
_MONTHS: dict[str, int] = {
    prefix: month
    for month, prefixes in enumerate(
        (
            "jan gen ene sty led",
            "feb fev lut uno",
            "mar mrt maer bre",
            "apr avr abr kwi dub",
            "may mai maj mei mag kve",
            "jun juin giu cze cvn",
            "jul juil lug lip cvc",
            "aug aou ago sie srp",
            "sep set wrz zar",
            "oct okt ott out paz rij",
            "nov lis",
            "dec dez dic gru des pro",
        ),
        start=1,
    )
    for prefix in prefixes.split()
}


def date_ns(text: str, zone: str) -> int | None:
    """Nanoseconds since 1970-01-01 UTC of a date as ASC files write it; None if it is none.

    The parts may stand in any order: a time of day with or without fraction, am or pm, a day, the name of a
    month, a year; or 2017-09-30, or 30.09.2017. The day of the week is not looked at. A fraction of fewer
    than three digits is a number of milliseconds: the format has three, and python-can's writer leaves out
    their leading zeros (`ASCWriter._format_header_datetime`, version 4.6.1).

    Parameters
    ----------
    zone
        Assumed for the date: see `zones.epoch_seconds`.

    Raises
    ------
    UserError
        The zone is not known here.
    """
    parts = text.split()
    clock = next((match for part in parts if (match := _CLOCK.match(part))), None)
    day = _calendar_day([part for part in parts if not _CLOCK.match(part)])
    if clock is None or day is None or not FIRST_YEAR <= day[0] <= LAST_YEAR:
        return None
    hour = int(clock[1])
    if (half := _half_of_day(parts)) is not None:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + half
    try:
        moment = datetime(*day, hour, int(clock[2]), int(clock[3] or 0))  # noqa: DTZ001  (the zone is assumed next)
    except ValueError:
        return None
    fraction = clock[4] or "0"
    fraction = fraction.zfill(3) if len(fraction) < 3 else fraction
    return epoch_seconds(moment, zone) * 1_000_000_000 + int(fraction.ljust(9, "0"))


def _half_of_day(parts: list[str]) -> int | None:
    """Hours to add for am (0) and pm (12); None on a 24-hour clock."""
    words = {part.lower().replace(".", "") for part in parts}
    return 12 if words & _AFTERNOON else 0 if words & _MORNING else None


def _calendar_day(parts: list[str]) -> tuple[int, int, int] | None:
    year = month = day = None
    for part in parts:
        if match := _ISO.match(part):
            return int(match[1]), int(match[2]), int(match[3])
        if match := _DAY_FIRST.match(part):
            return int(match[3]), int(match[2]), int(match[1])
        if match := _YEAR.match(part):
            year = int(match[1])
        elif match := _NUMBERED_MONTH.match(part):
            month = int(match[1])
        elif match := _NUMBERED_DAY.match(part):
            day = int(match[1])
        elif (named := _month_of(part)) is not None:
            month = named  # the last one wins: "mar" is a Tuesday in French, Spanish and Italian, and comes first
    return None if year is None or month is None or day is None else (year, month, day)


def _month_of(word: str) -> int | None:
    plain = "".join(c for c in unicodedata.normalize("NFKD", word.lower()) if not unicodedata.combining(c))
    for size in (4, 3):
        if plain[:size] in _MONTHS:
            return _MONTHS[plain[:size]]
    return None
