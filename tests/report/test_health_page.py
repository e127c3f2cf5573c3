"""The HTML page: well-formed, alone, small, harmless, and with the numbers of the JSON."""

import base64
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from buswright.cli.main import main
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.table import empty_frames
from buswright.health.spacings import SpacingColumns
from buswright.report.health.as_json import render_json
from buswright.report.health.page import render_html
from buswright.report.health.plots import CELLS, COARSEST, FINEST, compand, extremes, plot_data
from buswright.report.health.report import HealthReport
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture, demo_car, write_car

from .health_examples import finding, findings, frames_of, report_of, short_report, ticks
from .pages import Page, assert_it_stands_alone, data_of, drawn_by_a_browser


@pytest.fixture(scope="module")
def rendered():
    report, spacings = short_report()
    return report, render_html(report, spacings)


def test_it_is_well_formed_and_loads_nothing(rendered):
    _, text = rendered
    page = Page(text)
    assert {"findings", "plots", "buses", "ids", "capture", "load-0", "strips-0", "load-1", "strips-1"} <= set(page.ids)
    assert_it_stands_alone(page, text)


def test_links_and_labels_work_without_a_mouse(rendered):
    _, text = rendered
    page = Page(text)
    anchors = [value[1:] for _, name, value in page.attributes if name == "href"]
    assert set(anchors) <= set(page.ids)
    plots = re.findall(r'<div class="plot"[^>]*>', text)
    assert len(plots) == 4
    assert all('tabindex="0"' in plot and "aria-label=" in plot for plot in plots)
    assert len(re.findall(r"<button type=\"button\" data-move", text)) == 5


def test_its_numbers_are_those_of_the_json(rendered):
    report, text = rendered
    document, page, data = render_json(report), Page(text), data_of(text)
    buses, ids = page.tables
    for bus, drawn, row in zip(document["buses"], data["buses"], buses[1:], strict=True):
        assert row[0] == bus["name"] == drawn["name"]
        assert f"{100 * bus['load']:.1f} %" in row
        # Drawn are windows of the grid; the peaks lie wherever they are highest.
        assert 0.8 * 100 * bus["peak_100ms"]["load"] < max(drawn["fast"]) <= 100 * bus["peak_100ms"]["load"] + 0.05
        slow = max(value for value in drawn["slow"] if value is not None)
        assert slow == pytest.approx(100 * max(bus["windows_1s"]["load"]), abs=0.05)
        assert slow <= 100 * bus["peak_1s"]["load"] + 0.05
        assert f"{100 * bus['peak_1s']['load']:.1f} %" in " ".join(row)
        assert drawn["errors"] == []
    column = {head.replace("\u00a0", " "): k for k, head in enumerate(ids[0])}
    for each, row in zip(document["ids"], ids[1:], strict=True):
        assert row[0] == each["name"]
        missing = each["gaps"]["missing"]
        assert row[column["missing"]] == ("–" if missing is None else f"{missing:,}")
        assert row[column["frames"]] == f"{each['frames']:,}"
        assert float(row[column["per s"]]) == pytest.approx(each["rate_hz"], abs=0.06)
        jitter = each["jitter_sd"]
        assert row[column["jitter"]] == ("–" if jitter is None else f"{100 * jitter:.1f} %")
    bus = document["findings"][0]["subject"].partition(":")[2].partition("/")[0]
    assert [each[2:] for each in data["findings"]] == [[1, "fault", bus]]
    assert data["findings"][0][:2] == pytest.approx([6.999, 7.059], abs=0.002)
    said = " ".join(page.texts)
    assert all(text in said for each in document["findings"] for text in each["evidence"])


def test_it_says_where_a_named_peak_may_be_higher_than_its_curve(rendered):
    report, text = rendered
    assert text.count("Peaks may begin anywhere, so they can be higher.") == len(report.health.buses)


def test_strips_hold_every_extreme_and_every_gap(rendered):
    report, text = rendered
    data = data_of(text)
    lanes = {lane["label"]: lane for lane in data["buses"][0]["lanes"]}
    assert list(lanes) == ["0A0", "2B0"]
    (gap,) = lanes["0A0"]["gaps"]
    assert gap == pytest.approx([6.99, 0.06, 5], abs=0.02)
    late = np.frombuffer(base64.b64decode(lanes["2B0"]["late"]), np.int8)
    early = np.frombuffer(base64.b64decode(lanes["2B0"]["early"]), np.int8)
    assert len(late) == len(data["columns"]) <= 1200
    figures = next(f for f in report.health.ids.values() if str(f.name) == "can0/2B0")
    longest = figures.period.longest_ns / figures.period.judged_ns - 1
    assert expanded(late[late > -128].max()) == pytest.approx(longest, rel=0.08, abs=FINEST)
    shortest = figures.period.shortest_ns / figures.period.judged_ns - 1
    assert -expanded(-early[early > -128].astype(int).min()) == pytest.approx(shortest, rel=0.08, abs=FINEST)


def expanded(code):
    """What health.js makes of a byte."""
    return np.expm1(abs(code) / 127 * np.log1p(COARSEST / FINEST)) * FINEST


