"""Channels put together from columns, as a car with wiring would give them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.channels.calibration.registry import read_calibration
from buswright.channels.carfile.model import Channel, Fingerprints, Sensor, SignalName, Wiring
from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Series
from buswright.diagnosis.case import Case
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.messages.model import Signal

from ..made import health

SECOND = 1_000_000_000
STEP_V = 5.0 / 4096

PRESSURE = {"kind": "linear", "electrical": "V", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar"}
TRAVEL = {"kind": "linear", "electrical": "V", "points": [[0.5, 0.0], [4.5, 75.0]], "unit": "mm"}

Floats = npt.NDArray[np.float64]


def sensor(table: dict[str, Any] = PRESSURE, **keys: Any) -> Sensor:
    """Return a sensor with a healthy band of 0.25 to 4.75 V unless `keys` say otherwise."""
    calibration = read_calibration(table)
    assert calibration is not None
    return Sensor(table["unit"], calibration, **({"healthy": (0.25, 4.75)} | keys))


def made(
    name: str,
    values: Floats,
    *,
    seconds: Floats | None = None,
    hz: float = 50.0,
    unit: str = "",
    kind: Sensor | None = None,
    role: str | None = None,
    module: str | None = "node",
    message: str = "main/ANALOGUE",
    wiring: dict[str, str] | None = None,
    fingerprints: dict[str, float] | None = None,
    thresholds: dict[str, float] | None = None,
    span: float | None = None,
    position: str | None = None,
    plausible: tuple[float, float] | None = None,
    quality: Any = None,
) -> ChannelEvidence:
    """Return a channel; with a sensor (`kind`) `values` are its volts, put on steps of 12 bits over 5 V (or 5000 mV).

    `quality` are bits of `Quality`, one set for all samples or one a sample.
    """
    times = np.arange(len(values)) / hz if seconds is None else seconds
    time_ns = np.rint(times * 1e9).astype(np.int64)
    values = np.array(values, dtype=np.float64)
    step = 0.001 if kind is None else STEP_V * (1000.0 if kind.calibration.electrical == "mV" else 1.0)
    raw = np.rint(values / step).astype(np.int64)
    quantised: Floats = np.multiply(raw, step, dtype=np.float64)
    volts = quantised if kind is not None else None
    value = kind.calibration.apply(quantised) if kind is not None else values
    channel = Channel(
        name,
        SignalName(message.partition("/")[0], message.partition("/")[2], name),
        sensor=kind.name if kind else None,
        unit=unit or (kind.calibration.unit if kind else ""),
        role=role,
        position=position,
        plausible=plausible,
        wiring=Wiring(**(wiring or {})),
        fingerprints=Fingerprints(**(fingerprints or {})),
        thresholds=thresholds or {},
    )
    bits = None if quality is None else np.broadcast_to(np.uint16(quality), (len(values),)).copy()
    reach = span if span is not None else (4.0 if kind is not None else float(np.ptp(values)) or 1.0)
    return ChannelEvidence(
        Series(name, channel.unit, time_ns, value, raw=raw, volts=volts, quality=bits),
        channel=channel,
        sensor=kind,
        signal=Signal(name, 0, 16, scale=step, signed=True, unit="V" if kind is not None else unit),
        message=message,
        module=module,
        watched=Watched(name, step=step, span=reach, period_s=1.0 / hz),
    )


def channels_of(*channels: ChannelEvidence) -> Channels:
    """Put channels together."""
    return Channels({each.name: each for each in channels})


def case_of(*channels: ChannelEvidence) -> Case:
    """Put channels together for a detector."""
    return Case(health(), channels=channels_of(*channels))
