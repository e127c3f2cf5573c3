"""What must hold for a damaged file of each format, and files that somebody made to hurt.

A check takes the bytes, the seed they come from, and a folder; it raises `BrokenError`, or anything that is no
`UserError`, where the program is at fault.
"""

import io
import re
from contextlib import redirect_stderr, redirect_stdout, suppress
from pathlib import Path

import numpy as np

from buswright.errors import UserError
from buswright.frames.captures.opening import open_capture
from tests.fuzz.seeds import NAMES

RAW = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
"""What a terminal obeys instead of showing it."""
STATES_OF_ASC = (b"base", b"date", b"begin", b"end", b"// channel")


class BrokenError(AssertionError):
    """The program did what it must not do."""


# -- captures -----------------------------------------------------------------------------------------------------


def read(path):
    """Read a capture; return it, and a key for each frame."""
    capture, keys = open_capture(path), []
    for frames in capture:
        wide = frames.whole_payload()
        named = [frames.buses[k] for k in frames.bus.tolist()] if len(frames.buses) < 200 else [""] * len(frames)
        rows = zip(
            *(getattr(frames, name).tolist() for name in ("time_ns", "id", "flags", "dlc", "length")),
            named,
            strict=True,
        )
        keys += [(*row, wide[k, : row[4]].tobytes()) for k, row in enumerate(rows)]
    return capture, keys


def in_order(wanted, found):
    """Count how many of the wanted are among those found, in this order, before one is missing."""
    rest = iter(found)
    return sum(1 for each in wanted if any(each == other for other in rest))


class TextCapture:
    """A format of lines: every good line is read, whatever stands beside it, and every bad one is counted."""

    def __init__(self, name, bad, *, timed=True):
        self.name, self.bad, self.timed = name, bad, timed
        self._frames = {}

    def frames_of(self, seed, folder):
        """Return the key of each line of a seed that holds a frame; of lines alike the first."""
        if seed not in self._frames:
            path = folder / "seed"
            path.write_bytes(seed.data)
            capture, keys = read(path)
            lines = [line for line in seed.data.split(b"\n")[seed.head :] if self._is_frame(line)]
            if len(lines) != len(keys) or capture.problems.rejected:
                raise BrokenError(
                    f"a good file has {len(lines)} lines and {len(keys)} frames: {list(capture.problems)}"
                )
            self._frames[seed] = dict(zip(lines, map(self._key, keys), strict=True))
        return self._frames[seed]

    def _is_frame(self, line):
        return (
            bool(line.strip())
            and not line.strip().startswith((b";", b"//", b"Begin", b"End"))
            and (
                self.name != "ASC"
                or b"x" in line
                or b" d " in line
                or b" r" in line
                or b"CANFD" in line
                or b"ErrorFrame" in line
            )
        )

    def _key(self, key):
        return key if self.timed else key[1:]

    def _head_is_whole(self, lines, seed):
        if self.name == "ASC":
            good = seed.data.split(b"\n")
            said = [[x for x in each if x.strip().lower().startswith(STATES_OF_ASC)] for each in (lines, good)]
            return said[0] == said[1] and lines[: seed.head] == good[: seed.head]
        return lines[: seed.head] == seed.data.split(b"\n")[: seed.head]

    def __call__(self, data, seed, folder, number_bad=None):
        path = folder / "file"
        path.write_bytes(data)
        good = self.frames_of(seed, folder)
        text = data
        if data[:2] in (b"\xff\xfe", b"\xfe\xff") or _looks_utf16(data):
            return self._no_more_than(path)  # every other byte may be a part of any sign
        lines = text.removeprefix(b"\xef\xbb\xbf").split(b"\n")
        if not self._head_is_whole(lines, seed):
            return self._no_more_than(path)
        wanted = [good[line] for line in lines[seed.head :] if line in good]
        try:
            capture, keys = read(path)
        except UserError:
            if sum(line in good for line in lines[:300]) and len(b"".join(lines[:300])) < 60_000 and seed.head < 9:
                raise BrokenError("not recognised, though its first lines are good") from None
            return None
        keys = [self._key(key) for key in keys]
        if (count := in_order(wanted, keys)) < len(wanted):
            raise BrokenError(f"{len(wanted) - count} of {len(wanted)} good lines lost, the first {wanted[count]}")
        filled = sum(bool(line.strip()) for line in lines)
        if len(keys) + capture.problems.rejected > filled:
            raise BrokenError(f"{len(keys)} frames and {capture.problems.rejected} rejected of {filled} lines")
        if number_bad is not None and capture.problems.rejected != number_bad:
            raise BrokenError(f"{number_bad} bad lines, {capture.problems.rejected} counted: {list(capture.problems)}")
        if self.name == "candump" and seed.data.find(b"\n\t") < 0 and b"DROPCOUNT" not in data:
            tabs = sum(line.startswith(b"\t") and bool(line.strip()) for line in lines)
            if len(keys) + capture.problems.rejected + tabs != filled:
                raise BrokenError(f"{len(keys)} + {capture.problems.rejected} + {tabs} of {filled} lines")
        return None

    @staticmethod
    def _no_more_than(path):
        read(path)


