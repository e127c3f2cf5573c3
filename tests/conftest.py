"""Settings that hold for all tests."""

import os

import pytest
from hypothesis import settings

# Programs that tests start keep their bytecode: without it, each would compile a good part of the sources again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# Databases are parsed, not taken from a cache, and nothing is left in the user's.
os.environ["BUSWRIGHT_CACHE"] = "off"

# No deadlines: a shared machine may be slow at any moment, and no test asserts a time. The examples are the same at
# every run, so that a red run can be repeated and a green one means what it meant before; to look for new ones:
# `pytest --hypothesis-profile=search`.
settings.register_profile("same", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile("same")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Give one worker more than there are processors: some tests wait for buses, terminals and signals."""
    return (os.cpu_count() or 1) + 1
