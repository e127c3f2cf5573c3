"""One bus as its frames come: sums over windows, spacings, silences, errors."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Clock, Event, Flag, Frames, Int64s
from buswright.health.buses.bitrate import SpacingsByLength
from buswright.health.buses.errors_seen import ErrorsSeen
from buswright.health.folds.bounded import FirstAndLast, LongestAndLatest
from buswright.health.folds.windows import BACK_NS, FAST_NS, SLOW, SlidingPeaks, WindowSums
from buswright.health.model.health import (
    BitRate,
    BusFigures,
    ClockStep,
    CommonFilter,
    HostStamped,
    LoadWindows,
    Peak,
    Silences,
    Spacing,
    contradicted,
)

if TYPE_CHECKING:
    from buswright.frames.wire.bits import WireBits

SILENCE_NS = 5_000_000
"""Shorter stretches without a frame are nothing special."""
REPEAT_NS = 1_000_000
_CLOSE_NS = 50_000
_MILLISECOND = 1_000_000
_PROOF = 0.01
"""Share of spacings impossible on a wire that is no accident of single stamps."""
_FINEST_NS, _SOME = 1_000, 64
"""Stamps are looked at for coarser steps than whole microseconds; some of them first, as those mostly tell."""
_GATHERED = 0.9
_STEPS_KEPT = 1_000
_SILENCES_KEPT = 2_000

_NO_IDENTIFIER = np.uint32(0xFFFFFFFF)
"""Stands for an error frame's identifier, which is none."""

_STEP = np.dtype([("before", np.int64), ("after", np.int64)])
_SILENCE = np.dtype([("start", np.int64), ("end", np.int64), ("length", np.int64)])

Rows = npt.NDArray[np.intp]


