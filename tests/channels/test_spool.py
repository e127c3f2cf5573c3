"""Columns in temporary files are what was put there, also after their pages were let go."""

import numpy as np
import pytest

from buswright.channels import spool
from buswright.channels.samples.series import Series
from buswright.channels.spool import LEAST_BYTES, Parts, Spool


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


def test_a_column_of_a_page_goes_to_a_file_and_a_smaller_one_stays(tmp_path):
    assert LEAST_BYTES == 4096
    with Spool(tmp_path) as kept:
        small, page = np.zeros(LEAST_BYTES - 1, np.uint8), np.arange(LEAST_BYTES // 8)
        assert kept.keep(small) is small
        there = kept.keep(page)
        assert there is not page
        part = there[:]
        assert kept.keep(part) is part  # what lies there already is not written again


def test_each_column_has_its_place_in_a_file_and_a_large_one_a_file_of_its_own(tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "FILE_BYTES", 10_000)
    opened = []
    made = spool.tempfile.TemporaryFile
    monkeypatch.setattr(spool.tempfile, "TemporaryFile", lambda **more: opened.append(made(**more)) or opened[-1])
    columns = [np.full(size, number, np.uint8) for number, size in enumerate((4100, 5000, 5000, 20_000, 4100))]
    with Spool(tmp_path) as kept:
        found = [kept.keep(each) for each in columns]
        # 4100 take 4160 bytes, so that 5000 more fit in 10,000; the third column opens a file, the fourth another.
        assert len(opened) == 4
        assert [each.closed for each in opened] == [True, True, True, False]
        kept.keep(np.zeros(10_000 - 4160, np.uint8))  # just what is left
        assert len(opened) == 4
    assert opened[-1].closed
    for given, each in zip(columns, found, strict=True):
        assert np.array_equal(given, each)


def test_columns_begin_at_multiples_of_64_bytes(tmp_path):
    with Spool(tmp_path) as kept:
        first, second, third = (kept.keep(np.ones(size, np.uint8)) for size in (4097, 4161, 4096))
    at = [each.__array_interface__["data"][0] for each in (first, second, third)]
    assert np.diff(at).tolist() == [4160, 4224]


def test_pages_that_were_read_are_let_go_after_so_many_bytes(tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "HELD_BYTES", 10_000)
    with Spool(tmp_path) as kept:
        for written in (5000, 10_000):
            kept.keep(np.zeros(5000, np.uint8))
            assert kept._since == written
        kept.keep(np.zeros(5000, np.uint8))
        assert kept._since == 0


def test_a_folder_that_is_not_there_stands_for_the_one_above_it(tmp_path, monkeypatch):
    monkeypatch.setattr(spool.tempfile, "TemporaryFile", lambda dir: pytest.fail(str(dir)))  # noqa: A006
    for folder in (tmp_path / "no" / "such", tmp_path):
        with pytest.raises(pytest.fail.Exception, match=str(tmp_path) + "$"), Spool(folder) as kept:
            kept.keep(np.zeros(LEAST_BYTES, np.uint8))


def test_the_columns_of_a_series_are_kept_and_all_else_stays():
    n = 1000
    series = Series("x", "bar", np.arange(n), np.arange(n) * 0.5, quality=np.ones(n, np.uint16), first_ns=5)
    with Spool() as kept:
        found = kept.keep_series(series)
        assert kept.keep(found.value) is found.value
    assert found.value is not series.value
    assert (found.raw, found.volts, found.unit, found.first_ns) == (None, None, "bar", 5)
    assert np.array_equal(found.value, series.value)
    assert np.array_equal(found.time_ns, series.time_ns)
    assert np.array_equal(found.quality, series.quality)


def test_parts_are_joined_and_a_part_of_none_is_zeros():
    assert Parts().joined() is None
    assert Parts([None, None], [2, 3]).joined() is None
    parts = Parts([None, np.array([1, 2], np.uint16)], [3, 2])
    parts.add(None, 1)
    joined = parts.joined()
    assert joined.tolist() == [0, 0, 0, 1, 2, 0]
    assert joined.dtype == np.uint16
    assert parts.joined() is joined
    parts.add(np.array([7], np.uint16), 1)
    assert parts.joined().tolist() == [0, 0, 0, 1, 2, 0, 7]
    only = np.arange(3)
    assert Parts([only], [3]).joined() is only


def test_parts_move_to_a_file_bit_by_bit_and_as_a_whole(monkeypatch):
    monkeypatch.setattr(spool, "LEAST_BYTES", 0)
    moved = []

    class Told(Spool):
        def keep(self, column):
            moved.append(column.tolist())
            return super().keep(column)

    parts = Parts()
    with Told() as kept:
        parts.move(kept)
        parts.add(np.array([1]), 1)
        parts.add(np.array([2]), 1)
        parts.move(kept)
        parts.move(kept)  # nothing came meanwhile
        parts.add(None, 2)
        parts.move(kept)
        parts.add(np.array([3]), 1)
        parts.move(kept)
        parts.add(np.array([4]), 1)
        parts.add(np.array([5]), 1)
        parts.move(kept)
        assert moved == [[1, 2], [3], [4, 5]]
        parts.move(kept, whole=True)
    assert moved[3:] == [[1, 2, 0, 0, 3, 4, 5]]
    assert parts.joined().tolist() == [1, 2, 0, 0, 3, 4, 5]
