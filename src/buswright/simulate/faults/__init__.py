"""Faults that can be put into a run."""
