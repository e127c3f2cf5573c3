"""Reports to render: a short bus with a hole in it, findings made by hand, names that mean harm."""

import numpy as np

from buswright.findings import Finding, Layer, Severity
from buswright.frames.table import Flag, Frames
from buswright.health.spacings import SpacingColumns
from buswright.health.track import HealthTracker
from buswright.report.health.report import HealthReport

START = 1_770_000_000_000_000_000


def frames_of(lanes, buses=("can0",), seed=3):
    """Frames by time: lanes of (bus index, id, extended, times in seconds), payload random, 8 bytes."""
    time_ns = np.concatenate([np.round(np.asarray(times) * 1e9).astype(np.int64) for *_, times in lanes]) + START
    columns = [
        np.concatenate([np.full(len(lane[3]), lane[k], np.int64) for lane in lanes])[np.argsort(time_ns, kind="stable")]
        for k in range(3)
    ]
    n = len(time_ns)
    payload = np.random.default_rng(seed).integers(0, 256, (n, 8), dtype=np.uint8)
    return Frames(
        np.sort(time_ns, kind="stable"),
        columns[0].astype(np.uint8),
        columns[1].astype(np.uint32),
        np.where(columns[2] == 1, np.uint8(Flag.EXTENDED), np.uint8(0)),
        np.full(n, 8, np.uint8),
        np.full(n, 8, np.uint8),
        payload,
        buses,
    )


def ticks(period, seconds, jitter=0.0, seed=0):
    """Times of a message, seconds."""
    times = np.arange(0.001, seconds, period)
    return times + np.random.default_rng(seed).uniform(0, 2 * jitter, len(times)) * period


def short_run(seconds=20.0):
    """Two buses; `0A0` of the first loses 5 frames at 7 s, `18FF1A42` is slow and jittery."""
    fast = ticks(0.01, seconds, 0.02)
    fast = fast[~((fast > 7.0) & (fast < 7.05))]
    lanes = [
        (0, 0x0A0, 0, fast),
        (0, 0x2B0, 0, ticks(0.05, seconds, 0.01, 1)),
        (1, 0x0A0, 0, ticks(0.02, seconds, 0.0, 2) + 0.0003),
        (1, 0x18FF1A42, 1, ticks(0.1, seconds, 0.2, 3)),
    ]
    return frames_of(lanes, ("can0", "can1"))


def finding(fault, layer, severity, subject, **more):
    """Return a finding with every field filled in."""
    values = {
        "start_ns": START + 7_000_000_000,
        "end_ns": START + 7_060_000_000,
        "count": 1,
        "confidence": 0.93,
        "evidence": ("5 frames of the period of 10 ms are missing", "the phase was kept: residual 0.02 ms"),
        "threshold": "missing_periods = 1.5 periods",
        "ruled_out": ("module reset: the phase was kept",),
        "next_check": "Wiggle the plug of the module while watching its counter.",
        "caution": "Engine off.",
    }
    return Finding(fault, layer, severity, subject, **{**values, **more})


def findings():
    """A fault that explains another one, and a note without a time."""
    inner = finding("late-frames", Layer.NODE, Severity.SUSPECT, "id:can1/18FF1A42")
    return (
        finding("frames-lost", Layer.NODE, Severity.FAULT, "id:can0/0A0", count=5, explains=(inner,)),
        finding(
            *("unknown-id", Layer.NODE, Severity.NOTE, "id:can0/2B0"),
            start_ns=None,
            end_ns=None,
            evidence=("nobody knows it",),
            ruled_out=(),
            caution="",
        ),
    )


def report_of(frames, found=(), **options):
    """Measure frames; return the report and its spacings."""
    tracker, spacings = HealthTracker(**options), SpacingColumns()
    tracker.update(frames)
    spacings.update(frames)
    return HealthReport(tracker.result(), tuple(found), ("run.log",), "candump"), spacings.result()


def short_report(found=None, **options):
    """Return the report of the short run."""
    options = {"bitrates": {"*": 500_000}, **options}
    return report_of(short_run(), findings() if found is None else found, **options)
