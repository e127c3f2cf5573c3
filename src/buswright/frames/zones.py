"""Epoch time of dates that a capture writes without a time zone."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache

from buswright.errors import UserError

_OFFSET = re.compile(r"^([+-])(\d{1,2}):?(\d{2})$")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def epoch_seconds(moment: datetime, zone: str) -> int:
    """Whole seconds since 1970-01-01 UTC of a date and time written without a zone.

    Parameters
    ----------
    moment
        Naive; fractions of a second are dropped.
    zone
        "UTC", "local" (this computer's, summer time as of the date), "+02:00", or an IANA name.

    Raises
    ------
    UserError
        No zone of that name is known here.
    """
    aware = moment.astimezone() if zone == "local" else moment.replace(tzinfo=_zone(zone))
    return (aware - _EPOCH) // timedelta(seconds=1)


@lru_cache(maxsize=32)
def _zone(name: str) -> tzinfo:
    if name.upper() == "UTC":
        return UTC
    if match := _OFFSET.match(name):
        offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
        if offset < timedelta(hours=24):
            return timezone(offset if match[1] == "+" else -offset)
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        raise UserError(
            f"unknown time zone {name!r}",
            hint='use "UTC", "local", an offset such as "+02:00", or an IANA name',
        ) from None