def _looks_utf16(data):
    return data[1:40:2].count(0) > 15 or data[:40:2].count(0) > 15


def binary(data, seed, folder):
    """A capture of records: it is read as far as it goes."""
    path = folder / "file"
    path.write_bytes(data)
    capture, keys = read(path)
    if not keys and not capture.problems and data.strip() and data[:15] != b"SQLite format 3":
        raise BrokenError("no frame, and no problem is told")  # but tables may be empty


def sidecar(data, seed, folder):
    """Events of a stranger change no frame, and one bad line costs no good one."""
    (folder / NAMES["sidecar"]).write_bytes(data)
    capture, keys = read(folder / "run.log")
    if len(keys) != 120:
        raise BrokenError(f"{len(keys)} of 120 frames")
    good = [line for line in seed.data.split(b"\n") if b'"kind"' in line]
    wanted = [line for line in data.split(b"\n") if line in good]
    told = {problem.reason for problem in capture.problems}
    if any("another recording" in reason or "more events" in reason for reason in told):
        return
    texts = [f"event {good.index(line)}" for line in wanted]
    if in_order(texts, [event.text for event in capture.events]) < len(wanted):
        raise BrokenError("good events lost")


# -- what people and programs write -------------------------------------------------------------------------------


def baseline(data, seed, folder):
    from buswright.health.baseline.compare import compare
    from buswright.health.baseline.file import load
    from buswright.report.health import compare as report

    good = folder / "kept.json"
    good.write_bytes(seed.data)
    path = folder / NAMES["baseline"]
    path.write_bytes(data)
    other, mine = load(good), load(path)
    for a, b in ((mine, other), (other, mine), (mine, mine)):
        compared = report.Comparison(a, b, ("a", "b"), compare(a, b))
        report.render_text(compared)
        report.render_json(compared)


def layout(data, seed, folder):
    """A document that is read can be held against another, both ways."""
    from buswright.layout.document.file import load
    from buswright.layout.verify import differences
    from buswright.report.layout import verify as report

    good, path = folder / "kept.md", folder / NAMES["layout"]
    good.write_bytes(seed.data)
    path.write_bytes(data)
    other, mine = load(good), load(path)
    for a, b in ((mine, other), (mine, mine)):
        verified = report.Verified("a", a, b, differences(a, b))
        report.render_text(verified)
        report.render_json(verified)


def car_file(data, seed, folder):
    """What the check accepts can be computed with, and differs in nothing from itself."""
    from buswright.channels.carfile.load import check_car_file
    from buswright.channels.session import Session
    from buswright.layout.differences.compare import compare
    from buswright.report.car import check as report
    from buswright.report.car import differences as listed

    path = folder / NAMES["car file"]
    path.write_bytes(data)
    result = check_car_file(path, untrusted=True)
    checking = report.checking_of(path, result)
    report.render_text(checking)
    report.render_json(checking)
    if result.car is not None:
        compared = compare(result.car, result.car)
        listed.render_text(listed.Listing(("a", "b"), (result.car, result.car), compared))
        if compared.differences:
            raise BrokenError(f"differs from itself: {compared.differences[0]}")
        try:
            session = Session(open_capture(folder / "run.log"), result.car)
            for name in session:
                with np.errstate(all="ignore"):
                    session[name]
        except UserError as error:
            raise BrokenError(f"accepted by the check, refused later: {error}") from error


