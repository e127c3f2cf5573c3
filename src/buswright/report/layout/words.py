"""What a layout document says in sentences, the same in the page and in Markdown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from buswright.layout.document.model import BusLayout, Issue, Layout
from buswright.wording import bit_rate, listed, percent, plural

MOST_ISSUES = 12
"""Known faults shown; the rest is counted."""
_MOST_RANGES = 24


def name_of(layout: Layout) -> str:
    """Return what the document is about: the car, else the buses."""
    return layout.car or ", ".join(bus.name for bus in layout.buses) or "no bus"


def rates(bus: BusLayout) -> str:
    """Write the bit rate of a bus, with CAN FD also that of the data phase."""
    return bit_rate(bus.bitrate) + (f" / {bit_rate(bus.data_bitrate)}" if bus.data_bitrate else "")


def issue_line(layout: Layout) -> str:
    """Say when and from what it was made."""
    facts = layout.baseline.capture
    measured = next((source for source in layout.sources if source.kind == "measured"), None)
    made = [f"issue of {layout.date}"] if layout.date else []
    if measured is not None:
        name = f"{measured.name}, " if measured.name else ""
        made.append(f"measured in {name}{measured.text.removeprefix('no file: ')}")
    if facts.car_file_sha256:
        made.append(f"car file {facts.car_file_sha256[:12]}")
    if layout.handover:
        made.append("for handover: positions, names of people and notes are left out")
    text = "; ".join(made)
    return f"{text[:1].upper()}{text[1:]}."


def marks_line(layout: Layout) -> str:
    """Say what the marks beside facts mean."""
    marks = [f"{one.key} {one.kind}{f' {one.name}' if one.name else ''}" for one in layout.sources]
    return f"Marks say where a fact comes from: {', '.join(marks)}."


def figures(layout: Layout) -> list[tuple[str, str]]:
    """Return what is counted, as (name, number)."""
    came = sum(one.frames > 0 for one in layout.messages)
    counted = [
        plural(len(layout.buses), "bus", "buses"),
        plural(len(layout.modules), "module"),
        plural(came, "identifier that came", "identifiers that came"),
        plural(len(layout.signals), "signal"),
        plural(len(layout.channels), "channel"),
    ]
    pairs = [text.partition(" ") for text in counted]
    return [
        *((words, number) for number, _, words in pairs),
        ("of the payload explained", percent(layout.coverage.share)),
    ]


def coverage_words(layout: Layout) -> str:
    """Say how much of the payload nobody explains."""
    cover = layout.coverage
    if not cover.bits:
        return "No payload was seen."
    text = (
        f"{percent(1 - (cover.share or 0.0))} of the payload is not explained: {cover.bits - cover.explained:,} of "
        f"{cover.bits:,} bits, each identifier counted once."
    )
    if cover.moving:
        left = cover.moving - cover.moving_explained
        if left == cover.moving:
            text += f" None of the {cover.moving:,} bits that moved is explained."
        elif left:
            text += f" Of {cover.moving:,} bits that moved, {left:,} are not explained."
        else:
            text += f" All {cover.moving:,} bits that moved are explained."
    unknown = layout.unknown
    text += f" {plural(len(unknown), 'identifier')} without a name." if unknown else " Every identifier has a name."
    if layout.unlisted:
        text += f" {plural(layout.unlisted, 'frame')} of further identifiers were not told apart."
    return text


def late_lines(layout: Layout) -> Iterator[str]:
    """Say which frames may come later than they are due, in the worst case."""
    for one in layout.messages:
        if one.response_ms is not None and one.deadline_ms is not None and one.response_ms > one.deadline_ms:
            name = f"{one.key} {one.name}".rstrip()
            yield (
                f"{name} may be {one.response_ms:.3g} ms under way and is due every {one.deadline_ms:.4g} ms. "
                "The command capacity says what to do."
            )


def issues_scope(layout: Layout) -> str:
    """Say what was looked at and how much was found."""
    counts = Counter(one.severity for one in layout.issues)
    looked = "buses and channels" if layout.baseline.channels else "buses; channels were not looked at"
    found = ", ".join(plural(counts[word], word) for word in ("fault", "suspect", "note") if counts[word])
    text = f"Looked at: {looked}. Found in this capture: {found or 'nothing'}."
    hidden = len(layout.issues) - len(shown_issues(layout))
    return f"{text} {plural(hidden, 'more is', 'more are')} in the machine-readable part." if hidden else text


def shown_issues(layout: Layout) -> tuple[Issue, ...]:
    """Return the gravest of the known faults."""
    return layout.issues[:MOST_ISSUES]


def baseline_lines(layout: Layout) -> Iterator[str]:
    """Say what the healthy run was like."""
    facts = layout.baseline.capture
    when = f", recorded {facts.recorded}" if facts.recorded else ""
    yield f"{plural(facts.frames, 'frame')} in {facts.seconds:.1f} s{when}."
    for name, bus in layout.baseline.buses.items():
        periodic = sum(entry.sending == "periodic" for entry in bus.ids.values())
        missing = sum(entry.missing for entry in bus.ids.values())
        clocks = plural(len(bus.clocks), "shared clock") if bus.clocks else "no shared clock"
        yield (
            f"{name}: load {percent(bus.load)}, {plural(len(bus.ids), 'identifier')}, {periodic} of them periodic, "
            f"{clocks}, {plural(missing, 'frame')} missing, {plural(bus.errors, 'error frame')}."
        )
    if layout.baseline.at_rest is not None:
        rested = sum(channel.rest is not None for channel in layout.baseline.channels.values())
        yield (
            f"Zero and noise of {plural(rested, 'channel')}: {layout.baseline.at_rest.words}. "
            "They stand in the table of channels."
        )
    else:
        yield "No channels were measured: there is no car file and no database."


def free_lines(layout: Layout) -> Iterator[str]:
    """Say which identifiers nobody has; those of the capture and of the databases are taken."""
    for bus in layout.buses:
        shown = listed(bus.free_ids, _MOST_RANGES).replace("more", "more ranges")
        yield f"{bus.name}: {shown or 'none'}"
