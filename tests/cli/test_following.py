"""Following folders without waiting: clock, listing and what takes captures in are given."""

import argparse
import errno
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from buswright.cli.main import status_of
from buswright.cli.season import following
from buswright.cli.season.adding import Outcome
from buswright.cli.season.following import RETRY_S, Following
from buswright.errors import CaptureError
from buswright.report.season.actions import trusted
from buswright.season.captures.arriving import BROKEN_OFF_S, QUIET_S, listed
from buswright.season.captures.files import hashed, stamps_of, unreadable
from buswright.season.captures.stints import by_name
from buswright.season.catalogue import read_catalogue
from buswright.season.place.opening import open_place
from buswright.season.run import NotFine, Run
from buswright.writing import writing_error

ROOT = Path(__file__).parents[2]
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
ENGINE = ROOT / "dbc_examples" / "wrenfell_engine.dbc"
RUN = ROOT / "captures" / "wrenfell_run.log"


class Followed:
    """A folder that is followed; each look is a second later."""

    def __init__(self, folder, options):
        self.lines, self.rings, self.now_s = [], [], 0.0
        folder.mkdir(exist_ok=True)
        place = open_place(options.season)
        told = {"tell": self.lines.append, "ring": self.rings.append}
        self.following = Following(options, place, [folder], clock=lambda: self.now_s, listing=listed, **told)

    def after(self, seconds):
        """Return what was said meanwhile."""
        self.lines.clear()
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.following.look()
        return list(self.lines)


def run_of(name, **more):
    values = dict.fromkeys(("came_from", "sha256", "car", "car_file", "car_sha256", "version", "tool"), "")
    values |= {"recorded": None, "seconds": 1.0, "frames": 1, "bad_lines": 0, "files": (), "verdict": "V."}
    return Run(name, name, name, **(values | {"states": {"fine": 1}} | more))


@pytest.fixture
def adding(monkeypatch):
    """What becomes of captures, by name: an outcome's words, or a fault of the whole call. Others are added."""
    told = {}

    class Adding:
        def __init__(self, options, place):
            pass

        def alike(self, names):
            return by_name(names, {"chassis", "engine"})

        def stints(self, alike):
            return alike

        def take(self, runs):
            for names in runs:
                become = told.get(Path(names[0]).name, "added")
                if callable(become):
                    become = become(names[0])
                if isinstance(become, CaptureError):
                    yield Outcome(names, "refused", fault=become)
                elif isinstance(become, Exception):
                    raise become
                else:
                    bad = (NotFine("x", "failed", ""),) if become == "bad" else ()
                    yield Outcome(
                        names, "known" if become == "known" else "added", run_of(Path(names[0]).name, not_fine=bad)
                    )

    monkeypatch.setattr(following, "Adding", Adding)
    return told


@pytest.fixture
def card(tmp_path, adding):
    return Followed(tmp_path / "card", argparse.Namespace(season=str(tmp_path / "season")))


LINE = b"(1.0) can0 123#00\n"


def put(tmp_path, *names, content=LINE):
    for name in names:
        (tmp_path / "card" / name).write_bytes(content)


def test_each_run_is_told_once_with_a_ring_and_two_where_it_is_to_be_looked_at(tmp_path, card, adding):
    adding |= {"b.log": "bad", "c.log": "known", "d.log": "known"}
    put(tmp_path, "a.log", "b.log", "c.log", "d.log")
    said = card.after(QUIET_S + 1)
    assert sorted(line[:6] for line in said) == ["2 capt", "a.log:", "b.log:"]
    assert sorted(card.rings) == [1, 2]
    assert card.after(60) == []


def test_a_damaged_capture_is_said_and_not_tried_again_until_it_changes(tmp_path, card, adding):
    adding["a.log"] = CaptureError("no frames", hint="look")
    put(tmp_path, "a.log", "b.log")
    said = card.after(QUIET_S + 1)
    assert sum("not added" in line and "no frames" in line and "try: look" in line for line in said) == 1
    assert sum(line.startswith("b.log") for line in said) == 1
    assert card.after(600) == []
    del adding["a.log"]
    put(tmp_path, "a.log", content=2 * LINE)
    assert [line[:6] for line in card.after(QUIET_S + 1)] == ["a.log:"]


