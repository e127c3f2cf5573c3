"""The recording."""
