"""A live screen that is held: what stands still, and what goes on all the same."""

from __future__ import annotations

from dataclasses import replace

from buswright.worker.snapshot import Snapshot


def held_still(held: Snapshot, newest: Snapshot) -> Snapshot:
    """Return what is shown while the screen is held.

    Measurements stand still. Recording, markers and wiggle test go on: they are worked with, not read. An identifier
    or a channel that is opened meanwhile has nothing held yet: it gets the newest, once, and then stands still too.
    The detail of an identifier names gaps by their place among those that were measured with it, so that everything
    is then held at its moment.
    """
    if newest.detail is not None and _looked_at(held) != _looked_at(newest):
        return replace(newest, source=replace(newest.source, phase="paused"))
    return replace(
        held,
        number=newest.number,
        source=replace(held.source, phase="paused", events=newest.source.events),
        detail=held.detail if newest.detail is not None else None,
        plotted=held.plotted if _curves(held) == _curves(newest) else newest.plotted,
        wiggle=newest.wiggle,
        recording=newest.recording,
        recording_on=newest.recording_on,
        notices=newest.notices,
    )


def _looked_at(snapshot: Snapshot) -> object:
    return None if snapshot.detail is None else snapshot.detail.name


def _curves(snapshot: Snapshot) -> list[str]:
    return [each.series.name for each in snapshot.plotted]
