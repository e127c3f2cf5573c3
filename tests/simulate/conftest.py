"""One minute and a bit of the invented car, made once for all tests of this folder."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from buswright.frames.table import Frames, concatenate
from buswright.simulate.run import START_EPOCH_NS, simulate_run, truth

SECONDS = 70.0


@dataclass(frozen=True)
class Run:
    frames: Frames
    truth: Mapping[str, np.ndarray]

    def bus(self, number: int) -> Frames:
        return self.frames.take(self.frames.bus == number)

    def seconds(self, frames: Frames) -> np.ndarray:
        return (frames.time_ns - START_EPOCH_NS) / 1e9


@pytest.fixture(scope="session")
def run() -> Run:
    return Run(concatenate(list(simulate_run(SECONDS))), truth(SECONDS))


@pytest.fixture(scope="session")
def fd_run() -> Run:
    return Run(concatenate(list(simulate_run(20.0, fd=True))), truth(20.0))
