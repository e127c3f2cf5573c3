"""Stored runs of a season on the terminal: choose one or two, list their channels, plot them."""
