"""Inputs that copy a part of the input beside them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import Answers, Case, Sighting, Why, Window, sighting
from buswright.diagnosis.sensors.sharing import reach_of
from buswright.diagnosis.sensors.wired import POWER_OFF, in_volts, kind_of
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.wording import percent

_COPIED = (0.005, 0.11)
"""What is copied, as a part of the neighbour's volts: up to a tenth (trade), and what the measured gain may be off."""
_CLEAR = 10.0
"""A gain is one where it is so many times its uncertainty."""
_ALIKE = 0.35
"""Fast and slow movement are copied alike, and both halves of the run: gains may differ by this part."""
_ALONE = 1.05
"""The neighbour is followed so many times better than any other input, and than anything that moves the car."""
_NEARLY = 0.95
_LEAST_CORRELATION = 0.25
_APART_CORRELATION = 0.14
"""The same of what is left once all other inputs and what moves the car are accounted for."""
_HINT = 5.0
"""A gain so many times its uncertainty is worth that account."""
_SLOW_CLEAR = 1.5
_RIDGE = 1e-6
_LEAST_ROWS = 300
_COMMON = (
    *("engine_speed", "throttle", "manifold_pressure", "vehicle_speed", "brake_pressure", "steering_angle"),
    *("accel_long", "accel_lat", "accel_vert", "damper_travel", "battery_voltage", "lambda"),
)
"""Roles of what really moves several inputs, each in its own way and with its own delay."""
_BODY = frozenset({"steering_angle", "accel_lat", "accel_long", "accel_vert", "yaw_rate", "damper_travel"})
"""Roles of how the car moves: it rolls as it is steered."""
_CHASSIS = _BODY | {"brake_pressure"}
_MOVED_BY = {"fuel_pressure": ("manifold_pressure", "throttle", "engine_speed", "battery_voltage")}
"""Roles of the engine's side, and what really moves them: the regulator follows the manifold, the pump the battery.
One of the first two must be known. Once that is taken out, nothing of the chassis moves them within `_AT_ONCE_S`."""
_AT_ONCE_S = 0.05
_LATE = (0, 1, 3)
_SLOW, _SLOW_S = 3, 0.5
"""Samples, and seconds, over which slow movement is taken."""
_SLOWER = 0.8
"""Inputs that come more slowly than this part of its rate can't be laid beside an input."""
_LEAST_HZ = 8.0
_MOST_ROWS = 8_000
_FAULT_GAIN = 0.03
_Columns = tuple[Int64s, Floats]
_Pair = tuple[Floats, Floats]
_NUMBER = re.compile(r"^(.*?)(\d+)$")


@dataclass(frozen=True, slots=True)
class _Copied:
    """One input that follows its neighbour: with which gain, how surely, and how much of its movement that is.

    `at_once`: what really moves it was taken out, and its neighbour is nothing that could.
    """

    each: ChannelEvidence
    neighbour: ChannelEvidence
    by: str
    gain: float
    clear: float
    correlation: float
    at_once: bool = False


def crosstalk_sightings(case: Case) -> Iterator[Sighting]:
    """Judge every input of a module against the inputs beside it."""
    channels = case.decoded
    fed = [each for each in channels.values() if in_volts(each) and each.measures and len(each) >= _LEAST_ROWS]
    for members in channels.groups("module", fed).values():
        yield from _of_module(case, channels, members)


def _of_module(case: Case, channels: Channels, members: Sequence[ChannelEvidence]) -> Iterator[Sighting]:
    pairs = list(_neighbours(members))
    if not pairs:
        return
    found: dict[str, _Copied] = {}
    beside: dict[str, _Beside] = {}
    kept: dict[str, _Columns] = {}
    for each, neighbour, by in pairs:
        if _move_together(each, neighbour):
            continue
        if each.name not in beside:
            beside[each.name] = _Beside(channels, members, each, kept)
        one = _copied(each, neighbour, by, beside[each.name])
        if one is None and each.role in _MOVED_BY and neighbour.role in _CHASSIS:
            one = _copied_at_once(each, neighbour, by, _Beside(channels, members, each, kept, at_once=True))
        if one is not None and (each.name not in found or one.clear > found[each.name].clear):
            found[each.name] = one
    for one in found.values():
        yield _found(case, one)


