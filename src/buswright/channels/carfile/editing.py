"""Changing a car file that a person wrote: what is changed is changed, and every other byte stays.

The changed text is read again twice: by the standard parser, which must find what was asked for and nothing else,
and by the car file's own reader.
"""

from __future__ import annotations

import datetime
import difflib
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from buswright.channels.carfile import files
from buswright.channels.carfile.load import CheckResult, check_car_data
from buswright.channels.carfile.model import CalibrationRecord, Fingerprints, Zero
from buswright.channels.carfile.rendering import Table, table_of
from buswright.channels.carfile.splicing import BYTE_ORDER_MARK, Change, Put, changed
from buswright.channels.keys.faults import Fault, FaultSeverity
from buswright.errors import CarFileError
from buswright.writing import write_whole


def put_zero(channel: str, zero: Zero) -> Put:
    """Give a channel its zero."""
    return Put(("channel", channel), "zero", _said(asdict(zero)))


def put_fingerprints(channel: str, found: Fingerprints) -> Put:
    """Give a channel the volts of its wiring faults."""
    return Put(("channel", channel), "fingerprints", _said(asdict(found)))


def logged(record: CalibrationRecord) -> Table:
    """Make an entry of the calibration log."""
    said = _said(asdict(record))
    first = {name: said.pop(name) for name in ("channel", "sensor") if name in said}
    return table_of("calibration_log", first | said)


def _said(values: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what isn't known."""
    return {name: value for name, value in values.items() if value is not None and value not in ("", ())}


@dataclass(frozen=True, slots=True)
class Edit:
    """A changed car file, read again, not written yet.

    Attributes
    ----------
    before, after
        Its bytes.
    result
        What the reader says of it afterwards.
    new_faults
        Warnings and notes that weren't there before.
    """

    path: Path
    before: bytes
    after: bytes
    result: CheckResult
    new_faults: tuple[Fault, ...]

    def difference(self) -> tuple[str, ...]:
        """Return the changed lines with one around each, as `-old` and `+new`, and @@ before each place."""
        old, new = (data.decode("utf-8-sig").splitlines() for data in (self.before, self.after))
        return tuple(
            line for line in difflib.unified_diff(old, new, n=1, lineterm="") if line[:3] not in ("---", "+++")
        )

    def save(self, now: datetime.datetime) -> Path | None:
        """Write the file as a whole, and what it was to a file beside it.

        `now`: local time, for the name of that file.

        Returns
        -------
        Path
            The file that holds what was there before; None where nothing changed.

        Raises
        ------
        CarFileError
            Somebody else has changed the file meanwhile; it is as it was.
        WritingError
            It can't be written; it is as it was.
        """
        if self.after == self.before:
            return None
        place = self.path.resolve()
        try:
            unchanged = place.read_bytes() == self.before
        except OSError:
            unchanged = False
        if not unchanged:
            raise CarFileError(f"{self.path}: changed by somebody else meanwhile, not written", hint="do it again")
        names = (f"{place.name}.{now:%Y-%m-%d-%H%M%S}{f'-{number}' if number else ''}.bak" for number in range(1000))
        backup = next(place.with_name(name) for name in names if not os.path.lexists(place.with_name(name)))
        write_whole(backup, self.before)
        write_whole(place, self.after)
        return backup


def edit_car_file(path: str | os.PathLike[str], changes: Sequence[Change], *, untrusted: bool = False) -> Edit:
    """Change a car file in memory, and read it again.

    `untrusted`: read nothing outside the file's folder.

    Raises
    ------
    CarFileError
        It can't be read, is written in a way that can't be changed, or would have errors that it hasn't now.
    """
    path = Path(path)
    before = files.read_bytes(path, untrusted=untrusted)
    old = check_car_data(path, before, untrusted=untrusted)
    text, place, wrong = files.decode(before)
    if place is not None:
        raise CarFileError(f"{path}: {wrong}", hint="save the file as UTF-8")
    mark = BYTE_ORDER_MARK if before.startswith(BYTE_ORDER_MARK.encode()) else ""
    try:
        after = (mark + changed(text, changes)).encode()
    except CarFileError as error:
        raise CarFileError(f"{path}: {error.message}", hint=error.hint) from None
    result = check_car_data(path, after, untrusted=untrusted)
    known = Counter((fault.severity, fault.key, fault.text) for fault in old.faults)
    fresh = []
    for fault in result.faults:
        said = (fault.severity, fault.key, fault.text)
        known[said] -= 1
        if known[said] < 0:
            fresh.append(fault)
    errors = [str(fault) for fault in fresh if fault.severity is FaultSeverity.ERROR]
    if errors:
        raise CarFileError(
            [f"{path}: not written, because it would have {len(errors)} new faults:", *errors[:5]], faults=tuple(errors)
        )
    return Edit(path, before, after, result, tuple(fresh))
