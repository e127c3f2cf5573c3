"""Fixtures of the tests of captures and formats."""

import io

import pytest

from buswright.frames.formats import library, library_process


@pytest.fixture
def in_this_process(monkeypatch):
    """Have the formats of python-can read here: without a process to start, a watching thread, a limit of memory."""
    monkeypatch.setattr(library_process, "_limit_memory", lambda _more: None)
    monkeypatch.setattr(library_process, "_watch", lambda _outlet, _largest: None)

    def read(form, reading):
        out = io.BytesIO()
        library_process.main(form, reading.path, out)
        out.seek(0)
        return library._received(form, out, reading)

    monkeypatch.setattr(library, "_read", read)
