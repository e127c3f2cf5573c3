"""The guided bench test as lines: what to do, what is noticed, what is read, and what each step showed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap

from buswright.bench.machine import BenchNow
from buswright.bench.measure.watching import Reading
from buswright.bench.result import BenchResult, Check, Verdict
from buswright.channels import units
from buswright.channels.carfile.model import CarFile
from buswright.tui.digits import decimals_by_size, number
from buswright.tui.widgets.toned import Line, Span, Tone, hanging, line
from buswright.wording import percent, plural
from buswright.worker.guiding import BenchShot

VERDICTS: Mapping[Verdict, Tone] = {
    "pass": "good",
    "fail": "fault",
    "not judged": "suspect",
    "not done": "suspect",
    "skipped": "note",
    "note": "dim",
}
_MARKS: Mapping[str, tuple[str, Tone]] = {
    "pass": ("✓", "good"),
    "fail": ("✗", "fault"),
    "not judged": ("?", "suspect"),
    "skipped": ("–", "note"),
    "note": ("✓", "good"),
}
_WRONG: tuple[Verdict, ...] = ("fail", "not judged", "not done")
_BAR = 40
_BESIDE = 0.1
"""Of the healthy band, on both sides of it: so much more does the bar show."""
_WIDEST = 76


def head_line(shot: BenchShot, title: str, width: int) -> Line:
    """Say what is tested, and how far it is."""
    now = shot.now
    done = sum(each.state != "open" for each in now.lines)
    step = "all steps done" if now.phase == "ended" else f"step {now.number} of {now.of}"
    failed = sum(each.verdict == "fail" for each in now.lines)
    told = [Span(f"  {plural(failed, 'step')} failed", "fault")] if failed else []
    before = f"  {shot.resumed} done before" if shot.resumed and done <= shot.resumed + 1 and width >= 100 else ""
    return line(Span("Bench test ", "head"), Span(title, "strong"), f"  {step}", *told, Span(before, "dim"))


def step_lines(shot: BenchShot, car: CarFile, width: int) -> Iterator[Line]:
    """Say what to mind, what to do, what was noticed, and what the step showed."""
    now, width = shot.now, min(width - 2, _WIDEST)  # the scroll bar comes and goes
    for each in now.cautions if now.phase != "shown" else ():
        yield from hanging([Span("SAFETY ", "suspect")], each, width)
    yield []
    yield from _boxed(now.instruction if now.phase != "shown" else f"{_name(now)}: done", width)
    yield []
    if now.trap:
        yield from hanging([Span("STOP ", "fault")], now.trap, width, "fault")
    elif now.phase == "shown":
        yield from _checks(now.checks, width)
    else:
        yield from _noticed(now, width)
        if shot.said:
            yield from ([Span(each, "suspect")] for each in wrap(shot.said, width))
        yield from _read(now, car, width)
    if now.wiggle:
        yield from ([Span(each)] for each in wrap(now.wiggle, width))


def big_text(now: BenchNow) -> str:
    """Return the reading that is to be seen from across the bench; "" where there is not one."""
    if now.phase in ("shown", "asking", "ended") or now.step is None or not now.step.channel or not now.readings:
        return ""
    reading = now.readings[0]
    value = reading.level if reading.value is None else reading.value
    return f"{_number(value)} {units.shown(reading.unit if reading.value is None else reading.value_unit)}"


def _name(now: BenchNow) -> str:
    return now.step.name if now.step is not None else ""


def _boxed(text: str, width: int) -> Iterator[Line]:
    """Set the instruction apart: it is read from a step away."""
    inside = min(width - 6, 66)
    rows = wrap(text, inside)
    room = max(map(len, rows), default=0)
    yield line(Span(f"┏━{'━' * room}━┓", "accent"))
    for row in rows:
        yield line(Span("┃ ", "accent"), Span(f"{row:<{room}}", "strong"), Span(" ┃", "accent"))
    yield line(Span(f"┗━{'━' * room}━┛", "accent"))


def _noticed(now: BenchNow, width: int) -> Iterator[Line]:
    left = "" if now.remaining_s is None else f" {now.remaining_s:.0f} s left"
    words: Mapping[str, tuple[str, Tone]] = {
        "waiting": ("Waiting for you. It goes on by itself when it has happened.", "note"),
        "happening": ("It moves: go on, then come to rest.", "accent"),
        "settling": (f"It happened. Now hold it still.{left}", "accent"),
        "timing": (f"Measuring: touch nothing.{left}", "accent"),
        "asking": (f"Type the reading of {now.question}, then Enter.", "accent"),
    }
    text, tone = words[now.phase]
    if now.step is not None and now.step.kind == "wiggle" and now.phase == "timing":
        text = f"Press the digit of a plug while you move it, 0 for quiet; Enter ends it.{left}"
    yield from ([Span(each, tone)] for each in wrap(text, width))
    if now.step is not None and now.step.kind == "wiggle":
        for digit, place in enumerate(now.step.places[:9], 1):
            yield line(Span(f"  {digit} ", "accent"), place)
    if now.step is not None and now.step.kind in ("jump", "dip"):
        yield line(Span("space", "accent"), Span(" in the very moment marks it.", "dim"))
    if now.help:
        yield from hanging([Span("? ", "suspect")], now.help, width, "suspect")


def _read(now: BenchNow, car: CarFile, width: int) -> Iterator[Line]:
    """Say what is read, the input in hand with its band, and what moves."""
    if now.step is None or now.phase == "asking":
        return
    if now.step.channel and now.readings:
        yield from _one(now.readings[0], car, width)
    else:
        yield from (_row(each) for each in now.readings[:12])
    for name, share in now.moving[:4]:
        meant = name == now.step.channel or now.step.kind != "move"
        said = Span(f"{name} {percent(share, 0)} of its span", "plain" if meant else "suspect")
        yield line(Span("moves  ", "dim"), said)


def _one(reading: Reading, car: CarFile, width: int) -> Iterator[Line]:
    channel = car.channels.get(reading.channel)
    sensor = car.sensors.get(channel.sensor) if channel is not None and channel.sensor else None
    yield _row(reading)
    if sensor is not None and sensor.healthy is not None and sensor.calibration.electrical == reading.unit:
        yield _band(reading.level, sensor.healthy, reading.unit, min(_BAR, width - 24))


def _row(reading: Reading) -> Line:
    level = f"{_number(reading.level)} {units.shown(reading.unit)}"
    value = "" if reading.value is None else f"{_number(reading.value)} {units.shown(reading.value_unit)}"
    return line(
        Span(f"{reading.channel:<22}", "strong"),
        f"{level:>12}  {value:>14}" if value and value != level else f"{level:>12}  {'':14}",
        Span(f"  noise {_number(reading.noise)}  {reading.rate_hz:.0f} 1/s", "dim"),
        Span(f"  {reading.state}" if reading.state else "", "suspect"),
    )


def _band(level: float, band: tuple[float, float], unit: str, width: int) -> Line:
    """Draw where a level stands between the ends of its healthy band."""
    low, high = band
    beside = _BESIDE * (high - low)
    bottom, top = low - beside, high + beside
    at = [round((each - bottom) / (top - bottom) * (width - 1)) for each in (low, high)]
    here = -1 if level != level else min(max(round((level - bottom) / (top - bottom) * (width - 1)), 0), width - 1)
    well = low < level < high
    signs = ["═" if at[0] < cell < at[1] else "·" for cell in range(width)]
    signs[at[0]], signs[at[1]] = "╞", "╡"
    pieces = [Span("".join(signs[: max(here, 0)]), "dim")]
    if here >= 0:
        pieces.append(Span("█", "good" if well else "fault"))
    pieces.append(Span("".join(signs[here + 1 :]), "dim"))
    return line(Span(f"{f'{low:g}':>8} ", "dim"), *pieces, Span(f" {high:g} {unit} healthy", "dim"))


def _number(value: float) -> str:
    return number(value, min(decimals_by_size(value), 3), 9)


# What was found -------------------------------------------------------------------------------------------------------


def _checks(checks: Sequence[Check], width: int) -> Iterator[Line]:
    """Say what a step showed: how much passed, what did not and what to check, then what to press, then the rest."""
    if not checks:
        yield line(Span("Nothing is judged here.", "dim"))
    yield _counted({verdict: sum(each.verdict == verdict for each in checks) for verdict in VERDICTS})
    first = [each for each in checks if each.verdict in _WRONG]
    for each in sorted(first, key=lambda each: _WRONG.index(each.verdict)):
        yield from _check(each, width)
    failed = any(each.verdict == "fail" for each in first)
    more = [Span("   r", "accent"), Span(" does it again")] if failed else []
    yield line(Span("Enter", "accent"), " goes on", *more)
    yield []
    for each in checks:
        if each.verdict not in _WRONG:
            yield from _check(each, width)


def _counted(counts: Mapping[Verdict, int]) -> Line:
    return line(*(Span(f"{count} {verdict}   ", VERDICTS[verdict]) for verdict, count in counts.items() if count))


def _check(check: Check, width: int) -> Iterator[Line]:
    about = check.subject.partition(":")[2].rpartition("/")[2]
    named = check.name if not about or about in check.said or about in check.step else f"{check.name}, {about}"
    start = line(Span(f"{check.verdict:<11}", VERDICTS[check.verdict]), Span(f"{named}: ", "strong"))
    yield from hanging(start, check.said, width)
    if check.verdict == "fail":
        yield from hanging([Span(f"{'':11}check: ", "accent")], check.next_check, width) if check.next_check else ()
        yield from hanging([Span(f"{'':11}SAFETY ", "suspect")], check.caution, width) if check.caution else ()


def end_lines(result: BenchResult, written: str, width: int) -> Iterator[Line]:
    """Sum the test up, say what failed, and where the sheet is."""
    width, failed = min(width - 2, 100), result.failed
    yield []
    if failed:
        yield line(Span(f"FAILED: {plural(len(failed), 'check')} of what is required", "fault"))
    else:
        yield line(Span("PASSED: every required check", "good"))
    yield _counted({verdict: result.count(verdict) for verdict in VERDICTS})
    yield []
    if written:
        yield from hanging([Span("Sheet: ", "accent")], written, width)
        yield []
    for each in failed:
        yield from _check(each, width)
    for step in result.steps:
        if step.state == "skipped":
            yield line(Span("skipped    ", "note"), f"{step.step}: {step.reason}")


def list_lines(now: BenchNow, height: int) -> Iterator[Line]:
    """List the steps with their marks, the one in hand in sight."""
    here = now.number - 1
    first = max(0, min(here - height // 2, len(now.lines) - height))
    for at, each in enumerate(now.lines[first : first + height], first):
        mark, tone = _MARKS.get(each.verdict, ("✓" if each.state == "done" else " ", "good"))
        current = at == here and now.phase != "ended"
        name = Span(f"{'▸' if current else ' '}{each.step}", "strong" if current else "dim")
        yield line(Span(f"{mark} ", tone), name)
