"""The invented car: physics, wire behaviour and faults. The names below are loaded when first used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .car_file import wrenfell_car_file
    from .databases import wrenfell_databases
    from .examples import write_example_files
    from .run import simulate_run, truth

_HOME = {
    "simulate_run": "run",
    "truth": "run",
    "wrenfell_car_file": "car_file",
    "wrenfell_databases": "databases",
    "write_example_files": "examples",
}

__all__ = ["simulate_run", "truth", "wrenfell_car_file", "wrenfell_databases", "write_example_files"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_HOME[name]}", __name__), name)
