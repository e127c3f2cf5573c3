"""The drawings and tables of a layout document."""

import dataclasses
import re

import pytest

from buswright.health.baseline.baseline import Baseline, CaptureFacts
from buswright.layout.document.model import BusLayout, Layout, MessageLayout, ModuleLayout, Source
from buswright.report.layout import tables
from buswright.report.layout.markdown import plain
from buswright.report.layout.page import render_html
from buswright.report.layout.topology import topology_lines, topology_svg

BUS = BusLayout(
    name="main",
    bitrate=500_000,
    chain=("dash", "box", "tail"),
    lengths_m=(0.5, 1.25),
    terminators=("dash", "tail"),
    beside=("logger",),
)
MODULES = (
    ModuleLayout("dash", ("main",), supply="F1", ground="G1", plug="C1", place="cockpit"),
    ModuleLayout("box", ("main",), stub_m=0.2),
    ModuleLayout("tail", ("main",)),
    ModuleLayout("logger", ("main",)),
)


@pytest.fixture
def layout():
    empty = ((),) * 8
    made = Layout("Plain", (Source("M", "measured", "run.log"),), (BUS,), MODULES, *empty, Baseline(CaptureFacts(), {}))
    frames = (
        MessageLayout("main", "100", "A", period_ms=10.0, seen_ms=10.0, frames=5, said_by={"period_ms": "F"}),
        MessageLayout("main", "200", "B", period_ms=20.0, seen_ms=20.0, frames=5, said_by={"period_ms": "D1"}),
    )
    return dataclasses.replace(made, messages=frames)


def test_the_drawing_has_every_module_in_order_with_terminators_stubs_and_supplies(layout):
    svg = topology_svg(layout, BUS)
    names = re.findall(r'class="strong">(\w+)</text>', svg)
    assert names == ["dash", "box", "tail", "logger"]
    assert svg.count("120 Ω") == 2
    for text in ("0.5 m", "1.25 m", "0.2 m", "F1", "G1", "plug C1", "cockpit", "place unknown"):
        assert f">{text}<" in svg
    assert 'aria-label="Bus main: in order dash, box, tail; place unknown logger; terminators in dash and tail"' in svg


def test_the_drawing_as_text_says_the_same(layout):
    assert list(topology_lines(layout, BUS)) == [
        "  +-- dash, terminator 120 ohm, cockpit, plug C1, supply F1, ground G1",
        "  | 0.5 m",
        "  +-- box, stub 0.2 m",
        "  | 1.25 m",
        "  +-- tail, terminator 120 ohm",
        "  ?   logger, place unknown",
    ]


def test_a_bus_that_nobody_described_is_drawn_without_an_order(layout):
    svg = topology_svg(layout, dataclasses.replace(BUS, chain=(), lengths_m=(), terminators=(), beside=("box",)))
    assert "order of the modules not stated" in svg
    assert "120 Ω" not in svg


def test_columns_without_anything_are_left_out_and_a_common_source_stands_in_the_head(layout):
    frames = tables.frames(layout, "main")
    assert not {"jitter", "module", "worst response"} & set(frames.heads)
    at = frames.heads.index("declared")
    assert frames.marks[at] == ""
    assert [row[at].source for row in frames.rows] == ["F", "D1"]
    assert frames.marks[frames.heads.index("measured")] == "M"


def test_a_cell_of_the_page_knows_its_head_and_source(layout):
    page = render_html(layout)
    assert 'data-head="measured (M)"><span>10 ms</span>' in page
    assert 'data-head="declared"><span>10 ms<sup title="F">F</sup></span>' in page


@pytest.mark.parametrize(
    ("value", "shown"), [(None, "–"), (0.0, "0"), (12.3456, "12.35"), (123456.0, "123,456"), (0.00012, "0.00012")]
)
def test_figures_have_the_digits_that_mean_something(value, shown):
    assert tables.figure(value) == shown


def test_text_of_a_file_is_no_markdown():
    assert plain("a|b*c`d<e>[f]\n") == r"a\|b\*c\`d&lt;e&gt;\[f\]\\n"


def test_long_names_may_break_at_their_joints_and_very_long_ones_anywhere(layout):
    message = dataclasses.replace(layout.messages[0], name="BRAKE_TEMPERATURES<b>", module="x" * 60)
    page = render_html(dataclasses.replace(layout, messages=(message,)))
    assert "BRAKE_<wbr>TEMPERATURES&lt;b&gt;" in page
    assert f"{'x' * 18}<wbr>{'x' * 18}<wbr>{'x' * 18}<wbr>{'x' * 6}" in page
