"""A short bench test of the simulated analogue node, guided without a thread and without waiting."""

from pathlib import Path

from buswright.bench.machine import Bench
from buswright.bench.plan.load import load_plan
from buswright.bench.state import load_state
from buswright.simulate.bench.session import ReactingBench
from buswright.simulate.bench.wrenfell import bench_module
from buswright.simulate.run import START_EPOCH_NS
from buswright.simulate.source import demo_car
from buswright.worker.guiding import Guide, Played

PLAN = """
format = 1
[plan]
name = "damper_node, short"
car = "{car}"
module = "damper_node"

[input.damper_fl]
span = [0.0, 75.0]
[input.damper_fr]
span = [0.0, 75.0]

[[step]]
name = "pair resistance"
kind = "meter"
unit = "ohm"
low = 54.0
high = 66.0

[[step]]
name = "rest"
kind = "listen"
seconds = 1.5

[[step]]
name = "damper_fl moves"
kind = "move"
channel = "damper_fl"

[[step]]
name = "damper_fl open"
kind = "open"
channel = "damper_fl"
"""
STEPS = ("pair resistance", "rest", "damper_fl moves", "damper_fl open")


class Marked(Played):
    """A simulated bench that keeps its markers, and everything that it sent."""

    def __init__(self, *arguments, **named):
        super().__init__(*arguments, **named)
        self.markers, self.sent, self.closed = [], [], ""

    def poll(self, wait):
        frames = super().poll(wait)
        self.sent.append(frames)
        return frames

    def mark(self, text, time_ns):
        self.markers.append((time_ns, text))

    def close(self, why):
        self.closed = why


class Guided:
    """A guide, its simulated bench, and a clock that goes on by what is waited for."""

    def __init__(self, folder: Path, fault="", *, acts=True, finish=None):
        self.now_ns = 0
        self.car, path = demo_car(), folder / "plan.toml"
        if not path.exists():
            path.write_text(PLAN.format(car=self.car.path), encoding="utf-8")
        self.plan, self.state = load_plan(path), folder / "plan.progress.json"
        self.acting = ReactingBench(bench_module(fault), START_EPOCH_NS)
        known = self.state.exists()
        saved = load_state(self.state, self.plan, self.car.hash) if known else None
        self.bench = Bench(self.plan, self.car, by="" if known else "Ada", saved=saved)
        self.source = Marked(self.acting.take, lambda: self.acting.now_ns, pace=lambda: self.now_ns)
        self.finished = []
        self.guide = Guide(
            self.source,
            self.bench,
            state=self.state,
            finish=finish or self._finish,
            asked=self._asked if acts else lambda bench, now: None,
            pace=lambda: self.now_ns,
        )

    def _finish(self, result):
        self.finished.append(result)
        return "sheet.html"

    def _asked(self, bench, now):
        self.acting.follow(bench, now.phase, now.step, by_itself=False)

    def go(self, seconds=0.1):
        """Go on for so long; return what is shown then."""
        until = self.now_ns + round(seconds * 1e9)
        while self.now_ns < until:
            self.guide.advance(self._wait)
        return self.guide.take()

    def accept(self):
        """Press Enter on what is shown."""
        self.guide.accept(self.guide.take().now)

    def until(self, phase, seconds=20.0):
        """Go on until this is the phase."""
        end = self.now_ns + round(seconds * 1e9)
        while (shot := self.go(0.1)).now.phase != phase:
            assert self.now_ns < end, (shot.now.phase, shot.now.step, phase)
        return shot

    def _wait(self, seconds):
        self.now_ns += round(seconds * 1e9)
