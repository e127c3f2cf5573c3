"""Driving the workbench without a terminal."""

import asyncio

from buswright.tui.app import Workbench
from buswright.tui.screens.opening import OpeningScreen

from .made import FakeWorker, snapshot_of

SIZES = ((80, 24), (120, 40), (200, 60))


def text_of(app):
    """What stands on the screen, a line each."""
    strips = app.screen._compositor.render_strips()
    return ["".join(segment.text for segment in strip).rstrip() for strip in strips]


async def drawn(app, pilot):
    """What stands on the screen once all of it is there and stays so; the line of keys comes last."""
    lines = [""]
    for _ in range(100):
        await settled(pilot)
        before, lines = lines, text_of(app)
        if lines[-1] and lines == before:
            break
    return lines


def told(app):
    """What the user is being told, the latest last."""
    return " ".join(each.message for each in app._notifications)


def piloted(steps, *, snapshot=None, screen="overview", size=(120, 40), theme="dusk"):
    """Run `await steps(app, pilot, worker)` with the workbench on one of its screens; return what it returns."""
    worker = FakeWorker(snapshot or snapshot_of())

    async def run():
        app = Workbench(worker, screen=screen, theme=theme)
        async with app.run_test(size=size) as pilot:
            await opened(app, pilot)
            return await steps(app, pilot, worker)

    return asyncio.run(run())


async def opened(app, pilot):
    """Let the first snapshot come, and its screen: a busy machine takes longer than one pause."""
    for _ in range(500):
        if not isinstance(app.screen, OpeningScreen):
            break
        await pilot.pause()
    await settled(pilot)


async def settled(pilot):
    """Let everything that was asked for happen, also by keys that wait for those before them."""
    await pilot.pause()
    for _ in range(100):
        if not getattr(pilot.app, "_early", ()) and getattr(pilot.app, "_followed", None) is None:
            break
        await pilot.pause()
    await pilot.pause()
