"""Faults of the simulated car. Importing a module of this package fills the catalogue with every kind."""

from buswright.simulate.faults import bus, capture, node, text

INJECTORS = (text, capture, bus, node)
"""The modules with injectors; importing them fills `catalogue.KINDS`."""
