"""Tests of what was on the wire."""
