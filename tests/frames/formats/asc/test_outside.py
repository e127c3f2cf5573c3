"""ASC files against python-can: every sample of its source distribution, and files that its writer writes.

Where we say something else than python-can 4.6.1, `translated` below says what and why:

1. Channels: python-can counts from 0, we keep the number in the file as the bus name.
2. Length codes: python-can turns a classic raw code 9..15 into a CAN FD length; we keep the code, with 8 bytes.
3. Error frames: python-can gives identifier 0 and no payload, and calls some CAN FD; we give the Linux error
   class and details.
4. Remote frames on `CANFD` lines: python-can calls them CAN FD, with the error state bit; there is no remote
   frame in CAN FD (ISO 11898-1), and the flags column of the sample has no CAN FD bit.
5. A classic frame with a length code above 15 (sample single_frame.asc, written by python-can itself from a
   classic message of 64 bytes): python-can gives 8 bytes and a length of 64; we report the line.
6. Times: python-can adds float seconds, good to some 200 ns; we are exact, so epoch times are compared to a
   microsecond and stamps to the nanosecond.
7. Statistics and controller status, which python-can skips, become events; they are compared in test_reader.py.
"""

import io
import math
import random
import re
from pathlib import Path

import can
import pytest

from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.reading import Reading
from buswright.frames.table import FD_LENGTHS, Flag, Frames, concatenate
from tests.frames.frame_batches import rows_of
from tests.source_distributions import source_distribution

S = 1_000_000_000
FLAG_OF = {
    "is_extended_id": Flag.EXTENDED,
    "is_remote_frame": Flag.REMOTE,
    "is_error_frame": Flag.ERROR,
    "is_fd": Flag.FD,
    "bitrate_switch": Flag.BRS,
    "error_state_indicator": Flag.ESI,
}
SAMPLES = {
    "issue_1256.asc": 1457,
    "issue_1299.asc": 4,
    "logfile.asc": 20,
    "logfile_errorframes.asc": 12,
    "single_frame.asc": 1,
    "single_frame_us_locale.asc": 1,
    "test_CanErrorFrames.asc": 4,
    "test_CanFdMessage.asc": 3,
    "test_CanFdMessage64.asc": 2,
    "test_CanFdRemoteMessage.asc": 1,
    "test_CanMessage.asc": 2,
    "test_CanRemoteMessage.asc": 3,
}
"""Frames that python-can reads from each."""


def samples() -> Path:
    return source_distribution("python-can") / "test" / "data"


def ours(text: bytes) -> tuple[Frames, Reading]:
    reading = Reading("sample.asc", timezone="local")  # as python-can assumes
    return concatenate(list(asc.FORMAT.read(io.BytesIO(text), reading))), reading


def translated(message: can.Message) -> tuple[str, int | None, int, int | None, str | None]:
    """Return bus, identifier, flags, length code and payload as we say them; None where only we know."""
    bus = str(message.channel + 1)  # difference 1
    flags = sum(int(flag) for name, flag in FLAG_OF.items() if getattr(message, name))
    if not message.is_rx:
        flags |= Flag.TRANSMITTED
    if message.is_error_frame:  # difference 3
        return bus, None, int(Flag.ERROR) | flags & int(Flag.TRANSMITTED), None, None
    if message.is_remote_frame:
        flags &= ~int(Flag.FD | Flag.ESI | Flag.BRS)  # difference 4
        return bus, message.arbitration_id, flags, message.dlc, ""
    code = message.dlc if message.dlc <= 8 else FD_LENGTHS.index(message.dlc)  # difference 2
    return bus, message.arbitration_id, flags, code, message.data.hex()


def same(row: tuple[int, str, int, int, int, str], message: can.Message) -> bool:
    wanted = translated(message)
    found = row[1:]
    return all(w is None or w == f for w, f in zip(wanted, found, strict=True))


def test_the_samples_are_those_we_know():
    assert {path.name for path in samples().glob("*.asc")} == set(SAMPLES)


