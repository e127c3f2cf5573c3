"""From capture to Parquet files, the whole process, against python-can, cantools and pandas writing Parquet.

Run with `pytest tests/benchmarks/test_bench_files.py -o addopts= -s`. Both sides run in turn, so that a busy machine
slows both; the ratio is the median over the pairs. The loop works on all frames, but for the 20 million of the
acceptance tier (add `-m acceptance`).
"""

import compileall
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

import buswright
from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.run import simulate_run

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"

# What one writes with these libraries: decode frame by frame, collect, a table for each identifier.
REFERENCE = """
import sys, os
import can, cantools, pandas
databases = [cantools.database.load_file(path) for path in sys.argv[3:]]
rows = {}
for message in can.LogReader(sys.argv[1]):
    database = databases[-1 if message.channel == "can1" else 0]
    try:
        decoded = database.decode_message(message.arbitration_id, message.data, decode_choices=False)
    except KeyError:
        continue
    decoded["time"] = message.timestamp
    rows.setdefault((message.channel, message.arbitration_id), []).append(decoded)
os.makedirs(sys.argv[2], exist_ok=True)
for (channel, identifier), part in rows.items():
    pandas.DataFrame(part).to_parquet(f"{sys.argv[2]}/{channel}.{identifier:X}.parquet")
"""
CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def used(*words):
    """Run Python; return its seconds, the seconds of computing with its own processes, and its largest memory, MB."""
    begun = time.perf_counter()
    with subprocess.Popen([sys.executable, *map(str, words)], stdout=subprocess.DEVNULL) as process:
        _, status, taken = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert not process.returncode
    return time.perf_counter() - begun, taken.ru_utime + taken.ru_stime, taken.ru_maxrss / 1024


def decode(source, big, out, *more):
    return used("-m", "buswright", "decode", source, "--dbc", big.dbc, "--out", out, "--force", *more)


@pytest.fixture(scope="module", autouse=True)
def compiled():
    """Imports are slower than a user sees where PYTHONDONTWRITEBYTECODE is set."""
    compileall.compile_dir(Path(buswright.__file__).parent, quiet=1)


@pytest.mark.parametrize(("jobs", "least"), [(1, 13), (2, 17)])
@pytest.mark.parametrize("kind", ["candump", "asc"])
def test_a_folder_of_parquet(big, tmp_path, kind, jobs, least, record_property):
    if jobs > CORES:
        pytest.skip("too few cores")
    compared(getattr(big, kind), [big.dbc], ["--dbc", big.dbc], tmp_path, jobs, least, record_property)


@pytest.mark.parametrize(("jobs", "least"), [(1, 6), (2, 7)])
def test_a_folder_of_calibrated_channels(tmp_path, jobs, least, record_property):
    """Two million frames of the simulated car. The loop stops at signals: calibrations and limits are ours alone."""
    if jobs > CORES:
        pytest.skip("too few cores")
    with (drive := tmp_path / "drive.log").open("wb") as stream:
        write_candump(simulate_run(1021.0), stream)
    databases = [EXAMPLES / f"wrenfell_{bus}.dbc" for bus in ("engine", "chassis")]
    words = ["--car", EXAMPLES / "wrenfell.toml"]
    compared(drive, databases, words, tmp_path, jobs, least, record_property)


def compared(source, databases, words, tmp_path, jobs, least, record_property, *, rounds=3, times=1):
    """Hold the whole process against the loop, run in turn; `times` is how many times as long the loop's capture is."""
    ratios, computing, first = [], [], source if times == 1 else source.with_name("first.log")
    for _ in range(rounds):
        seconds, cpu, peak = used(
            "-m", "buswright", "decode", source, "--out", f"{tmp_path}/ours/", "--force", "--jobs", jobs, *words
        )
        loop, loop_cpu, _ = used("-c", REFERENCE, first, tmp_path / "loop", *databases)
        ratios.append(times * loop / seconds)
        computing.append(times * loop_cpu / cpu)
    ratio = statistics.median(ratios)
    less = statistics.median(computing)
    print(f"\n{jobs} jobs: {ratio:.1f} times faster, {less:.1f} times less computing; {seconds:.1f} s, {peak:.0f} MB")
    record_property("ratio", ratio)
    assert ratio >= least
    assert peak < 400


@pytest.mark.acceptance
def test_twenty_million_frames(big, tmp_path, record_property):
    """The loop works on the first two million, and its time is taken ten times: it does the same for every frame."""
    long = big.repeated(tmp_path / "long.log", 10)
    (tmp_path / "first.log").symlink_to(big.candump)
    compared(long, [big.dbc], ["--dbc", big.dbc], tmp_path, CORES, 20, record_property, rounds=1, times=10)


def test_a_wide_table(big, tmp_path, record_property):
    ratios = []
    for _ in range(3):
        wide = decode(big.candump, big, tmp_path / "wide.parquet", "--jobs", 1, "--rate", 10)
        folder = decode(big.candump, big, f"{tmp_path}/folder/", "--jobs", 1)
        ratios.append(wide[1] / folder[1])
    ratio = statistics.median(ratios)
    print(f"\n277 channels at 10 Hz: {ratio:.2f} times the computing of the folder at native rates")
    record_property("ratio", ratio)
    assert ratio <= 2


def test_start_with_a_short_capture(small, tmp_path, record_property):
    one = tmp_path / "one.log"
    one.write_bytes(b"".join(small.candump.read_bytes().splitlines(keepends=True)[:4_000]))
    ours = min(decode(one, small, f"{tmp_path}/one/")[1] for _ in range(5))
    numpy = min(used("-c", "import numpy")[1] for _ in range(5))
    print(f"\n4,000 frames, 277 signals: {ours:.2f} s of computing, `import numpy` {numpy:.2f} s")
    record_property("seconds", ours)
    assert ours < 5 * numpy
