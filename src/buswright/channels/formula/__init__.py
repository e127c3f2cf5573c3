"""Formulas of computed channels: parsed, checked, evaluated on whole columns."""
