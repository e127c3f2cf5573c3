"""A copy of something that goes on changing, where what never changes is shared."""

from __future__ import annotations

import dataclasses
import io
import pickle
from types import MappingProxyType
from typing import Any, TypeVar

T = TypeVar("T")


def copied(one: T, *shared: type) -> T:
    """Return a copy that goes on by itself.

    Frozen dataclasses (series, messages, the car file) and read-only mappings are shared, and so is what they refer
    to: none of it changes.

    Parameters
    ----------
    shared
        Types whose objects are shared too, because both may use the same one.
    """
    kept: list[object] = []

    class Pickler(pickle.Pickler):
        def persistent_id(self, each: Any) -> int | None:
            if isinstance(each, (*shared, MappingProxyType)) or _is_frozen(each):
                kept.append(each)
                return len(kept) - 1
            return None

    class Unpickler(pickle.Unpickler):
        def persistent_load(self, number: Any) -> object:
            return kept[number]

    stream = io.BytesIO()
    Pickler(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(one)
    stream.seek(0)
    copy: T = Unpickler(stream).load()
    return copy


def _is_frozen(each: object) -> bool:
    if not dataclasses.is_dataclass(each) or isinstance(each, type):
        return False
    parameters: Any = vars(type(each)).get("__dataclass_params__")  # there is no public way to ask
    return parameters is not None and parameters.frozen
