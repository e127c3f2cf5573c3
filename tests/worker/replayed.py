"""Captures to replay, a clock that stands until it is moved, and what `buswright health` says of them."""

import contextlib
import io
import json

from buswright.cli.main import main
from buswright.diagnosis.detect import diagnose
from buswright.frames.formats.candump.writer import write_candump
from buswright.report.health.as_json import render_json
from buswright.report.health.report import HealthReport
from buswright.simulate.source import SimulatedCapture, write_car

S = 1_000_000_000


class Clock:
    """Nanoseconds; only `move` moves it."""

    def __init__(self, now=1_770_000_000 * S):
        self.now = now

    def __call__(self):
        return self.now

    def move(self, seconds):
        self.now += round(seconds * S)

    def wait(self, seconds):
        """Stand for waiting: time passes."""
        self.move(seconds)


def written(folder, seconds=6.0, **options):
    """Write a run of the invented car as candump; return its path."""
    path = folder / "run.log"
    with path.open("wb") as stream:
        write_candump(SimulatedCapture(seconds, **options), stream)
    return path


def car_of(folder):
    return write_car(folder)


def health_command(*arguments):
    """Return the JSON that the command prints, without what is the file's own."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(["health", "--json", "--fail-on", "never", *map(str, arguments)]) == 0
    return _measured(json.loads(out.getvalue()))


def as_json(snapshot):
    """Return the same of a snapshot: what it measured, and what that means by itself."""
    found = tuple(diagnose(snapshot.health, car=snapshot.car))
    report = HealthReport(snapshot.health, found, (), "candump", described=True)
    return _measured(json.loads(json.dumps(render_json(report))))


def _measured(document):
    return {key: document[key] for key in ("frames", "capture", "buses", "modules", "ids", "gap_groups", "findings")}
