"""Tests of what changed between car files."""
