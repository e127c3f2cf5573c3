"""Recordings that survive: written beside what is received."""
