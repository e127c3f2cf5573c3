"""A folder of results: on the disk before it stands in its place, and the old one is there if that fails."""

import errno
import os

import pytest

from buswright import writing
from buswright.writing import WritingError, whole_folder


def filled(place, text):
    with whole_folder(place, replaces=lambda _: True) as new:
        for number in range(20):
            (new / f"part{number % 3}").mkdir(exist_ok=True)
            (new / f"part{number % 3}" / f"{number}.txt").write_text(text)


def test_every_file_is_on_the_disk_before_any_is_in_its_place(tmp_path, monkeypatch):
    place, synced, real = tmp_path / "out", [], os.fsync

    def noted(descriptor):
        assert not place.exists()
        synced.append(os.fstat(descriptor).st_ino)
        real(descriptor)

    monkeypatch.setattr(writing.os, "fsync", noted)
    filled(place, "new")
    assert sorted(synced) == sorted(each.stat().st_ino for each in place.rglob("*.txt"))


def test_one_file_that_the_disk_does_not_take_leaves_the_old_folder(tmp_path, monkeypatch):
    place, number, real = tmp_path / "out", [], os.fsync
    filled(place, "old")

    def full(descriptor):
        number.append(descriptor)
        if len(number) == 11:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(descriptor)

    monkeypatch.setattr(writing.os, "fsync", full)
    with pytest.raises(WritingError, match="No space"):
        filled(place, "new")
    assert {each.read_text() for each in place.rglob("*.txt")} == {"old"}
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_nothing_of_the_old_folder_is_left_beside_the_new_one(tmp_path):
    place = tmp_path / "out"
    for text in ("old", "new"):
        filled(place, text)
    assert [each.name for each in tmp_path.iterdir()] == ["out"]
    assert {each.read_text() for each in place.rglob("*.txt")} == {"new"}
