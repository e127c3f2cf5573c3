"""The health page on a terminal: what stands where, at several widths, with much and with nothing."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.carfile.model import Bus, FrameEntry
from buswright.diagnosis.trust import Trust
from buswright.findings import Severity
from buswright.frames.table import Problems
from buswright.report.health.as_json import render_json
from buswright.report.health.report import HealthReport, channel_words, limits, missing_share, rate, verdict
from buswright.report.health.text import SHOWN_IDS, render_text
from buswright.report.text import fitted
from buswright.simulate.source import demo_car

from .health_examples import findings, frames_of, report_of, short_report, short_run, ticks

WIDTHS = (60, 72, 80, 100, 132)


@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_and_nothing_that_matters_is_left_out(width):
    text = render_text(short_report()[0], width=width)
    lines = text.splitlines()
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("1 FAULT. Worst: frames of can0/0A0 were lost.")
    order = [lines.index(line) for line in lines if re.match(r"(Buses|Identifiers|Capture|Findings)", line)]
    assert len(order) == 4
    assert order == sorted(order)
    (row,) = (line for line in lines if line.lstrip().startswith("!! "))
    assert re.search(r"can0/0A0 +99\.\d +100\.0 learned", row)
    assert re.search(r" 5( +0.*)?$", row), "missing, and late where there is room"
    flat = re.sub(r"\s+", " ", text)
    for words in (
        "1. FAULT frames-lost id:can0/0A0 (7.00-7.06 s, 5 times, sure (93 %))",
        "the phase was kept: residual 0.02 ms",
        "module reset: the phase was kept",
        "Wiggle the plug of the module while watching its counter.",
        "SAFETY Engine off.",
        "late-frames id:can1/18FF1A42",
        "60 % over 1 s",
        "500 kbit/s, option",
    ):
        assert words in flat, words


def test_a_good_run_says_so_with_its_numbers_and_no_more():
    lanes = [(0, 0x100, 0, ticks(0.01, 5.0)), (0, 0x101, 0, ticks(0.02, 5.0) + 0.001)]
    report, _ = report_of(frames_of(lanes), bitrates={"*": 500_000})
    assert (
        verdict(report) == "BUSES: NOTHING SUSPECT. 1 bus, 2 identifiers, 0 frames missing. Channels were not checked."
    )
    text = render_text(report, width=80)
    page, following = text.split("\n\nNext: ")
    assert page.splitlines()[-1] == "  none"
    assert "buswright survey" in following, "no database names the identifiers"
    assert "no damage seen" in text


def test_a_guessed_bit_rate_is_said_to_be_and_an_unknown_one_gives_kbit_per_s():
    text = render_text(report_of(short_run())[0], width=100)
    assert "(set it with --bitrate)" in text
    assert "kbit/s" in text


def test_the_share_of_missing_frames_is_of_those_that_were_due():
    """180 of 200 came: a tenth is missing."""
    times = ticks(0.1, 20.0)
    holes = [*range(50, 60), *range(120, 130)]
    report, _ = report_of(frames_of([(0, 0x100, 0, np.delete(times, holes)), (0, 0x101, 0, times + 0.001)]))
    shares = [(figures.name.id, figures.frames, missing_share(figures)) for figures in report.worst_first]
    assert shares == [(0x100, 180, 20 / 200), (0x101, 200, 0.0)]


def test_only_the_worst_are_shown_and_the_rest_is_counted():
    lanes = [(0, 0x100 + k, 0, ticks(0.1, 4.0) + k / 1000) for k in range(SHOWN_IDS + 5)]
    report, _ = report_of(frames_of(lanes), bitrates={"*": 500_000})
    assert "5 more with nothing to report (--all lists them)" in render_text(report)
    every = render_text(report, every=True)
    assert "nothing to report" not in every
    assert all(f"can0/{0x100 + k:03X}" in every for k in range(SHOWN_IDS + 5))


def test_damage_to_the_capture_is_listed():
    report, _ = short_report(())
    problems = Problems()
    problems.add("not a frame", "run.log", 7, "rubbish")
    report = HealthReport(report.health, (), report.files, "candump", report.clock, problems)
    text = render_text(report)
    assert "read: 1 × not a frame, first at run.log:7: 'rubbish'" in text
    assert "no damage" not in text
    frames = short_run(4.0)
    back = frames.time_ns.copy()
    back[len(back) // 2 :] -= 500_000_000
    turned = type(frames)(
        back, frames.bus, frames.id, frames.flags, frames.dlc, frames.length, frames.payload, frames.buses
    )
    text = render_text(report_of(turned)[0])
    assert "time went backwards 1 time, by up to" in text


def test_notes_do_not_make_a_verdict():
    report, _ = short_report(tuple(f for f in findings() if f.severity is Severity.NOTE))
    told = "2 buses, 4 identifiers, 5 frames missing (1 of unknown rhythm not counted), 1 note"
    assert verdict(report) == f"BUSES: NOTHING SUSPECT. {told}. Channels were not checked."


def test_the_sentence_about_channels_accounts_for_all_that_are_not_fine():
    def said(*trusted):
        return channel_words(SimpleNamespace(channels=SimpleNamespace(exceedances=()), trusted=trusted))

    own, still = Trust("pedal", "failed", ""), Trust("gear", "not judged", "")
    through = [Trust(str(k), "suspect", "", through=f"module:{name}") for k, name in enumerate(("a_node", "b", "b"))]
    assert said(own, *through, still) == (
        "Channels: 1 failed, 3 suspect of 5 (pedal; 3 through a_node and b); 1 not judged."
    )
    assert said(*through) == "Channels: 3 suspect of 3 (all through a_node and b)."
    assert said(own) == "Channels: 1 failed of 1 (pedal)."


def test_a_table_drops_columns_only_where_it_must():
    heads = ("one", "two", "three")
    rows = [["a" * 10, "b" * 10, "c" * 30]]
    assert "b" in fitted(heads, rows, 60, drop=(1,))[1]
    narrow = fitted(heads, rows, 50, drop=(1,))
    assert "b" not in narrow[1]
    shortened = fitted(heads, rows, 40, drop=(1,), shorten=2)
    assert shortened[1].endswith("…")
    assert "b" in shortened[1]


def test_numbers_have_the_digits_they_are_good_for():
    assert [rate(x) for x in (1234.5, 99.96, 9.9996, 1.0, None)] == ["1234", "100.0", "10.0", "1.00", "–"]
    report = short_report()[0]
    assert limits(report, "load").startswith("load is suspect from 60 % over 1 s")


def test_the_limits_are_those_of_the_car_file():
    report = short_report()[0]
    car = demo_car()
    name = next(iter(report.health.ids))
    own = {name: FrameEntry(name, thresholds={"jitter_sd": 0.2})}
    buses = {bus: Bus(bus, 500_000) for bus in report.health.buses}
    alike = {bus: replace(each, thresholds={"load_suspect": 0.05, "load_fault": 0.06}) for bus, each in buses.items()}
    ruled = replace(report, rules=replace(car, buses=alike, frames=own))
    assert "from 5 % over 1 s or 90 % over 100 ms, a fault from 6 % over 1 s" in limits(ruled, "load")
    assert limits(ruled, "jitter").endswith(f"the car file has others for {name}")
    first = next(iter(buses))
    apart = replace(report, rules=replace(car, buses={**buses, first: alike[first]}, frames={}))
    said = limits(apart, "load")
    assert f"{first}: load is suspect from 5 %" in said
    assert said.count("load is suspect from 60 %") == len(buses) - 1
    assert render_json(ruled)["overrides"][f"id:{name}"] == {"jitter_sd": 0.2}
    assert render_json(ruled)["overrides"][f"bus:{first}"] == {"load_suspect": 0.05, "load_fault": 0.06}
