"""What the wiggle screen says of a test: counter, advice, places, glitches."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from textwrap import wrap

from buswright.channels import units
from buswright.channels.following.model import ChannelNow
from buswright.channels.glitches import Glitch, GlitchKind
from buswright.diagnosis.wiggle.advice import SIGNIFICANT, chance_text
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.tui.digits import decimals_by_size, decimals_for, input_text, number
from buswright.tui.times import clock_text
from buswright.tui.widgets.rows import Cell, Column
from buswright.tui.widgets.toned import Line, Span, Tone, fitted, line, width_of
from buswright.wording import duration, plural, times
from buswright.worker.snapshot import SourceNow

DIGITS = 4
_DIGITS = {
    "0": "###|# #|# #|# #|###",
    "1": " # |## | # | # |###",
    "2": "###|  #|###|#  |###",
    "3": "###|  #| ##|  #|###",
    "4": "# #|# #|###|  #|  #",
    "5": "###|#  |###|  #|###",
    "6": "###|#  |###|# #|###",
    "7": "###|  #|  #| # | # ",
    "8": "###|# #|###|# #|###",
    "9": "###|# #|###|  #|###",
    " ": "   |   |   |   |   ",
}
SOUND_WORDS = {False: "off", True: "on"}
KIND_WORDS: Mapping[GlitchKind, str] = {"rail": "end of range", "spike": "spike", "gap": "silent"}

PLACE_COLUMNS = (
    Column("key", 3),
    Column("moved", 14, grow=True),
    Column("for s", 7, right=True),
    Column("glitches", 8, right=True),
    Column("expected", 8, right=True),
    Column("by chance", 12, right=True),
    Column("verdict", 18),
    Column("by channel", 24, rank=1, grow=True),
)
LATEST_COLUMNS = (
    Column("at", 10),
    Column("channel", 18, grow=True),
    Column("what", 12),
    Column("for", 9, right=True),
    Column("up to", 14, right=True),
    Column("while moving", 12, grow=True),
)


def big(number: int, *, digits: int, size: int = 1) -> list[str]:
    """Draw a number.

    Parameters
    ----------
    number
        Not negative.
    digits
        Room for so many, so that nothing moves when there is one more; a longer number takes more.
    size
        1: five lines, six cells a digit and two between; 2: twice as high and wide.

    Returns
    -------
    list[str]
        5 * size lines of equal width.
    """
    rows: list[str] = []
    text = str(number).rjust(digits)
    for row in range(5):
        cells = " ".join(_DIGITS[digit].split("|")[row] for digit in text)
        rows += ["".join(("█" if cell == "#" else " ") * 2 * size for cell in cells)] * size
    return rows


def counter_lines(test: WiggleNow, *, size: int, sound: bool, width: int) -> list[Line]:
    """Draw the number of glitches in big digits, and beside it what is being done."""
    drawn = big(test.total, digits=DIGITS, size=size)
    said = list(_doing(test, sound=sound, width=width - len(drawn[0]) - 4))
    lines: list[Line] = []
    above = (len(drawn) - len(said)) // 2
    for row, cells in enumerate(drawn):
        at = row - above
        lines.append([Span(cells, "strong"), Span("    "), *(said[at] if 0 <= at < len(said) else ())])
    return lines


def _doing(test: WiggleNow, *, sound: bool, width: int) -> Iterator[Line]:
    moved = next((place.seconds for place in test.places if place.place == test.place), 0.0)
    if not test.running:
        yield line(Span("ENDED", "strong"), Span("  glitches in total", "dim"))
    elif test.place:
        yield line(Span("MOVING ", "head"), Span(test.place, "strong"), Span(f"  for {moved:5.0f} s", "plain"))
    else:
        yield line(Span("QUIET", "head"), Span("  touch nothing"))
    quiet = quiet_total(test)
    yield line(Span(f"quiet for {test.quiet_s:5.0f} s in total, with {plural(quiet, 'glitch', 'glitches')}", "dim"))
    names = ", ".join(test.channels)
    if len(names) > width:
        names = f"{len(test.channels)} channels: {names}"
    yield line(Span(names))
    yield line(
        Span("sound ", "dim"),
        Span(SOUND_WORDS[sound]),
        Span(" (B)", "dim"),
        Span("  glitches within 20 ms count once", "dim"),
    )
    if test.silences:
        yield line(Span(f"the whole bus fell silent {times(test.silences)}: adapter or bus, not counted", "note"))


def quiet_total(test: WiggleNow) -> int:
    """Return how many moments with a glitch were quiet."""
    return test.total - sum(place.total for place in test.places)


def advice_lines(test: WiggleNow, width: int, height: int) -> list[Line]:
    """Wrap the advice, its first sentence the strongest; what doesn't fit is a key away."""
    likely = any(place.likely for place in test.places)
    first = len(test.advice.partition(". ")[0])
    lines: list[Line] = []
    begun = 0
    for text in wrap(test.advice, max(width, 20)):
        tone: Tone = ("suspect" if likely else "accent") if begun < first else "plain"
        lines.append(line(Span(text, tone)))
        begun += len(text) + 1
    if len(lines) <= height:
        return lines
    last = "".join(span.text for span in lines[height - 1])
    return [
        *lines[: height - 1],
        [*fitted(lines[height - 1][:1], min(len(last), width - 16)), Span(" d: all of it", "accent")],
    ]


