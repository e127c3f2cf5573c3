"""What is heard: a glitch, something that became faulty, a step of a bench test; and silence when it is turned off."""

from dataclasses import replace
from types import SimpleNamespace

from buswright.findings import Severity
from buswright.tui.sound import Sound

from .made import snapshot_of
from .piloted import piloted, settled, told


class Heard:
    """An app's terminal that keeps when it rang."""

    is_headless = False

    def __init__(self):
        self.rings, self.written, self.later = 0, [], []
        self._driver = SimpleNamespace(write=self.written.append)

    def bell(self):
        self.rings += 1

    def set_timer(self, seconds, then):
        self.later.append(then)


def test_one_ring_for_a_glitch_two_for_a_fault_and_none_when_it_is_off():
    app, now = Heard(), [0.0]
    sound = Sound(app, clock=lambda: now[0])
    sound.once()
    sound.once()  # within half a second
    assert (app.rings, app.later) == (1, [])
    now[0] = 1.0
    sound.twice()
    app.later.pop()()
    assert app.rings == 3
    assert sound.turn() == "sound off"
    now[0] = 2.0
    sound.twice()
    assert app.rings == 3


def test_on_a_console_that_can_a_fault_sounds_lower(monkeypatch):
    monkeypatch.setenv("TERM", "linux")
    app, now = Heard(), [0.0]
    sound = Sound(app, clock=lambda: now[0])
    sound.once()
    now[0] = 1.0
    sound.twice()
    high, as_ever, low, _ = app.written
    pitch = [int(text.split(";")[1].partition("]")[0]) for text in (high, low)]
    assert pitch[0] > pitch[1]
    assert as_ever == "\x1b[10]\x1b[11]"


def rung(*, phase="listening", turned_off=False):
    """How often it rang when an oil pressure became faulty."""

    async def steps(app, pilot, worker):
        rings = []
        app.bell = lambda: rings.append(1)
        base = snapshot_of()
        first = replace(base.findings[0], severity=Severity.FAULT, subject="a module that was well")
        source = replace(base.source, live=True, phase=phase)
        if turned_off:
            await pilot.press("B")
        worker.give(replace(base, source=source, findings=base.findings))
        await settled(pilot)
        assert rings == []  # what was wrong from the start became nothing
        worker.give(replace(base, source=source, findings=(*base.findings, first)))
        await settled(pilot)
        await pilot.pause(0.3)
        worker.give(replace(base, source=source, findings=(*base.findings, first)))
        await settled(pilot)
        return len(rings), told(app)

    return piloted(steps)


def test_a_channel_that_becomes_faulty_rings_twice_and_only_then():
    assert rung()[0] == 2


def test_a_capture_that_is_being_read_is_silent():
    assert rung(phase="reading")[0] == 0


def test_one_key_turns_it_off():
    rings, said = rung(turned_off=True)
    assert rings == 0
    assert "sound off" in said
