"""Findings as text, the same for every command that judges."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable
from typing import Protocol

from buswright.diagnosis.detected import DETECTED
from buswright.findings import Condition, Finding, Severity
from buswright.wording import between, listed, percent, plural, times

SHOWN_EXPLAINED = 6
"""Findings that one finding explains, said by name on the terminal; the rest is counted."""

_COUNTED = frozenset({"clock-jump", "bus-off", "segment-open", "power-cycle", "module-reset", "id-missing"})
"""Faults of which the count is a number of events, not of frames."""


class Graded(Protocol):
    """What has a severity: a finding, a difference, a remark."""

    @property
    def severity(self) -> Severity:
        """How grave it is."""


def tally(found: Iterable[Graded], nothing: str = "nothing") -> str:
    """Say how many there are of each severity, gravest first: "2 faults, 1 suspect"; or that there is nothing."""
    counts = Counter(each.severity for each in found)
    return ", ".join(plural(counts[each], each.name.lower()) for each in reversed(Severity) if counts[each]) or nothing


def headline(finding: Finding) -> str:
    """Say what was found in a few words, and that it is open: "damper_node restarted 3 times"."""
    words = _few_words(finding.fault, finding.subject)
    words = f"{words} {times(finding.count)}" if finding.count > 1 and finding.fault in _COUNTED else words
    if not finding.inconclusive:
        return words
    others = [_few_words(rival.fault, rival.subject) for rival in finding.rivals[:1]]
    return f"inconclusive: {' or '.join([words, *others])}"


def _few_words(fault: str, subject: str) -> str:
    kind, _, name = subject.partition(":")
    return DETECTED[fault].headline.format(f"the {name} bus" if kind == "bus" else name or kind)


def rival_words(finding: Finding) -> list[str]:
    """Say what else the evidence fits, and why this run can't tell; the check of the finding tells the two apart."""
    return [f"{rival.fault} {rival.subject}: {rival.why}." for rival in finding.rivals]


def span(finding: Finding, first_ns: int | None) -> str:
    """Say when it was seen and how often, seconds from the first frame: "at 12.30 s", "12.30-14.00 s, 4 times"."""
    often = times(finding.count) if finding.count > 1 else ""
    if finding.start_ns is None or first_ns is None:
        return often
    start = (finding.start_ns - first_ns) / 1e9
    end = start if finding.end_ns is None else (finding.end_ns - first_ns) / 1e9
    when = f"at {start:.2f} s" if end - start < 0.01 else between(start, end, 2)
    return ", ".join(word for word in (when, often) if word)


def condition_words(finding: Finding) -> list[str]:
    """Say when what comes and goes came: sentences for what chance doesn't make, one for what it has no link with."""
    clear = [each for each in finding.conditions if each.clear]
    others = [each.about for each in finding.conditions if not each.clear]
    said = []
    for each in clear:
        chance = f"with a probability of {each.chance:.2g}"
        said.append(
            f"{each.inside} of {each.occasions} occasions came {each.where}. That was {percent(each.share)} of the "
            f"time, so it is {each.lift:.1f} times the run's average (by chance "
            f"{'in less than one case of a million' if each.chance < 1e-6 else chance})."
        )
    if others:
        said.append(f"No clear link with {listed(others, len(others))}.")
    return said


def condition_cells(one: Condition) -> tuple[str, ...]:
    """Return what it is about, the region, occasions in it of all, its share of the time, the lift, the chance."""
    times_more, chance = f"{one.lift:.1f}", f"{one.chance:.2g}"
    return one.about, one.where, f"{one.inside} of {one.occasions}", percent(one.share), times_more, chance


def finding_lines(finding: Finding, number: int, first_ns: int | None, width: int) -> list[str]:
    """Write one finding: a head, then what to do, the caution, what was seen, and the limit last."""
    facts = (span(finding, first_ns), finding.how_sure)
    head = f"{number}. {finding.severity.name} {finding.fault}  {finding.subject}"
    lines = _wrapped("  ", f"{head}  ({', '.join(fact for fact in facts if fact)})", "     ", width)
    explained = [f"{each.fault} {each.subject}" for each in finding.explains[:SHOWN_EXPLAINED]]
    more = len(finding.explains) - SHOWN_EXPLAINED
    said = [
        *(("or", text) for text in rival_words(finding)),
        ("check", finding.next_check),
        ("SAFETY", finding.caution),
        *(("seen", text) for text in finding.evidence),
        *(("when", text) for text in condition_words(finding)),
        *(("ruled out", text) for text in finding.ruled_out),
        ("explains", "; ".join([*explained, f"and {more} more"] if more > 0 else explained)),
        ("limit", finding.threshold),
    ]
    before = ""
    for label, text in said:
        if text:
            shown = label if label != before else ""
            lines += _wrapped(f"     {shown:<11}", text, " " * 16, width)
            before = label
    return lines


def _wrapped(head: str, text: str, indent: str, width: int) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=head, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