class _Beside:
    """What is known of the other inputs, and of what really moves them, at some samples of one input.

    Every column has three rows: at the sample, at the next one, and at one half a second later. With `at_once` at the
    sample, `_AT_ONCE_S` and twice that later, only while the engine runs.

    Parameters
    ----------
    channels
        All of the run.
    members
        Inputs of its module.
    each
        The input.
    kept
        Usable times and values by name, filled as they are needed.
    """

    def __init__(
        self,
        channels: Channels,
        members: Sequence[ChannelEvidence],
        each: ChannelEvidence,
        kept: dict[str, _Columns],
        *,
        at_once: bool = False,
    ) -> None:
        self.kept = kept
        fast, slow = 1, max(_SLOW, round(_SLOW_S * each.series.rate_hz))
        if at_once:
            fast = max(1, round(_AT_ONCE_S * each.series.rate_hz))
            slow = 2 * fast
        first = np.arange(0, len(each) - slow, max(1, len(each) // _MOST_ROWS))
        rows = np.stack((first, first + fast, first + slow))
        if at_once:
            driving = channels.driving
            runs = driving.number[driving.is_doing("idle", "driving")]
            rows = rows[:, np.isin(each.series.time_ns[rows] // FINE_NS, runs).all(axis=0)]
        self.times = each.series.time_ns[rows]
        self.own = np.where(each.there, each.quantity, np.nan)[rows] / (each.per_volt or 1.0)
        self.names = [
            other.name
            for other in members
            if other.name != each.name and other.series.rate_hz >= each.series.rate_hz * _SLOWER
        ]
        self.late_ns = max(int(1e9 / each.series.rate_hz), FINE_NS)
        self.channels = channels

    def input(self, name: str, late: int = 0) -> Floats | None:
        """Return the volts of another input, so many `late_ns` before; None where it comes too slowly."""
        other = self.channels[name]
        if name not in self.names:
            return None
        return self._at(other, other.quantity, late * self.late_ns) / (other.per_volt or 1.0)

    def moves(self, other: Floats) -> list[_Pair]:
        """Return how the input and another column move: fast, and slowly."""
        return list(zip(_moved(self.own), _moved(other), strict=True))

    def rivals(self, neighbour: str, *, alike: bool = True) -> Iterator[Floats]:
        """Yield all other inputs, and what moves the car at the time and somewhat before.

        Without `alike` not those that measure the same as the neighbour: they move with it.
        """
        role = self.channels[neighbour].role
        for name in self.names:
            if name == neighbour or not (alike or role is None or self.channels[name].role != role):
                continue
            found = self.input(name)
            if found is not None:
                yield found
        for cause in self.channels.with_role(*_COMMON):
            if not in_volts(cause) and cause.series.rate_hz >= _LEAST_HZ:
                yield from self._late(cause)

    def causes(self, roles: Sequence[str]) -> Iterator[Floats]:
        """Yield what really moves the input, at the time and somewhat before."""
        for cause in self.channels.with_role(*roles):
            yield from self._late(cause)

    def _late(self, cause: ChannelEvidence) -> Iterator[Floats]:
        for late in _LATE:
            yield self._at(cause, cause.series.value, late * self.late_ns)

    def _at(self, other: ChannelEvidence, values: Floats, late_ns: int = 0) -> Floats:
        if other.name not in self.kept:
            rows = np.flatnonzero(~other.bad)
            self.kept[other.name] = (other.series.time_ns[rows], values[rows])
        times, known = self.kept[other.name]
        if len(times) < _LEAST_ROWS or len(other.series.segments) > 1:
            return np.full(self.times.shape, np.nan)
        found: Floats = np.interp(self.times - late_ns, times, known)
        return found


def _moved(values: Floats) -> Floats:
    """Return by how much the later rows of a column differ from its first one; float64[2, n]."""
    moved: Floats = values[1:] - values[0]
    return moved


def _neighbours(members: Sequence[ChannelEvidence]) -> Iterator[tuple[ChannelEvidence, ChannelEvidence, str]]:
    """Yield each input with those beside it, and who says that they are: the wiring, else the order in the message."""
    wired = {}
    for each in members:
        found = _NUMBER.match(each.channel.wiring.input) if each.channel is not None else None
        if found is not None:
            wired[found[1], int(found[2])] = each
    for (prefix, number), each in wired.items():
        for beside in (number - 1, number + 1):
            if (prefix, beside) in wired:
                yield each, wired[prefix, beside], "by the numbers of their inputs in the car file"
    known = {each.name for each in wired.values()}
    placed = [
        (each.frame.id if each.frame is not None else 0, each.message or "", each.signal.first_bit, each.name, each)
        for each in members
        if each.name not in known and each.signal is not None
    ]
    for (*_, first), (*_, second) in pairwise(sorted(placed)):
        if first.role is None or second.role is None:
            continue  # where nobody says what they measure either, they may well move together
        said = "by the order of the signals in their messages; the car file doesn't say which inputs they have"
        yield first, second, said
        yield second, first, said


def _move_together(each: ChannelEvidence, neighbour: ChannelEvidence) -> bool:
    """Whether two channels measure what really moves together: the tracks of one pedal, or two views of one car."""
    return each.role is not None and (each.role == neighbour.role or {each.role, neighbour.role} <= _BODY)


def _copied(each: ChannelEvidence, neighbour: ChannelEvidence, by: str, beside: _Beside) -> _Copied | None:
    other, before = beside.input(neighbour.name), beside.input(neighbour.name, 1)
    if other is None or before is None:
        return None
    moves, earlier = beside.moves(other), beside.moves(before)[0]
    fast = _alike(moves, _LEAST_CORRELATION)
    if fast is not None and not _delayed(moves[0], earlier) and _alone(each, neighbour, beside, moves):
        return _Copied(each, neighbour, by, *fast)
    hint = _gain(*moves[0])
    if hint is None or hint[1] < _HINT or not _COPIED[0] / 2 <= abs(hint[0]) <= 2 * _COPIED[1]:
        return None
    rivals = list(beside.rivals(neighbour.name, alike=False))
    apart = [_left(move, [_moved(rival)[later] for rival in rivals]) for later, move in enumerate(moves)]
    fast = _alike(apart, _APART_CORRELATION)
    if fast is None or _delayed(apart[0], _left(earlier, [_moved(rival)[0] for rival in rivals])):
        return None
    return _Copied(each, neighbour, by, *fast)


def _copied_at_once(each: ChannelEvidence, neighbour: ChannelEvidence, by: str, beside: _Beside) -> _Copied | None:
    """Find what an input of the engine's copies of the chassis, beside what really moves it."""
    causes, other, before = _MOVED_BY[each.role or ""], *(beside.input(neighbour.name, late) for late in (0, 1))
    if other is None or before is None or not beside.channels.with_role(*causes[:2]):
        return None
    # An input at a rail all the time has no volts to look at.
    if np.count_nonzero(np.isfinite(beside.own).all(axis=0) & np.isfinite(other).all(axis=0)) < _LEAST_ROWS:
        return None
    known = [_moved(one) for one in beside.causes(causes)]
    moves, earlier = (
        [_left(move, [one[later] for one in known]) for later, move in enumerate(beside.moves(volts))]
        for volts in (other, before)
    )
    if _delayed(moves[0], earlier[0]):
        return None
    # A surge of the fluid has the same sign in bends to either side; what is copied has not.
    level = other[0] > np.nanmedian(other[0])
    sides = [(moves[0][0][side], moves[0][1][side]) for side in (level, ~level) if neighbour.role in _BODY]
    fast = _alike(moves, _APART_CORRELATION, sides)
    return None if fast is None else _Copied(each, neighbour, by, *fast, at_once=True)


def _alike(moves: Sequence[_Pair], least: float, sides: Sequence[_Pair] = ()) -> tuple[float, float, float] | None:
    """Return gain, its clearness and the correlation of fast movement; None where it isn't one gain throughout."""
    (own, other), slow = moves
    fast, half = _gain(own, other), len(own) // 2
    if fast is None or not _COPIED[0] <= abs(fast[0]) <= _COPIED[1] or fast[1] < _CLEAR or fast[2] < least:
        return None
    halves = (own[:half], other[:half]), (own[half:], other[half:])
    for again in (_gain(*pair) for pair in (slow, *halves, *sides)):
        if again is None or again[1] < _SLOW_CLEAR or abs(again[0] - fast[0]) > _ALIKE * abs(fast[0]):
            return None
    return fast


def _delayed(now: _Pair, before: _Pair) -> bool:
    """Whether what the neighbour did before fits better than what it does: a real link has a delay, a copy has none."""
    fits, earlier = _gain(*now), _gain(*before)
    return fits is None or (earlier is not None and earlier[2] > fits[2])


def _left(moves: _Pair, rivals: Sequence[Floats]) -> _Pair:
    """Return what is left of two inputs' movement once that of all others is taken out (least squares)."""
    both = np.stack(moves)
    known = np.isfinite(both).all(axis=0)
    moving = [each[known] for each in rivals if np.isfinite(each[known]).all() and each[known].std() > 0]
    columns = np.array([np.ones(np.count_nonzero(known)), *(each / each.std() for each in moving)])
    left: Floats = np.full(both.shape, np.nan)
    # A little is added to the diagonal: two rivals may be one and the same.
    square = columns @ columns.T + _RIDGE * columns.shape[1] * np.eye(len(columns))
    left[:, known] = both[:, known] - np.linalg.solve(square, columns @ both[:, known].T).T @ columns
    return left[0], left[1]


def _alone(each: ChannelEvidence, neighbour: ChannelEvidence, beside: _Beside, moves: Sequence[_Pair]) -> bool:
    """Whether an input follows its neighbour better than any other input, and than anything that moves the car."""
    # A temperature follows nothing within a sample, so whatever it follows is copied: others may move alike.
    views, lead = (1, _NEARLY) if kind_of(each) in ("thermistor", "rtd") else (2, _ALONE)
    followed = [_gain(*move) for move in moves[:views]]
    for values in beside.rivals(neighbour.name):
        for best, move in zip(followed, beside.moves(values), strict=False):
            rival = _gain(*move)
            if best is None or (rival is not None and best[2] < lead * rival[2]):
                return False
    return True


def _gain(own: Floats, other: Floats) -> tuple[float, float, float] | None:
    """Fit an input's changes by those of another.

    Returns
    -------
    gain, clear, correlation
        How much of it is copied, over its uncertainty, and how well the two go together, 0..1. None where too little
        is known or moves.
    """
    known = np.isfinite(own) & np.isfinite(other)
    if known.sum() < _LEAST_ROWS:
        return None
    y, x = own[known] - own[known].mean(), other[known] - other[known].mean()
    power, moved = float(x @ x), float(y @ y)
    if power <= 0 or moved <= 0:
        return None
    gain = float(x @ y) / power
    left = max(moved - gain * gain * power, 0.0)
    unsure = np.sqrt(left / len(y) / power)
    return gain, abs(gain) / max(float(unsure), 1e-12), abs(gain) * float(np.sqrt(power / moved))


def _found(case: Case, one: _Copied) -> Sighting:
    each, neighbour = one.each, one.neighbour
    strong = abs(one.gain) >= _FAULT_GAIN and one.correlation > case.limit("crosstalk_correlation", channel=each.name)
    series = each.series
    # Where the car file names no inputs, that the two are neighbours is a guess, and a weak copy may be a real link.
    guessed = not (one.at_once or (each.channel is not None and each.channel.wiring.input))
    return sighting(
        "cross-talk",
        Severity.FAULT if strong else Severity.NOTE if guessed else Severity.SUSPECT,
        each.subject,
        windows=[Window(int(series.time_ns[0]), int(series.time_ns[-1]))],
        confidence=0.85 if strong else 0.7,
        evidence=[
            f"{each.name} copies {percent(abs(one.gain))} of every movement of {neighbour.name}, in volts.",
            (
                f"Fast and slow movements are copied alike, in both halves of the run (correlation "
                f"{one.correlation:.2f}, gain {one.clear:.0f} times its uncertainty)."
            ),
            f"The two are neighbours {one.by}.",
            *(["What really moves it was taken out first."] if one.at_once else []),
        ],
        threshold=case.used("crosstalk_correlation", channel=each.name)
        + f"; gain {percent(_COPIED[0])} to {percent(_COPIED[1], 0)}",
        ruled_out=[
            "Not a real link between the two: that has a delay, and does not copy fast and slow movement alike.",
            "Not the supply or the ground: that would move the other inputs of the module as much.",
        ],
        next_check=f"Ground the input of {neighbour.name} at the module. If {each.name} grows quiet, look for moisture "
        "between the two pins, then for a sensor of too high a resistance for this input.",
        caution=POWER_OFF,
        reach=reach_of(case, [each]),
    )


def copy_answers(case: Case) -> Answers:
    """Say of each input in volts which part of its neighbours it would have to copy to show."""
    fed = [each for each in case.measured if in_volts(each)]
    beside: dict[str, list[ChannelEvidence]] = {}
    for members in case.decoded.groups("module", fed).values():
        for each, neighbour, _ in _neighbours(members):
            beside.setdefault(each.name, []).append(neighbour)
    return {each.subject: _shows(each, beside.get(each.name, [])) for each in fed}


def _shows(each: ChannelEvidence, beside: Sequence[ChannelEvidence]) -> str | Why:
    if not beside:
        return Why("nobody says which input is beside it", "Write its input and its neighbours' into the wiring.")
    ground = "Ground the input beside it, engine off, and see whether it still follows."
    if all(_move_together(each, other) for other in beside):
        return Why("it really moves with the inputs beside it", ground)
    if each.role in _COMMON or each.role == "oil_pressure":
        return Why("it moves with the engine or the car, as the inputs beside it do", ground)
    moved = max(float(np.nanstd(other.quantity[other.there])) / (other.per_volt or 1.0) for other in beside)
    quiet = max(each.fast_noise if np.isfinite(each.fast_noise) else 0.0, 0.5 * each.step) / (each.per_volt or 1.0)
    least = max(_COPIED[0], 3 * quiet / moved if moved > 0 else np.inf)
    if least > _COPIED[1]:
        return Why("the inputs beside it hardly moved", "Move the sensors beside it by hand while you record.")
    return f"a part of over {percent(least)} of the input beside it"
