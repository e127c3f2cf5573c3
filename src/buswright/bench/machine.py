"""The steps of a bench test, one after the other: fed with frames, asked what to show, told what was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from buswright.bench.judge.all import Judged, judge_all
from buswright.bench.measure.measured import measure_step
from buswright.bench.measure.samples import Samples
from buswright.bench.measure.watching import BEGUN, Progress, Reading, progress_of, readings_of, trap_of
from buswright.bench.one_module import one_module
from buswright.bench.plan.load import check_against
from buswright.bench.plan.model import ON_ONE_INPUT, Plan, Step
from buswright.bench.result import BenchResult, Check, StepResult
from buswright.bench.state import Saved, save_state
from buswright.bench.words import cautions, instruction
from buswright.channels.carfile.model import CarFile
from buswright.channels.session import Session
from buswright.diagnosis.wiggle.test import WiggleTest
from buswright.errors import UserError
from buswright.frames.table import Event, Frames

Phase = Literal["waiting", "happening", "settling", "timing", "asking", "shown", "ended"]

RECENT_NS = 2_000_000_000
"""What is being read is taken from so much of the latest frames."""
IDLE_NS = 40_000_000_000
"""While nothing happens in a step on one input, only so much is kept."""


@dataclass(frozen=True, slots=True)
class Line:
    """One step in the list beside the instruction: its state, and the worst verdict of its checks ("" for none)."""

    step: str
    state: str
    verdict: str


@dataclass(frozen=True, slots=True)
class BenchNow:
    """What a screen shows.

    Attributes
    ----------
    phase
        - "waiting": the step has not happened yet; what to do stands in `instruction`.
        - "happening": something moved. "settling": it must be still for a moment. "timing": `remaining_s` are left.
        - "asking": a reading has to be typed; `question` says which. `Bench.answer` takes it.
        - "shown": it is done; its `checks` are there. `next` goes on, `retry` does it again.
        - "ended": all steps are done or skipped; `step` is None then.
    number, of
        Which step, from 1.
    remaining_s
        Of a step that takes its time, or until the level has been still for long enough; None where nobody knows.
    help
        What may be wrong, or what is to be done next; while nothing has happened only after as long as the step allows.
    readings
        What the channels of the step read now: the one in hand, or all that the module sends.
    moving
        move: channels that moved so far, the furthest first, with the share of their span.
    trap
        What is wrong with the bench itself, and what to do: nobody acknowledges; "" where all is well.
    checks, lines
        Of the step that was just done; all steps.
    wiggle, glitches
        Text and number of the wiggle test so far; "" and 0 in other steps.
    """

    phase: Phase
    step: Step | None
    number: int
    of: int
    instruction: str
    cautions: tuple[str, ...]
    question: str
    remaining_s: float | None
    help: str
    readings: tuple[Reading, ...]
    moving: tuple[tuple[str, float], ...]
    trap: str
    checks: tuple[Check, ...]
    lines: tuple[Line, ...]
    wiggle: str
    glitches: int


class Bench:
    """A bench test in progress. It knows neither screen nor clock: it is given frames and told the time.

    The same steps, measured by the same functions, for a live bus and for a capture with markers. Not for several
    threads at once. How it is used on a live bus:

    >>> bench = Bench(plan, car, by="Ada")  # doctest: +SKIP
    >>> bench.update(frames, now_ns)  # each batch, and now and then no frames at all   # doctest: +SKIP
    >>> now = bench.look()  # what to show: some times a second   # doctest: +SKIP
    >>> bench.poll()  # the same without what is to be shown: the phase alone   # doctest: +SKIP
    >>> bench.answer("59.8")  # a meter reading was typed   # doctest: +SKIP
    >>> bench.accept()  # Enter: measure it now, settled or not   # doctest: +SKIP
    >>> bench.mark()  # the moment of a jump, or in which power is back   # doctest: +SKIP
    >>> bench.place("plug C12")  # wiggle: this is being moved; "" is quiet   # doctest: +SKIP
    >>> bench.next(), bench.retry(), bench.skip("no spare sensor")  # doctest: +SKIP
    >>> bench.result()  # at any time   # doctest: +SKIP

    A step begins when it comes in hand, and ends by itself when `look` or `poll` finds that it happened and has
    settled: its checks are then shown until `next`. Without these two nothing ends. Steps that were done before
    an interruption are taken from what was saved.

    For a capture, `begin` puts any step in hand at a time, and `finish` measures it with what came since.

    Parameters
    ----------
    plan
        What to do.
    car
        The whole car file; it is cut down to the plan's module here.
    by
        Who tests.
    source, source_hash
        What is listened to, for the sheet.
    saved
        What was done before an interruption, whose state `save` wrote; see `load_state`.
    bus_names
        Interface to bus name, over the car file's.

    Attributes
    ----------
    car
        The car file of the module alone: what else listens or shows should use this one too.

    Raises
    ------
    UserError
        The car file has no such module, or the plan names what the car file doesn't have.
    """

    def __init__(
        self,
        plan: Plan,
        car: CarFile,
        *,
        by: str = "",
        source: str = "",
        source_hash: str = "",
        saved: Saved | None = None,
        recording: str = "",
        bus_names: Mapping[str, str] | None = None,
    ) -> None:
        self.plan = plan
        self.car = one_module(car, plan.about.module) if plan.about.module else car
        check_against(plan, self.car)
        self.by = by or (saved.by if saved is not None else "")
        heard = (saved.recordings if saved is not None else (), (recording,) if recording else ())
        self.recordings = tuple(dict.fromkeys((*heard[0], *heard[1])))
        """Where a live test is recorded: one file for each time that the program was started."""
        self._source, self._source_hash = source, source_hash
        self._session = Session((), self.car, bus_names=bus_names)
        self._bus_names = dict(bus_names or {})
        self._results = {step.name: StepResult(step.name) for step in plan.steps}
        self._verdicts: tuple[tuple[StepResult, ...], Judged] | None = None
        self._results |= {each.step: each for each in (saved.steps if saved is not None else ())}
        self._notes: list[str] = []
        self._now_ns: int | None = None
        self._first_ns: int | None = None
        self._recent: list[Frames] = []
        self._step: Step | None = None
        self._shown = False
        self._frames: list[Frames] = []
        self._events: list[Event] = []
        self._begin_ns: int | None = None
        self._mark_ns: int | None = None
        self._wiggle: WiggleTest | None = None
        self._decoded: tuple[int, Samples] | None = None
        self._go_on()

    def save(self, path: Path) -> None:
        """Write what has been done so far, to go on later; after each step is often enough.

        Raises
        ------
        WritingError
            It can't be written.
        """
        save_state(path, self.plan, self.car.hash, Saved(self.by, tuple(self._results.values()), self.recordings))

    # What comes in --------------------------------------------------------------------------------------------------

    def update(self, frames: Frames, now_ns: int | None = None, events: Sequence[Event] = ()) -> None:
        """Take a batch of frames, and what came beside them.

        Parameters
        ----------
        frames
            Any size, none at all too.
        now_ns
            The moment up to which everything was received, on the clock of the frames, where that is later than the
            last frame: on a bus that is silent.
        events
            What the adapter reports; see `frames.table.Event`.
        """
        times = [] if not len(frames) else [int(frames.time_ns.max())]
        times += [] if now_ns is None else [now_ns]
        if not times:
            return
        first = int(frames.time_ns.min()) if len(frames) else times[0]
        self._first_ns = first if self._first_ns is None else self._first_ns
        if self._begin_ns is None and self._step is not None and not self._shown:
            self._begin_ns = first
        self._now_ns = max(times) if self._now_ns is None else max(self._now_ns, *times)
        if len(frames):
            self._recent.append(frames)
            self._recent = [each for each in self._recent if each.time_ns.max() > self._now_ns - RECENT_NS]
            if self._begin_ns is not None and not self._shown:
                self._frames.append(frames)
        self._events += events
        if self._wiggle is not None:
            self._wiggle.update(frames, now_ns)

    # What is done ---------------------------------------------------------------------------------------------------

    def begin(self, name: str, time_ns: int | None = None) -> None:
        """Put a step in hand, from a moment on; what was in hand and not done is open again.

        Raises
        ------
        UserError
            The plan has no such step.
        """
        step = self.plan.step(name)
        if step is None:
            raise UserError(f"{self.plan.path}: there is no step {name!r}", hint=f"its steps: {self._names()}")
        self._step, self._shown = step, False
        self._clear()
        self._begin_ns = time_ns if time_ns is not None else self._now_ns
        if step.kind == "wiggle":
            self._wiggle = WiggleTest(self._wiggled(step), self.car, bus_names=self._bus_names, start_ns=self._begin_ns)

    def accept(self) -> None:
        """Measure the step in hand now, settled or not; where it is shown already, go on to the next."""
        if self._shown:
            self.next()
        elif self._step is not None and self._step.kind != "meter" and self._begin_ns is not None:
            self.finish()

    def finish(self, time_ns: int | None = None) -> None:
        """End the step in hand at a moment (now by default) and measure it with what came since it began."""
        step, begin = self._step, self._begin_ns
        if step is None or self._shown or begin is None:
            return
        end = max(begin, time_ns if time_ns is not None else self._now_ns or begin)
        if self._wiggle is not None:
            self._wiggle.stop(end)
        inside = [each.take(np.flatnonzero(each.time_ns <= end)) for each in self._frames]
        frames = [each for each in inside if len(each)]
        measured = measure_step(
            step,
            self.plan,
            self.car,
            Samples(self._session, frames),
            frames,
            tuple(self._events),
            begin,
            end,
            mark_ns=self._mark_ns,
            rest=self._rest(),
            wiggle=self._wiggle.result() if self._wiggle is not None else None,
        )
        tries = self._results[step.name].tries + 1
        self._keep(replace(measured, tries=tries))

    def answer(self, text: str) -> str:
        """Take a typed meter reading; return what is wrong with it, "" if nothing."""
        step = self._step
        if step is None or step.kind != "meter" or self._shown:
            return "no reading is asked for now"
        number = text.strip().removesuffix(step.unit).strip().replace(",", ".")
        if not number:
            return "no reading is typed yet: type it like 59.8"
        try:
            reading = float(number)
        except ValueError:
            return f"{text.strip()!r} is no number: type it like 59.8"
        if not abs(reading) < 1e12:
            return f"{text.strip()!r} is no reading: type it like 59.8"
        tries = self._results[step.name].tries + 1
        self._keep(
            StepResult(step.name, "done", tries=tries, start_ns=self._now_ns, end_ns=self._now_ns, reading=reading)
        )
        return ""

    def mark(self, time_ns: int | None = None) -> None:
        """Note the moment in which it was done: of a jump, or in which the power was back; now by default."""
        self._mark_ns = time_ns if time_ns is not None else self._now_ns

    def place(self, name: str, time_ns: int | None = None) -> None:
        """In a wiggle step: this plug is being moved from now on; "" is none."""
        moment = time_ns if time_ns is not None else self._now_ns
        if self._wiggle is not None and moment is not None:
            self._wiggle.move_to(name, moment)

    def next(self) -> None:
        """Go on to the first step that is neither done nor skipped."""
        self._go_on()

    def retry(self, name: str = "") -> None:
        """Do a step again: the one in hand, or any other; what it has shown is forgotten when it is done again."""
        wanted = name or (self._step.name if self._step is not None else "")
        if wanted:
            self.begin(wanted)

    def skip(self, reason: str, name: str = "") -> None:
        """Leave a step out, the one in hand by default; the reason stands on the sheet.

        Raises
        ------
        UserError
            There is no reason, or no such step.
        """
        if not reason.strip():
            raise UserError("a step that is skipped needs a reason", hint="say why, in a few words")
        step = self.plan.step(name) if name else self._step
        if step is None:
            raise UserError(f"there is no step {name!r} to skip", hint=f"the steps: {self._names()}")
        self._results[step.name] = StepResult(step.name, "skipped", reason=reason.strip(), tries=0)
        if step == self._step:
            self._go_on()

    def note(self, text: str) -> None:
        """Put a line on the sheet."""
        self._notes.append(text)

    # What to show ---------------------------------------------------------------------------------------------------

    def look(self) -> BenchNow:
        """Return what to show; a step that happened and has settled is measured by this."""
        return self._shows(*self._noticed())

    def poll(self) -> tuple[Phase, Step | None]:
        """Notice as `look` does; return the phase and the step in hand."""
        phase, _ = self._noticed()
        return phase, self._step

    def _noticed(self) -> tuple[Phase, Progress]:
        step = self._step
        if step is None:
            return "ended", BEGUN
        if self._shown:
            return "shown", BEGUN
        if step.kind == "meter":
            return "asking", BEGUN
        if self._begin_ns is None or self._now_ns is None:
            return "waiting", BEGUN
        self._forget_idle(step)
        progress = progress_of(step, self.plan, self.car, self._samples, self._frames, self._begin_ns, self._now_ns)
        if progress.over and step.kind != "wiggle":
            self.finish(progress.end_ns)
            return "shown", BEGUN
        return progress.phase, progress

    @property
    def trapped(self) -> bool:
        """Whether a step showed that nobody acknowledges: nothing can be measured before that is put right."""
        return any(check.name == "acknowledged" for check in self._judged()[0])

    @property
    def open_steps(self) -> tuple[Step, ...]:
        """The steps that are neither done nor skipped."""
        return tuple(step for step in self.plan.steps if self._results[step.name].state == "open")

    def result(self) -> BenchResult:
        """Return the test so far: every step, every check, the lines of calibration, the fingerprints."""
        ordered = tuple(self._results[step.name] for step in self.plan.steps)
        checks, lines, fingerprints = self._judged()
        done = [each for each in ordered if each.end_ns is not None]
        return BenchResult(
            name=self.plan.about.name,
            module=self.plan.about.module,
            car=self.car.car.name,
            plan=str(self.plan.path),
            plan_hash=self.plan.hash,
            car_file=str(self.car.path),
            car_hash=self.car.hash,
            source=", recorded in ".join(each for each in (self._source, ", ".join(self.recordings)) if each),
            source_hash=self._source_hash,
            by=self.by,
            started_ns=min((each.start_ns for each in done if each.start_ns is not None), default=self._first_ns),
            ended_ns=max((each.end_ns for each in done if each.end_ns is not None), default=self._now_ns),
            steps=ordered,
            checks=checks,
            lines=lines,
            fingerprints=fingerprints,
            notes=tuple(self._notes),
        )

    # Inside ---------------------------------------------------------------------------------------------------------

    def _clear(self) -> None:
        self._frames, self._events = [], []
        self._begin_ns = self._mark_ns = self._wiggle = self._decoded = None

    def _names(self) -> str:
        return ", ".join(step.name for step in self.plan.steps[:12])

    def _keep(self, result: StepResult) -> None:
        self._results[result.step] = result
        self._shown = True
        self._decoded = None

    def _go_on(self) -> None:
        following = next((step for step in self.plan.steps if self._results[step.name].state == "open"), None)
        if following is None:
            self._step, self._shown = None, False
            self._clear()
        else:
            self.begin(following.name)

    def _judged(self) -> Judged:
        """Return the checks of what was done so far, judged again only when that has changed."""
        ordered = tuple(self._results[step.name] for step in self.plan.steps)
        if self._verdicts is None or self._verdicts[0] != ordered:
            self._verdicts = ordered, judge_all(self.plan, self.car, ordered)
        return self._verdicts[1]

    def _rest(self) -> StepResult | None:
        """Return the latest step in which everything was at rest."""
        done = [self._results[step.name] for step in self.plan.steps if step.kind == "listen"]
        return next((each for each in reversed(done) if each.state == "done"), None)

    def _wiggled(self, step: Step) -> tuple[str, ...]:
        if step.channel:
            return (step.channel,)
        return tuple(self.plan.inputs) or tuple(name for name, each in self.car.channels.items() if each.signal)

    def _forget_idle(self, step: Step) -> None:
        """Let go of the beginning of a step on one input in which nothing has happened for long."""
        assert self._now_ns is not None
        if step.kind not in ON_ONE_INPUT or self._begin_ns is None or self._now_ns - self._begin_ns < IDLE_NS:
            return
        start = self._now_ns - IDLE_NS // 2
        progress = progress_of(step, self.plan, self.car, self._samples, self._frames, self._begin_ns, self._now_ns)
        if progress.phase == "waiting":
            self._frames = [each for each in self._frames if each.time_ns.max() >= start]
            self._begin_ns, self._decoded = start, None

    def _samples(self) -> Samples:
        """Return the channels over the step so far, decoded once for each number of batches."""
        if self._decoded is None or self._decoded[0] != len(self._frames):
            self._decoded = len(self._frames), Samples(self._session, self._frames)
        return self._decoded[1]

    def _shows(self, phase: Phase, progress: Progress) -> BenchNow:
        step, recent = self._step, self._recent if self._step is not None else []
        samples = Samples(self._session, recent) if recent and phase != "shown" else None
        ordered = tuple(self._results[each.name] for each in self.plan.steps)
        checks = self._judged()[0] if any(each.state != "open" for each in ordered) else ()
        waited = 0.0 if self._begin_ns is None or self._now_ns is None else (self._now_ns - self._begin_ns) / 1e9
        late = step is not None and phase == "waiting" and waited > step.seconds
        tested = self._wiggle.result() if self._wiggle is not None else None
        return BenchNow(
            phase=phase,
            step=step,
            number=self.plan.steps.index(step) + 1 if step is not None else len(self.plan.steps),
            of=len(self.plan.steps),
            instruction=instruction(step, self.plan, self.car) if step is not None else "All steps are done.",
            cautions=cautions(step, self.car) if step is not None else (),
            question=f"{step.name}{f', {step.unit}' if step.unit else ''}" if step and phase == "asking" else "",
            remaining_s=progress.remaining_s,
            help=progress.help if late or phase != "waiting" else "",
            readings=readings_of(step, samples, self.plan) if step is not None and samples is not None else (),
            moving=progress.moving,
            trap=trap_of(self.car, recent, self._bus_names) if recent and phase != "shown" else "",
            checks=tuple(check for check in checks if step is not None and check.step == step.name)
            if phase == "shown"
            else (),
            lines=tuple(Line(each.step, each.state, _worst(checks, each.step)) for each in ordered),
            wiggle=tested.advice if tested is not None else "",
            glitches=tested.total if tested is not None else 0,
        )


_GRAVITY = ("fail", "not done", "not judged", "skipped", "pass", "note")


def _worst(checks: Sequence[Check], step: str) -> str:
    found = [check.verdict for check in checks if check.step == step]
    return min(found, key=_GRAVITY.index, default="")
