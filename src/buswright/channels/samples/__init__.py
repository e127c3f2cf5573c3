"""Samples over time: series with their quality, runs, grids and filters."""
