"""Snapshots put together from what was folded, the costly parts less often than the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.fitting import Key, Misfit
from buswright.channels.following.model import ChannelNow, Plotted
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.detect import BUS_DETECTORS, CHANNEL_DETECTORS, case_of, diagnose, sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.now.judge import NOTHING_JUDGED, judge
from buswright.diagnosis.now.moment import Reception
from buswright.diagnosis.scope import Scope, modules_known
from buswright.diagnosis.trust import judged_of
from buswright.findings import Finding
from buswright.frames.table import Frames, Int64s
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.model.health import BusHealth
from buswright.health.recent import Recent
from buswright.health.track import HealthTracker
from buswright.worker.composing.details import id_detail
from buswright.worker.composing.folds import Folds
from buswright.worker.composing.judging import JUDGED_S, JUDGED_SHARE, LiveJudge, channels_of
from buswright.worker.composing.room import room_of
from buswright.worker.composing.stretch import whole_of
from buswright.worker.composing.surveying import LiveSurvey
from buswright.worker.composing.trials import Trials, keep
from buswright.worker.notices import Beside, Notices, Shielded
from buswright.worker.shelf import Pace
from buswright.worker.snapshot import IdDetail, JudgedChannels, Room, Snapshot, SourceNow
from buswright.worker.source.listening import Listening
from buswright.worker.source.replay import Replay

HEALTH_S = 0.5
HEALTH_SHARE = 10
"""A key pressed while the health is computed waits longer for its answer: it may take a tenth of the time."""
EVENTS_SHOWN = 1_000
TOLD_APART_NS = 2_000_000_000
"""After so long, identifiers of two buses or cars are told apart: most have come by then (a choice)."""
_NO_CHANNELS: tuple[ChannelNow, ...] = ()
_NOT_PLOTTED: tuple[Plotted, ...] = ()
_NO_TIMES: Int64s = np.zeros(0, dtype=np.int64)
_NO_LOAD: npt.NDArray[np.float64] = np.zeros(0)


@dataclass(frozen=True, slots=True)
class Asked:
    """What screens look at closely: an identifier, channels to plot (and over what time), signals that are tried."""

    detail: FrameName | None = None
    plotted: tuple[str, ...] = ()
    whole: int = 0
    trials: Trials = field(default_factory=Trials)


@dataclass(slots=True)
class _Shown:
    """What was computed last, and up to which change of the folds."""

    health: BusHealth
    judged: BusHealth
    """What the findings are of: the whole capture, wherever in it the screen is."""
    changes: int = -1
    findings: tuple[Finding, ...] = ()
    load: tuple[Int64s, npt.NDArray[np.float64]] = (_NO_TIMES, _NO_LOAD)
    recent: Recent = field(default_factory=lambda: Recent(0, {}, {}))
    seen: Mapping[str, set[Key]] = field(default_factory=dict)
    misfit: Misfit | None = None


class Composer:
    """Puts snapshots together.

    Parameters
    ----------
    source, folds, notices
        Whose state is shown.
    clock
        Nanoseconds that only rise: what the costly parts take is measured with it.
    scope
        The module that is looked at; None: the whole car is.
    """

    def __init__(
        self,
        source: Replay | Listening,
        folds: Folds,
        notices: Notices,
        clock: Callable[[], int],
        scope: Scope | None = None,
    ) -> None:
        self._source, self._folds, self._notices = source, folds, notices
        self._pace = Pace(HEALTH_S, HEALTH_SHARE, clock)
        nothing = HealthTracker().result()
        self._shown = _Shown(nothing, nothing)
        self._whole = False
        self._decoder = Shielded("decoding for the detail of an identifier", folds.known.decoder, notices)
        self._judge = Shielded("judging what is wrong now", lambda: judge, notices)
        self._database = folds.known.any_message
        baseline = folds.known.baseline
        self._remembered = baseline.identifiers() if baseline is not None else None
        self._number = 0
        self._channels: Channels | None = None
        self._channels_end_ns: int | None = None
        self._counts: tuple[int, int] | None = None
        self._of_channels: tuple[Sighting, ...] | None = None
        self._judged_frames = 0
        self._again = Pace(JUDGED_S, JUDGED_SHARE, clock)
        self._looking = Beside("the channels can't be judged", notices)
        self._room: Room | None = None
        self._rooms = Beside("the room on the bus can't be worked out", notices)
        self._scope = scope
        self._modules = modules_known(folds.known.car, folds.known.databases)
        self._turns = 0
        self._live = LiveJudge(folds.known, notices, clock) if isinstance(source, Listening) else None
        self._survey = LiveSurvey(folds.known.described(), folds.known.every_name, notices, clock)
        self._beside: list[Beside] = [self._looking, self._rooms, self._survey.beside]
        if self._live is not None:
            self._beside.append(self._live.beside)

    @property
    def changes(self) -> int:
        """How often something new came beside what was folded: channels were judged, an identifier was surveyed."""
        return self._turns + sum(each.changes for each in self._beside)

    def take(self, frames: Frames) -> None:
        """Take what has come: frames of live buses are kept for a while."""
        if self._live is not None:
            self._live.update(frames)

    def narrow(self, scope: Scope | None) -> None:
        """Look at one module from now on; None: at the whole car."""
        self._scope = scope
        self._turns += 1
        self._diagnose()

    def measure(self, *, exact: bool) -> None:
        """Compute the health for the next snapshots where it is time, or with `exact` where it isn't of this frame."""
        changes = self._folds.changes + self.changes
        if self._shown.changes != changes and (exact or self._pace.due):
            with self._pace.run():
                self._measure()

    def compose(self, asked: Asked) -> Snapshot:
        """Make the next snapshot, with the health that was computed last; `asked` is what is looked at closely."""
        self._number += 1
        source, folds, shown = self._source, self._folds, self._shown
        now_ns = source.shown_ns if isinstance(source, Listening) else source.moment_ns
        at_ns = now_ns if now_ns is not None else 0
        shown.recent = folds.recent.run(lambda one: one.result(at_ns), replace(shown.recent, now_ns=at_ns))
        channels, inputs = self._channels_now(at_ns)
        snapshot = Snapshot(
            number=self._number,
            source=self._source_now(now_ns),
            health=shown.health,
            recent=shown.recent,
            channels=channels,
            findings=shown.findings,
            findings_whole=self._whole,
            findings_of=None if shown.judged is shown.health else shown.judged,
            car=folds.known.car,
            database=self._database,
            detail=self._detail(asked),
            plotted=self._plotted(asked, now_ns),
            wiggle=folds.wiggle_now(source.heard_ns),
            recording=source.recording if isinstance(source, Listening) else None,
            recording_on=source.recording_on if isinstance(source, Listening) else False,
            notices=self._notices.latest(),
            remembered=self._remembered,
            misfit=shown.misfit,
            judged=self._judged(),
            scope=self._scope,
            inputs=inputs,
            modules=self._modules,
            room=self._room,
        )
        # Made here rather than by the first screen that asks; where that fails, the numbers are shown all the same.
        vars(snapshot)["verdicts"] = self._judge.run(lambda one: one(snapshot.moment), NOTHING_JUDGED)
        return snapshot

    def _plotted(self, asked: Asked, now_ns: int | None) -> tuple[Plotted, ...]:
        """Return the samples of what is plotted: of the recent seconds, or of the capture up to the moment shown."""
        if not asked.plotted:
            return ()
        recent = self._folds.channels.run(lambda one: tuple(one.plotted(asked.plotted)), _NOT_PLOTTED)
        measured = self._channels
        if not asked.whole or measured is None or now_ns is None:
            return recent
        return tuple(whole_of(each, measured, now_ns, asked.whole) for each in recent)

    def _channels_now(self, at_ns: int) -> tuple[tuple[ChannelNow, ...], tuple[ChannelEvidence, ...]]:
        """Return the channels in view, and the latest samples of those of a single module that are measured."""
        scope, car, folded = self._scope, self._folds.known.car, self._folds.channels
        channels = folded.run(lambda one: one.result(at_ns), _NO_CHANNELS)
        if scope is None:
            return channels, ()
        channels = tuple(each for each in channels if scope.holds(each))
        names = [each.name for each in channels if not each.formula]
        found = []
        for each in folded.run(lambda one: one.plotted(names), _NOT_PLOTTED):
            channel = car.channels.get(each.series.name) if car is not None else None
            sensor = car.sensors.get(channel.sensor) if car is not None and channel and channel.sensor else None
            found.append(ChannelEvidence(each.series, channel=channel, sensor=sensor, module=scope.module))
        return channels, tuple(found)

    def _judged(self) -> JudgedChannels | None:
        if self._live is not None:
            return self._live.judged
        if self._counts is None:
            return None
        first_ns, end_ns = self._source.first_ns, self._channels_end_ns
        if first_ns is None or end_ns is None or end_ns == self._source.end_ns:
            return JudgedChannels(*self._counts, None)
        return JudgedChannels(*self._counts, Window(first_ns, end_ns))

    def keep_whole(self) -> None:
        """Judge what has been folded as the whole capture: its findings and its time line stay from now on."""
        self._measure()
        self._whole = True
        source, known = self._source, self._folds.known
        self._judged_frames = self._folds.frames
        if isinstance(source, Replay) and known.any_message and self._shown.misfit is None:
            self._look_beside(source)

    def _look_beside(self, source: Replay) -> None:
        if not self._folds.known.any_message:
            return
        self._judged_frames = self._folds.frames
        self._looking.begin(lambda: self._look_at_channels(source))

    def look_again(self) -> None:
        """Measure a capture that has grown as a whole again, and judge its channels anew where it is time."""
        source = self._source
        if (
            not isinstance(source, Replay)
            or self._folds.frames == self._judged_frames
            or self._shown.misfit is not None
        ):
            return
        if self._again.due and not self._looking.busy:
            self._look_beside(source)

    def finish(self) -> None:
        """Wait until the channels are judged: of the whole capture, or of what has come over live buses."""
        for each in (self._survey.beside, self._looking, self._rooms):
            each.finish()
        if self._live is not None and self._shown.misfit is None:
            self._measure()
            self._live.finish(self._shown.health)

    def _look_at_channels(self, source: Replay) -> None:
        """Judge the channels of the whole capture, which is read once more: beside the work, so that keys are answered.

        The same session, the same detectors as `diagnose`: what it prints of a capture is shown here.
        """
        with self._again.run():
            self._channels = channels_of(source.so_far, self._folds.known)
            self._channels_end_ns = source.end_ns
            if source.grew_at_end:  # buses are judged again and again; channels only here, which takes long
                self._of_channels = sightings(self._case(), CHANNEL_DETECTORS)
            self._diagnose()
            self._counts = judged_of(self._case(), self._shown.findings)

    def _case(self) -> Case:
        """Return what detectors look at: the health of what is judged, and the channels of the whole capture."""
        known = self._folds.known
        return case_of(self._shown.judged, car=known.car, baseline=known.baseline, channels=self._channels)

    def _diagnose(self) -> None:
        """Make the findings, of the channels too where they have been measured."""
        known, shown, scope = self._folds.known, self._shown, None
        try:
            while True:
                scope = self._scope
                if self._live is not None:
                    found = self._live.findings(shown.judged, self._folds.channels.one, scope)
                elif self._of_channels is not None:
                    case = self._case()
                    of_buses = sightings(case if scope is None else scope.of_case(case), BUS_DETECTORS)
                    found = mute((*of_buses, *self._of_channels))
                    found = found if scope is None else scope.of_findings(found, shown.judged)
                else:
                    found = diagnose(
                        shown.judged, car=known.car, baseline=known.baseline, channels=self._channels, scope=scope
                    )
                if scope is self._scope:  # two threads may come here: the findings are of what is looked at now
                    break
            shown.findings = found
            if self._live is not None and shown.misfit is None:
                self._live.look(shown.judged)
        except Exception as fault:  # noqa: BLE001  (a fault in a detector must not cost the numbers)
            self._notices.trouble("the findings can't be made", fault)

    def _measure(self) -> None:
        """Compute the health, and what is wrong with it."""
        source, shown = self._source, self._shown
        shown.health = self._folds.health.run(
            lambda one: one.result(events=source.events(), problems=source.problems, clock=source.capture_clock),
            shown.health,
        )
        shown.changes = self._folds.changes + self.changes
        if self._whole and not (isinstance(source, Replay) and source.grew_at_end):
            return
        shown.judged = shown.health
        shown.load = _load(shown.health)
        self._look_whether_it_fits()
        self._diagnose()

    def _look_whether_it_fits(self) -> None:
        """Tell frames of another car, bus or database once enough have come; again when there are new identifiers."""
        shown, source, seen = self._shown, self._source, self._shown.health.keys()
        first, last = shown.health.capture.first_ns, shown.health.capture.last_ns
        early = not source.whole and (first is None or last is None or last - first < TOLD_APART_NS)
        if early or (seen == shown.seen and (not source.whole or self._whole)):
            return
        shown.seen = seen
        came = [name for bus in shown.health.buses.values() for name in bus.interfaces]
        # A live bus that is silent is there all the same.
        found = self._folds.known.misfit(seen, source.capture.buses if isinstance(source, Listening) else came)
        shown.misfit = found if found is not None and found.sure else None
        if found is not None and not found.sure and source.whole:
            self._notices.tell(str(found))

    def _source_now(self, now_ns: int | None) -> SourceNow:
        source = self._source
        return SourceNow(
            live=source.live,
            title=_title(source),
            phase=source.phase,
            speed=float("inf") if source.phase == "reading" else source.speed,
            first_ns=source.first_ns,
            now_ns=now_ns,
            end_ns=source.end_ns,
            epoch=source.capture_clock.origin == "epoch",
            read=source.read,
            receptions=source.receptions() if isinstance(source, Listening) else self._interfaces(),
            events=source.events()[-EVENTS_SHOWN:],
            load_start_ns=self._shown.load[0],
            load=self._shown.load[1],
            problems=source.problems.counts,
            grows=source.grows,
            lost=isinstance(source, Replay) and bool(source.lost),
        )

    def _interfaces(self) -> tuple[Reception, ...]:
        return tuple(
            Reception(bus.name, ", ".join(bus.interfaces), connected=True, listening="", why="", drops=None)
            for bus in self._shown.health.buses.values()
        )

    def _detail(self, asked: Asked) -> IdDetail | None:
        name, held, health = asked.detail, self._folds.latest.one, self._shown.health
        if name is None or held is None:
            return None
        bus = health.buses.get(name.bus)
        interfaces = bus.interfaces if bus is not None else (name.bus,)
        surveyed = self._survey.of(name, held, tuple(interfaces), health)
        return self._decoder.run(
            lambda decoder: id_detail(name, held, interfaces, decoder, health, asked.trials, surveyed), None
        )

    def work_out_room(self, bus: str, proposed: str) -> None:
        """Work out what still fits on a bus, beside the work; it is in the snapshots from then on."""
        source, health, known = self._source, self._shown.health, self._folds.known
        frames = source.capture if isinstance(source, Replay) else self._live.kept() if self._live is not None else ()
        described, names = known.described(), known.every_name

        def work_out() -> None:
            self._room = room_of(bus, proposed, health, frames, described=described, bus_names=names)

        self._rooms.begin(work_out)

    def keep(self, trials: Trials, bus: str, path: Path, *, force: bool) -> None:
        """Keep the trial signals of a bus in a draft database and car file; a notice says where."""
        title = _title(self._source)
        database, car = keep(trials, bus, self._shown.health, path, source=title, force=force)
        self._notices.tell(f"kept in {database} and {car}: `buswright watch ... --car {car}` shows them as channels")


def _title(source: Replay | Listening) -> str:
    """Name the source, short."""
    if isinstance(source, Listening):
        return ", ".join(address.name for address in source.capture.addresses)
    first, *more = (path.name for path in source.capture.paths)
    return f"{first} and {len(more)} more" if more else first


def _load(health: BusHealth) -> tuple[Int64s, npt.NDArray[np.float64]]:
    """Return the busiest bus's load second by second: starts, int64[k], and loads, float64[k]."""
    windows = [bus.slow_windows for bus in health.buses.values() if len(bus.slow_windows)]
    if not windows:
        return _NO_TIMES, _NO_LOAD
    start_ns = np.unique(np.concatenate([each.start_ns for each in windows]))
    load = np.full(len(start_ns), np.nan)
    for each in windows:
        at = np.searchsorted(start_ns, each.start_ns)
        load[at] = np.fmax(load[at], each.load)
    return start_ns, load
