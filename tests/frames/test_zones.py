"""Zones assumed for dates without one."""

from datetime import datetime

import pytest

from buswright.errors import UserError
from buswright.frames.zones import epoch_seconds

NOON = datetime(2026, 7, 1, 12)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("zone", "hours"), [("UTC", 12), ("utc", 12), ("+02:00", 10), ("-0330", 15.5), ("Europe/Vienna", 10)]
)
def test_zones(zone, hours):
    assert epoch_seconds(NOON, zone) == 1782864000 + hours * 3600


def test_local_time_follows_the_computer(monkeypatch):
    import time

    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        assert epoch_seconds(NOON, "local") == 1782864000 + 16 * 3600
        assert epoch_seconds(datetime(2026, 1, 1, 12), "local") == 1767225600 + 17 * 3600  # noqa: DTZ001
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("zone", ["Middle/Earth", "", "+25:00", "../etc/passwd"])
def test_unknown_zones_are_refused(zone):
    with pytest.raises(UserError, match="unknown time zone"):
        epoch_seconds(NOON, zone)
