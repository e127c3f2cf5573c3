"""A question about one channel over 200 runs of ten minutes: at most a second, on a machine that is at rest."""

import subprocess
import sys
import time

import numpy as np
import pyarrow as pa
import pytest

import buswright as bw
from buswright.report.files.columns import parquet_writer
from buswright.season.catalogue import RUNS, commit
from buswright.season.place.local import digest_of
from buswright.season.place.opening import open_place
from buswright.season.run import Held, Run

RUNS_OF_SEASON, SECONDS, HZ = 200, 600, 50
CHANNELS = ("oil_pressure", "fuel_pressure", "coolant_pressure", "brake_bias_bar")
SQL = "select run, max(value), avg(value) from oil_pressure where valid group by run order by run"


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A season as `season add` would have written it: one message of four channels, and forty small files a run."""
    place = open_place(str(tmp_path_factory.mktemp("season") / "season"))
    rng = np.random.default_rng(1)
    n = SECONDS * HZ
    for k in range(RUNS_OF_SEASON):
        began = 1_775_000_000_000_000_000 + k * 86_400_000_000_000
        time_ns = began + np.arange(n) * (1_000_000_000 // HZ) + rng.integers(0, 50_000, n)
        columns = {"time_ns": pa.array(time_ns), "time": pa.array(time_ns).cast(pa.timestamp("ns", "UTC"))}
        for name in CHANNELS:
            raw = (2000 + 900 * np.sin(np.arange(n) / 500) + rng.normal(0, 20, n)).astype(np.uint16)
            quality = np.where(rng.random(n) < 0.001, 16, 0).astype(np.uint16)
            columns |= {name: pa.array(raw * 0.0025 - 1.25), f"{name}.raw": pa.array(raw)}
            columns |= {f"{name}.volts": pa.array(raw * 0.001), f"{name}.quality": pa.array(quality)}
            columns[f"{name}.valid"] = pa.array(quality == 0)
        table = pa.table(columns)
        name = f"2026-{k:04d}"
        with place.new_folder(RUNS, name) as folder:
            with parquet_writer(folder / "chassis.ANALOGUE_A.parquet", table.schema) as writer:
                writer.write_table(table)
            with (folder / "chassis.ANALOGUE_A.parquet").open("rb") as stream:
                held = [Held("chassis.ANALOGUE_A.parquet", *digest_of(stream))]
        held += [Held(f"other_{j}.parquet", 1, "0" * 64) for j in range(40)]  # what a catalogue has to say of each
        tables = dict.fromkeys(CHANNELS, held[0].name) | {f"channel_{j}": held[1 + j % 40].name for j in range(90)}
        commit(
            place,
            Run(
                name, name, "x.log", "x.log", f"{k:064x}", f"2026-04-01T10:00:00.{k:06d}Z", float(SECONDS), n, 0,
                "Wrenfell 3", "car.toml", "", "", "", "", tuple(held), tables,
            ),
        )  # fmt: skip
    return place.title


def took(work):
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
    return best


def test_one_channel_over_all_runs(season):
    def asked():
        rows = bw.open_season(season).query(SQL).to_arrow()
        assert rows.num_rows == RUNS_OF_SEASON

    def one_run():
        sql = "select max(value) from oil_pressure where run = '2026-0100'"
        assert bw.open_season(season).query(sql).to_arrow().num_rows == 1

    def command():
        words = [sys.executable, "-m", "buswright", "season", "query", SQL, "--season", season]
        assert b"200 rows" in subprocess.run(words, capture_output=True, check=True).stdout

    asked()
    began = time.process_time()
    asked()
    cpu = time.process_time() - began
    opened = took(lambda: bw.open_season(season))
    best, one, whole = took(asked), took(one_run), took(command)
    print(
        f"\n{RUNS_OF_SEASON} runs of {SECONDS} s at {HZ} Hz, {RUNS_OF_SEASON * SECONDS * HZ:,} samples: catalogue "
        f"{opened:.2f} s, catalogue and question {best:.2f} s ({cpu:.2f} s of one core), of one run {one:.2f} s; the "
        f"whole command {whole:.2f} s"
    )
    assert best < 1.0
