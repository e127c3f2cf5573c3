"""How the bus behaves: numbers from every frame, no verdicts. The names below are loaded when first used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .model import BusHealth
    from .track import HealthTracker

_HOME = {"BusHealth": "model", "HealthTracker": "track"}

__all__ = ["BusHealth", "HealthTracker"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_HOME[name]}", __name__), name)
