"""What no finding may be."""

from __future__ import annotations

import math

import pytest

from buswright.findings import FAULTS, Finding, Layer, Severity


def finding(confidence: float = 0.9, layer: Layer = FAULTS["echo"]) -> Finding:
    return Finding("echo", layer, Severity.NOTE, "capture", None, None, 1, confidence, (), "")


@pytest.mark.parametrize("confidence", [-0.01, 1.2, math.nan])
def test_a_confidence_lies_in_0_to_1(confidence: float) -> None:
    assert [finding(sure).confidence for sure in (0.0, 1.0)] == [0.0, 1.0]
    with pytest.raises(ValueError, match="'echo' has a confidence of"):
        finding(confidence)


def test_a_fault_has_the_layer_of_the_catalogue() -> None:
    with pytest.raises(ValueError, match="on layer PHYSICS"):
        finding(layer=Layer.PHYSICS)
