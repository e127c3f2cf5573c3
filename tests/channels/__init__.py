"""Tests of buswright.channels."""
