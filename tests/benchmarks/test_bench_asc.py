"""Reading ASC files of two million frames, as a ratio to python-can's reader in the same run."""

import time
from itertools import islice
from pathlib import Path

import can
import pytest

from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.reading import Reading
from tests.benchmarks.big_capture import make

FRAMES = 2_000_000
PART = 200_000
"""Frames that python-can reads; its time is scaled up."""
AT_LEAST = 15.0


@pytest.fixture(scope="module")
def clean(tmp_path_factory) -> Path:
    return make(tmp_path_factory.mktemp("asc"), FRAMES, kinds=("asc",)).asc


@pytest.fixture(scope="module")
def messy(clean) -> Path:
    """The same frames with other columns, widths and stamps from line to line."""
    path = clean.with_name("messy.asc")
    shapes = (
        "{stamp} {channel}  {identifier:15s} Rx   d 8 {data}  Length = 240015 BitCount = 124 ID = 1785\n",
        "{stamp} {channel} {identifier} Tx d 8 {data} Length = 8015 BitCount = 9 ID = 17\n",
        "  {stamp}123 1{channel}  {identifier:15s} Rx   d 8 {data}\n",
        "{stamp}   {channel}  {identifier:15s} Rx   d 8 {data}  Length = 0 BitCount = 0 ID = 418119424x\r\n",
    )
    with clean.open(encoding="ascii", newline="") as source, path.open("w", encoding="ascii", newline="") as out:
        for number, line in enumerate(source):
            fields = line.split(maxsplit=6)
            if len(fields) == 7 and fields[4] == "d":
                stamp, channel, identifier, _, _, _, data = fields
                shape = shapes[number % len(shapes)]
                line = shape.format(stamp=stamp, channel=channel, identifier=identifier, data=data.strip())
            out.write(line)
    return path


def best_of_three(path: Path) -> float:
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        reading = Reading(str(path))
        with path.open("rb") as stream:
            count = sum(len(frames) for frames in asc.FORMAT.read(stream, reading))
        seconds.append(time.perf_counter() - start)
        assert count == FRAMES
        assert not reading.problems
    return min(seconds)


@pytest.mark.parametrize("kind", ["clean", "messy"])
def test_reading_against_python_can(kind, request, capsys):
    path = request.getfixturevalue(kind)
    start = time.perf_counter()
    with can.ASCReader(path) as reader:
        assert sum(1 for _ in islice(reader, PART)) == PART
    theirs = (time.perf_counter() - start) * FRAMES / PART
    ours = best_of_three(path)
    with capsys.disabled():
        megabytes = path.stat().st_size / 1e6
        print(f"\nASC, {kind}, {megabytes:.0f} MB: {ours:.2f} s, python-can {theirs:.1f} s, {theirs / ours:.1f} times")
    assert theirs / ours >= AT_LEAST
