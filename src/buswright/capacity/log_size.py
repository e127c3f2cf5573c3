"""How much a recording of a bus takes, measured with the encoders that the recorder itself uses."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import BinaryIO

import numpy as np

from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.timing.bounds import by_priority
from buswright.capacity.timing.simulation import play
from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import CandumpWriter
from buswright.frames.formats.writing import Writer
from buswright.frames.recording.recorder import SYNC_S, packed
from buswright.frames.table import FD_CODE_OF_LENGTH, NO_LONG_PAYLOAD, NO_LONG_ROWS, Flag, Frames

MADE_S = 4.0
"""Seconds of invented traffic that encoders are measured with."""
_MOST_MADE = 40_000
_EPOCH_NS = 1_775_900_000_000_000_000
"""A stamp takes as many digits as one of our days."""

ENCODERS: Mapping[str, Callable[[BinaryIO], Writer]] = MappingProxyType({".log": CandumpWriter, ".asc": AscWriter})
"""By the ending of the file, as the recorder chooses them; each also packed, as .gz."""


@dataclass(frozen=True, slots=True)
class LogSize:
    """A recording in one format, by the ending of its file: mean bytes of a frame, and bytes of an hour of the bus."""

    ending: str
    per_frame: float
    per_hour: float


def bytes_per_frame(frames: Frames) -> Mapping[str, float]:
    """Encode frames in every format, in parts as long as those that the recorder syncs; mean bytes by ending."""
    found: dict[str, float] = {}
    if not len(frames):
        return MappingProxyType(found)
    grid = (frames.time_ns - frames.time_ns.min()) // round(SYNC_S * 1e9)
    edges = [0, *(np.flatnonzero(np.diff(grid)) + 1).tolist(), len(frames)]
    for ending, encoder in ENCODERS.items():
        plain, tight = 0, 0
        stream = io.BytesIO()
        writer = encoder(stream)
        for start, end in itertools.pairwise(edges):
            writer.write(frames.slice(start, end))
            part = stream.getvalue()
            plain, tight = plain + len(part), tight + len(packed(part))
            stream.seek(0)
            stream.truncate()
        found[ending], found[f"{ending}.gz"] = plain / len(frames), tight / len(frames)
    return MappingProxyType(found)


def sizes_of(per_frame: Mapping[str, float], frames_per_s: float) -> tuple[LogSize, ...]:
    """Return what an hour takes in every format."""
    return tuple(LogSize(ending, each, each * frames_per_s * 3600) for ending, each in per_frame.items())


def made_frames(streams: Sequence[Stream], rates: Rates, bus: str) -> Frames:
    """Make up some seconds of traffic: sent as the simulated bus sends it, random payloads, which pack badly."""
    ordered = by_priority(streams)
    rate = sum(stream.hz for stream in ordered)
    span = min(MADE_S, _MOST_MADE / max(rate, 1e-9))
    rng = np.random.default_rng(1)
    played = play(ordered, rates, round(span * 1e9), rng)
    count = len(played)
    identifier = np.array([stream.name.id for stream in ordered], dtype=np.uint32)[played.row]
    length = np.array([stream.length for stream in ordered], dtype=np.uint8)[played.row]
    kinds = [Flag.EXTENDED * each.name.extended | Flag.FD * each.fd | Flag.BRS * each.switched for each in ordered]
    flags = np.array(kinds, dtype=np.uint8)[played.row]
    whole = rng.integers(0, 256, (count, 64), dtype=np.uint8)
    whole[np.arange(64) >= length[:, None]] = 0
    long = np.flatnonzero(length > 8)
    return Frames(
        time_ns=_EPOCH_NS + played.end_ns // 1000 * 1000,
        bus=np.zeros(count, dtype=np.uint8),
        id=identifier,
        flags=flags,
        dlc=FD_CODE_OF_LENGTH[length],
        length=length,
        payload=np.ascontiguousarray(whole[:, :8]),
        buses=(bus,),
        long_row=long.astype(np.int32) if len(long) else NO_LONG_ROWS,
        long_payload=whole[long] if len(long) else NO_LONG_PAYLOAD,
    )
