"""Captures of recorded frames: recognised, opened, merged by time, followed while they grow."""
