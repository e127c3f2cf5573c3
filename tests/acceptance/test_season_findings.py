"""Seasons of the invented car, simulated run by run: what grows from run to run is found, a healthy season is silent.

`pytest -m acceptance -k season_findings -s`
"""

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.cli.main import status_of
from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import START_EPOCH_NS, simulate_run

CAR = Path(__file__).parents[2] / "dbc_examples" / "wrenfell.toml"
RUNS, SECONDS, DAY_NS = 8, 30.0, 86_400_000_000_000

pytestmark = pytest.mark.acceptance


def offset(k):
    return [Fault("offset", "channel:fuel_pressure", severity=0.015 * k, onset_s=0.0)] if k else []


def skips(k):
    return [Fault("sender-skips", "id:chassis/1A0", severity=0.02 * k, onset_s=1.0)] if k else []


def restarts(k):
    repeat = k // 2
    return [Fault("module-reset", "module:wheel_node", onset_s=12.0, duration_s=15.0, repeat=repeat)] if repeat else []


def well(k):
    return []


def noisier(frames, k):
    """A worn screen: noise on the first input of ANALOGUE_A, more from run to run, a count being a millivolt."""
    rows = np.flatnonzero((frames.id == 0x1B0) & (frames.length == 8))
    payload = frames.payload.copy()
    low, high = payload[rows, :2].astype(int).T
    raw = np.clip(
        low + 256 * high + np.rint(np.random.default_rng(k).normal(0, 3.0 * k, len(rows))).astype(int), 0, 5000
    )
    payload[rows, 0], payload[rows, 1] = raw & 255, raw >> 8
    return replace(frames, payload=payload)


SEASONS = {
    "offset": (offset, {("zero-drift", "channel:fuel_pressure")}),
    "skips": (skips, {("rate-sinks", "channel:damper_fl")}),
    "restarts": (restarts, {("restarts-grow", "module:wheel_node")}),
    "noise": (well, {("noise-grows", "channel:oil_pressure")}),
}


def findings(folder, faults, seed, capsys, *, noise=False):
    for k in range(RUNS):
        run = simulate_run(SECONDS, seed + k, start_epoch_ns=START_EPOCH_NS + k * DAY_NS, faults=faults(k))
        frames = (noisier(each, k) for each in run) if noise else run
        with (folder / f"run_{k}.log").open("wb") as stream:
            write_candump(frames, stream)
    place = ["--season", str(folder / "season"), "--json"]
    assert status_of(["season", "add", *map(str, sorted(folder.glob("*.log"))), "--car", str(CAR), *place]) == 0
    capsys.readouterr()
    status_of(["season", "list", "--fail-on", "never", *place])
    return json.loads(capsys.readouterr().out)["findings"]


@pytest.mark.parametrize("seed", [2001, 2101, 2201])
def test_a_healthy_season_is_silent(tmp_path, seed, capsys):
    found = findings(tmp_path, well, seed, capsys)
    assert [(each["fault"], each["subject"], each["evidence"]) for each in found if each["severity"] != "note"] == []


@pytest.mark.parametrize("name", SEASONS)
def test_what_grows_is_found(tmp_path, name, capsys):
    faults, wanted = SEASONS[name]
    found = findings(tmp_path, faults, 2301, capsys, noise=name == "noise")
    with capsys.disabled():
        print(
            f"\n{name}:", *(f"{each['severity']} {each['fault']} {each['subject']}" for each in found), sep=os.linesep
        )
    graver = {(each["fault"], each["subject"]) for each in found if each["severity"] != "note"}
    assert wanted <= graver
