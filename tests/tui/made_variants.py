"""Snapshots of other cases: live, without a car file, nothing received, an adapter gone, drops, a bus overloaded."""

from dataclasses import replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.now.moment import Reception
from buswright.findings import Finding, Layer, Severity
from buswright.frames.live.capture import Drops
from buswright.health.model.health import BitRate, ControllerState
from buswright.health.recent import BusNow, Recent
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture

from .made import measured, recent_of, snapshot_of

SECOND = 1_000_000_000


def reception(bus="engine", connected=True, listening="proven", drops=None, source="live:socketcan/can0"):
    drops = drops or Drops(0, MappingProxyType({"socket": 0, "interface": None}))
    return Reception(bus, source, connected, listening, "the link says so", drops)


def live(base=None, receptions=None, late_ns=0, **changes):
    """The same numbers as of a live bus, shown `late_ns` after the last frame."""
    base = base or snapshot_of()
    receptions = receptions or (reception("engine"), reception("chassis", source="live:socketcan/can1"))
    now = base.source.now_ns + late_ns
    source = replace(
        base.source,
        live=True,
        phase="listening",
        title="live",
        now_ns=now,
        end_ns=None,
        receptions=tuple(receptions),
    )
    recent = replace(base.recent, now_ns=now)
    return replace(base, source=source, recent=recent, findings_whole=False, **changes)


@lru_cache(maxsize=2)
def without_car(missing=True):
    """No car file and no database: nobody says which identifier is whose."""
    faults = (Fault("module-missing", "module:wheel_node", onset_s=6.0),) if missing else ()
    health, frames = measured(SimulatedCapture(14.0, faults=faults))
    base = snapshot_of()
    receptions = tuple(Reception(each, each, True, "", "", None) for each in health.buses)
    return replace(
        base,
        source=replace(base.source, receptions=receptions, now_ns=health.capture.last_ns),
        health=health,
        recent=recent_of(health, frames),
        channels=(),
        findings=diagnose(health),
        car=None,
        database=False,
    )


def nothing(is_live=True, **source):
    """No frame has come."""
    base = live() if is_live else snapshot_of()
    health = HealthTracker().result()
    now = base.source.now_ns
    changes = {"first_ns": None, "load_start_ns": np.zeros(0, dtype=np.int64), "load": np.zeros(0), "events": ()}
    return replace(
        base,
        source=replace(base.source, **{**changes, **source}),
        health=health,
        recent=Recent(now, {}, {}),
        channels=(),
        findings=(),
    )


def with_bus(base, name, now=None, **changes):
    """One bus's figures changed; `now` is the load that it carries at the moment."""
    figures = replace(base.health.buses[name], **changes)
    recent = base.recent
    if now is not None:
        bits = now * (figures.bitrate.bits_per_s or 500_000)
        moment = replace(recent.buses[name], bits_per_s=bits)
        recent = replace(recent, buses={**recent.buses, name: moment})
    return replace(base, health=replace(base.health, buses={**base.health.buses, name: figures}), recent=recent)


def with_errors(base, name, count=37, per_s=2.5, state="error-passive", ago_ns=2 * SECOND):
    """A bus with error frames."""
    last = base.source.now_ns - ago_ns
    errors = replace(
        base.health.buses[name].errors,
        count=count,
        on_the_wire=count,
        last_ns=last,
        states=(ControllerState(last, 96, 130, state),),
    )
    changed = with_bus(base, name, errors=errors, error_frames=count)
    now = replace(changed.recent.buses[name], errors_per_s=per_s)
    return replace(changed, recent=replace(changed.recent, buses={**changed.recent.buses, name: now}))


def unknown_rate(base, name):
    """A bus whose bit rate nobody knows."""
    figures = base.health.buses[name]
    peak = figures.peak_100ms._replace(load=None)
    rate = BitRate(None, None, "unknown", 0.0, "unknown: too few frames")
    return with_bus(base, name, bitrate=rate, load=None, peak_100ms=peak, peak_1s=peak)


def many_buses(base, names=("body", "pit")):
    """More buses, copies of the first one."""
    figures, now = base.health.buses["engine"], base.recent.buses["engine"]
    buses = {**base.health.buses, **{name: replace(figures, name=name) for name in names}}
    recent = {**base.recent.buses, **{name: BusNow(name, *list(_values(now))[1:]) for name in names}}
    more = tuple(replace(base.source.receptions[0], bus=name) for name in names)
    return replace(
        base,
        source=replace(base.source, receptions=(*base.source.receptions, *more)),
        health=replace(base.health, buses=buses),
        recent=replace(base.recent, buses=recent),
    )


def _values(now):
    return (getattr(now, name) for name in ("name", "frames_per_s", "bits_per_s", "errors_per_s", "last_ns"))


def finding(
    fault="open-circuit", layer=Layer.ELECTRICAL, severity=Severity.SUSPECT, subject="channel:oil_temp", **more
):
    """A finding of any kind."""
    start = snapshot_of().source.first_ns + 3 * SECOND
    values = {
        "start_ns": start,
        "end_ns": start + SECOND,
        "count": 4,
        "confidence": 0.6,
        "evidence": ("It read 4.98 V for 0.8 s.",),
        "threshold": "debounce_s = 0.2 s (a channel must stand at a rail this long)",
        "ruled_out": ("A short to supply: the twin on that supply read well.",),
        "next_check": "Unplug the sensor and bridge the plug with 2.2 kohm.",
        "caution": "",
    }
    return Finding(fault, layer, severity, subject, **{**values, **more})
