"""Channels over time."""
