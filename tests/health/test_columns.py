"""What holds columns is compared as a thing, not column by column: == of arrays is no answer."""

from __future__ import annotations

import dataclasses
import importlib
import pkgutil
from collections.abc import Iterator

HEALTH = "buswright.health"
COLUMNS = ("Int64s", "Float64s", "Floats", "Bools", "Rows", "NDArray")
HOLDING = {
    *("BusFigures", "CaptureFigures", "BusHealth", "IdFigures", "Measured", "Spacings", "ChannelEvidence"),
}
"""What holds such values."""


def classes() -> Iterator[type]:
    for found in pkgutil.walk_packages(importlib.import_module(HEALTH).__path__, HEALTH + "."):
        for each in vars(importlib.import_module(found.name)).values():
            if isinstance(each, type) and each.__module__ == found.name and dataclasses.is_dataclass(each):
                yield each


def test_values_with_columns_are_equal_only_to_themselves() -> None:
    told = {
        each.__name__: any(word in str(field.type) for field in dataclasses.fields(each) for word in COLUMNS)
        for each in classes()
    }
    assert len(told) > 40
    apart = {each.__name__ for each in classes() if not each.__dataclass_params__.eq}  # type: ignore[attr-defined]
    assert apart == HOLDING | {name for name, columns in told.items() if columns}
