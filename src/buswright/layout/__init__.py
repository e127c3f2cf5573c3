"""Documenting the bus, verifying it, and drafting a car file."""
