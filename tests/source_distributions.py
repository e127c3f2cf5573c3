"""Source distributions of installed libraries: their own test files are what ours are held against."""

from __future__ import annotations

import functools
import importlib.metadata
import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import pytest

DOWNLOAD_SECONDS = 180
"""pip builds metadata of what it downloads; on a slow machine that takes a minute."""


def cache_folder() -> Path:
    """Where unpacked sources are kept between runs: $BUSWRIGHT_TEST_CACHE, or the user's cache."""
    named = os.environ.get("BUSWRIGHT_TEST_CACHE")
    return Path(named) if named else Path.home() / ".cache" / "buswright-tests"


def source_distribution(distribution: str) -> Path:
    """Return the unpacked source of the installed version of a library; skip the test, saying why, if it can't be got.

    Parameters
    ----------
    distribution
        Name on the package index, e.g. "cantools".

    Returns
    -------
    The folder that holds the library's `tests` folder.
    """
    found = _fetch(distribution)
    if isinstance(found, str):
        pytest.skip(f"NOT COMPARED with {distribution}: {found}")
    return found


@functools.cache
def _fetch(distribution: str) -> Path | str:
    """Return the unpacked folder, or why there is none; asked once a process."""
    version = importlib.metadata.version(distribution)
    home = cache_folder() / f"{distribution}-{version}"
    if not home.is_dir():
        try:
            home.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=home.parent) as scratch:
                _download(f"{distribution}=={version}", Path(scratch)).replace(home)
        except (OSError, subprocess.SubprocessError, tarfile.TarError, LookupError) as error:
            # Another test process may have put the folder there first.
            if not home.is_dir():
                return f"its source distribution can't be had: {error}"
    inner = [path for path in home.iterdir() if path.is_dir()]
    return inner[0] if len(inner) == 1 else home


def _download(requirement: str, scratch: Path) -> Path:
    """Fetch and unpack into a folder below `scratch`, and return that folder."""
    archives, unpacked = scratch / "archives", scratch / "unpacked"
    command = [sys.executable, "-m", "pip", "--disable-pip-version-check", "download", "--quiet", "--no-deps"]
    command += ["--no-binary=:all:", "--dest", str(archives), requirement]
    done = subprocess.run(command, capture_output=True, text=True, timeout=DOWNLOAD_SECONDS)
    if done.returncode:
        raise LookupError((done.stderr.strip().splitlines() or ["pip failed without a word"])[-1])
    archive = next(archives.glob("*.tar.gz"), None)
    if archive is None:
        raise LookupError(f"{requirement} has no source archive")
    with tarfile.open(archive) as tar:
        tar.extractall(unpacked, filter="data")
    return unpacked
