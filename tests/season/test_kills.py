"""A process that is killed at each step of adding a run: the season holds the old run or the new one, whole."""

import os
import sys
from dataclasses import replace

import pytest

from buswright.season.catalogue import RUNS, added_meanwhile, commit, read_catalogue, tidy, verify
from buswright.season.place.local import LocalPlace, digest_of
from buswright.season.run import Held, Run, Source
from buswright.writing import WritingError

CHANGING = {"os.mkdir", "os.rename", "os.remove", "os.rmdir", "shutil.rmtree", "os.truncate"}


def run_of(place, content, folder, version, capture="0" * 64):
    """Write a run of two files, as `season add` does; return its entry."""
    with place.new_folder(RUNS, folder) as new:
        held = []
        for name in ("numbers.parquet", "trust.html"):
            (new / name).write_bytes(content)
            with (new / name).open("rb") as stream:
                held.append(Held(name, *digest_of(stream)))
    texts = dict.fromkeys(("came_from", "car", "car_file", "car_sha256", "tool", "verdict"), "")
    sources = (Source("x.log", 1, capture),)
    return Run(
        f"day_x_{capture[:8]}", folder, "x.log", sha256=capture, recorded=None, seconds=1.0, frames=1, bad_lines=0,
        version=version, files=tuple(held), sources=sources, **texts,
    )  # fmt: skip


def add_again(place):
    catalogue = read_catalogue(place)
    tidy(place, catalogue)
    commit(place, run_of(place, b"new" * 1000, "day_x_00000000.new", "2"), catalogue.runs)


def killed_at(step, function):
    """Apply a function in a process that dies at so many changes of the disk; return whether it got to its end."""
    process = os.fork()
    if process:
        return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == 0
    left = step

    def count(event, arguments):
        nonlocal left
        writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if event in CHANGING or writes:
            left -= 1
            if left < 0:
                os._exit(9)

    try:
        sys.addaudithook(count)
        function()
        os._exit(0)
    finally:
        os._exit(1)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*:DeprecationWarning")
def test_killed_at_any_step_the_season_holds_the_old_run_or_the_new_one(tmp_path):
    seen = []
    for step in range(200):
        place = LocalPlace(tmp_path / str(step))
        commit(place, run_of(place, b"old" * 1000, "day_x_00000000.old", "1"))
        ended = killed_at(step, lambda: add_again(place))  # noqa: B023
        catalogue = read_catalogue(place)
        assert catalogue.faults == ()
        assert {fault.what for fault in verify(place, catalogue)} <= {"left over"}
        (run,) = catalogue.runs
        seen.append(run.version)
        add_again(place)  # the next call
        (run,) = read_catalogue(place).runs
        assert run.version == "2"
        left = [fault.where for fault in verify(place, read_catalogue(place))]
        assert all(where.endswith(".old") for where in left)  # killed when the old run was to go
        for where in left:
            os.utime(tmp_path / str(step) / where, (0, 0))
        tidy(place, read_catalogue(place))
        assert list(verify(place, read_catalogue(place))) == []
        if ended:
            assert left == []
            break
    assert seen == sorted(seen)
    assert set(seen) == {"1", "2"}
    assert 15 < len(seen) < 200


def test_what_a_living_process_writes_is_left_alone_and_a_dead_ones_is_removed(tmp_path):
    place = LocalPlace(tmp_path)
    with place.new_folder(RUNS, "a") as new:
        hidden = new.parent
        place.tidy(RUNS)
        assert new.is_dir()
        (new / "x").write_bytes(b"1")
        own = f"-{os.getpid()}-"
        dead = hidden.with_name(hidden.name.replace(own, "-999999999-"))
        other = hidden.with_name(".buswright-00000000-999999999-00")
        for folder in (dead, other):
            folder.mkdir()
            (folder / "y").write_bytes(b"1")
        place.tidy(RUNS)
        assert not dead.exists()
        assert other.exists()
        os.utime(other, (0, 0))
        place.tidy(RUNS)
        assert not other.exists()
    assert place.names(RUNS) == ["a"]


def test_two_calls_that_add_the_same_capture_by_two_names_make_one_run(tmp_path):
    place = LocalPlace(tmp_path)
    one = run_of(place, b"a", "day_x.1", "1", "1" * 64)
    assert added_meanwhile(place, one) is None
    commit(place, one)
    assert added_meanwhile(place, one) is None
    assert added_meanwhile(place, replace(one, name="day_copy_11111111")) == one


def test_where_the_entry_finds_no_room_its_files_go_too(tmp_path, monkeypatch):
    place = LocalPlace(tmp_path)
    old = run_of(place, b"a", "day_x.1", "1")
    commit(place, old)
    new = run_of(place, b"b", "day_x.2", "2")

    def full(*_):
        raise WritingError("full")

    monkeypatch.setattr(place, "write", full)
    with pytest.raises(WritingError):
        commit(place, new, [old])
    assert place.names(RUNS) == ["day_x.1"]
    assert read_catalogue(place).runs == (old,)


def test_an_older_run_that_another_call_has_brought_back_is_not_removed(tmp_path):
    place = LocalPlace(tmp_path)
    old, new = run_of(place, b"a", "day_x.1", "1"), run_of(place, b"b", "day_x.2", "2")
    commit(place, old)
    commit(place, replace(old, name="day_other_00000000"))  # points at the same folder
    commit(place, new, [old])
    assert place.names(RUNS) == ["day_x.1", "day_x.2"]
