"""From capture to Parquet files, the whole process, against python-can, cantools and pandas writing Parquet.

Run with `pytest tests/benchmarks/test_bench_files.py -o addopts= -s`. Both sides run in turn, so that a busy machine
slows both; the ratio is the median over the pairs. The loop works on all 2 million frames.
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

# What one writes with these libraries: decode frame by frame, collect, a table for each identifier.
REFERENCE = """
import sys, os
import can, cantools, pandas
database = cantools.database.load_file(sys.argv[2])
rows = {}
for message in can.LogReader(sys.argv[1]):
    decoded = database.decode_message(message.arbitration_id, message.data, decode_choices=False)
    decoded["time"] = message.timestamp
    rows.setdefault((message.channel, message.arbitration_id), []).append(decoded)
os.makedirs(sys.argv[3], exist_ok=True)
for (channel, identifier), part in rows.items():
    pandas.DataFrame(part).to_parquet(f"{sys.argv[3]}/{channel}.{identifier:X}.parquet")
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


@pytest.mark.parametrize(("jobs", "least"), [(1, 11), (2, 15)])
def test_a_folder_of_parquet(big, tmp_path, jobs, least, record_property):
    if jobs > CORES:
        pytest.skip("too few cores")
    compileall.compile_dir(Path(buswright.__file__).parent, quiet=1)
    ratios, computing = [], []
    for _ in range(3):
        seconds, cpu, peak = decode(big.candump, big, f"{tmp_path}/ours/", "--jobs", jobs)
        loop, loop_cpu, _ = used("-c", REFERENCE, big.candump, big.dbc, tmp_path / "loop")
        ratios.append(loop / seconds)
        computing.append(loop_cpu / cpu)
    ratio = statistics.median(ratios)
    less = statistics.median(computing)
    print(f"\n{jobs} jobs: {ratio:.1f} times faster, {less:.1f} times less computing; {peak:.0f} MB")
    record_property("ratio", ratio)
    assert ratio >= least


def test_a_wide_table(big, tmp_path, record_property):
    ratios = []
    for _ in range(3):
        wide = decode(big.candump, big, tmp_path / "wide.parquet", "--jobs", 1, "--rate", 10)
        folder = decode(big.candump, big, f"{tmp_path}/folder/", "--jobs", 1)
        ratios.append(wide[1] / folder[1])
    ratio = statistics.median(ratios)
    print(f"\n277 channels at 10 Hz: {ratio:.2f} times the computing of the folder at native rates")
    record_property("ratio", ratio)
    assert ratio <= 1.8


def test_start_with_a_short_capture(small, tmp_path, record_property):
    one = tmp_path / "one.log"
    one.write_bytes(b"".join(small.candump.read_bytes().splitlines(keepends=True)[:4_000]))
    ours = min(decode(one, small, f"{tmp_path}/one/")[1] for _ in range(5))
    numpy = min(used("-c", "import numpy")[1] for _ in range(5))
    print(f"\n4,000 frames, 277 signals: {ours:.2f} s of computing, `import numpy` {numpy:.2f} s")
    record_property("seconds", ours)
    assert ours < 5 * numpy
