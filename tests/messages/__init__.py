"""Tests of what the frames mean."""
