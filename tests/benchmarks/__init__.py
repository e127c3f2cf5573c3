"""Benchmarks, run on demand: `pytest tests/benchmarks --override-ini addopts=`."""