class BusLane:
    """Folds the frames of one bus, in the order of the capture; `data_weight` as for `SlidingPeaks`."""

    def __init__(self, name: str, data_weight: float = 1.0) -> None:
        self.name = name
        self.interfaces: list[str] = []
        self.frames = self.remotes = self.fd = self.transmitted = self.untimed = 0
        self.bits = self.data_bits = 0
        self.elapsed_ns = 0
        self.elapsed_bits = self.elapsed_data_bits = 0  # of the frames that ended in that time
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.earliest_ns: int | None = None
        self.latest_ns: int | None = None
        self.windows = WindowSums()
        self.peaks = SlidingPeaks(data_weight)
        self.errors = ErrorsSeen()
        self.spacings = SpacingsByLength()
        self.step_ns = _MILLISECOND
        self.pairs = self.zero = self.close = self.repeated = self.on_millisecond = 0
        self.steps = FirstAndLast(_STEP, _STEPS_KEPT // 2)
        self.silences = LongestAndLatest(_SILENCE, _SILENCES_KEPT)
        self._last: tuple[int, int, int] | None = None

    def add(self, frames: Frames, rows: Rows | slice, bits: WireBits, words: npt.NDArray[np.uint64]) -> None:
        """Add the rows of this bus; `words` uint64[n] are the payloads of the whole batch."""
        flags = frames.flags[rows]
        if not len(flags):
            return
        present = int(np.bitwise_or.reduce(flags))
        nominal = bits.nominal[rows]
        data = bits.data[rows] if present & Flag.BRS else None
        self.frames += len(flags)
        self.bits += int(nominal.sum(dtype=np.int64))
        self.data_bits += int(data.sum(dtype=np.int64)) if data is not None else 0
        error = (flags & np.uint8(Flag.ERROR)) != 0 if present & Flag.ERROR else None
        # An error frame that carries the mark counts as an error frame only.
        asking = flags if error is None else flags[~error]
        self.remotes += _count(asking, Flag.REMOTE, present)
        self.fd += _count(flags, Flag.FD, present)
        self.transmitted += _count(flags, Flag.TRANSMITTED, present)
        timed = (flags & np.uint8(Flag.UNTIMED)) == 0 if present & Flag.UNTIMED else None
        if error is not None:
            chosen = np.arange(len(frames))[rows][error]
            with_time = np.ones(len(chosen), dtype=np.bool_) if timed is None else timed[error]
            self.errors.add(frames.take(chosen), with_time)
        identifiers = frames.id[rows]
        self.errors.follow(error, identifiers, flags)
        if error is not None:
            identifiers = np.where(error, _NO_IDENTIFIER, identifiers)
        columns = (frames.time_ns[rows], nominal, data, error, identifiers, words[rows])
        if timed is not None:
            self.untimed += len(flags) - int(np.count_nonzero(timed))
            columns = tuple(column if column is None else column[timed] for column in columns)  # type: ignore[assignment]
        if len(columns[0]):
            self._time(*columns)

    def _time(
        self,
        time_ns: Int64s,
        nominal: npt.NDArray[np.int32],
        data: npt.NDArray[np.int32] | None,
        error: Bools | None,
        identifiers: npt.NDArray[np.uint32],
        words: npt.NDArray[np.uint64],
    ) -> None:
        spacing = np.diff(time_ns)
        ascending = bool((spacing >= 0).all())
        self.windows.add(time_ns, ascending, (error, nominal, data))  # type: ignore[arg-type]
        self.peaks.add(time_ns, nominal, data)
        self.on_millisecond += int(np.count_nonzero(time_ns % _MILLISECOND == 0))
        while self.step_ns > _FINEST_NS and ((time_ns[:_SOME] % self.step_ns).any() or (time_ns % self.step_ns).any()):
            self.step_ns //= 10
        same_id = identifiers[1:] == identifiers[:-1]
        second = np.flatnonzero(same_id & (spacing < REPEAT_NS) & (spacing >= 0))
        second = second[identifiers[second] != _NO_IDENTIFIER]
        self.repeated += int(np.count_nonzero(words[second + 1] == words[second]))
        if self._last is not None:
            before, identifier, word = self._last
            step = int(time_ns[0]) - before
            spacing = np.concatenate([[step], spacing])
            same = identifier == int(identifiers[0]) != int(_NO_IDENTIFIER) and word == int(words[0])
            self.repeated += same and 0 <= step < REPEAT_NS
        else:
            self.first_ns = int(time_ns[0])
        spaced = slice(len(time_ns) - len(spacing), None)  # the very first frame has no spacing
        self._last = (int(time_ns[-1]), int(identifiers[-1]), int(words[-1]))
        self.last_ns = int(time_ns[-1])
        low, high = (int(time_ns[0]), self.last_ns) if ascending else (int(time_ns.min()), int(time_ns.max()))
        self.earliest_ns = low if self.earliest_ns is None else min(self.earliest_ns, low)
        self.latest_ns = high if self.latest_ns is None else max(self.latest_ns, high)
        self._space(spacing, time_ns[spaced])
        own_bits, usable = nominal[spaced], spacing > 0
        # The first frame, and one after a jump, took its time before what is counted as elapsed.
        inside = spacing >= -BACK_NS
        self.elapsed_bits += int(own_bits[inside].sum(dtype=np.int64))
        if data is not None:
            self.elapsed_data_bits += int(data[spaced][inside].sum(dtype=np.int64))
            usable &= data[spaced] == 0
        if error is not None:
            usable &= ~error[spaced]
        if not usable.all():
            own_bits, spacing = own_bits[usable], spacing[usable]
        self.spacings.add(own_bits, spacing)

    def _space(self, spacing: Int64s, end_ns: Int64s) -> None:
        """Take spacings, int64[n], and the times at which they end."""
        self.pairs += len(spacing)
        close = spacing[spacing < _CLOSE_NS]
        if len(close):
            back = spacing < -BACK_NS
            jumped = int(np.count_nonzero(back)) if bool((close < -BACK_NS).any()) else 0
            self.close += len(close) - jumped
            self.zero += int(np.count_nonzero((close <= 0) & (close >= -BACK_NS)))
            if jumped:
                self.pairs -= jumped
                rows = np.zeros(jumped, dtype=_STEP)
                rows["before"], rows["after"] = end_ns[back] - spacing[back], end_ns[back]
                self.steps.add(rows)
                self.elapsed_ns -= int(spacing[back].sum())
        self.elapsed_ns += int(spacing.sum())
        silent = np.flatnonzero(spacing > SILENCE_NS)
        if len(silent):
            rows = np.zeros(len(silent), dtype=_SILENCE)
            rows["end"], rows["length"] = end_ns[silent], spacing[silent]
            rows["start"] = rows["end"] - rows["length"]
            self.silences.add(rows)

    # What came out ------------------------------------------------------------------------------------------------

    def figures(
        self,
        bitrate: BitRate,
        events: Iterable[Event],
        filters: tuple[CommonFilter, ...],
        clock: Clock,
        copies: int,
    ) -> BusFigures:
        """Return what was measured, with loads at the bit rate that is given, else at the one that spacings show.

        `copies` of its frames came twice.
        """
        resolution_ns = max(clock.resolution_ns, self.step_ns if self.step_ns > _FINEST_NS else 0)
        shown = self.spacings.measure(resolution_ns, self.zero, self._carried() if not copies else 0.0)
        if bitrate.source == "unknown":
            bitrate = shown._replace(data_bits_per_s=bitrate.data_bits_per_s)
        fast, slow = (_loads(FAST_NS * group, *self.windows.sums(group), bitrate) for group in (1, SLOW))
        steps, silences = self.steps.rows, self.silences.rows
        seconds = self.elapsed_ns / 1e9
        spacing = self._spacing(bitrate, shown, resolution_ns)
        load = None
        if bitrate.bits_per_s and seconds > 0 and not self.untimed:
            load = wire_seconds(self.elapsed_bits, self.elapsed_data_bits, bitrate) / seconds
        of_fast, of_slow = (self._peak(width, bitrate, load) for width in SlidingPeaks.WIDTHS_NS)
        return BusFigures(
            name=self.name,
            interfaces=tuple(self.interfaces),
            bitrate=bitrate,
            shown=shown,
            frames=self.frames,
            data_frames=self.frames - self.remotes - self.errors.count,
            remote_frames=self.remotes,
            error_frames=self.errors.count,
            fd_frames=self.fd,
            transmitted=self.transmitted,
            untimed=self.untimed,
            first_ns=self.first_ns,
            last_ns=self.last_ns,
            seconds=seconds,
            bits=self.bits,
            data_bits=self.data_bits,
            load=load,
            peak_100ms=of_fast,
            peak_1s=of_slow,
            windows=fast,
            slow_windows=slow,
            spacing=spacing,
            errors=self.errors.figures(events),
            silences=Silences(silences["start"].copy(), silences["end"].copy(), self.silences.count),
            steps_back=tuple(ClockStep(self.name, int(row["before"]), int(row["after"])) for row in steps),
            steps_back_count=self.steps.count,
            filters=filters,
            host_stamped=_host_stamped(spacing, clock, copies),
        )

    def _carried(self) -> float:
        """Return the bits at the nominal rate that the busiest second carried at least; a computer may gather some."""
        found = self.peaks.best.get(SlidingPeaks.WIDTHS_NS[-1])
        return _GATHERED * found.bits if found is not None and self.elapsed_ns >= SlidingPeaks.WIDTHS_NS[-1] else 0.0

    def _peak(self, width_ns: int, bitrate: BitRate, mean: float | None) -> Peak | None:
        """Return the busiest window; all of it where less was recorded, as it is no busier than its mean."""
        found = self.peaks.best.get(width_ns)
        if found is None:
            return None
        start_ns, bits, data_bits, load = found.start_ns, found.bits, found.data_bits, mean
        if self.elapsed_ns < width_ns:
            start_ns, bits, data_bits = self.earliest_ns or 0, self.elapsed_bits, self.elapsed_data_bits
        elif bitrate.bits_per_s:
            load = wire_seconds(bits, data_bits, bitrate) * 1e9 / width_ns
        return Peak(start_ns, load, bits + data_bits)

    def _spacing(self, bitrate: BitRate, shown: BitRate, resolution_ns: int) -> Spacing:
        given = bitrate.bits_per_s if bitrate.source not in ("guessed", "unknown") else None
        faster = contradicted(bitrate, shown) and (shown.bits_per_s or 0) > (bitrate.bits_per_s or 0)
        sure = shown.bits_per_s if shown.exact or faster else None
        wire = sure or given
        return Spacing(
            pairs=self.pairs,
            impossible=self.spacings.impossible(wire, resolution_ns) + self.zero if wire else None,
            back_to_back=self.spacings.back_to_back(bitrate.bits_per_s, resolution_ns) if bitrate.bits_per_s else None,
            zero=self.zero,
            under_50us=self.close,
            repeated=self.repeated,
            on_millisecond=self.on_millisecond,
        )


def _host_stamped(spacing: Spacing, clock: Clock, copies: int) -> HostStamped:
    """Say whether a host stamped the frames, and what says so.

    A second copy stands where no frame can, and pushes the one behind it: two such spacings for each are no proof.
    """
    if clock.source == "host":
        return "clock"
    proof = max(spacing.impossible or 0, spacing.zero) - 2 * copies
    return "spacings" if proof > _PROOF * spacing.pairs else "unknown"


def wire_seconds(bits: int, data_bits: int, bitrate: BitRate) -> float:
    """Return the time that so many bits take, at a known bit rate."""
    assert bitrate.bits_per_s
    return bits / bitrate.bits_per_s + data_bits / (bitrate.data_bits_per_s or bitrate.bits_per_s)


def _loads(width_ns: int, starts: Int64s, sums: Int64s, bitrate: BitRate) -> LoadWindows:
    frames, errors, bits, data_bits = sums
    if bitrate.bits_per_s:
        time_s = bits / bitrate.bits_per_s + data_bits / (bitrate.data_bits_per_s or bitrate.bits_per_s)
        load = time_s * (1e9 / width_ns)
    else:
        load = np.full(len(starts), np.nan)
    return LoadWindows(width_ns, starts, frames, errors, bits, data_bits, load)


def _count(flags: npt.NDArray[np.uint8], flag: Flag, present: int) -> int:
    return int(np.count_nonzero(flags & np.uint8(flag))) if present & flag else 0
