"""What the car file may say is read by something, or is marked so that `check` and the manual can say that it isn't.

The source is looked at, not run. A threshold or a finding's name has a reader where the name stands as a text. A key
has one where an attribute of its name is read in a file that also speaks of the table it stands in: by the model's
class, or by the attribute that holds it. A key with a common name ("name", "unit") can thus pass without a reader.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import buswright
from buswright.channels.calibration.registry import KINDS, SENSOR_KEYS
from buswright.channels.carfile.keys import key_lines
from buswright.channels.carfile.load import check_car_file
from buswright.channels.keys.faults import FaultSeverity
from buswright.channels.keys.tables import FOR_PEOPLE, NOT_USED_YET, KeyLine
from buswright.diagnosis.detected import DETECTED
from buswright.findings import FAULTS, FAULTS_NOT_USED_YET, THRESHOLDS

SOURCE = Path(buswright.__file__).parent
DATA = Path(__file__).parents[2] / "data" / "car_file"
DESCRIPTION = ("findings.py", "channels/carfile/", "channels/keys/", "cli/manual/", "diagnosis/detected.py")
"""Where keys and names are described and checked: no reader by that."""

HELD_BY = {
    "car": ("CarFile", "car"),
    "bus.NAME": ("Bus", "buses"),
    "bus.NAME.resistance": ("Resistance", "resistance"),
    "module.NAME": ("Module", "modules"),
    "sensor.NAME": ("Sensor", "sensors", "sensor"),
    "channel.NAME": ("Channel", "channels"),
    "channel.NAME.zero": ("Zero", "zero"),
    "channel.NAME.caution": ("Limits", "caution"),
    "channel.NAME.warning": ("Limits", "warning"),
    "channel.NAME.wiring": ("Wiring", "wiring"),
    "channel.NAME.fingerprints": ("Fingerprints", "fingerprints"),
    'frame."bus/ID"': ("FrameEntry", "frames"),
    'frame."bus/ID".counter': ("Counter", "counter"),
    'frame."bus/ID".checksum': ("Checksum", "checksum"),
    "calibration_log[]": ("CalibrationRecord", "calibration_log"),
}
"""By table, the words by which a file shows that it may hold one."""

TOP_LEVEL = {"bus": "buses", "module": "modules", "sensor": "sensors", "channel": "channels", "frame": "frames"}

CHECKED_ONLY = {
    "format": "the reader refuses other formats",
    "calibration_log": "`check` says what is due",
    "calibration_log[].channel": "`check` says what is due",
    "calibration_log[].sensor": "`check` says what is due",
    "calibration_log[].date": "`check` says what is due",
    "calibration_log[].due": "`check` says what is due",
}


@cache
def trees() -> dict[str, ast.Module]:
    files = {path.relative_to(SOURCE).as_posix(): path for path in SOURCE.rglob("*.py")}
    return {
        name: ast.parse(path.read_text(encoding="utf-8"))
        for name, path in files.items()
        if not name.startswith(DESCRIPTION)
    }


def texts(tree: ast.AST) -> Iterator[str]:
    """Every text but docstrings and the names of keys that are described."""
    left_out = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr):
            left_out.add(node.value)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Key":
            left_out.add(node.args[0])
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in left_out:
            yield node.value


@cache
def texts_of(*folders: str) -> frozenset[str]:
    return frozenset(text for name, tree in trees().items() if name.startswith(folders) for text in texts(tree))


@cache
def words() -> tuple[tuple[frozenset[str], frozenset[str]], ...]:
    """Of every file that may hold a car file: the attributes that it reads, and all names in it."""
    found = []
    for name, tree in trees().items():
        if name.startswith(("frames/", "simulate/")):
            continue
        read: set[str] = set()
        names: set[str] = set()
        for node in ast.walk(tree):
            match node:
                case ast.Attribute(attr=word, ctx=ast.Load()):
                    read.add(word)
                case ast.Call(func=ast.Name(id="getattr"), args=[_, ast.Constant(value=str(word)), *_]):
                    read.add(word)
                case ast.Name(id=word) | ast.alias(name=word) | ast.ClassDef(name=word):
                    names.add(word)
        found.append((frozenset(read), frozenset(names | read)))
    return tuple(found)


def has_reader(line: KeyLine) -> bool:
    table, _, name = line.path.rpartition(".")
    if line.of or (table == "sensor.NAME" and line.key not in SENSOR_KEYS):
        return name.removesuffix("[]") in texts_of("channels/calibration/")
    if not table:
        return any(TOP_LEVEL.get(name, name) in read for read, _ in words())
    return any(name in read and not names.isdisjoint(HELD_BY[table]) for read, names in words())


LINES = [line for line in key_lines() if line.path not in CHECKED_ONLY]
MARKED = {line.path for line in LINES if line.key.unread}


@pytest.mark.parametrize("line", LINES, ids=lambda line: f"{line.path} {line.of}")
def test_a_key_has_a_reader_or_is_marked(line: KeyLine):
    within_marked = any(line.path.startswith(f"{path}.") for path in MARKED)
    if line.key.unread:
        assert line.key.unread in (NOT_USED_YET, FOR_PEOPLE)
        assert not has_reader(line), "take the mark away"
    elif not within_marked:
        assert has_reader(line), "nothing reads it: mark it as not used yet"


@pytest.mark.parametrize("name", THRESHOLDS)
def test_a_threshold_has_a_reader_or_is_marked(name: str):
    read = name in texts_of("channels/", "health/", "diagnosis/", "capacity/", "worker/", "tui/")
    unread = "take the mark away" if read else "no detector reads it: mark it as not used yet"
    assert read != THRESHOLDS[name].not_used_yet, unread


@pytest.mark.parametrize("name", FAULTS)
def test_a_finding_has_a_detector_or_is_marked(name: str):
    found = name in texts_of("diagnosis/")
    assert found == (name in DETECTED)
    assert found != (name in FAULTS_NOT_USED_YET), "take its star away" if found else "no detector finds it: mark it"


def test_the_words_of_this_test_are_those_of_the_file():
    tables = {line.path.rpartition(".")[0] for line in LINES if not line.of} - {""}
    assert tables == set(HELD_BY)
    assert set(CHECKED_ONLY) <= {line.path for line in key_lines()}
    assert all(spec.keys for spec in KINDS.values())


@pytest.fixture
def unread():
    """Mark keys of the file as read by nobody, as one is that was just added."""
    marked = [line.key for line in LINES if line.path in ("bus.NAME.terminators", "calibration_log[].residual")]
    for key in marked:
        object.__setattr__(key, "unread", NOT_USED_YET)
    yield
    for key in marked:
        object.__setattr__(key, "unread", "")


@pytest.mark.usefixtures("unread")
def test_check_notes_each_key_that_nothing_reads_once():
    result = check_car_file(DATA / "car.toml")
    text = (DATA / "car.toml").read_text(encoding="utf-8").split("\n")
    assert {fault.severity for fault in result.unused} == {FaultSeverity.NOTE}
    assert [fault.key for fault in result.unused] == ["bus.chassis.terminators", "calibration_log[0].residual"]
    for fault in result.unused:
        assert fault.key.rpartition(".")[2] in text[fault.line - 1]
        assert fault.text == "not used yet; it can stay"
    assert result.faults == ()
    assert result.car is not None


@pytest.mark.usefixtures("unread")
def test_check_says_in_how_many_places_it_stands(tmp_path):
    tables = '[sensor.s]\nkind = "linear"\npoints = [[0, 0], [5, 9]]\nunit = "mm"\n'
    tables += '[[calibration_log]]\nsensor = "s"\ndate = 2026-04-02\nresidual = 0.1\n' * 3
    (tmp_path / "car.toml").write_text(f"format = 1\n{tables}", encoding="utf-8")
    (note,) = check_car_file(tmp_path / "car.toml").unused
    assert (note.key, note.text) == (
        "calibration_log[0].residual",
        "not used yet; it can stay here and in 2 more places",
    )
