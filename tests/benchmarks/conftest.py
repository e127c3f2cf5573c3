"""The large generated capture, made once and kept in a cache folder."""

import os
from pathlib import Path

import pytest

from tests.benchmarks.big_capture import BigCapture, make


@pytest.fixture(scope="session")
def big() -> BigCapture:
    folder = Path(os.environ.get("BUSWRIGHT_TEST_CACHE", Path.home() / ".cache" / "buswright-tests")) / "benchmark"
    return make(folder)


@pytest.fixture(scope="session")
def small() -> BigCapture:
    """A tenth of it, for what is too slow to be run on the whole."""
    folder = Path(os.environ.get("BUSWRIGHT_TEST_CACHE", Path.home() / ".cache" / "buswright-tests")) / "benchmark"
    return make(folder, frames=200_000)
