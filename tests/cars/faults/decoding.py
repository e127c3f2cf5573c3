"""Faults of the database, or of what a module says about its values."""

from __future__ import annotations

import itertools

import numpy as np

from tests.cars.car import Channel
from tests.cars.faults.plan import Plan, draw_spells, need, of, raw_of, wired


def byte_order(plan: Plan) -> None:
    """A database that has the bytes of a signal the wrong way round."""
    aligned = [
        c
        for c in plan.car.channels.values()
        if c.bits == 16
        and c.start % 8 == (7 if plan.car.messages[c.message].big else 0)
        and c.quantity[:4] not in ("vref", "vsup")
    ]
    channel = need(plan.pick(aligned))
    big = plan.car.messages[channel.message].big
    channel.other_order = True
    channel.said_start = channel.start - 7 if big else channel.start + 7
    plan.channel("byte-order", channel)
    high = (raw_of(plan, channel).astype(np.int64) >> 8) & 0xFF
    _, counts = np.unique(high, return_counts=True)
    if np.sum(counts >= 0.01 * len(high)) < 5:
        plan.hidden("its high byte takes fewer than five values in this run")


def signedness(plan: Plan) -> None:
    """A database that has the sign of a signal wrong."""
    options = []
    for channel in plan.car.channels.values():
        if channel.bits not in (12, 16) or channel.quantity[:4] in ("vref", "vsup"):
            continue
        if channel.signed and channel.quantity in ("ax", "ay", "yaw", "steer"):
            options.append((channel, False))
        elif not channel.signed and channel.how == "counts" and plan.car.modules[channel.module].bits == channel.bits:
            options.append((channel, True))
    channel, says = need(plan.pick(options))
    channel.said_signed = says
    channel.range = (0.0, 0.0)
    plan.channel("signedness", channel)
    raw = raw_of(plan, channel)
    half = 0 if channel.signed else 2 ** (channel.bits - 1)
    share = float(np.mean(raw < half))
    if not 0.01 < share < 0.99:
        plan.hidden("it stays on one side of the sign bit in this run")


def bit_position(plan: Plan) -> None:
    """A database that has a signal one or two bits beside its place."""
    options: list[tuple[Channel, int, bool]] = []
    for message in plan.car.messages.values():
        held = [c for c in plan.car.of_message(message.name) if c.page is None]
        for one, two in itertools.pairwise(held):
            if one.bits == two.bits >= 12:
                # What is named reads the neighbour's low bits as its own high ones: values jump.
                options.append((two, -1, True) if message.big else (one, 1, True))
                options.append((one, 1, False) if message.big else (two, -1, False))
    channel, direction, leaks = need(plan.pick(options))
    bits = int(plan.rng.integers(1, 3))
    message = plan.car.messages[channel.message]
    if message.big:
        place = (channel.start // 8) * 8 + 7 - channel.start % 8 + direction * bits
        channel.said_start = place // 8 * 8 + 7 - place % 8
    else:
        channel.said_start = channel.start + direction * bits
    channel.range = (0.0, 0.0)
    plan.channel("bit-position", channel)
    if not leaks:
        plan.alternative("scale-or-unit", "every value is doubled, as with a wrong scale")


def mux_undefined(plan: Plan) -> None:
    """Pages of a multiplexed frame that no database knows."""
    message = need(plan.pick([m for m in plan.car.messages.values() if m.pages]))
    message.pages += int(plan.rng.integers(1, 3))
    plan.truth("mux-undefined", f"id:{plan.car.id_of(message)}")


def scale_or_unit(plan: Plan) -> None:
    """A database with a scale ten times too large."""
    options = wired(plan) + of(plan, "vbat", "ws_fl", "ws_rr", "rpm")
    channel = need(plan.pick([c for c in options if c.how != "counts"]))
    channel.said_scale = 10.0
    channel.range = (0.0, 0.0)
    plan.channel("scale-or-unit", channel)
    plan.alternative("unit-mixup", "a wrong unit shows the same factor")
    if channel.sensor is None or channel.sensor.electrical != "V":
        plan.alternative("gain", "no volts tell the scale of the database from the gain of the sensor")
        if not channel.role:
            plan.hidden("no role says what it measures")


def out_of_range(plan: Plan) -> None:
    """A module that sends what its database rules out."""
    options = [
        c
        for c in plan.car.channels.values()
        if c.how == "ready" and c.bits >= 11 and c.range[1] > 0 and c.invalid is None
    ]
    channel = need(plan.pick(options))
    high = channel.range[1]
    most = (
        2 ** (channel.bits - 1) - 1 if channel.signed else 2**channel.bits - 1
    ) * channel.resolution + channel.offset
    raw = round(
        (high + float(plan.rng.uniform(0.15, 0.8)) * (min(most, 2 * high) - high) - channel.offset) / channel.resolution
    )
    spells = draw_spells(plan, 0.6, 4.0, 2 + int(4 * plan.level))
    plan.start = spells[0][0]
    plan.faults.code[channel.name] = lambda t, r: np.where(
        np.any([(t >= a) & (t < b) for a, b in spells], axis=0), raw, r
    )
    plan.channel("out-of-range", channel)


def sender_invalid(plan: Plan) -> None:
    """A module that says it has no value."""
    options = [c for c in plan.car.channels.values() if c.how == "ready" and 11 <= c.bits <= 16]
    channel = need(plan.pick(options))
    code = 2 ** (channel.bits - 1) - 1 if channel.signed else 2**channel.bits - 1
    channel.invalid = code
    spells = draw_spells(plan, 0.6, 5.0, 2 + int(4 * plan.level))
    plan.start = spells[0][0]
    plan.faults.code[channel.name] = lambda t, r: np.where(
        np.any([(t >= a) & (t < b) for a, b in spells], axis=0), code, r
    )
    plan.channel("sender-invalid", channel)
