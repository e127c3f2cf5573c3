"""Packs are made of what was named and nothing else, come back whole, and a hostile one does nothing."""

import json
import os
import zipfile
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.cli.main import main, status_of
from buswright.errors import UserError
from buswright.layout.handover.allowed import free_name, objection
from buswright.layout.handover.manifest import MANIFEST, Holds, Pack, PackedFile
from buswright.layout.handover.pack import archived, gather
from buswright.layout.handover.reading import read_pack
from tests.cli.outputs import RUN, snapshot
from tests.layout.handover.packs import CAR, EXAMPLES, HOSTILE, car_folder, entries_of, good, zipped

SCHEMAS = Path(buswright.__file__).parent / "report" / "schemas"


def schema(name):
    return json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def baseline(tmp_path_factory):
    folder = tmp_path_factory.mktemp("baseline")
    (folder / "run.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:500]))
    main(["remember", str(folder / "run.log"), "--out", str(folder / "good.json"), "--json"])
    return folder / "good.json"


@pytest.fixture
def full(tmp_path, baseline):
    """A car file with databases in its folder and elsewhere, a baseline, a sheet and a licence."""
    (tmp_path / "car").mkdir()
    (tmp_path / "elsewhere").mkdir()
    text = CAR.read_text(encoding="utf-8")
    text = text.replace('"wrenfell_engine.dbc"', "'../elsewhere/engine é.dbc'").replace("\n", "\r\n")
    (tmp_path / "car" / "car.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    (tmp_path / "elsewhere" / "engine é.dbc").write_bytes((EXAMPLES / "wrenfell_engine.dbc").read_bytes())
    (tmp_path / "car" / "wrenfell_chassis.dbc").write_bytes((EXAMPLES / "wrenfell_chassis.dbc").read_bytes())
    (tmp_path / "sheet.json").write_text('{"schema": "buswright.bench/1"}\n', encoding="utf-8")
    (tmp_path / "LICENCE.MIT").write_text("As you like.\n", encoding="utf-8")
    words = ["pack", "--car", tmp_path / "car" / "car.toml", "--baseline", baseline, "--sheet", tmp_path / "sheet.json"]
    return [str(each) for each in [*words, "--licence", tmp_path / "LICENCE.MIT"]]


def test_a_pack_holds_what_was_named_and_nothing_else(full, tmp_path, capsys):
    (tmp_path / "car" / "secret.txt").write_text("not for you", encoding="utf-8")
    assert main([*full, "--out", str(tmp_path / "full.zip"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("pack"))
    wanted = ["baseline/good.json", "bench/sheet.json", "car.toml", "databases/engine é.dbc"]
    wanted += ["licence/LICENCE.MIT.txt", "wrenfell_chassis.dbc"]
    with zipfile.ZipFile(tmp_path / "full.zip") as archive:
        assert archive.namelist() == [MANIFEST, *wanted]
        assert archive.testzip() is None
        jsonschema.validate(json.loads(archive.read(MANIFEST)), schema("pack"))
        packed = archive.read("car.toml")
    assert [each["path"] for each in document["files"]] == wanted
    original = (tmp_path / "car" / "car.toml").read_bytes()
    assert packed == original.replace("'../elsewhere/engine é.dbc'".encode(), '"databases/engine é.dbc"'.encode())


def test_pack_unpack_and_pack_again_gives_the_same_bytes(full, tmp_path, capsys):
    first, again, folder = tmp_path / "first.zip", tmp_path / "again.zip", tmp_path / "got"
    assert main([*full, "--out", str(first)]) == 0
    assert "'" not in capsys.readouterr().out.partition("changed in")[2].partition("\n")[0]
    assert main(["unpack", str(first), "--out", str(folder), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("unpack"))
    assert document["usable"]
    words = ["pack", "--car", folder / "car.toml", "--untrusted", "--baseline", folder / "baseline/good.json"]
    words += ["--sheet", folder / "bench/sheet.json", "--licence", folder / "licence/LICENCE.MIT.txt", "--out", again]
    assert main([str(each) for each in words]) == 0
    assert again.read_bytes() == first.read_bytes()


def test_a_pack_is_the_same_whatever_the_time_and_the_folder(tmp_path):
    car = car_folder(tmp_path)
    os.utime(car, (1, 1))
    assert archived(gather(car).pack) == archived(good())


def test_the_hashes_are_those_of_the_files():
    import hashlib

    for each in good().files:
        assert each.sha256 == hashlib.sha256((EXAMPLES / each.path).read_bytes()).hexdigest()


def test_a_car_file_with_an_error_is_not_packed(tmp_path):
    car = car_folder(tmp_path)
    car.write_text(car.read_text(encoding="utf-8").replace("bitrate = 500_000", "bitrate = 1"), encoding="utf-8")
    with pytest.raises(UserError, match="bitrate"):
        main(["pack", "--car", str(car), "--out", str(tmp_path / "x.zip")])
    assert not (tmp_path / "x.zip").exists()


@pytest.mark.parametrize(
    ("option", "content", "says"),
    [
        ("--baseline", b'{"a": 1}', "is no baseline"),
        ("--sheet", b'{"schema": "buswright.health/1"}', "is no bench sheet"),
        ("--licence", b"\x00\x01", "is no text"),
        ("--licence", b"gr\xfcn\n", "is no UTF-8 text: byte 0xFC in line 1"),
        ("--licence", b"", "is empty"),
    ],
)
def test_only_files_of_their_kind_are_packed(option, content, says, tmp_path):
    (tmp_path / "it").write_bytes(content)
    with pytest.raises(UserError, match=says):
        main(["pack", "--car", str(CAR), option, str(tmp_path / "it"), "--out", str(tmp_path / "x.zip")])


def test_what_pack_reads_is_never_its_output(tmp_path):
    car = car_folder(tmp_path)
    before = snapshot(tmp_path)
    for name in ("wrenfell.toml", "wrenfell_engine.dbc"):
        with pytest.raises(UserError, match="this call reads this file"):
            main(["pack", "--car", str(car), "--out", str(tmp_path / name), "--force"])
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_pack_does_nothing_and_says_what_is_wrong(what, tmp_path, monkeypatch, capsys):
    make, says = HOSTILE[what]
    inside = tmp_path / "a" / "b"
    inside.mkdir(parents=True)
    monkeypatch.chdir(inside)
    Path("evil.zip").write_bytes(make())
    before = snapshot(tmp_path)
    for words in (["unpack", "evil.zip", "--out", "got"], ["unpack", "evil.zip", "--out", ".", "--force"]):
        assert status_of(words) == 2
        said = capsys.readouterr()
        assert says in said.err
        assert said.err.isprintable() or not set(said.err) - {"\n"} & {chr(k) for k in (*range(32), 0x202E)}
        assert snapshot(tmp_path) == before
    assert sorted(path.name for path in inside.iterdir()) == ["evil.zip"]


def test_all_that_is_wrong_is_said_at_once(tmp_path):
    (tmp_path / "evil.zip").write_bytes(zipped([*entries_of(good()), ("../a.txt", b"a"), ("NUL", b"b"), ("x:y", b"c")]))
    with pytest.raises(UserError) as caught:
        read_pack(tmp_path / "evil.zip")
    assert [line.split(": ")[1] for line in caught.value.lines] == ["../a.txt", "NUL", "x:y"]


def test_a_pack_compressed_by_another_program_is_taken(tmp_path):
    (tmp_path / "other.zip").write_bytes(zipped(entries_of(good()), compression=zipfile.ZIP_DEFLATED))
    assert read_pack(tmp_path / "other.zip") == good()


def test_unpacking_over_files_needs_force_and_keeps_what_is_not_the_packs(tmp_path):
    pack, folder = tmp_path / "p.zip", tmp_path / "got"
    pack.write_bytes(archived(good()))
    folder.mkdir()
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    (folder / "wrenfell.toml").write_text("old", encoding="utf-8")
    before = snapshot(folder)
    with pytest.raises(UserError, match="isn't empty"):
        main(["unpack", str(pack), "--out", str(folder)])
    assert snapshot(folder) == before
    assert main(["unpack", str(pack), "--out", str(folder), "--force"]) == 0
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (folder / "wrenfell.toml").read_bytes() == CAR.read_bytes()


def test_what_is_left_of_an_older_pack_goes_unless_it_was_changed(full, tmp_path, capsys):
    older, newer, folder = tmp_path / "older.zip", tmp_path / "newer.zip", tmp_path / "got"
    main([*full, "--out", str(older)])
    newer.write_bytes(archived(good()))
    main(["unpack", str(older), "--out", str(folder)])
    more = [path for path in snapshot(folder) if path not in read_pack(newer).contents and path != "pack.json"]
    assert len(more) > 2
    changed, *others = more
    (folder / changed).write_text("changed by hand", encoding="utf-8")
    (folder / "databases").mkdir(exist_ok=True)
    (folder / "databases" / "mine.dbc").write_text("mine", encoding="utf-8")
    capsys.readouterr()
    assert main(["unpack", str(newer), "--out", str(folder), "--force", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("unpack"))
    assert (sorted(document["removed"]), document["kept"]) == (sorted(others), [changed])
    assert set(snapshot(folder)) == {*read_pack(newer).contents, "pack.json", changed, "databases/mine.dbc"}


def test_the_list_of_an_older_pack_removes_nothing_outside_its_folder(tmp_path):
    folder, outside = tmp_path / "got", tmp_path / "outside"
    folder.mkdir()
    outside.mkdir()
    (outside / "a.dbc").write_bytes(b"mine")
    (folder / "linked").symlink_to(outside, target_is_directory=True)
    (folder / "a.dbc").symlink_to(outside / "a.dbc")
    names = ("../outside/a.dbc", str(outside / "a.dbc"), "linked/a.dbc", "a.dbc")
    files = tuple(PackedFile.of(name, Holds.DATABASE, b"mine") for name in names)
    (folder / "pack.json").write_bytes(Pack("", files, {}).manifest_text)
    (tmp_path / "p.zip").write_bytes(archived(good()))
    assert main(["unpack", str(tmp_path / "p.zip"), "--out", str(folder), "--force"]) == 0
    assert (outside / "a.dbc").read_bytes() == b"mine"
    assert (folder / "a.dbc").is_symlink()


def test_a_link_in_the_folder_leads_no_file_elsewhere(full, tmp_path):
    pack, folder, outside = tmp_path / "p.zip", tmp_path / "got", tmp_path / "outside"
    main([*full, "--out", str(pack)])
    folder.mkdir()
    outside.mkdir()
    (folder / "databases").symlink_to(outside, target_is_directory=True)
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UserError, match="nothing is written through it"):
        main(["unpack", str(pack), "--out", str(folder), "--force"])
    assert not list(outside.iterdir())
    assert sorted(each.name for each in folder.iterdir()) == ["databases", "notes.txt"]


def test_unpacking_ends_with_the_check_of_a_strangers_car_file(tmp_path, capsys):
    car = car_folder(tmp_path)
    text = car.read_text(encoding="utf-8").replace("wrenfell_engine.dbc", "/etc/hostname")
    pack = gather(CAR).pack
    from tests.layout.handover.packs import with_files

    (tmp_path / "p.zip").write_bytes(archived(with_files(pack, {"wrenfell.toml": (Holds.CAR, text.encode())})))
    assert main(["unpack", str(tmp_path / "p.zip"), "--out", str(tmp_path / "got")]) == 1
    said = capsys.readouterr().out
    assert "leads outside the folder of the car file" in said
    assert said.index("sha256 begins") < said.index("leads outside") < said.index("SAFETY")


def test_names_from_elsewhere_become_names_that_every_system_has():
    taken = []
    for wanted in (
        "engine.dbc",
        "ENGINE.dbc",
        "aux.dbc",
        "a:b?.dbc",
        ".hidden.dbc",
        "ä" * 90 + ".dbc",
        "x",
        "\u202ea.dbc",
    ):
        name = free_name(wanted, Holds.DATABASE, taken)
        assert not objection(name), name
        assert name.endswith(".dbc")
        assert name.casefold() not in [each.casefold() for each in taken]
        taken.append(name)