def test_what_is_no_capture_is_said_without_a_ring(tmp_path, card):
    put(tmp_path, *(f"picture_{k}.jpg" for k in range(9)), content=b"\xff\xd8\xff\xe0" * 100 + b"\n")
    put(tmp_path, "a.log")
    said = card.after(QUIET_S + 1)
    assert said[0].startswith("9 files of no known capture format, left out: ")
    assert said[0].endswith("and 4 more")
    assert len(said) == 2
    assert card.rings == [1]
    assert card.after(60) == []


def test_a_card_pulled_while_it_is_read_is_said_and_read_when_it_is_back(tmp_path, card, adding):
    def pulled(name):
        shutil.move(tmp_path / "card", tmp_path / "pocket")
        return unreadable(name, OSError(errno.EIO, "input/output error"))

    adding["a.log"] = pulled
    put(tmp_path, "a.log")
    said = card.after(QUIET_S + 10)
    assert "input/output error. It is tried again." in said[0]
    assert "is not there" in said[1]
    assert len(said) == 2
    assert card.following.outcomes == []
    del adding["a.log"]
    shutil.move(tmp_path / "pocket", tmp_path / "card")
    said = card.after(QUIET_S + 2)
    assert "is there again" in said[0]
    assert said[1].startswith("a.log: V.")


def test_the_files_of_both_buses_are_taken_in_together_whichever_comes_first(tmp_path, card):
    both = [str(tmp_path / "card" / f"{{}}_{bus}.log") for bus in ("chassis", "engine")]
    put(tmp_path, "a_chassis.log")
    for size in range(1, 10):
        put(tmp_path, "a_engine.log", content=LINE * size)
        assert card.after(4) == []
    assert len(card.after(QUIET_S + 1)) == 1
    put(tmp_path, "b_engine.log")
    assert len(card.after(QUIET_S + 1)) == 1
    put(tmp_path, "b_chassis.log")  # the other logger's card, later
    assert len(card.after(QUIET_S + 1)) == 1
    names = [list(each.names) for each in card.following.outcomes]
    assert names == [[each.format("a") for each in both], [both[1].format("b")], [each.format("b") for each in both]]


def test_a_full_disk_is_said_once_and_nothing_is_lost(tmp_path, card, adding):
    adding["a.log"] = writing_error("season", OSError(errno.ENOSPC, "no space"))
    put(tmp_path, "a.log", "b.log")
    said = card.after(QUIET_S + 3 * RETRY_S)
    assert sum("the disk is full: make room" in line for line in said) == 1
    adding.clear()
    assert "a.log: V." in "".join(card.after(RETRY_S + 1))
    assert sorted(Path(each.names[0]).name for each in card.following.outcomes) == ["a.log", "b.log"]


def test_what_was_refused_or_is_left_over_counts_at_the_end_and_what_came_in_later_does_not(tmp_path, card, adding):
    def became():
        return {Path(each.names[0]).name: each.what for each in card.following.became}

    adding["a.log"] = adding["b.log"] = lambda name: CaptureError(f"{name}: damaged", hint="")
    put(tmp_path, "a.log", "b.log", "c.log")
    card.after(QUIET_S + 1)
    assert became() == {"a.log": "refused", "b.log": "refused", "c.log": "added"}
    del adding["a.log"]
    put(tmp_path, "a.log", content=LINE * 2)
    card.after(QUIET_S + 1)
    assert became() == {"a.log": "added", "b.log": "refused", "c.log": "added"}
    adding["d.log"] = writing_error("season", OSError(errno.ENOSPC, "no space"))
    put(tmp_path, "d.log")
    card.after(QUIET_S + 1)
    assert became()["d.log"] == "refused"
    assert "the disk is full" in card.following.became[-1].fault.hint


