"""What is measured and judged is a value: nobody changes it once it is made."""

from __future__ import annotations

import dataclasses
import functools
import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from typing import Any

import pytest

FILLED_AS_IT_GOES = {
    "channels": {
        "Extremes", "RecentMessage", "Followed", "Past", "FaultLog", "RecordedSignal", "RecordedMessage",
    },
    "diagnosis": {"Tally"},
    "frames": {"LineColumns", "Stamps", "Columns", "Reading", "Chunk", "_Watch", "_Entry"},
    "health": {"Spoilt", "_Arrivals"},
    "messages": {"_Definition", "Counts"},
}  # fmt: skip
"""Accounts that a fold keeps, and columns that a reader fills; each stays within its fold or its reader."""
BY_VALUE_ALL_THE_SAME = {
    "channels": {"Band", "Data", "Fit", "Measured", "Solution", "_Samples"},
    "frames": {"Columns", "Format", "LineColumns", "Part"},
    "messages": {"ChecksumKind"},
}
"""Hold arrays (or a function on them), and nobody compares them."""
OF_THOSE = {
    "channels": {"ChannelNow", "Plotted"},
    "diagnosis": {"Moment", "Scope", "SeenAtRest", "Verdicts", "_Noisy", "_Shift"},
    "frames": {"WireBits"},
    "health": {
        "BusFigures", "BusHealth", "CaptureFigures", "ChannelEvidence", "IdFigures", "Measured", "Spacings",
    },
    "messages": {"Database", "Message", "MessagePlan", "_Given"},
}  # fmt: skip
"""Hold what holds arrays, or are found again by which they are."""
ARRAYS = ("Floats", "Bools", "NDArray", "Int64s", "Float64s", "Float32s", "Steps", "Rows")


def classes(package: str) -> Iterator[type[Any]]:
    root = importlib.import_module(f"buswright.{package}")
    for info in pkgutil.walk_packages(root.__path__, f"{root.__name__}."):
        module = importlib.import_module(info.name)
        for one in vars(module).values():
            if inspect.isclass(one) and one.__module__ == module.__name__ and dataclasses.is_dataclass(one):
                yield one


def parameters(one: type[Any]) -> Any:
    return one.__dataclass_params__


@pytest.mark.parametrize("package", sorted(FILLED_AS_IT_GOES))
def test_dataclasses_are_frozen_but_for_those_that_are_filled_as_it_goes(package: str) -> None:
    found = list(classes(package))
    assert len(found) > 10
    assert {one.__name__ for one in found if not parameters(one).frozen} == FILLED_AS_IT_GOES[package]


@pytest.mark.parametrize("package", sorted(FILLED_AS_IT_GOES))
def test_dataclasses_have_slots_but_for_those_that_keep_what_they_worked_out(package: str) -> None:
    for one in classes(package):
        keeps = any(isinstance(each, functools.cached_property) for each in vars(one).values())
        assert ("__slots__" in vars(one)) is not keeps, one


@pytest.mark.parametrize("package", sorted(FILLED_AS_IT_GOES))
def test_what_holds_arrays_is_not_compared_by_value(package: str) -> None:
    """Whether two arrays are equal is an array: a comparison by value would raise."""
    found = list(classes(package))
    holding = {
        one.__name__
        for one in found
        if any(name in str(each.type) for each in dataclasses.fields(one) for name in ARRAYS)
    }
    apart = holding - BY_VALUE_ALL_THE_SAME.get(package, set()) | OF_THOSE[package]
    assert {one.__name__ for one in found if not parameters(one).eq} == apart
