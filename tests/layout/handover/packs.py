"""Packs of the invented car, good and hostile, made entry by entry."""

import io
import json
import shutil
import struct
import zipfile
from functools import cache
from pathlib import Path

from buswright.layout.handover.manifest import MANIFEST, Holds, Pack, PackedFile
from buswright.layout.handover.pack import archived, gather

EXAMPLES = Path(__file__).parent.parent.parent.parent / "dbc_examples"
CAR = EXAMPLES / "wrenfell.toml"
NEVER_ENDS = b"Do with it what you like.\n"


@cache
def good():
    """Return the pack of the invented car."""
    return gather(CAR).pack


def car_folder(folder):
    """Put the invented car into a folder; return its car file."""
    for name in ("wrenfell.toml", "wrenfell_engine.dbc", "wrenfell_chassis.dbc"):
        shutil.copy(EXAMPLES / name, folder)
    return folder / "wrenfell.toml"


def with_files(pack, files):
    """Return a pack with further files, or others, by name: what each holds and its bytes."""
    listed = {each.path: each for each in pack.files} | {
        name: PackedFile.of(name, holds, content) for name, (holds, content) in files.items()
    }
    contents = dict(pack.contents) | {name: content for name, (_, content) in files.items()}
    return Pack(pack.name, tuple(listed[name] for name in sorted(listed)), contents)


