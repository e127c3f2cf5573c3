"""The Wrenfell as it drives in front of listeners: faults come and go while it does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from buswright.errors import UserError
from buswright.simulate.car import networks as car
from buswright.simulate.faults.catalogue import KINDS, Fault
from buswright.simulate.live.pacing import Attended, Outlet, Played, Player
from buswright.simulate.live.prepared import PreparedRun
from buswright.simulate.physics.story import CYCLE_S
from buswright.simulate.run import START_EPOCH_NS, SimulatedRun, simulate_run

LONGEST_S = 36_000.0
"""A car that drives until it is told to stop does so after ten hours."""

NOTICE_S = 1.0
"""A fault switched on begins this much later: by then the run that has it must be made up to there."""

SHORTEST_S = 0.1
"""Of a fault that is switched off in the moment it was switched on."""

CYCLE_MADE_S = 1.0
"""The time that takes for each cycle driven so far, on a slow machine."""


class LiveCar:
    """A run of the Wrenfell, played to listeners.

    Parameters
    ----------
    outlets
        Those of each bus; `loopback.open_outlets` gives them.
    speed
        2.0 drives twice as fast.

    Raises
    ------
    UserError
        A fault acts on recordings only, or on what the car does not have.
    """

    def __init__(
        self,
        outlets: Sequence[Sequence[Outlet]],
        *,
        seconds: float = LONGEST_S,
        seed: int = 1,
        speed: float = 1.0,
        faults: Sequence[Fault] = (),
    ) -> None:
        self._seconds = seconds
        self._seed = seed
        self._speed = speed
        self._attended: list[Attended] = []
        self.faults: tuple[Fault, ...] = tuple(faults)
        self._prepared = PreparedRun(self._drive(self.faults), len(car.buses()), START_EPOCH_NS)
        self._player = Player(self._prepared, outlets, speed=speed, attended=self._attended)

    def attend(self, one: Attended) -> None:
        """Look after something while it drives; before `run`."""
        self._attended.append(one)

    def run(self) -> Played:
        """Drive; return when the run is over or `end` was called."""
        return self._player.run()

    def end(self) -> None:
        """Stop driving; only sets a flag, so a signal handler may call it."""
        self._player.end()

    def switch_on(self, fault: Fault) -> Fault:
        """Let a fault begin, as soon as it can be had; return it with its onset.

        Raises
        ------
        UserError
            It can't be put in; the car drives on as before.
        """
        fault = replace(fault, onset_s=self._soon_s())
        self._exchange((*self.faults, fault), fault.onset_s)
        return fault

    def switch_off(self) -> tuple[Fault, ...]:
        """End every fault that has begun, or is about to; return them with their durations."""
        soon = self._soon_s()
        ended = {
            fault: replace(fault, duration_s=max(soon - fault.onset_s, SHORTEST_S))
            for fault in self.faults
            if fault.onset_s <= soon and soon + SHORTEST_S < fault.end_s(self._seconds)
        }
        if ended:
            self._exchange(tuple(ended.get(fault, fault) for fault in self.faults), soon)
        return tuple(ended.values())

    def _soon_s(self) -> float:
        """Seconds from key-on at which a change can take effect, in tenths."""
        now_s = self._player.played_s
        notice_s = NOTICE_S + CYCLE_MADE_S * (now_s // CYCLE_S)
        return round(now_s + notice_s * self._speed, 1)

    def _exchange(self, faults: tuple[Fault, ...], from_s: float) -> None:
        self._prepared.exchange(self._drive(faults), START_EPOCH_NS + round(from_s * 1e9))
        self.faults = faults

    def _drive(self, faults: Sequence[Fault]) -> SimulatedRun:
        for fault in faults:
            if not KINDS[fault.kind].live:
                raise UserError(
                    f"{fault.kind} is a fault of a recording; a live bus can't have it",
                    hint=f"one of {', '.join(kind.name for kind in KINDS.values() if kind.live)}",
                )
        return simulate_run(self._seconds, self._seed, faults=faults)
