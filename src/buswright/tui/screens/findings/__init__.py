"""Findings and their evidence."""