@pytest.mark.parametrize("name", SAMPLES)
def test_samples_are_read_as_python_can_does(name):
    path = samples() / name
    text = path.read_bytes()
    messages = list(can.ASCReader(path, relative_timestamp=False))
    assert len(messages) == SAMPLES[name]
    frames, reading = ours(text)
    if name == "single_frame.asc":  # difference 5
        assert (len(frames), reading.problems.counts) == (0, {"bad length": 1})
        return
    rows = rows_of(frames)
    assert len(rows) == len(messages)
    assert not reading.problems
    for row, message in zip(rows, messages, strict=True):
        assert same(row, message), (row, message)
        assert abs(row[0] - math.floor(message.timestamp * 1e6) * 1000) <= 1000, (row, message)


@pytest.mark.parametrize("name", [name for name in SAMPLES if name != "single_frame.asc"])
def test_stamps_of_samples_are_exact(name):
    path = samples() / name
    undated = re.sub(rb"(?mi)^(date|begin triggerblock).*$", b"//", path.read_bytes())
    frames, reading = ours(undated)
    assert reading.clock.origin == "capture"
    assert frames.time_ns.tolist() == [round(m.timestamp * 1e9) for m in can.ASCReader(path)]


def test_samples_hold_events_that_python_can_skips():
    _, reading = ours((samples() / "logfile.asc").read_bytes())
    kinds = [event.kind for event in reading.events]
    assert (kinds.count("chip-status"), kinds.count("statistics")) == (3, 6)


def messages_to_write(count: int) -> list[can.Message]:
    rng = random.Random(11)
    start = 1_700_000_000.007  # seven milliseconds: the writer leaves out leading zeros in its date
    messages = []
    for k in range(count):
        fd = k % 3 == 0
        size = rng.choice(FD_LENGTHS[1:] if fd else range(9))
        extended = rng.random() < 0.4
        remote = not fd and rng.random() < 0.2
        messages.append(
            can.Message(
                timestamp=start + k * 0.000_350,
                arbitration_id=rng.randrange(1 << (29 if extended else 11)),
                is_extended_id=extended,
                is_remote_frame=remote,
                is_error_frame=k % 97 == 50,
                is_fd=fd,
                bitrate_switch=fd and rng.random() < 0.5,
                error_state_indicator=fd and rng.random() < 0.5,
                is_rx=rng.random() < 0.7,
                channel=rng.randrange(12),
                dlc=size,
                data=None if remote else rng.randbytes(size),
            )
        )
    return messages


def test_files_that_python_can_writes(tmp_path):
    path = tmp_path / "written.asc"
    messages = messages_to_write(600)
    with can.ASCWriter(path) as writer:
        for message in messages:
            writer(message)
    frames, reading = ours(path.read_bytes())
    assert not reading.problems
    rows = rows_of(frames)
    assert len(rows) == len(messages)
    for row, message in zip(rows, messages, strict=True):
        if message.is_error_frame:  # the writer keeps neither direction nor format of error frames
            assert row[1:] == (str(message.channel + 1), 0x80, int(Flag.ERROR), 8, "00" * 8)
        else:
            assert same(row, message), (row, message)
        # The writer's date ends at milliseconds, its stamps at microseconds.
        assert abs(row[0] - round(message.timestamp * 1e9)) < 1_002_000
    steps = [(row[0] - rows[0][0]) // 1000 for row in rows]
    assert steps == [round((m.timestamp - messages[0].timestamp) * 1e6) for m in messages]


def test_one_bad_line_ends_the_file_for_python_can_and_not_for_us(tmp_path):
    path = tmp_path / "bad.asc"
    lines = ["base hex  timestamps absolute", "0.1 1 100 Rx d 1 00", "0.2 1 1G0 Rx d 1 00", "0.3 1 100 Rx d 1 00"]
    path.write_text("\n".join(lines) + "\n")
    with can.ASCReader(path) as reader, pytest.raises(ValueError, match="invalid literal"):
        list(reader)
    frames, reading = ours(path.read_bytes())
    assert len(frames) == 2
    assert reading.problems.counts == {"bad identifier": 1}
