"""Folds in bounded memory: histograms, windows, first and last rows."""