def database(data, seed, folder):
    from buswright.messages.database import load_database
    from buswright.messages.decoding.decode import Decoder
    from buswright.messages.lint import lint

    path = folder / NAMES["DBC"]
    path.write_bytes(data)
    loaded = load_database(path)
    lint(loaded)
    decoder = Decoder(loaded)
    for frames in open_capture(folder / "run.log"):
        for table in decoder.decode(frames):
            for column in table:
                column.value  # noqa: B018  (computes it)


def pack(data, seed, folder):
    """A damaged pack is refused as a whole; sound around damaged files, it is taken in and checked like any other."""
    from buswright.layout.handover.manifest import MANIFEST, Holds, Pack, PackedFile
    from buswright.layout.handover.pack import archived
    from buswright.layout.handover.reading import read_pack
    from tests.layout.handover.packs import entries_of, good, zipped

    path = folder / NAMES["pack"]
    path.write_bytes(data)
    with suppress(UserError):
        if read_pack(path) != good():
            raise BrokenError("a damaged pack is taken for another")
    # Each file as the damage left it, behind its header of 30 bytes and its name.
    names = [name for name, _ in entries_of(good())]
    found = data.partition(b"PK\x01\x02")[0].split(b"PK\x03\x04")[1:]
    damaged = {name: part[26 + len(name) :] for name, part in zip(names, found, strict=False)}
    listing = damaged.pop(MANIFEST, b"")
    path.write_bytes(zipped([(MANIFEST, listing), *entries_of(good())[1:]]))
    with suppress(UserError):
        read_pack(path)
    contents = dict(good().contents) | damaged
    holds = {each.path: each.holds for each in good().files}
    listed = tuple(PackedFile.of(name, holds[name], contents[name]) for name in sorted(contents))
    path.write_bytes(archived(Pack("x", listed, contents)))
    taken = read_pack(path)
    if taken.contents != contents:
        raise BrokenError("a pack gives other files than it holds")
    car_file(taken.contents[next(each.path for each in listed if each.holds is Holds.CAR)], seed, folder)


CHECKS = {
    "candump": TextCapture(
        "candump", (b"(1.x) can0 1A0#00", b"(1775901600.1) can0 1A0#0", b"hello", b"(1.0) can0 FFF#00")
    ),
    "ASC": TextCapture("ASC", (b"hello", b"   1.0 1 1A0 Rx d 8 00", b"   1.0 1 FFF Rx d 1 00"), timed=False),
    "BLF": binary,
    "TRC": TextCapture("TRC", (b"hello", b"x y z a b c d e f", b"     5)  5.0 Rx 0100 2 ZZ 00 00")),
    "SQLite": binary,
    "CSV": TextCapture("CSV", (b"hello", b"1.0,0x1,0,0,0,1", b"x,0x1,0,0,0,1,AA==", b"1.0,0x1,0,0,0,nine,AA==")),
    "sidecar": sidecar,
    "baseline": baseline,
    "layout": layout,
    "car file": car_file,
    "DBC": database,
    "pack": pack,
}

# -- the same through commands ------------------------------------------------------------------------------------

