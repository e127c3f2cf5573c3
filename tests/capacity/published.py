"""Message sets with known response times, each with where its numbers are from and how far they can be relied on.

``status`` is one of: "computed" (by two programs, one of them pycpa 2021-01-08, SPNPScheduler), "read" (in the source
named), "from memory" (the source could not be opened: good as a regression set, not as a published proof). All times
are whole microseconds; the order is that of the priorities.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.capacity.paper import Message, longest_frame_bits


@dataclass(frozen=True, slots=True)
class MessageSet:
    """Messages on one bus and the worst response time of each, its own release jitter included."""

    name: str
    source: str
    status: str
    bit_us: int
    messages: tuple[Message, ...]
    responses_us: tuple[int, ...]


def classical(bit_us: int, rows: list[tuple[int, int, int]], *, extended: bool = False) -> tuple[Message, ...]:
    """Messages from rows of (bytes, period in µs, jitter in µs)."""
    return tuple(
        Message(longest_frame_bits(length, extended=extended) * bit_us, period, jitter)
        for length, period, jitter in rows
    )


_RECALLED = "messages from memory, responses computed"

# Bytes and period (ms) of the 17 messages.
_SAE_ROWS = [
    (1, 50), (2, 5), (1, 5), (2, 5), (1, 5), (2, 5), (6, 10), (1, 10), (2, 10), (3, 10), (1, 50), (4, 100), (1, 100),
    (1, 100), (3, 1000), (1, 1000), (1, 1000),
]  # fmt: skip
_SAE_SOURCE = (
    "messages of the SAE benchmark in the 17-message form of K. Tindell, A. Burns, YCS 229, 1994, recalled; "
    "responses computed with the stuffing and the blocking of the paper of 2007 and equal to pycpa's"
)


def _sae(rate: str, bit_us: int, responses_us: tuple[int, ...]) -> MessageSet:
    messages = classical(bit_us, [(length, period * 1000, 0) for length, period in _SAE_ROWS])
    return MessageSet(
        f"SAE benchmark at {rate}",
        _SAE_SOURCE,
        "messages from memory, responses computed",
        bit_us,
        messages,
        responses_us,
    )


SETS = (
    MessageSet(
        "the paper's first example",
        "section 3.2, table 1 of the paper: the set recalled; responses computed and equal to pycpa's",
        _RECALLED,
        8,
        classical(8, [(7, 2500, 0), (7, 3500, 0), (7, 3500, 0)]),
        (2000, 3000, 3500),
    ),
    _sae("125 kbit/s", 8, (1440, 2040, 2560, 3160, 3680, 4280, 5040, 8400, 9000, 9680, 10200, 19280, 19800, 20320,
                           29240, 29760, 29760)),
    _sae("250 kbit/s", 4, (720, 1020, 1280, 1580, 1840, 2140, 2520, 2780, 3080, 3420, 3680, 4020, 4280, 4540, 4800,
                           5060, 5060)),
    _sae("500 kbit/s", 2, (360, 510, 640, 790, 920, 1070, 1260, 1390, 1540, 1710, 1840, 2010, 2140, 2270, 2400, 2530,
                           2530)),
    _sae("1 Mbit/s", 1, (180, 255, 320, 395, 460, 535, 630, 695, 770, 855, 920, 1005, 1070, 1135, 1200, 1265, 1265)),
    MessageSet(
        "five messages at 500 kbit/s",
        "a published worked example (in Korean, on CAN bandwidth and worst-case delay, 2026-08, section 5): the "
        "responses of the first, fourth and fifth and the load of 13.9 % are read there, the others are computed",
        "read and computed",
        2,
        classical(2, [(2, 10_000, 0), (8, 5000, 0), (8, 5000, 0), (8, 20_000, 0), (8, 100_000, 0)]),
        (420, 690, 960, 1230, 1230),
    ),
    MessageSet(
        "a small race car at 500 kbit/s",
        "made for this project",
        "computed",
        2,
        classical(2, [(8, 5000, 0), (8, 10_000, 0), (8, 10_000, 0), (8, 10_000, 0), (6, 20_000, 0), (8, 20_000, 0),
                      (4, 50_000, 0), (8, 100_000, 0), (2, 1_000_000, 0)]),
        (540, 810, 1080, 1350, 1580, 1850, 2040, 2190, 2190),
    ),
    MessageSet(
        "29-bit identifiers with release jitter at 500 kbit/s",
        "made for this project; pycpa leaves a message's own jitter out: 640, 960, 1280, 1600, 1600 µs",
        "computed",
        2,
        classical(2, [(8, 2000, 200), (8, 5000, 500), (8, 5000, 500), (8, 10_000, 1000), (8, 20_000, 0)],
                  extended=True),
        (840, 1460, 1780, 2600, 1600),
    ),
    MessageSet(
        "a load of 66 % at 125 kbit/s",
        "made for this project",
        "computed",
        8,
        classical(8, [(8, 4000, 0), (8, 6000, 0), (8, 8000, 0), (4, 10_000, 0)]),
        (2160, 3240, 4000, 4000),
    ),
)  # fmt: skip

# The same 17 messages at 125 kbit/s as they were published in 1994: one stuff bit for each five bits instead of four
# (the first bits not counted), and a blocking of 130 bits for all, from traffic of lower priority that isn't listed.
# The messages and the first fourteen responses are recalled, and some of these completed by arithmetic; what was
# recalled of the last three differs (28 976, 29 480, 29 520 µs) and isn't relied on.
SAE_OF_1994 = MessageSet(
    "SAE benchmark at 125 kbit/s, of 1994",
    "K. Tindell, A. Burns, Guaranteed message latencies for distributed safety-critical hard real-time control "
    "networks, YCS 229, 1994",
    "from memory",
    8,
    tuple(Message((47 + 8 * length + (34 + 8 * length) // 5) * 8, period * 1000) for length, period in _SAE_ROWS),
    (1544, 2128, 2632, 3216, 3720, 4304, 5192, 8456, 9040, 9696, 10200, 19088, 19592, 20096),
)