def test_what_was_not_known_to_be_complete_at_the_end_counts_as_not_in(tmp_path, card, adding):
    put(tmp_path, "a.log")
    card.after(QUIET_S + 1)
    put(tmp_path, "torn.log", content=LINE[:-3])
    put(tmp_path, "b.log")
    put(tmp_path, "photo.jpg", content=b"\xff\xd8\xff")
    put(tmp_path, "c.log.part")
    card.after(2)
    left = card.following.unread
    assert [Path(each.names[0]).name for each in left] == ["b.log", "torn.log"]
    assert {each.what for each in left} == {"refused"}
    assert "not known to be complete" in left[0].fault.message
    card.after(QUIET_S)
    assert [Path(each.names[0]).name for each in card.following.unread] == ["torn.log"]
    card.after(BROKEN_OFF_S)
    assert card.following.unread == []


def test_the_call_ends_with_2_if_a_capture_is_not_in(tmp_path, monkeypatch, capsys):
    words = ["season", "add", "--follow", str(tmp_path), "--car", str(CAR), "--season", str(tmp_path / "s")]
    for fault, status in ((None, 0), (CaptureError("a.log: damaged", hint=""), 2)):
        what = "known" if fault is None else "refused"
        became = [Outcome(("a.log",), what, run=run_of("a"), fault=fault)]
        monkeypatch.setattr(following, "follow", lambda *_, became=became: became)
        assert status_of(words) == status
    assert "not added: a.log: damaged" in capsys.readouterr().out


def test_a_copy_that_paused_and_a_sidecar_that_comes_late_make_one_run(tmp_path):
    lines = RUN.read_bytes().splitlines(keepends=True)[:1500]
    words = ["season", "add", "--follow", "card", "--dbc", str(ENGINE), "--season", str(tmp_path / "s"), "--jobs", "1"]
    from buswright.cli.main import build_parser

    card = Followed(tmp_path / "card", build_parser("season").parse_args(words))
    put(tmp_path, "a.log", content=b"".join(lines[:1000])[:-5])
    assert "a_" in card.after(BROKEN_OFF_S + 1)[0]
    put(tmp_path, "a.log", content=b"".join(lines))
    (said,) = card.after(QUIET_S + 1)
    put(tmp_path, "a.log.events.jsonl", content=b'{"written":"afterwards"}\n{"kind":"marker","text":"pit"}\n')
    assert len(card.after(QUIET_S + 1)) == 1
    (run,) = read_catalogue(open_place(str(tmp_path / "s"))).runs
    assert run.frames == 1500
    assert [each.name for each in run.sources] == ["a.log", "a.log.events.jsonl"]
    assert [each.what for each in card.following.outcomes] == ["added", "again", "again"]
    assert status_of(["season", "check", "--season", str(tmp_path / "s"), "--fail-on", "note"]) == 0
    assert Path(said.rpartition("Page: ")[2].replace(said.split(":")[0], run.name)).name == "trust.html"


def test_a_capture_that_stays_unreadable_is_told_of_once(tmp_path, card, adding):
    adding["a.log"] = lambda name: unreadable(name, OSError(errno.EACCES, "permission denied"))
    put(tmp_path, "a.log")
    (said,) = card.after(QUIET_S * 6)
    assert "a.log: can't be read: permission denied. It is tried again." in said
    assert card.rings == [], "it was read by now"