def key_line(test: WiggleNow, width: int) -> Line:
    """Say which digit moves which place; it stands where the screens' digits stand otherwise."""
    for room, new, out in ((40, "name a place", "other screens"), *((room, "new", "out") for room in range(20, 4, -1))):
        spans: list[Span] = [Span(" 0", "accent"), _named("quiet", moving=test.running and not test.place)]
        for digit, place in enumerate(test.places[:9], 1):
            name = place.place if len(place.place) <= room else place.place[: room - 1] + "…"
            spans += [Span(f"{digit}", "accent"), _named(name, moving=place.place == test.place)]
        if len(test.places) < 9:
            spans += [Span(f"{len(test.places) + 1}", "accent"), Span(f" {new}  ", "dim")]
        spans += [Span("Esc", "accent"), Span(f" {out}", "dim")]
        if width_of(spans) <= width:
            break
    return spans


def _named(name: str, *, moving: bool) -> Span:
    return Span(f" [{name}]  ", "strong") if moving else Span(f" {name}  ")


def place_cells(test: WiggleNow, name: str) -> Sequence[Cell]:
    """Make the cells of a place; of the quiet stretch for ""."""
    moving = test.running and name == test.place
    if not name:
        title = Span("(quiet) now" if moving else "(quiet)", "strong" if moving else "plain")
        cells = ("0", title, f"{test.quiet_s:.0f}", f"{quiet_total(test)}", "", "", Span("to compare with", "dim"))
        return (*cells, by_channel(test.quiet))
    digit, place = next((at, each) for at, each in enumerate(test.places, 1) if each.place == name)
    expected = "-" if math.isnan(place.expected) else f"{place.expected:.1f}"
    verdict, tone = verdict_of(place)
    return (
        f"{digit}" if digit <= 9 else "",
        Span(f"{name} now" if moving else name, "strong" if moving else "plain"),
        f"{place.seconds:.0f}",
        Span(f"{place.total}", "strong"),
        expected,
        Span(chance_text(place.chance), tone),
        Span(verdict, tone),
        by_channel(place.counts),
    )


def verdict_of(place: PlaceNow) -> tuple[str, Tone]:
    """Say in words what the chance means, with the limit."""
    if place.likely:
        return f"LIKELY (under {SIGNIFICANT * 100:.0f} %)", "fault"
    if math.isnan(place.chance):
        return "no quiet time yet", "dim"
    if not place.total:
        return "no glitch", "dim"
    return f"unsure (over {SIGNIFICANT * 100:.0f} %)", "note"


def by_channel(counts: Iterable[tuple[str, int]]) -> str:
    """Say how many glitches each channel had, those that had some."""
    return "  ".join(f"{name} {number}" for name, number in counts if number)


def now_text(channel: ChannelNow, decimals: Mapping[str, int]) -> str:
    """Write what comes in at the sensor where that is known, else the value, with the digits it is known to."""
    if channel.volts is not None:
        return input_text(channel.volts, channel.electrical)
    if channel.time_ns is None:
        return ""
    return _with_unit(channel.text or number(channel.value, decimals_for(channel, decimals)), channel)


def _with_unit(value: str, channel: ChannelNow) -> str:
    return f"{value} {units.shown(channel.unit)}".rstrip()


def glitch_cells(
    glitch: Glitch, place: str, source: SourceNow, channel: ChannelNow | None, decimals: Mapping[str, int]
) -> Sequence[Cell]:
    """Make the cells of one glitch; its peak has the digits that its channel is known to."""
    if math.isnan(glitch.peak):
        peak = ""
    elif channel is None:
        peak = number(glitch.peak, decimals_by_size(glitch.peak))
    elif channel.electrical:
        peak = input_text(glitch.peak, channel.electrical)
    else:
        peak = _with_unit(number(glitch.peak, decimals_for(channel, decimals)), channel)
    tone: Tone = "note" if glitch.kind == "gap" else "suspect"
    return (
        clock_text(glitch.time_ns, source),
        glitch.channel,
        Span(KIND_WORDS[glitch.kind], tone),
        duration(glitch.duration_ns),
        peak,
        place or Span("(quiet)", "dim"),
    )
