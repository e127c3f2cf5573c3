"""Calibrations: from electrical values to units, one module a family of kinds."""
