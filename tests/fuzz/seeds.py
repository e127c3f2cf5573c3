"""Good files of every format, small, and as different as the format allows."""

import random
import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import can

from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.asc.writer import write_asc
from tests.cli.outputs import CAR, EXAMPLES, KEYON, ROOT, RUN

FIRST_S = 1775901600.0


@dataclass(frozen=True)
class Seed:
    """A good file.

    Attributes
    ----------
    data
        Its bytes.
    head
        Lines at its beginning that say how the others are read.
    """

    data: bytes
    head: int = 0


def _some(lines, start, number):
    return b"".join(lines[start : start + number])


def messages(number=60):
    """Messages of every kind that python-can's writers take."""
    rng = random.Random(1)
    for k in range(number):
        kind = rng.choice(("data", "data", "data", "remote", "extended"))
        payload = b"" if kind == "remote" else rng.randbytes(rng.randrange(9))
        yield can.Message(
            timestamp=FIRST_S + k * 0.01,
            arbitration_id=rng.randrange(0x1FFFFFFF) if kind == "extended" else rng.randrange(0x7FF),
            is_extended_id=kind == "extended",
            is_remote_frame=kind == "remote",
            dlc=len(payload),
            data=payload,
            channel=1,
            is_rx=True,
        )


def _by_library(writer, name, **options):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        log = writer(str(path), **options)
        for message in messages():
            if writer is can.TRCWriter and message.is_remote_frame:
                continue  # it has no way to write them
            log.on_message_received(message)
        log.stop()
        return path.read_bytes()


def _candump():
    lines = RUN.read_bytes().splitlines(keepends=True)
    road = (ROOT / "tests/data/road_car.log").read_bytes().splitlines(keepends=True)
    fd = b"".join(b"(%d.%06d) can0 %03X##%d%s\n" % (FIRST_S, k * 100, k, k % 4, b"5A" * 12) for k in range(20))
    odd = b"(1775901600.1) can0 123#R\n(1775901600.2) can0 123#R5\n(1775901600.3) can0 20000004#0000000000000000 R\n"
    shown = b" (1775901600.5)  can0  1A0   [8]  11 22 33 44 55 66 77 88\n  can1  18FF1A42   [2]  01 02\n" * 5
    return [Seed(_some(lines, 0, 120)), Seed(_some(road, 0, 60)), Seed(_some(lines, 500, 30) + fd + odd), Seed(shown)]


def _asc():
    lines = KEYON.read_bytes().splitlines(keepends=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.asc"
        source = Path(folder) / "made.log"
        source.write_bytes(_candump()[2].data)
        with path.open("wb") as stream:
            write_asc(open_capture(source), stream)
        made = path.read_bytes()
    decimal = b"date Sat Apr 11 10:00:00 2026\nbase dec timestamps relative\n"
    decimal += b"".join(b"   0.010000 1  %d       Rx   d 2 12 %d\n" % (k, k) for k in range(40))
    return [Seed(_some(lines, 0, 100), 8), Seed(made, 4), Seed(decimal, 2)]


def _sidecar():
    from buswright.frames.captures.sidecar import FORMAT, event_line, line_of
    from buswright.frames.table import Event

    first = int(FIRST_S * 1e9) + 95_121_000
    header = {
        "format": FORMAT,
        "file": "run.log",
        "part": 1,
        "started_ns": first,
        "program": "Buswright",
        "clock": "host",
    }
    header |= {"interfaces": [{"bus": "engine", "listening": "yes"}], "car": {"path": "car.toml", "hash": "0" * 64}}
    kinds = ("marker", "note", "drop", "gap", "interface", "bus-errors")
    events = [
        Event(first + k * 1_000_000, None if k % 3 else "engine", kinds[k % 6], {"number": k}, f"event {k}")
        for k in range(30)
    ]
    lines = [line_of(header), line_of({"first_ns": first}), *map(event_line, events)]
    return [Seed(b"".join([*lines, line_of({"ended_ns": first + 10**10, "why": "asked", "frames": 120})]), 2)]


def _baseline():
    from buswright.cli.main import main

    found = []
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run.log"
        run.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:8000]))
        for name, more in (("plain", []), ("car", ["--car", str(CAR)])):
            out = Path(folder) / f"{name}.json"
            main(["remember", str(run), *more, "--out", str(out), "--json"])
            found.append(Seed(out.read_bytes()))
    return found


def _layout():
    from buswright.cli.main import main

    found = []
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run.log"
        run.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:1500]))
        for name, more in (("plain.md", []), ("car.html", ["--car", str(CAR)])):
            main(["layout", str(run), *more, "--out", str(Path(folder) / name)])
            found.append(Seed((Path(folder) / name).read_bytes()))
    return found


def _car():
    folder = ROOT / "tests/data/car_file"
    return [Seed((folder / "car.toml").read_bytes()), Seed(CAR.read_bytes())]


def _dbc():
    paths = [*sorted(EXAMPLES.glob("*.dbc")), *sorted((ROOT / "tests/data/car_file").glob("*.dbc"))]
    return [Seed(path.read_bytes()) for path in paths]


def _csv():
    return [Seed(_by_library(can.CSVWriter, "run.csv"), 1)]


def _trc():
    new = _by_library(can.TRCWriter, "run.trc")
    fields = b"%6d) %12.1f  Rx     %08X  8  01 02 03 04 05 06 07 %02X\n"
    head = b";$FILEVERSION=1.1\n;$STARTTIME=46123.4\n;\n"
    old = head + b"".join(fields % (k, k * 10.5, k * 17, k) for k in range(40))
    return [
        Seed(new, new.split(b"\n").index(next(x for x in new.split(b"\n") if not x.startswith(b";")))),
        Seed(old, 3),
    ]


def _pack():
    from buswright.layout.handover.pack import archived
    from tests.layout.handover.packs import entries_of, good, zipped

    return [Seed(archived(good())), Seed(zipped(entries_of(good()), compression=zipfile.ZIP_DEFLATED))]


SEEDS = {
    "candump": _candump,
    "ASC": _asc,
    "BLF": lambda: [
        Seed(_by_library(can.BLFWriter, "run.blf")),
        Seed(_by_library(can.BLFWriter, "r.blf", compression_level=0)),
    ],
    "TRC": _trc,
    "SQLite": lambda: [Seed(_by_library(can.SqliteWriter, "run.db"))],
    "CSV": _csv,
    "sidecar": _sidecar,
    "baseline": _baseline,
    "layout": _layout,
    "car file": _car,
    "DBC": _dbc,
    "pack": _pack,
}
"""Format to a function that makes its seeds."""

NAMES = {
    "DBC": "stranger.dbc",
    "pack": "stranger.zip",
    "car file": "car.toml",
    "baseline": "good.json",
    "layout": "layout.md",
    "sidecar": "run.log.events.jsonl",
}
"""What a file of a format is called; captures are known by their content."""


def put_neighbours(folder):
    """Put what files name, or lie beside, into a folder."""
    for path in (*EXAMPLES.glob("*.dbc"), *(ROOT / "tests/data/car_file").glob("*.dbc")):
        shutil.copy(path, folder)
    (folder / "dbc_examples").mkdir(exist_ok=True)
    shutil.copy(CAR, folder / "sound.toml")
    (folder / "mine.toml").write_text("format = 1\n[bus.chassis]\nbitrate = 1_000_000\n", encoding="utf-8")
    (folder / "run.log").write_bytes(_candump()[0].data)
    (folder / "long.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:3000]))