def test_a_capture_without_permission_is_no_foreign_file_rings_and_is_summed_up(tmp_path, card, adding, monkeypatch):
    closed = tmp_path / "card" / "a.log"
    true_open = Path.open

    def without_permission(path, *words, **options):
        if path == closed:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return true_open(path, *words, **options)

    monkeypatch.setattr(Path, "open", without_permission)  # root may read everything
    adding["a.log"] = lambda name: unreadable(name, PermissionError(errno.EACCES, "Permission denied"))
    put(tmp_path, "b.log")
    shutil.copy(tmp_path / "card" / "b.log", closed)
    said = card.after(BROKEN_OFF_S + 3)
    assert f"{closed}: can't be read: Permission denied. It is tried again." in said
    assert len(said) == 2
    assert sorted(card.rings) == [1, 2]
    (outcome,) = card.following.unread
    assert outcome.fault.hint == f"chmod u+r {closed}"
    del adding["a.log"]
    monkeypatch.setattr(Path, "open", true_open)
    assert len(card.after(BROKEN_OFF_S + 1)) == 1
    assert card.following.unread == []


def test_a_name_that_leaves_no_room_for_a_sidecar_is_read(tmp_path):
    long = tmp_path / ("y" * 240 + ".log")
    long.write_bytes(LINE)
    assert [each.name for each in hashed((str(long),)).sources] == [long.name]
    assert stamps_of((str(long),))


def test_what_is_wrong_with_the_call_is_said_before_it_waits(tmp_path, capsys):
    (tmp_path / "a.log").write_bytes(b"x\n")
    season = ["season", "add", "--season", str(tmp_path / "s")]
    for words, said in (
        (["--follow", str(tmp_path / "a.log"), "--car", str(CAR)], "not a folder"),
        (["--follow", "", "--car", str(CAR)], "the name of the folder is empty"),
        (["--follow", "s3://team", "--car", str(CAR)], "follows folders of this computer, not a URL"),
        (["--follow", str(tmp_path), "--car", str(tmp_path / "none.toml")], "none.toml"),
        (["--follow", str(tmp_path), "a.log", "--car", str(CAR)], "not both"),
    ):
        assert status_of([*season, *words]) == 2
        assert said in capsys.readouterr().err


def test_a_run_is_trusted_only_where_channels_were_judged(tmp_path, capsys):
    assert trusted(run_of("a"))
    assert not trusted(replace(run_of("a"), states={"not judged": 91}))
    lines = RUN.read_bytes().splitlines(keepends=True)[8000:12000]
    (tmp_path / "a.log").write_bytes(b"".join(line for line in lines if b" can0 " in line))
    words = ["season", "add", str(tmp_path / "a.log"), "--car", str(CAR), "--season", str(tmp_path / "s")]
    assert status_of([*words, "--jobs", "1"]) == 0
    assert ": Look at this first: no channel could be judged. " in capsys.readouterr().out
    (run,) = read_catalogue(open_place(str(tmp_path / "s"))).runs
    assert not trusted(run)


def test_ctrl_c_ends_with_what_was_done(tmp_path, monkeypatch, capsys):
    (tmp_path / "card").mkdir()

    def interrupted(_):
        import signal

        put(tmp_path, *names)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(following.time, "sleep", interrupted)
    words = ["--follow", str(tmp_path / "card"), "--car", str(CAR), "--season", str(tmp_path / "s")]
    names = []
    assert status_of(["season", "add", *words]) == 0
    assert "0 runs added" in capsys.readouterr().out
    names.append("late.log")
    assert status_of(["season", "add", *words]) == 2
    assert "late.log: was not known to be complete" in capsys.readouterr().out.replace("\n    ", " ")


def test_what_the_season_has_already_is_not_said_to_be_left_when_it_ends_at_once(tmp_path):
    from buswright.cli.main import build_parser

    words = ["season", "add", "--follow", "card", "--dbc", str(ENGINE), "--season", str(tmp_path / "s"), "--jobs", "1"]
    options = build_parser("season").parse_args(words)
    card = Followed(tmp_path / "card", options)
    put(tmp_path, "a.log", content=b"".join(RUN.read_bytes().splitlines(keepends=True)[:300]))
    assert len(card.after(QUIET_S + 1)) == 1
    again = Followed(tmp_path / "card", options)
    put(tmp_path, "b.log")
    again.after(2)
    assert [Path(each.names[0]).name for each in again.following.unread] == ["b.log"]
