"""The invented car: physics, wire behaviour and faults. The names below are loaded when first used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .car_file import wrenfell_car_file
    from .databases import wrenfell_databases
    from .examples import write_example_files
    from .fault_scenarios import Scenario, clean_scenarios, scenarios
    from .faults import Fault, GroundTruth
    from .faults_text import written_run
    from .run import SimulatedRun, simulate_run, truth

_HOME = {
    "Fault": "faults",
    "GroundTruth": "faults",
    "Scenario": "fault_scenarios",
    "SimulatedRun": "run",
    "clean_scenarios": "fault_scenarios",
    "scenarios": "fault_scenarios",
    "simulate_run": "run",
    "truth": "run",
    "wrenfell_car_file": "car_file",
    "wrenfell_databases": "databases",
    "write_example_files": "examples",
    "written_run": "faults_text",
}

__all__ = [
    "Fault",
    "GroundTruth",
    "Scenario",
    "SimulatedRun",
    "clean_scenarios",
    "scenarios",
    "simulate_run",
    "truth",
    "wrenfell_car_file",
    "wrenfell_databases",
    "write_example_files",
    "written_run",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_HOME[name]}", __name__), name)
