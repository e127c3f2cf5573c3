"""Captures are taken into a season, by a call or as they arrive."""
