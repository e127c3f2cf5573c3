"""Writes the example files: the car's databases, its car file, a bench plan, and four short captures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from io import BytesIO
from pathlib import Path
from types import MappingProxyType

from buswright.frames.captures.sidecar import ENDING
from buswright.frames.formats.asc.writer import write_asc
from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.bench.example import LOG_NAME, PLAN_NAME, bench_log, bench_sidecar, plan_text
from buswright.simulate.car.file import FILE_NAME, wrenfell_car_file
from buswright.simulate.databases import wrenfell_databases
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run

RUN_S = 26.0
"""Key-on, start, staging, and the first half-dozen corners of the climb."""

KEY_ON_S = 5.0

FLAKY_S = 18.0


def run_log() -> bytes:
    """Return the beginning of a climb as candump text."""
    stream = BytesIO()
    write_candump(simulate_run(RUN_S), stream)
    return stream.getvalue()


def key_on_log() -> bytes:
    """Return a few seconds of ignition on and engine off, in the morning, as ASC text."""
    stream = BytesIO()
    write_asc(simulate_run(KEY_ON_S, seed=2, scenario="key-on"), stream)
    return stream.getvalue()


def flaky_log() -> bytes:
    """Return the start of a climb with two faults in it, as candump text.

    The damper node loses its supply for a moment, three times, and frames of the wheel speeds get lost on the way.
    """
    faults = (
        Fault("module-reset", "module:damper_node", onset_s=8.0, repeat=3),
        Fault("frames-lost", "id:chassis/110", onset_s=4.0, severity=0.05),
    )
    stream = BytesIO()
    write_candump(simulate_run(FLAKY_S, seed=3, faults=faults), stream)
    return stream.getvalue()


CAPTURES: Mapping[str, Callable[[], bytes]] = MappingProxyType(
    {
        "captures/wrenfell_run.log": run_log,
        "captures/wrenfell_keyon.asc": key_on_log,
        "captures/wrenfell_flaky.log": flaky_log,
        f"captures/{LOG_NAME}": bench_log,
    }
)


def example_files() -> dict[str, bytes]:
    """Return every example file by its path in the project."""
    databases = {f"dbc_examples/{name}": content for name, content in wrenfell_databases().items()}
    car_file = {f"dbc_examples/{FILE_NAME}": wrenfell_car_file().encode()}
    bench = {f"dbc_examples/{PLAN_NAME}": plan_text().encode(), f"captures/{LOG_NAME}{ENDING}": bench_sidecar()}
    return databases | car_file | bench | {path: make() for path, make in CAPTURES.items()}


def write_example_files(folder: Path) -> list[Path]:
    """Write the example files below a folder, replacing older ones; return their paths."""
    paths = []
    for name, content in example_files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        paths.append(path)
    return paths