def zipped(entries, *, compression=zipfile.ZIP_STORED):
    """Return a ZIP file of (name or ZipInfo, bytes) as they are, doubled or not."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression) as archive:
        archive.NameToInfo = _Forgetful()  # so that it doesn't warn of names that stand twice
        for name, content in entries:
            archive.writestr(name, content, compression)
    return stream.getvalue()


class _Forgetful(dict):
    def __contains__(self, _):
        return False


def entries_of(pack):
    """Return what the ZIP file of a pack holds."""
    return [(MANIFEST, pack.manifest_text), *((each.path, pack.contents[each.path]) for each in pack.files)]


def named(name, holds=Holds.LICENCE, content=NEVER_ENDS):
    """Return a pack with one more file of this name, which its list has, too."""
    return zipped(entries_of(with_files(good(), {name: (holds, content)})))


def linked(target="/etc/passwd"):
    """Return a pack with a symbolic link."""
    entry = zipfile.ZipInfo("licence.txt")
    entry.create_system, entry.external_attr = 3, 0o120777 << 16
    more = with_files(good(), {"licence.txt": (Holds.LICENCE, target.encode())})
    return zipped([(entry if name == "licence.txt" else name, content) for name, content in entries_of(more)])


def patched(data, at, value):
    """Return a ZIP file with two bytes changed in every entry of its list, `at` bytes behind its signature."""
    out, place = bytearray(data), data.find(b"PK\x01\x02")
    while place >= 0:
        out[place + at : place + at + 2] = struct.pack("<H", value)
        place = data.find(b"PK\x01\x02", place + 4)
    return bytes(out)


def bomb(mebibytes=20):
    """Return a pack whose database is all zeros, a thousandth of its size when compressed."""
    pack = with_files(good(), {"big.dbc": (Holds.DATABASE, b"\n" * (mebibytes << 20))})
    return zipped(entries_of(pack), compression=zipfile.ZIP_DEFLATED)


def claiming(mebibytes=15):
    """Return a ZIP file whose files all say to be large, too large together."""
    data = bytearray(zipped([(f"{k}.dbc", b"\n") for k in range(6)]))
    place = data.find(b"PK\x01\x02")
    while place >= 0:
        data[place + 24 : place + 28] = struct.pack("<L", mebibytes << 20)
        place = data.find(b"PK\x01\x02", place + 4)
    return bytes(data)


def lying_bomb():
    """Return a pack with a database that unpacks to more than it says."""
    data = bytearray(bomb(8))
    for signature, at in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        place = data.find(signature)
        while place >= 0:
            if struct.unpack("<L", data[place + at : place + at + 4])[0] == 8 << 20:
                data[place + at : place + at + 4] = struct.pack("<L", 100)
            place = data.find(signature, place + 4)
    return bytes(data)


def overlapping(number=150):
    """Return a ZIP file whose entries are all the same bytes, each a thousand times as large when unpacked."""
    kernel = zipped([("000.dbc", b"\n" * (1 << 18))], compression=zipfile.ZIP_DEFLATED)
    start = kernel.find(b"PK\x01\x02")
    listing = b"".join(kernel[start:-22].replace(b"000", b"%03d" % k) for k in range(number))
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, number, number, len(listing), start, 0)
    return kernel[:start] + listing + end


def endless_list(entries=2_000):
    """Return a ZIP file that lists very many empty files."""
    return zipped([(f"{k}.txt", b"") for k in range(entries)])


def listed(**changes):
    """Return a pack whose list has other values."""
    document = good().manifest | changes
    return zipped([(MANIFEST, json.dumps(document).encode()), *entries_of(good())[1:]])


HOSTILE = {
    "a path that leads out": (lambda: named("../out.txt"), "leads out of its folder"),
    "a path that leads out farther in": (lambda: named("a/../../out.txt"), "leads out of its folder"),
    "an absolute path": (lambda: named("/tmp/out.txt"), "path of one system"),
    "a drive": (lambda: named("C:/out.txt"), "path of one system"),
    "a drive without a slash": (lambda: named("C:out.txt"), "path of one system"),
    "a share": (lambda: named("\\\\server\\share\\out.txt"), "path of one system"),
    "backslashes": (lambda: named("..\\out.txt"), "path of one system"),
    "a NUL in a name": (lambda: named("fine.txt_.exe").replace(b"txt_.exe", b"txt\0.exe"), "can't be seen"),
    "a line end in a name": (lambda: named("fine\nproblem: 99.txt"), "can't be seen"),
    "a terminal command in a name": (lambda: named("a\x1b]0;owned\x07.txt"), "can't be seen"),
    "a name that turns direction": (lambda: named("a\u202etxt.exe"), "can't be seen"),
    "a device": (lambda: named("aux.txt"), "device on Windows"),
    "a device in a folder": (lambda: named("COM1/x.txt"), "device on Windows"),
    "a stream": (lambda: named("wrenfell.toml:x.txt"), "systems don't allow"),
    "a name that ends in a dot": (lambda: named("a./x.txt"), "begins with a dot or blank, or ends with one"),
    "a hidden file": (lambda: named(".git/hooks.txt"), "begins with a dot"),
    "a long name": (lambda: named("n" * 300 + ".txt"), "too long"),
    "a deep path": (lambda: named("a/" * 40 + "x.txt"), "too long"),
    "a folder": (lambda: named("empty/"), "a pack holds files only"),
    "the same name twice": (lambda: zipped([*entries_of(good()), entries_of(good())[1]]), "stands in it twice"),
    "names that differ in case": (lambda: named("WRENFELL.TOML", Holds.LICENCE), "stands in it twice"),
    "a file that is a folder, too": (lambda: named("wrenfell.toml/x.txt"), "is a file and a folder"),
    "a program": (lambda: named("run.exe"), "a licence ends in"),
    "a script that a database would be": (lambda: named("conftest.py", Holds.DATABASE), "a database ends in"),
    "a symbolic link": (linked, "symbolic link"),
    "a file that isn't listed": (
        lambda: zipped([*entries_of(good()), ("x.txt", b"x")]),
        "isn't in the pack's own list",
    ),
    "a listed file that is missing": (lambda: zipped(entries_of(good())[:-1]), "is listed and missing"),
    "another content than listed": (
        lambda: zipped([*entries_of(good())[:-1], (entries_of(good())[-1][0], b'VERSION ""')]),
        "another size or hash",
    ),
    "no list": (lambda: zipped(entries_of(good())[1:]), "has no pack.json"),
    "a list that is no JSON": (lambda: zipped([(MANIFEST, b"[" * 100_000)]), "is no JSON"),
    "a newer list": (lambda: listed(schema="buswright.pack/2"), "this version reads"),
    "a list of no files": (lambda: listed(files=None), "is no file with path"),
    "a list of strange values": (lambda: listed(files=[{"path": 3}]), "is no file with path"),
    "two car files": (
        lambda: zipped(entries_of(with_files(good(), {"b.toml": (Holds.CAR, b"format = 1\n")}))),
        "2 car files, not one",
    ),
    "a pack in the pack": (lambda: named("inner.txt", content=archived(good())), "is no text"),
    "a pack as a database": (lambda: named("x.dbc", Holds.DATABASE, archived(good())), "is no text"),
    "JSON that is no baseline": (lambda: named("good.json", Holds.BASELINE, b'{"a": 1}'), "is no baseline"),
    "encryption": (lambda: patched(archived(good()), 8, 1), "is encrypted"),
    "a compression that isn't taken": (lambda: patched(archived(good()), 10, 14), "compressed in a way"),
    "a wrong checksum": (lambda: archived(good()).replace(b"[sensor.damper_75]", b"[sensor.damper_76]"), "is damaged"),
    "a bomb": (bomb, "more than 16 MiB"),
    "a bomb that lies": (lying_bomb, "is damaged"),
    "files too large together": (claiming, "all files together: have 94,371,840 bytes, more than 64 MiB"),
    "overlapping files": (overlapping, "they overlap"),
    "an endless list": (endless_list, "at most 200 are taken"),
    "a comment": (lambda: archived(good())[:-2] + b"\x03\x00abc", "something stands behind it"),
    "a comment that isn't there": (lambda: archived(good())[:-2] + b"\x03\x00", "a ZIP file of another sort"),
    "something in front": (lambda: b"#!/bin/sh\n" + archived(good()), "isn't a ZIP file"),
    "something behind": (lambda: archived(good()) + b"x", "something stands behind it"),
    "half a pack": (lambda: archived(good())[:20_000], "its end is missing"),
    "nothing": (lambda: b"", "isn't a ZIP file"),
    "a list that isn't where it says": (
        lambda: archived(good())[:-6] + struct.pack("<L", 7) + archived(good())[-2:],
        "isn't where it says",
    ),
}
"""What somebody might send, by what it is: a function that makes it, and what must be said."""
