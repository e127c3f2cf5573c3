"""Every page that the program writes, of runs with something to say, by the commands that write them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from buswright.cli.main import main

ROOT = Path(__file__).parent.parent.parent
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
BENCH = ROOT / "dbc_examples" / "wrenfell_bench.toml"
CAPTURES = ROOT / "captures"

FAULTS = ("open-circuit:channel:oil_pressure@4s", "module-missing:module:wheel_node@8s", "late-frames@5s")
"""In both buses and in several layers."""


def pages(folder: Path) -> Iterator[Path]:
    """Write every page into a folder."""
    drive, good = folder / "drive", folder / "good"
    faults = [word for fault in FAULTS for word in ("--fault", fault)]
    _run("demo", "--seconds", 20, "--save", drive, *faults)
    _run("demo", "--seconds", 20, "--save", good, "--seed", 2)
    run, car = drive / "run.log", drive / "wrenfell.toml"
    for name in ("health", "diagnose"):
        yield _page(folder / f"{name}.html", name, run, "--car", car)
        yield _page(folder / f"{name}_good.html", name, good / "run.log", "--car", car)
    yield _page(folder / "survey.html", "survey", run)
    yield _page(
        folder / "capacity.html", "capacity", run, "--car", car, "--add", "chassis=4 channels of 16 bit at 200 Hz"
    )
    yield _page(folder / "layout.html", "layout", run, "--car", car, out="--out")
    yield _page(folder / "handover.html", "layout", run, "--car", car, "--for-handover", out="--out")
    readings = [
        word for each in ("0.5=0", "1.5=2.55", "2.5=5.02", "3.5=7.41", "4.5=10") for word in ("--reading", each)
    ]
    yield _page(folder / "calibrate.html", "calibrate", "pressure_10", "--car", car, *readings)
    yield _page(folder / "bench.html", "bench", BENCH, CAPTURES / "wrenfell_bench.log", "--by", "Ada")
    season = folder / "season"
    _run("season", "add", drive / "run.log", good / "run.log", "--season", season, "--car", car)
    yield next(season.glob("runs/*/trust.html"))
    yield _page(folder / "season.html", "season", "channel", "oil_*", "--over", "mean", "--season", season)


def _page(path: Path, *words: object, out: str = "--html") -> Path:
    _run(*words, out, path)
    return path


def _run(*words: object) -> None:
    assert main([str(word) for word in words]) in (0, 1), words
