"""Every database in cantools' source distribution, decoded by us and by cantools, compared to the last bit.

Differences that are meant, each with its reason:

- a multiplexer value that the database doesn't know: cantools raises and gives nothing; we give every signal that
  doesn't depend on it, and count the frame. Compared with cantools' own decoding of each branch that exists.
- overlapping signals, or a signal beyond the message's length: cantools packs all signals into one format string and
  reads wrong bits (or raises); we read each signal where it says it is. Compared with cantools decoding a message
  that has only this signal and is long enough.
- signals of more than 64 bits: cantools gives a Python integer; we give none, and lint says so.
- container messages: cantools decodes them only on request, into a different kind of result; we don't.
- two signals of one name in one message: cantools keeps one of them; we keep both, the second under another name.
- files that cantools refuses as a whole because of one line: we leave out that line.
- the selecting value of a scaled multiplexer: cantools uses the scaled value if asked for scaled signals and the raw
  one otherwise; the selecting value in a DBC is raw, so we always use that. No file of the corpus has one.
"""

from __future__ import annotations

import logging
import math
import struct
from pathlib import Path
from typing import Any

import cantools.database
import numpy as np
import pytest
from cantools.database.can import Message as LibraryMessage
from cantools.database.can import Signal as LibrarySignal
from cantools.database.errors import DecodeError
from cantools.database.errors import Error as LibraryError
from cantools.database.utils import decode_data

from buswright.errors import DatabaseError
from buswright.messages.database import load_database
from buswright.messages.decoding.columns import SignalTable
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Database, Message
from tests.messages.frame_batches import frames_of
from tests.source_distributions import source_distribution

FORMATS = ("dbc", "kcd", "sym", "arxml")
REFUSED_BY_CANTOOLS_ONLY = {"incorrect-sig_valtype.dbc", "incorrect-val.dbc"}
REFUSED_BY_BOTH = {
    "issue_199.dbc",
    "issue_199_extended.dbc",
    "issue_138.sym",
    "jopp-5.0.sym",
    "system-bad-root-tag-4.2.arxml",
    "system-dangling-reference-4.2.arxml",
    "system-illegal-namespace-4.2.arxml",
    "system-illegal-root-4.2.arxml",
    "system-illegal-version-4.2.2.1.0.arxml",
    "system-missing-denominator-4.2.arxml",
    "system-missing-factor-4.2.arxml",
}
PAYLOADS = 64


@pytest.fixture(scope="module")
def corpus() -> Path:
    return source_distribution("cantools") / "tests" / "files"


def payloads_for(message: Message, rng: np.random.Generator) -> list[bytes]:
    """All zeros, all ones, random, then cut short and with bytes too many."""
    length = min(message.length, 64)
    payloads = [bytes(length), b"\xff" * length]
    payloads += [rng.bytes(length) for _ in range(PAYLOADS)]
    payloads += [rng.bytes(int(n)) for n in rng.integers(0, length + 1, 6)]
    payloads += [rng.bytes(min(64, length + int(n))) for n in rng.integers(0, 9, 3)]
    return payloads


def table_of(message: Message, payloads: list[bytes]) -> tuple[SignalTable, Decoder]:
    decoder = Decoder(Database(paths=("corpus",), messages=(message,)))
    batch = decoder.decode(frames_of([(message.id, message.extended, payload) for payload in payloads]))
    (table,) = batch
    assert np.array_equal(table.rows, np.arange(len(payloads)))
    return table, decoder


class Expected:
    """What cantools gives for one message."""

    def __init__(self, message: LibraryMessage) -> None:
        self.message = message
        self.undefined = 0
        try:
            message.refresh(strict=True)
            self.alone: dict[str, LibraryMessage] = {}
        except LibraryError:
            message.refresh(strict=False)
            self.alone = {signal.name: _alone(message, signal) for signal in message.signals}

    def decode(self, payload: bytes, scaling: bool) -> dict[str, Any]:
        if self.alone:
            found: dict[str, Any] = {}
            for single in self.alone.values():
                found.update(_decode(single, payload, scaling))
            return found
        try:
            return _decode(self.message, payload, scaling)
        except DecodeError:
            return self._branches(self.message._codecs, payload, scaling)

    def _branches(self, node: Any, payload: bytes, scaling: bool) -> dict[str, Any]:
        """As cantools' own recursion over multiplexers, but going on where a value is unknown."""
        found: dict[str, Any] = decode_data(
            payload, self.message.length, node["signals"], node["formats"], False, scaling, True, True
        )
        for name, children in node["multiplexers"].items():
            if name in found:
                child = children.get(int(found[name]))
                if child is None:
                    self.undefined += 1
                else:
                    found.update(self._branches(child, payload, scaling))
        return found


