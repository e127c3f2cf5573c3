"""How sentences say counts, lists, shares and times, and how text from files is shown, wherever they are printed."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta

SLOWEST_BIT_RATE, FASTEST_BIT_RATE = 1_000, 20_000_000
"""Bit rates that there are, bit/s."""
WHY_EMPTY = "is a variable of the shell not set? Name a file or a folder; a dot is the current folder"
"""What to try where a name is empty, which as a path would be the current folder."""
_BIT_RATE = re.compile(r"(\d+(?:_\d+)*(?:\.\d+)?)\s*([kM]?)(?:bit/s|bps|b/s)?", re.IGNORECASE)
_UNSEEN = re.compile(
    "[\x00-\x1f\x7f-\x9f"  # C0 and C1 controls, ESC among them
    "\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\U000e0000-\U000e007f"  # no glyph; bidi
    "\ud800-\udfff]"  # halves of a pair: no encoding has them
)
"""What a terminal obeys instead of showing it, what turns the direction of writing, and what has no width."""


def visible(text: str, *, keep: str = "", spelled: Callable[[str], str] = lambda sign: ascii(sign)[1:-1]) -> str:
    r"""Write text of a file so that a terminal only shows it: control characters as what they are, ESC as ``\x1b``.

    Parameters
    ----------
    keep
        Characters that stay as they are: ``"\n"`` in a text of several lines.
    spelled
        How one of the others is written.
    """
    if text.isprintable():
        return text
    return _UNSEEN.sub(lambda found: found[0] if found[0] in keep else spelled(found[0]), text)


def plural(count: int, word: str, several: str = "") -> str:
    """Write a count with its word: 1 frame, 2,000 frames; `several` where an s doesn't make it."""
    return f"{count:,} {word if count == 1 else several or f'{word}s'}"


def times(count: int) -> str:
    """Write how often: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count:,} times")


def all_of(count: int, word: str) -> str:
    """Write all of so many: the only frame, both frames, all 6 frames."""
    return {1: f"the only {word}", 2: f"both {word}s"}.get(count, f"all {count:,} {word}s")


def first_line(fault: BaseException) -> str:
    """Return the first line of what a fault says, or its kind where it says nothing."""
    return str(fault).splitlines()[0] if str(fault) else type(fault).__name__


def did_you_mean(
    word: str, known: Iterable[str], otherwise: str = "", *, cutoff: float = 0.6, shown: Callable[[str], str] = str
) -> str:
    """Return a hint: the known word that is nearest to one that is not known; `otherwise` where none is near."""
    import difflib  # only where something went wrong

    near = difflib.get_close_matches(word, list(known), 1, cutoff)
    return f"did you mean {shown(near[0])}?" if near else otherwise


def capital(text: str) -> str:
    """Begin a sentence."""
    return text[:1].upper() + text[1:]


def listed(names: Sequence[str], most: int = 6) -> str:
    """Write names one after the other, the rest as a number: a, b and c; a, b and 3 more."""
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def percent(share: float | None, digits: int = 1) -> str:
    """Write a share, 0..1, in percent: 3.6 %; – if unknown."""
    return "–" if share is None or not math.isfinite(share) else f"{share * 100:.{digits}f} %"


def duration(ns: float | None) -> str:
    """Write how long something lasted, three digits in the unit that fits: 850 ns, 14.4 ms, 12.9 s; – if unknown."""
    if ns is None:
        return "–"
    for size, unit in ((1e9, "s"), (1e6, "ms"), (1e3, "µs")):
        if abs(ns) >= 0.9995 * size:
            return f"{ns / size:.0f} {unit}" if abs(ns) >= 99.95 * size else f"{ns / size:.3g} {unit}"
    return f"{ns:.0f} ns"


def between(start_s: float, end_s: float, digits: int) -> str:
    """Write from when to when something was, in seconds from the first frame: 1.905-2.905 s."""
    return f"{start_s:.{digits}f}-{end_s:.{digits}f} s"


def bit_rate(bits_per_s: int | None) -> str:
    """Write a bit rate: 33.33 kbit/s, 500 kbit/s, 1 Mbit/s."""
    if bits_per_s is None:
        return "unknown"
    return f"{bits_per_s / 1e6:g} Mbit/s" if bits_per_s >= 1_000_000 else f"{bits_per_s / 1e3:.4g} kbit/s"


def read_bit_rate(text: str) -> int | None:
    """Read a bit rate as people write it, in bit/s: 500k, 1M, 83333, 500 kbit/s; None if it is none that there is."""
    found = _BIT_RATE.fullmatch(text.strip())
    rate = round(float(found[1]) * {"": 1, "k": 1_000, "m": 1_000_000}[found[2].lower()]) if found else 0
    return rate if SLOWEST_BIT_RATE <= rate <= FASTEST_BIT_RATE else None


def moment(time_ns: int | None, origin: str) -> str:
    """Write a time stamp: ISO 8601 for epoch time, seconds otherwise."""
    if time_ns is None:
        return "no time"
    if origin != "epoch":
        return f"{time_ns / 1e9:.6f} s"
    return (
        (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_ns // 1000)).isoformat().replace("+00:00", "Z")
    )
