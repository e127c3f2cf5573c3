"""Databases and data-sheet tables put together, checked, and turned into each other."""
