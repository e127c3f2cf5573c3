"""Slow states: temperatures that follow power, speed and the fan, stepped ten times a second."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, fields

import numpy as np

from buswright.simulate.physics.hill import Floats

RATE = 10
"""Steps per second."""


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures in °C at one moment, carried from one cycle to the next; the fan with them."""

    coolant: float
    oil: float
    gearbox: float
    radiator_out: float
    intake: float
    disc_front: float
    disc_rear: float
    exhaust: float
    board: float
    fan: bool = False


AMBIENT = 17.0


def warm() -> Heat:
    """Return the car as it stands in the paddock after its warm-up."""
    return Heat(
        coolant=66.0, oil=58.0, gearbox=41.0, radiator_out=48.0, intake=24.0,
        disc_front=34.0, disc_rear=31.0, exhaust=120.0, board=29.0,
    )  # fmt: skip


def soaked() -> Heat:
    """Return the car after a night in the open."""
    t = AMBIENT
    return Heat(t, t, t, t, t, t, t, t, t + 0.8)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The states over a cycle, float64[n] each, at `RATE`; `fan` is 0 or 1."""

    columns: dict[str, Floats]
    end: Heat


def follow(start: Heat, power_kw: Floats, rpm: Floats, speed: Floats, brake_kw: Floats) -> Course:
    """Step the heat balance.

    First-order balances: heat in over heat capacity, heat out in proportion to the difference to what is around,
    rising with air speed. The constants are chosen for a small single-seater with one radiator, not measured.

    Parameters
    ----------
    power_kw, rpm, speed, brake_kw
        Crank power, engine speed, m/s, and power going into the brakes; float64[n] at `RATE`.
    """
    dt = 1.0 / RATE
    coolant, oil, gearbox, radiator, intake, front, rear, exhaust, board, fan = astuple(start)
    rows = [astuple(start)]
    steps = zip(power_kw[:-1].tolist(), rpm.tolist(), speed.tolist(), brake_kw.tolist(), strict=False)
    for power, turns, v, brake in steps:
        running = turns > 600
        fan = running and (coolant > (84.0 if fan else 89.0))
        airflow = v + (7.0 if fan else 0.0)
        flow = min(turns / 6000.0, 1.2) if running else 0.03
        valve = min(max((coolant - 76.0) / 10.0, 0.04), 1.0) * flow
        exchange = 1.30 * valve * (coolant - radiator)
        loss = 0.020 * (2.0 + airflow) * (radiator - AMBIENT)
        heat_in = (0.55 * power + 0.0011 * turns) if running else 0.0
        to_oil = 0.06 * flow * (coolant - oil)
        coolant += dt * (heat_in - exchange - to_oil - 0.004 * (coolant - AMBIENT)) / 19.0
        radiator += dt * (exchange - loss) / 6.0
        oil += dt * (0.16 * power + 0.00025 * turns * running + to_oil - 0.027 * (oil - AMBIENT)) / 11.0
        gearbox += dt * (0.05 * power - 0.006 * (1 + 0.05 * v) * (gearbox - AMBIENT)) / 9.0
        around = AMBIENT + (14.0 if v < 3 and coolant > 50 else 5.0 if coolant > 50 else 0.0)
        intake += dt * (around - intake) / (40.0 if v < 3 else 9.0)
        front += dt * (0.63 * brake / 1.9 - (0.004 + 0.0011 * v) * (front - AMBIENT))
        rear += dt * (0.37 * brake / 1.5 - (0.004 + 0.0011 * v) * (rear - AMBIENT))
        target = (420.0 + 3.6 * power + 0.016 * turns) if running else AMBIENT
        exhaust += dt * (target - exhaust) / (1.4 if running else 28.0)
        board += dt * (AMBIENT + 12.0 + 0.05 * (coolant - AMBIENT) - board) / 300.0
        rows.append((coolant, oil, gearbox, radiator, intake, front, rear, exhaust, board, fan))
    table = np.array(rows, dtype=np.float64)
    return Course({field.name: table[:, i].copy() for i, field in enumerate(fields(Heat))}, Heat(*rows[-1]))


def oil_pressure(rpm: Floats, oil: Floats, lateral_g: Floats) -> Floats:
    """Gauge pressure in bar: the pump's delivery against viscosity, the relief valve, surge in corners."""
    thin = np.exp(-(oil - 90.0) / 140.0)
    delivery = (0.30 + rpm * 0.00062) * thin
    relief = 4.6 + 0.35 * np.tanh(np.maximum(delivery - 4.6, 0.0) / 2.0)
    surge = 0.10 * np.maximum(np.abs(lateral_g) - 0.8, 0.0)
    return np.where(rpm > 1.0, np.minimum(delivery, relief) * (1.0 - surge), 0.0)


def coolant_pressure(coolant: Floats, radiator_out: Floats) -> Floats:
    """Gauge pressure in bar of a sealed system with a 1.2 bar cap: trapped air warmed, and vapour pressure."""
    mean = 0.7 * coolant + 0.3 * radiator_out
    vapour = 6.1078e-3 * np.exp(17.27 * mean / (mean + 237.3))  # Magnus formula, bar
    trapped = (mean - AMBIENT) / (273.15 + AMBIENT)
    return np.minimum(0.02 + trapped + 0.55 * vapour, 1.2)


def lag(values: Floats, seconds: float, rate: float) -> Floats:
    """First-order lag as a truncated exponential window; the first value is held before the start."""
    reach = max(2, math.ceil(5 * seconds * rate))
    kernel = np.exp(-np.arange(reach) / (seconds * rate))
    padded = np.concatenate([np.full(reach - 1, values[0]), values])
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")