def test_names_that_mean_harm_are_text():
    evil = '</script><img src=x onerror=alert(1)>"&\u2028'
    found = finding("frames-lost", *_node_fault(), f"id:{evil}", evidence=(evil,), caution=evil)
    report, spacings = short_report((found,))
    report = HealthReport(report.health, (found,), (evil,), evil, report.clock, report.problems, evil)
    text = render_html(report, spacings)
    page = Page(text)
    assert "img" not in {tag for tag, *_ in page.attributes}
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    assert len(re.findall("</script>", text)) == 3
    data_of(text)


def _node_fault():
    lost = findings()[0]
    return lost.layer, lost.severity


def test_a_typical_page_is_small():
    car = demo_car()
    tracker_frames = list(SimulatedCapture(60.0))
    report, spacings = _measured(tracker_frames, car)
    text = render_html(report, spacings)
    assert 100_000 < len(text.encode()) < 300_000
    labels = [lane["label"] for bus in data_of(text)["buses"] for lane in bus["lanes"]]
    assert "1A0 DAMPERS_A" in labels
    assert len(labels) == len(report.health.ids)


def _measured(batches, car):
    from buswright.channels.carfile.needs import interface_names
    from buswright.health.track import HealthTracker

    tracker, spacings = HealthTracker(car=car), SpacingColumns(interface_names(car))
    for frames in batches:
        tracker.update(frames)
        spacings.update(frames)
    return HealthReport(tracker.result(), (), ("demo",), "simulated", car=car.car.name), spacings.result()


def test_a_long_run_with_many_identifiers_stays_bounded():
    lanes = [(0, 0x100 + k, 0, ticks(1.0, 3600.0, 0.3, k) + k / 1000) for k in range(300)]
    report, spacings = report_of(frames_of(lanes), bitrates={"*": 500_000})
    data = plot_data(report, spacings)
    (bus,) = data["buses"]
    assert len(bus["lanes"]) == 300
    assert len(data["columns"]) * 300 <= CELLS
    assert len(bus["time"]) < 3000
    assert max(bus["fast"]) == pytest.approx(100 * report.health.buses["can0"].windows.load.max(), abs=0.05)
    assert len(render_html(report, spacings)) < 900_000


def test_no_frames_and_no_times_are_pages_too():
    report, spacings = report_of(empty_frames(("can0",)))
    page = Page(render_html(report, spacings))
    assert "load-0" not in page.ids
    frames = frames_of([(0, 0x123, 0, ticks(0.1, 2.0))])
    untimed = type(frames)(
        np.zeros_like(frames.time_ns),
        *(frames.bus, frames.id, frames.flags | np.uint8(128), frames.dlc, frames.length, frames.payload, frames.buses),
    )
    text = render_html(*report_of(untimed))
    assert "no frame has a time stamp" in text
    assert "without a time" in text
    Page(text)


def test_a_jump_of_the_clock_leaves_a_hole_in_the_load():
    times = ticks(0.01, 2.0)
    report, spacings = report_of(
        frames_of([(0, 0x123, 0, np.concatenate([times, times + 5000.0]))]), bitrates={"*": 500_000}
    )
    (bus,) = plot_data(report, spacings)["buses"]
    assert None in bus["fast"]
    assert bus["time"] == sorted(bus["time"])
    assert len(bus["time"]) == len(bus["fast"]) == len(bus["slow"])


@given(arrays(np.float64, st.integers(1, 400), elements=st.floats(0, 1)), st.integers(1, 50))
def test_extremes_keep_the_extremes(values, stretches):
    rows = extremes(values, stretches)
    assert np.all(np.diff(rows) > 0)
    assert len(rows) <= max(len(values) if len(values) <= 2 * stretches else 0, 2 * stretches + 2)
    assert values[rows].max() == values.max()
    assert values[rows].min() == values.min()
    assert {rows[0], rows[-1]} == {0, len(values) - 1}


@given(st.floats(-1, 100))
def test_bytes_of_deviations_keep_sign_and_size(deviation):
    (code,) = compand(np.array([deviation]))
    assert code != -128
    size = min(abs(deviation), COARSEST)
    assert expanded(int(code)) == pytest.approx(size, rel=0.05, abs=FINEST / 10)
    assert code == 0 or (code > 0) == (deviation > 0)


@pytest.mark.acceptance
def test_a_browser_draws_it(tmp_path):
    report, spacings = short_report()
    drawn = drawn_by_a_browser(render_html(report, spacings), tmp_path)
    assert drawn.count("<canvas") == 4
    assert re.search(r'<span id="shown"[^>]*>0\.0 to 20\.0 s</span>', drawn)


def test_a_silent_module_is_found_for_its_identifiers_and_shades_its_own_bus(tmp_path):
    source = SimulatedCapture(14.0, 1, faults=[read_fault("module-missing:module:wheel_node@6s")])
    with (tmp_path / "run.log").open("wb") as stream:
        write_candump(source, stream)
    words = ["health", str(tmp_path / "run.log"), "--car", str(write_car(tmp_path)), "--html", str(tmp_path / "x.html")]
    assert main(words) == 1
    text = (tmp_path / "x.html").read_text(encoding="utf-8")
    head, *rows = next(table for table in Page(text).tables if "found" in table[0])
    found = {row[head.index("module")]: row[head.index("found")] for row in rows}
    assert {module for module, said in found.items() if "fault" in said} == {"wheel_node"}
    assert [each[2:] for each in data_of(text)["findings"]] == [[1, "fault", "chassis"]]
