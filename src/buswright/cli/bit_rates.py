"""Bit rates as a user types them."""

from __future__ import annotations

import re

from buswright.errors import UserError

EVERY_BUS = "*"
"""The same word as in `messages.match`, which would load NumPy."""

_RATE = re.compile(r"(\d+(?:\.\d+)?)([kM]?)")
_SCALE = {"": 1, "k": 1_000, "M": 1_000_000}
SLOWEST, FASTEST = 1_000, 20_000_000


def bit_rates(items: list[str]) -> tuple[dict[str, int], dict[str, int]]:
    """Return the nominal rates and the data phase's, bit/s by bus name, of `[BUS=]RATE[/DATA]`; "*" is every bus.

    Raises
    ------
    UserError
        A rate is none, or out of range.
    """
    nominal: dict[str, int] = {}
    data: dict[str, int] = {}
    for item in items:
        bus, equals, text = item.rpartition("=")
        first, slash, second = text.partition("/")
        name = bus if equals else EVERY_BUS
        nominal[name] = _bits_per_s(first, item)
        if slash:
            data[name] = _bits_per_s(second, item)
    return nominal, data


def _bits_per_s(text: str, item: str) -> int:
    match = _RATE.fullmatch(text.strip())
    rate = round(float(match[1]) * _SCALE[match[2]]) if match else 0
    if not SLOWEST <= rate <= FASTEST:
        raise UserError(
            f"--bitrate {item}: {text!r} is not a bit rate",
            hint="give bits per second: 500k, 1M, 83333, chassis=1M, 500k/2M",
        )
    return rate
