"""Bit rates that buses have."""

from __future__ import annotations

STANDARD_RATES = (10_000, 20_000, 33_333, 50_000, 83_333, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates met in practice, bit/s, slowest first (common practice, no source)."""
