"""Tests of what fits on a bus."""
