"""Columns in temporary files are what was put there, also after their pages were let go."""

import numpy as np

from buswright.channels import spool
from buswright.channels.spool import Spool


def test_columns_come_back_as_they_were(tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "FILE_BYTES", 1 << 20)
    monkeypatch.setattr(spool, "HELD_BYTES", 100_000)
    columns = [np.random.default_rng(k).integers(0, 1 << 40, 10_000 + k) for k in range(40)]
    with Spool(tmp_path) as kept:
        found = [kept.keep(each) for each in columns]
        assert all(kept.keep(each) is each for each in found)  # what lies there already
    for given, each in zip(columns, found, strict=True):
        assert each is not given
        assert not each.flags.writeable
        assert np.array_equal(given, each)
    assert not list(tmp_path.iterdir())
