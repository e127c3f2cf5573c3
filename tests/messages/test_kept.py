"""Databases kept in the user's cache folder: every bit the same, and nothing there is trusted blindly."""

import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from buswright.messages import database as database_module
from buswright.messages import kept
from buswright.messages.database import load_database

EXAMPLES = sorted((Path(__file__).parents[2] / "dbc_examples").glob("*.dbc"))
AWKWARD = """VERSION "1"
BU_: A B
BO_ 2147484414 FAST: 8 A
 SG_ MUX M : 0|8@1+ (1,0) [0|255] "" B
 SG_ x m0 : 8|16@1- (0.1,-40.05) [-1|1E300] "°C" B
 SG_ y m1 : 8|64@1+ (18446744073709551615,-0.0) [0|0] "" B
BO_ broken
CM_ SG_ 2147484414 x "a ""text"" with; signs";
VAL_ 2147484414 MUX 0 "zero" 255 "all" ;
"""


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv(kept.SWITCH, str(tmp_path / "cache"))
    return tmp_path / "cache"


def described(value):
    """Every field down to the last, as text: messages compare by identity."""
    if isinstance(value, tuple):
        return [described(each) for each in value]
    if hasattr(value, "__dataclass_fields__"):
        return [type(value).__name__, *(described(getattr(value, each.name)) for each in fields(value))]
    return f"{type(value).__name__} {value!r}"


@pytest.mark.parametrize("path", [*EXAMPLES, None], ids=lambda path: path.name if path else "awkward")
def test_what_was_kept_is_the_same(path, cache, tmp_path, monkeypatch):
    if path is None:
        path = tmp_path / "awkward.dbc"
        path.write_text(AWKWARD, encoding="utf-8")
    first = load_database(path)
    monkeypatch.setattr(database_module, "_loaded", None)  # parsing again would fail
    assert described(load_database(path)) == described(first)
    assert (cache.stat().st_mode | next(cache.iterdir()).stat().st_mode) & 0o077 == 0


def spoil(file):
    content = bytearray(file.read_bytes())
    content[-40] ^= 1
    file.write_bytes(content)


@pytest.mark.skipif(sys.platform == "win32", reason="modes of POSIX")
@pytest.mark.parametrize(
    "harm",
    [
        spoil,
        lambda file: file.write_bytes(file.read_bytes()[:-9]),
        lambda file: file.write_bytes(b""),
        lambda file: file.write_bytes(b"buswright.kept/1 x y\n{}"),
        lambda file: file.chmod(0o666),
        lambda file: file.parent.chmod(0o777),
        lambda file: (file.unlink(), file.mkdir()),
    ],
)
def test_what_was_harmed_is_loaded_anew(harm, cache):
    first = load_database(EXAMPLES[0])
    (file,) = cache.iterdir()
    harm(file)
    assert kept.find(file.stem) is None
    assert described(load_database(EXAMPLES[0])) == described(first)


def test_another_content_path_or_encoding_has_another_key(monkeypatch):
    keys = {kept.key_of("a.dbc", "utf-8", "x"), kept.key_of("b.dbc", "utf-8", "x"), kept.key_of("a.dbc", "cp1252", "x")}
    keys |= {kept.key_of("a.dbc", "utf-8", "y"), kept.key_of("a.dbc", "utf-8", "x")}
    assert len(keys) == 4
    monkeypatch.setattr(kept, "__version__", "another")
    assert kept.key_of("a.dbc", "utf-8", "x") not in keys


def test_it_can_be_switched_off_and_needs_no_folder(tmp_path, monkeypatch):
    monkeypatch.setenv(kept.SWITCH, "off")
    assert kept.folder() is None
    monkeypatch.setenv(kept.SWITCH, str(tmp_path / "file" / "below"))
    (tmp_path / "file").write_text("")
    assert load_database(EXAMPLES[0]).messages
    monkeypatch.setenv(kept.SWITCH, "")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    if sys.platform != "win32":
        assert kept.folder() == tmp_path / "buswright"


@pytest.mark.parametrize("word", ["off", "OFF", "0", "no"])
def test_each_word_for_off_switches_it_off(word, monkeypatch):
    monkeypatch.setenv(kept.SWITCH, word)
    assert kept.folder() is None
    assert kept.find("x") is None
    kept.keep("x", None)


def test_a_database_is_kept_up_to_the_largest_file(cache, monkeypatch):
    database = load_database(EXAMPLES[0])
    (file,) = cache.iterdir()
    key, size = file.stem, file.stat().st_size
    body = len(file.read_bytes().partition(b"\n")[2])
    monkeypatch.setattr(kept, "LARGEST", size - 1)
    assert kept.find(key) is None
    monkeypatch.setattr(kept, "LARGEST", size)
    assert described(kept.find(key)) == described(database)
    file.unlink()
    for largest, written in ((body - 1, []), (body, [file])):
        monkeypatch.setattr(kept, "LARGEST", largest)
        kept.keep(key, database)
        assert list(cache.iterdir()) == written


@pytest.mark.skipif(sys.platform == "win32", reason="modes of POSIX")
def test_what_belongs_to_another_user_is_not_taken(cache, monkeypatch):
    load_database(EXAMPLES[0])
    (file,) = cache.iterdir()
    assert kept.find(file.stem) is not None
    monkeypatch.setattr(kept.os, "getuid", lambda: cache.stat().st_uid + 1)
    assert kept.find(file.stem) is None
    file.unlink()
    load_database(EXAMPLES[0])
    assert list(cache.iterdir()) == []


@pytest.mark.parametrize("mode", [0o770, 0o702])
@pytest.mark.skipif(sys.platform == "win32", reason="modes of POSIX")
def test_a_folder_that_others_may_write_to_is_not_used(mode, cache):
    cache.mkdir(mode=0o700)
    cache.chmod(mode)
    load_database(EXAMPLES[0])
    assert list(cache.iterdir()) == []


def test_the_folder_is_made_with_those_above_it_and_used_again(tmp_path, monkeypatch):
    place = tmp_path / "a" / "b" / "c"
    monkeypatch.setenv(kept.SWITCH, str(place))
    for count, path in enumerate(EXAMPLES[:2], 1):
        load_database(path)
        assert len(list(place.iterdir())) == count


def test_what_has_no_form_is_not_kept(cache):
    kept.keep("x", object())
    assert not cache.exists()


def test_old_ones_go(cache, monkeypatch):
    monkeypatch.setattr(kept, "MOST", 2)
    for path in EXAMPLES[:3]:
        load_database(path)
    assert len(list(cache.glob("*.json"))) == 2


def test_the_parser_is_not_even_imported(cache):
    load_database(EXAMPLES[0])
    code = (
        "import sys; from buswright.messages.database import load_database\n"
        f"load_database({str(EXAMPLES[0])!r}); assert 'cantools' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
