"""Faults of the simulated car. Importing this package fills the catalogue with every kind."""

from buswright.simulate.faults.injectors import (
    bus,
    calibration,
    capture,
    decoding,
    installation,
    interference,
    node,
    supply,
    text,
    wiring,
)

INJECTORS = (text, capture, bus, node, wiring, supply, interference, decoding, calibration, installation)
"""The modules with injectors; importing them fills `catalogue.KINDS`."""
