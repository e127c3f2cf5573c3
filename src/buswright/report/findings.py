"""Findings as text and as plain data, the same for every command that judges."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from buswright.findings import Finding, Severity
from buswright.report.text import count

SHOWN_EXPLAINED = 6
"""Findings that one finding explains, said by name on the terminal; the rest is counted."""


def every(findings: Sequence[Finding]) -> Iterator[Finding]:
    """Yield findings and, behind each, what it explains."""
    for finding in findings:
        yield finding
        yield from every(finding.explains)


def worst(findings: Sequence[Finding]) -> Severity | None:
    """Return the highest severity of the root findings; None for none."""
    return max((finding.severity for finding in findings), default=None)


def tally(findings: Sequence[Finding]) -> str:
    """Say how many there are of each severity, gravest first: "2 faults, 1 suspect"; "nothing" for none."""
    counts = [(severity, sum(f.severity is severity for f in findings)) for severity in reversed(Severity)]
    return ", ".join(count(number, severity.name.lower()) for severity, number in counts if number) or "nothing"


def span(finding: Finding, first_ns: int | None) -> str:
    """Say when it was seen and how often, seconds from the first frame: "at 12.30 s", "12.3–14.0 s, 4 times"."""
    times = f"{finding.count:,} times" if finding.count > 1 else ""
    if finding.start_ns is None or first_ns is None:
        return times
    start = (finding.start_ns - first_ns) / 1e9
    end = start if finding.end_ns is None else (finding.end_ns - first_ns) / 1e9
    when = f"at {start:.2f} s" if end - start < 0.01 else f"{start:.2f}–{end:.2f} s"
    return ", ".join(word for word in (when, times) if word)


def finding_lines(finding: Finding, number: int, first_ns: int | None, width: int) -> list[str]:
    """Write one finding: a head, and under it what was seen, ruled out, and to be checked next."""
    facts = (span(finding, first_ns), f"confidence {finding.confidence:.0%}")
    head = f"{number}. {finding.severity.name} {finding.fault}  {finding.subject}"
    lines = _wrapped("  ", f"{head}  ({', '.join(fact for fact in facts if fact)})", "     ", width)
    said = [
        *(("seen", text) for text in finding.evidence),
        ("limit", finding.threshold),
        *(("ruled out", text) for text in finding.ruled_out),
        ("explains", _explained(finding.explains)),
        ("check", finding.next_check),
        ("MIND", finding.caution),
    ]
    before = ""
    for label, text in said:
        if text:
            shown = label if label != before else ""
            lines += _wrapped(f"     {shown:<11}", text, " " * 16, width)
            before = label
    return lines


def _explained(findings: Sequence[Finding]) -> str:
    names = [f"{finding.fault} {finding.subject}" for finding in findings[:SHOWN_EXPLAINED]]
    more = len(findings) - len(names)
    return "; ".join([*names, f"and {more} more"] if more else names)


def _wrapped(head: str, text: str, indent: str, width: int) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=head, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def finding_json(finding: Finding) -> dict[str, Any]:
    """Return a finding as plain data; what it explains stands inside it only."""
    return {
        "fault": finding.fault,
        "layer": finding.layer.name.lower(),
        "severity": finding.severity.name.lower(),
        "subject": finding.subject,
        "start_ns": finding.start_ns,
        "end_ns": finding.end_ns,
        "count": finding.count,
        "confidence": finding.confidence,
        "evidence": list(finding.evidence),
        "threshold": finding.threshold,
        "ruled_out": list(finding.ruled_out),
        "next_check": finding.next_check,
        "caution": finding.caution,
        "explains": [finding_json(each) for each in finding.explains],
    }