def _alone(message: LibraryMessage, signal: LibrarySignal) -> LibraryMessage:
    last = signal.start + signal.length if signal.byte_order == "little_endian" else 8 * 64
    length = max(message.length, min(64, -(-last // 8)))
    return LibraryMessage(message.frame_id, message.name, length, [signal], is_extended_frame=True, strict=False)


def _decode(message: LibraryMessage, payload: bytes, scaling: bool) -> dict[str, Any]:
    found = message.decode(payload, decode_choices=False, scaling=scaling, allow_truncated=True, allow_excess=True)
    assert isinstance(found, dict)
    return found


def same(ours: Any, theirs: int | float) -> bool:
    """Whether two numbers are the same to the last bit."""
    if isinstance(theirs, float):
        if math.isnan(theirs):
            return math.isnan(float(ours))
        return struct.pack("<d", float(ours)) == struct.pack("<d", theirs)
    if abs(theirs) >= 1 << 64 and isinstance(ours, np.float64):
        return float(ours) == float(theirs)
    # No -0.0 for an integer, either.
    return int(ours) == theirs and not (theirs == 0 and math.copysign(1, float(ours)) < 0)


def compare(ours: Message, theirs: LibraryMessage, rng: np.random.Generator) -> tuple[int, list[str]]:
    """Values compared, and mismatches in words."""
    payloads = payloads_for(ours, rng)
    table, decoder = table_of(ours, payloads)
    expected = Expected(theirs)
    names = [signal.name for signal in theirs.signals]
    compared, wrong = 0, []
    for scaling in (False, True):
        expected.undefined = 0
        found = [expected.decode(payload, scaling) for payload in payloads]
        for column in table:
            if column.signal.length > 64 or names.count(column.name) != 1:
                continue
            numbers = column.value if scaling else column.raw
            valid = column.valid if column.valid is not None else np.ones(len(payloads), dtype=bool)
            there = np.array([column.name in values for values in found])
            if not np.array_equal(there, valid):
                wrong.append(f"{ours.name}/{column.name}: valid {valid} instead of {there}")
                continue
            for row in np.flatnonzero(there):
                compared += 1
                if not same(numbers[row], found[row][column.name]):
                    wrong.append(
                        f"{ours.name}/{column.name} of {payloads[row].hex()}: {numbers[row]!r} instead of "
                        f"{found[row][column.name]!r} ({'scaled' if scaling else 'raw'})"
                    )
        if sum(decoder.counts.undefined_mux.values()) != expected.undefined:
            wrong.append(f"{ours.name}: {decoder.counts.undefined_mux} instead of {expected.undefined} undefined")
    return compared, wrong


@pytest.mark.parametrize("kind", FORMATS)
def test_every_value_of_every_database_is_what_cantools_gives(
    corpus: Path, kind: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.ERROR, logger="cantools")
    compared, wrong, seen = 0, [], 0
    for path in sorted((corpus / kind).iterdir()):
        if path.name in REFUSED_BY_BOTH | REFUSED_BY_CANTOOLS_ONLY:
            continue
        library = cantools.database.load_file(path, strict=False)
        assert isinstance(library, cantools.database.Database)
        database = load_database(path)
        assert len(database) == len(library.messages), path
        seen += 1
        rng = np.random.default_rng(len(path.name))
        for ours, theirs in zip(database, library.messages, strict=True):
            assert (ours.name, ours.id, ours.extended) == (theirs.name, theirs.frame_id, theirs.is_extended_frame)
            if not theirs.is_container:
                count, mismatches = compare(ours, theirs, rng)
                compared += count
                wrong += [f"{path.name}: {mismatch}" for mismatch in mismatches]
    assert not wrong, f"{len(wrong)} mismatches:\n" + "\n".join(wrong[:20])
    assert compared > {"dbc": 100_000}.get(kind, 1_000), f"only {compared} values of {seen} files were compared"


def test_what_cantools_refuses_we_refuse_or_say_what_was_left_out(corpus: Path) -> None:
    for path in sorted(path for kind in FORMATS for path in (corpus / kind).iterdir()):
        if path.name in REFUSED_BY_BOTH:
            with pytest.raises(DatabaseError):
                load_database(path)
        elif path.name in REFUSED_BY_CANTOOLS_ONLY:
            database = load_database(path)
            assert len(database) == 2
            assert [(note.rule, note.line) for note in database.notes] == [("not-loaded", 45)]
        else:
            assert load_database(path).notes == ()
