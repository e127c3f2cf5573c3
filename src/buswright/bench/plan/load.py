"""Reading a bench plan: every fault at once, each with its line and what to try."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from buswright.bench.plan.keys import DOCUMENT
from buswright.bench.plan.model import NO_LIMITS, ON_ONE_INPUT, About, Plan, Step, Truth
from buswright.channels import units
from buswright.channels.carfile import files
from buswright.channels.carfile.model import CarFile
from buswright.channels.keys.faults import FaultLog, FaultSeverity, TooManyFaultsError
from buswright.channels.keys.positions import START, find_positions
from buswright.errors import CarFileError

_SHOWN = 20


class PlanError(CarFileError):
    """A bench plan has faults; `faults` lists all of them, one per line of text."""


def load_plan(path: str | os.PathLike[str]) -> Plan:
    """Load a plan; what it says about the car is checked by `check_against`.

    Raises
    ------
    PlanError
        It can't be read, or has errors; `faults` lists them all.
    """
    path = Path(path)
    data = files.read_bytes(
        path, untrusted=False, what="a bench plan", maker="buswright bench --draft MODULE makes one"
    )
    text, place, wrong = files.decode(data)
    positions = find_positions(text)
    log = FaultLog(path, positions, what="a bench plan")
    plan = None
    if place is not None:
        log.at(place, wrong, "save the file as UTF-8")
    elif (document := files.parse(text, positions, log)) is not None:
        try:
            plan = _read(document, hashlib.sha256(data).hexdigest(), log)
        except TooManyFaultsError:
            log.at(START, "reading stopped: too many faults")
    _raise(log)
    assert plan is not None
    return plan


def check_against(plan: Plan, car: CarFile) -> None:
    """Refuse a plan that names what the car file doesn't have.

    Raises
    ------
    PlanError
        Channels, buses or truths that aren't there; each with its line.
    """
    text = plan.path.read_text(encoding="utf-8-sig") if plan.path.is_file() else ""
    log = FaultLog(plan.path, find_positions(text), what="a bench plan")
    none = f"{car.path} has no channels"
    for name in plan.inputs:
        if log.known(("input", name), name, car.channels, "channel", none=none) and car.channels[name].formula:
            log.error(("input", name), "is a computed channel", "test the channels that it is made of")
    for number, truth in enumerate(plan.truths):
        for place, name in enumerate(truth.channels):
            at = ("truth", number, "channels", place)
            if log.known(at, name, car.channels, "channel", none=none) and truth.channels[0] in car.channels:
                unit, first = car.channels[name].unit, car.channels[truth.channels[0]].unit
                if unit != first and not units.compatible(unit, first):
                    said = f"{name} is in {unit or 'no unit'}, {truth.channels[0]} in {first or 'no unit'}"
                    log.error(at, said, "name channels of one quantity")
    for frame in plan.frames:
        log.known(("frame", str(frame)), frame.bus, car.buses, "bus", none=f"{car.path} has no buses")
    _raise(log)


def _raise(log: FaultLog) -> None:
    lines = tuple(str(fault) for fault in log.in_order() if fault.severity is FaultSeverity.ERROR)
    if lines:
        more = [f"… and {len(lines) - _SHOWN} more"] if len(lines) > _SHOWN else []
        hint = "buswright guide bench has every key"
        raise PlanError([*lines[:_SHOWN], *more], faults=lines, hint=hint)


def _read(document: Mapping[str, Any], digest: str, log: FaultLog) -> Plan:
    if not document:
        log.at(START, "the file is empty", 'it begins with format = 1; "buswright bench --draft MODULE" makes one')
    tables: dict[str, Any] = DOCUMENT.read(document, (), log)
    frames = {each.name: each for each in (tables.get("frame") or {}).values() if each is not None}
    inputs = {name: each for name, each in (tables.get("input") or {}).items() if each is not None}
    steps: tuple[Step | None, ...] = tables.get("step") or ()
    truths: tuple[Truth | None, ...] = tables.get("truth") or ()
    _check_steps(steps, inputs, log)
    for number, truth in enumerate(truths):
        if truth is not None and (truth.low, truth.high, truth.within) == (None, None, None):
            log.error(("truth", number), "says nothing", "give low, high or within")
        if truth is not None and truth.within is not None and len(truth.channels) < 2:
            log.error(("truth", number, "within"), "one channel has nothing to agree with", "name two or more channels")
    return Plan(
        path=log.path,
        hash=digest,
        about=tables.get("plan") or About(),
        limits=tables.get("limits") or NO_LIMITS,
        frames=MappingProxyType(frames),
        inputs=MappingProxyType(inputs),
        truths=tuple(truth for truth in truths if truth is not None),
        steps=tuple(step for step in steps if step is not None),
    )


def _check_steps(steps: tuple[Step | None, ...], inputs: Mapping[str, Any], log: FaultLog) -> None:
    seen: dict[str, int] = {}
    for number, step in enumerate(steps):
        if step is None:
            continue
        at = ("step", number)
        folded = " ".join(step.name.casefold().split())
        if folded in seen:
            log.error((*at, "name"), f"step {seen[folded] + 1} has this name too", "each name once")
        seen.setdefault(folded, number)
        if not log.sound(*at, "kind"):
            continue  # what it lacks depends on its kind
        if step.kind in ON_ONE_INPUT and not step.channel:
            log.error(at, f"a {step.kind} step needs a channel", f'for example channel = "{next(iter(inputs), "oil")}"')
        elif step.channel and step.kind in ON_ONE_INPUT:
            none = "write [input.CHANNEL] with its span"
            log.known((*at, "channel"), step.channel, inputs, "[input] called", none=none)
        if step.kind in ("hold", "jump") and (step.value is None) == (step.volts is None):
            log.error(at, f"a {step.kind} step needs either value or volts", "for example value = 37.5")
        if step.kind == "supply" and step.volts is None:
            log.error(at, "a supply step needs volts", "for example volts = 9.0")
        if step.kind == "wiggle" and not step.places:
            log.error(at, "a wiggle step needs places", 'for example places = ["plug C12"]')
        if step.kind == "meter" and (step.low, step.high) == (None, None):
            log.error(at, "a meter step needs low or high", "for example low = 54, high = 66")
        if step.low is not None and step.high is not None and step.low > step.high:
            log.error((*at, "low"), "is above high", "exchange them")
