"""Writing two million frames as candump and ASC text."""

import io
from dataclasses import replace

import numpy as np
import pytest

from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import CandumpWriter
from buswright.frames.formats.writing import Writer
from tests.benchmarks.test_bench_wire import FRAMES, traffic

BATCH = 500_000
FEWEST_LINES_PER_SECOND = 1_500_000


class Nowhere(io.RawIOBase):
    """Takes bytes and forgets them, so that only the writer is measured."""

    def write(self, data) -> int:
        return len(data)


@pytest.mark.parametrize("kind", ["eight bytes", "mixed"])
@pytest.mark.parametrize("form", [CandumpWriter, AscWriter])
def test_writing_two_million_frames(benchmark, form: type[Writer], kind: str):
    frames = replace(traffic(kind), time_ns=1_794_652_200_000_000_000 + np.arange(FRAMES) * 250_000)

    def write() -> None:
        with form(Nowhere()) as writer:
            for start in range(0, FRAMES, BATCH):
                writer.write(frames.slice(start, min(start + BATCH, FRAMES)))

    benchmark.pedantic(write, rounds=3)
    rate = FRAMES / benchmark.stats.stats.min
    benchmark.extra_info["lines_per_second"] = rate
    print(f"\n{form.__name__}, {kind}: {rate / 1e6:.1f} M lines/s")
    assert rate > FEWEST_LINES_PER_SECOND