_OF_CAPTURES = (
    *(["contents", "{file}"], ["health", "{file}", "--all"], ["health", "{file}", "--json"], ["draft", "{file}"]),
    *(["cut", "{file}", "--out", "{out}.log"], ["cut", "{file}", "--out", "{out}.asc"]),
    *(["decode", "{file}", "--dbc", "wrenfell_engine.dbc", "--out", "{out}.csv"],),
    *(["remember", "{file}", "--out", "{out}.json"], ["compare", "long.log", "{file}"]),
    *(["diagnose", "{file}", "--dbc", "wrenfell_engine.dbc"], ["capacity", "{file}", "--fail-on", "never"]),
    ["survey", "{file}", "--around", "0.1", "--out", "{out}.dbc", "--html", "{out}.html"],
)
COMMANDS = {
    **dict.fromkeys(("candump", "ASC", "BLF", "TRC", "SQLite", "CSV"), _OF_CAPTURES),
    "sidecar": (["contents", "run.log"], ["health", "run.log"], ["cut", "run.log", "--out", "{out}.asc"]),
    "baseline": (
        *(["compare", "{file}", "long.log"], ["compare", "long.log", "{file}", "--json"]),
        ["diagnose", "long.log", "--baseline", "{file}"],
    ),
    "layout": (
        *(["verify", "{file}", "long.log"], ["verify", "{file}", "long.log", "--json"]),
        ["layout", "long.log", "--since", "{file}", "--out", "{out}.md"],
    ),
    "car file": (
        *(["check", "{file}"], ["health", "long.log", "--car", "{file}"]),
        ["diagnose", "long.log", "--car", "{file}"],
        *(["remember", "long.log", "--car", "{file}", "--out", "{out}.json"],),
        *(["decode", "long.log", "--car", "{file}", "--out", "{out}.csv"], ["check", "{file}", "--json"]),
        *(["capacity", "long.log", "--car", "{file}"], ["capacity", "--car", "{file}", "--json"]),
        *(["pack", "--car", "{file}", "--untrusted", "--out", "{out}.zip"],),
        *(["take", "{file}", "sensor:damper_75", "module:damper_node", "--car", "mine.toml"],),
        ["take", "sound.toml", "sensor:damper_75", "module:wheel_node", "--car", "{file}", "--force"],
        *(["differences", "sound.toml", "{file}", "--untrusted"], ["differences", "{file}", "sound.toml", "--json"]),
        ["calibrate", "oil_pressure", "--car", "{file}", "--reading", "0.5=0", "--reading", "4.5=10"],
        *(["compare", "long.log", "run.log", "--car", "{file}"], ["contents", "run.log", "--car", "{file}"]),
        ["bench", "--draft", "car", "--car", "{file}"],
        ["season", "add", "run.log", "--car", "{file}", "--season", "{out}_season"],
    ),
    "DBC": (
        *(["contents", "long.log", "--dbc", "{file}"], ["health", "long.log", "--dbc", "{file}"]),
        *(["decode", "long.log", "--dbc", "{file}", "--out", "{out}/"], ["draft", "long.log", "--dbc", "{file}"]),
        *(["decode", "long.log", "--dbc", "{file}", "--rate", "10", "--out", "{out}.csv"],),
        *(["capacity", "long.log", "--dbc", "{file}"], ["capacity", "--bitrate", "1M", "--add", "{file}"]),
        *(["database", "{file}", "--out", "{out}.csv"], ["database", "{file}", "wrenfell_engine.dbc", "--json"]),
        ["survey", "long.log", "--dbc", "{file}", "--out", "{out}.dbc"],
    ),
    "pack": (
        *(["unpack", "{file}", "--out", "{out}_pack"], ["unpack", "{file}", "--out", "{out}_pack", "--json"]),
        *(["differences", "sound.toml", "{file}"], ["take", "{file}", "module:wheel_node", "--car", "mine.toml"]),
    ),
}
"""Commands that read a file of each format, tried in turn."""

READ_NO_FILE = {
    "demo": "the invented car alone",
    "interfaces": "adapters alone",
    "record": "live buses; its car file is read as by the others",
    "watch": "the same readers and folds as health, drawn; its texts are tried in tests/tui/test_hostile_text.py",
    "guide": "the manual alone",
}


def command(form, data, which, folder):
    """Run a command on a file: it ends with a status that is no fault of the program, and prints nothing raw."""
    from buswright.cli.main import status_of

    path = folder / NAMES.get(form, "file")
    path.write_bytes(data)
    words = COMMANDS[form][which % len(COMMANDS[form])]
    words = [word.format(file=path.name, out="out") for word in words]
    words += ["--out", "drafted.toml"] if words[0] == "draft" else []
    words += ["--force"] if "--out" in words else []
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = status_of(words)
    if status not in (0, 1, 2):
        raise BrokenError(f"{' '.join(words)}: exit status {status}: {err.getvalue()[-1500:]}")
    if raw := RAW.search(out.getvalue() + err.getvalue()):
        raise BrokenError(f"{' '.join(words)}: printed {raw[0]!r}")
    if words[0] == "check" and status == 0:
        _accepted(path)


def _accepted(path):
    """A car that `check` accepts is refused by no other command."""
    from buswright.cli.main import status_of

    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        words = ["remember", "long.log", "--car", path.name, "--out", "accepted.json", "--force"]
        status = status_of(words)
    if status and "bus" not in said.getvalue():  # a capture of other buses is refused with reason
        raise BrokenError(f"check accepts the car, remember ends with {status}: {said.getvalue()[-1500:]}")


def folder_of(path):
    """Make a folder with what files name."""
    from tests.fuzz.seeds import put_neighbours

    path = Path(path)
    path.mkdir(parents=True, exist_ok=True)
    put_neighbours(path)
    return path
