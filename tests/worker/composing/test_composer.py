"""Snapshots put together: what the time line is given."""

from buswright.worker.composing.composer import _load

from ...tui.made import snapshot_of


def test_the_time_line_shows_the_load_of_the_busiest_bus():
    buses = snapshot_of().health.buses
    highest = {}
    for bus in buses.values():
        for start, load in zip(bus.slow_windows.start_ns.tolist(), bus.slow_windows.load.tolist(), strict=True):
            highest[start] = max(load, highest.get(start, 0.0))
    assert len(buses) > 1
    start_ns, load = _load(snapshot_of().health)
    assert dict(zip(start_ns.tolist(), load.tolist(), strict=True)) == highest
