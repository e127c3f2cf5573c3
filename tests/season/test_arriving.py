import pytest

from buswright.season.captures.arriving import (
    BROKEN_OFF_S,
    QUIET_S,
    Arrivals,
    Stamp,
    breaks_off,
    listed,
    may_be_capture,
)


class Card:
    """A folder and a clock, both by hand; files in `torn` break off."""

    def __init__(self):
        self.files, self.torn, self.now_s = {}, set(), 1000.0
        self.arrivals = Arrivals(self.torn.__contains__)

    def put(self, name, size, changed=None):
        self.files[name] = Stamp(size, int(self.now_s) if changed is None else changed)

    def after(self, seconds):
        """Look every second; return what became complete."""
        found = []
        for _ in range(round(seconds)):
            self.now_s += 1.0
            found += self.arrivals.look(self.files, self.now_s)
        return found


def test_what_is_there_is_complete_after_some_seconds_and_given_out_once():
    card = Card()
    card.put("a.log", 100)
    assert card.after(QUIET_S) == []
    assert card.after(1) == ["a.log"]
    assert card.after(120) == []


def test_what_grows_is_not_complete_however_long_it_takes():
    card = Card()
    for size in range(1, 100):
        card.put("a.log", size)
        assert card.after(3) == []
    assert card.after(QUIET_S + 1) == ["a.log"]


def test_a_size_that_is_there_from_the_beginning_is_watched_by_its_time():
    card = Card()
    for _ in range(20):
        card.put("a.log", 100)
        assert card.after(3) == []
    assert card.after(QUIET_S + 1) == ["a.log"]


def test_what_breaks_off_or_is_empty_rests_longer_but_less_than_a_minute():
    card = Card()
    card.torn.add("a.log")
    card.put("a.log", 100)
    card.put("empty.log", 0)
    assert card.after(BROKEN_OFF_S) == []
    assert card.after(1) == ["a.log", "empty.log"]
    assert BROKEN_OFF_S + QUIET_S < 40  # a page within a minute


def test_a_copy_that_paused_is_given_out_again_when_it_is_whole():
    card = Card()
    card.torn.add("a.log")
    card.put("a.log", 100)
    assert card.after(BROKEN_OFF_S + 1) == ["a.log"]
    card.torn.clear()
    card.put("a.log", 200)
    assert card.after(QUIET_S + 1) == ["a.log"]


def test_a_sidecar_that_comes_later_or_still_grows_is_waited_for():
    card = Card()
    card.put("a.log", 100)
    card.after(3)
    for size in range(1, 5):
        card.put("a.log.events.jsonl", size)
        assert card.after(3) == []
    assert card.after(QUIET_S + 1) == ["a.log"]
    card.put("a.log.events.jsonl", 50)  # a marker, set afterwards
    assert card.after(QUIET_S + 1) == ["a.log"]


def test_a_file_renamed_at_the_end_and_one_that_goes_and_comes_back():
    card = Card()
    card.put("a.log.part", 100)
    assert card.after(20) == []
    card.files["a.log"] = card.files.pop("a.log.part")
    assert card.after(QUIET_S + 1) == ["a.log"]
    card.put("b.log", 10)
    card.after(3)
    card.files.clear()  # the card is pulled
    assert card.after(20) == []
    card.put("a.log", 100, changed=1000)
    card.put("b.log", 10)
    assert card.after(QUIET_S + 1) == ["b.log"]
    card.arrivals.again("b.log")
    assert card.after(QUIET_S + 1) == ["b.log"]


def test_the_newest_comes_first():
    card = Card()
    for name, changed in (("old.log", 1), ("new.log", 9), ("older.log", 0)):
        card.put(name, 10, changed)
    assert card.after(QUIET_S + 1) == ["new.log", "old.log", "older.log"]


@pytest.mark.parametrize(
    "name", [".a.log.Xy12", "a.log.tmp", "A.LOG.PART", "a.log.crdownload", "a.log~", "~a.log", "a.log.events.jsonl"]
)
def test_names_that_copies_have_meanwhile_are_no_captures(name):
    assert not may_be_capture(f"/card/{name}")
    assert may_be_capture("/card.tmp/a.log")


@pytest.mark.parametrize(
    ("content", "sidecar", "torn"),
    [
        (b"line\nline\n", None, False),
        (b"line\nli", None, True),
        (b"line\n" + bytes(5000), None, True),
        (b"\0\1\2" * 400, None, False),
        (b"\0\1\2" * 400 + bytes(600), None, True),
        (b"line\n", b'{"format":"x"}\n{"first_ns":1}\n', True),
        (b"line\n", b'{"format":"x"}\n{"ended_ns":1}\n{"kind":"marker"}\n', False),
        (b"line\n", b'{"format":"x","written":"afterwards"}\n{"kind":"marker"}\n', False),
        (b"line\n", b"", True),
    ],
)
def test_breaks_off(content, sidecar, torn, tmp_path):
    path = tmp_path / "a.log"
    path.write_bytes(content)
    if sidecar is not None:
        (tmp_path / "a.log.events.jsonl").write_bytes(sidecar)
    assert breaks_off(str(path)) is torn
    assert breaks_off(str(tmp_path / "gone.log"))


def test_folders_below_are_listed_but_no_hidden_one_no_season_and_no_link(tmp_path):
    card = tmp_path / "card"
    for place in ("2026-04-11/late", ".trash", "season/runs", "a/b/c/d/e"):
        (card / place).mkdir(parents=True)
        (card / place / "x.log").write_bytes(b"1")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/y.log").write_bytes(b"1")
    (card / "link").symlink_to(tmp_path / "elsewhere")
    found = listed(card, (card / "season").resolve())
    assert sorted(found) == [str(card / "2026-04-11/late/x.log")]
    assert found[str(card / "2026-04-11/late/x.log")].bytes == 1
    with pytest.raises(FileNotFoundError):
        listed(tmp_path / "gone")
