"""The survey of the identifier that is looked at, from the frames held, beside the work."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from buswright.channels.carfile.model import FrameName
from buswright.frames.latest import LatestFrames
from buswright.frames.table import Frames
from buswright.health.described import Described
from buswright.health.model.health import BusHealth
from buswright.survey.gather import MOST_ROWS, SurveyFold
from buswright.survey.survey import Surveyed, survey_one
from buswright.worker.composing.details import latest
from buswright.worker.notices import Beside, Notices
from buswright.worker.shelf import Pace

SURVEY_S = 0.5
SURVEY_SHARE = 5
"""It may take a fifth of the time."""
_KEPT = 8
"""Identifiers whose survey is kept: a few browsers may look at one each."""


class LiveSurvey:
    """Surveys what is asked for; the answer is in a later snapshot.

    Parameters
    ----------
    described
        What databases and the car file say: their bits are left aside.
    bus_names
        Interface to bus name.
    notices
        Told what fails.
    clock
        Nanoseconds that only rise.
    """

    def __init__(
        self, described: Described, bus_names: Mapping[str, str], notices: Notices, clock: Callable[[], int]
    ) -> None:
        self._described, self._bus_names = described, bus_names
        self._pace = Pace(SURVEY_S, SURVEY_SHARE, clock)
        self._found: dict[FrameName, tuple[object, Surveyed | None]] = {}
        self.beside = Beside("the identifier can't be surveyed", notices)

    def of(
        self, name: FrameName, held: LatestFrames, interfaces: tuple[str, ...], health: BusHealth
    ) -> Surveyed | None:
        """Return the newest survey of an identifier, and begin another one where it is time and something came."""
        state, surveyed = self._found.get(name, (None, None))
        if not self.beside.busy and (state is None or self._pace.due):
            figures = health.ids.get(name)
            now = None if figures is None else (figures.frames, figures.last_ns)
            if now is not None and now != state:
                frames = latest(held, name, interfaces, MOST_ROWS)
                self.beside.begin(lambda: self._survey(name, frames, health, now))
        return surveyed

    def _survey(self, name: FrameName, frames: Frames, health: BusHealth, state: object) -> None:
        found = None
        try:
            with self._pace.run():
                fold = SurveyFold(self._bus_names)
                fold.update(frames)
                gathered = fold.result().get(name)
                if gathered is not None:
                    found = survey_one(gathered, self._described.identity(name).message, health)
        finally:  # a new dictionary: the worker's thread reads it meanwhile
            others = [(each, one) for each, one in self._found.items() if each != name][-(_KEPT - 1) :]
            self._found = {**dict(others), name: (state, found)}
