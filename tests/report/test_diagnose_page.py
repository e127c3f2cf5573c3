"""The page of a diagnosis: well-formed, alone, small, harmless, with the numbers of the JSON and the traces."""

import base64
import dataclasses
import json
import re

import numpy as np
import pytest

from buswright.channels import units
from buswright.channels.samples.series import BAD, Quality, Series
from buswright.cli.main import build_parser, main
from buswright.cli.reading.examining import judge
from buswright.findings import Layer, Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.messages.model import Signal
from buswright.report.diagnosis.diagnose import Diagnosis, render_json
from buswright.report.diagnosis.page import render_html
from buswright.report.diagnosis.traces import (
    MOST_FINDINGS,
    MOST_NEIGHBOURS,
    MOST_POINTS,
    MOST_RUNS,
    POINTS,
    groups_of,
    kept_rows,
    strip,
    trace_data,
)
from buswright.report.health.report import HealthReport

from .health_examples import finding, short_report
from .pages import Page, assert_it_stands_alone, data_of, drawn_by_a_browser

SECOND = 1_000_000_000
KINDS = {"i4": np.int32, "u2": np.uint16, "u1": np.uint8, "f4": np.float32, "f8": np.float64}


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    """A short drive whose oil pressure sensor comes off its wire, with a fault of another one that has no time."""
    folder = tmp_path_factory.mktemp("faulty")
    fault = "open-circuit:channel:oil_pressure@6s"
    assert main(["demo", "--seconds", "14", "--fault", fault, "--save", str(folder)]) in (0, 1)
    words = ["diagnose", str(folder / "run.log"), "--car", str(folder / "wrenfell.toml")]
    return Diagnosis(judge(build_parser("diagnose").parse_args(words)).report)


@pytest.fixture(scope="module")
def page(faulty):
    text = render_html(faulty)
    return text, Page(text), data_of(text)


def test_the_phases_are_those_of_the_json(faulty, page):
    _, read, _ = page
    phases = render_json(faulty)["phases"]
    by_head = {tuple(each[0]): each[1:] for each in read.tables}
    rest = next(rows for heads, rows in by_head.items() if "should be" in heads)
    assert [(row[0], row[5]) for row in rest] == [(one["channel"], one["verdict"]) for one in phases["truths"]]
    started = next(rows for heads, rows in by_head.items() if "noise idling" in heads)
    assert [row[0] for row in started] == [one["channel"] for one in phases["changes"]]
    assert {"phases", "phase-rest", "phase-start", "phase-supplies", "phase-crank", "sampling"} <= set(read.ids)


def numbers(packed):
    kind, text = packed
    return np.frombuffer(base64.b64decode(text), KINDS[kind])


def test_it_is_well_formed_and_loads_nothing(page):
    text, read, _ = page
    assert_it_stands_alone(read, text)
    order = [read.ids.index(each) for each in ("findings", "finding-1", "channels", "plots", "traces-1")]
    assert order == sorted(order)


def test_its_numbers_are_those_of_the_json(faulty, page):
    _, read, _ = page
    document = render_json(faulty)
    table = next(each for each in read.tables if "state" in each[0])
    column = {head: k for k, head in enumerate(table[0])}
    assert len(table) - 1 == document["channels"]["looked_at"] == 91
    for row, one in zip(table[1:], document["channels"]["trust"], strict=True):
        assert row[0] == one["channel"]
        assert row[1].partition(" ")[2] == one["state"]
        assert row[-1] == one["why"]
        assert row[column["unit"]] == units.shown(one["unit"])
        for name, key in (("min", "minimum"), ("mean", "mean"), ("max", "maximum"), ("last", "last")):
            assert float(row[column[name]]) == pytest.approx(one[key], rel=0.006, abs=0.0006)
        share = float(row[column["bad"]].partition("\u00a0")[0])
        assert share == pytest.approx(100 * one["share"], abs=0.006)
    said = " ".join(read.texts)
    verdict, _, rest = document["verdict"].partition(". ")
    assert verdict in said
    assert rest in said
    assert document["looked_at"] in said
    assert all(text in said for each in document["findings"] for text in (*each["evidence"], each["next_check"]))


def test_the_states_sort_by_gravity(page):
    text, _, _ = page
    keys = re.findall(r'<td data-key="(\d)" data-head="state"><span><span class="tag \w+">\S ([\w ]+)</span>', text)
    assert {(key, state) for key, state in keys} == {("0", "failed"), ("2", "not judged"), ("3", "fine")}


def test_the_channel_at_fault_is_drawn_with_raw_volts_value_and_quality(faulty, page):
    _, read, data = page
    assert data["groups"][0] == {"number": 1, "place": "traces-1", "names": data["groups"][0]["names"]}
    name, *others = data["groups"][0]["names"]
    assert name == "oil_pressure"
    assert 1 <= len(others) <= MOST_NEIGHBOURS
    assert all(f"trace-0-0-{column}" in read.ids for column in ("raw", "volts", "value"))
    assert all(f"trace-0-{k}-value" in read.ids for k in range(1, len(others) + 1))
    drawn, series = data["channels"][name], faulty.report.channels[name].series
    assert [column for column, *_ in drawn["columns"]] == ["raw", "volts", "value"]
    assert [column for column, *_ in data["channels"][others[0]]["columns"]] == ["value"]
    time = numbers(drawn["time"]) * data["tick"]
    assert np.all(np.diff(time) > 0)
    rows = np.searchsorted((series.time_ns - faulty.report.first_ns) / 1e9, time - data["tick"])
    for (_, _, packed), column in zip(drawn["columns"], (series.raw, series.volts, series.value), strict=True):
        assert np.allclose(numbers(packed), column[rows], rtol=1e-6)
    assert np.array_equal(numbers(drawn["quality"]), series.quality[rows])
    reasons = dict(data["reasons"])
    assert "wiring fault" in reasons[int(Quality.ELECTRICAL_RAIL)]
    starts, _, levels = map(numbers, drawn["strip"])
    assert (levels[0], levels[-1]) == (1, 3)
    assert starts[levels == 3][0] * data["tick"] == pytest.approx(data["findings"][0][0], abs=0.05)


def test_neighbours_share_the_wiring(faulty, page):
    _, _, data = page
    channels = faulty.report.channels
    own = channels["oil_pressure"]
    for name in data["groups"][0]["names"][1:]:
        assert any(channels[name].shares(what) == own.shares(what) for what in ("supply", "ground", "plug", "message"))
        assert not channels[name].computed


def test_a_channel_that_was_asked_for_is_drawn_without_a_finding(faulty):
    chosen = Diagnosis(faulty.report, ("damper_fl",))
    groups, left_out = groups_of(chosen)
    assert [(each.number, each.channel) for each in groups] == [(0, "damper_fl")]
    assert left_out == (0, 0)
    text = render_html(chosen)
    assert_it_stands_alone(Page(text), text)
    assert "Only what concerns damper_fl is shown." in text


def test_only_the_worst_findings_get_traces_and_the_rest_is_counted(faulty):
    names = [each.name for each in faulty.report.channels.values() if each.electrical and not each.bad_samples.bad]
    names = names[: MOST_FINDINGS + 3]
    found = tuple(_open(f"channel:{name}") for name in names)
    diagnosis = Diagnosis(dataclasses.replace(faulty.report, findings=found))
    text = render_html(diagnosis)
    read = Page(text)
    assert sum(each.startswith("traces-") for each in read.ids) == MOST_FINDINGS
    assert f"Traces are drawn of the worst {MOST_FINDINGS}. Without traces: 3 findings and 1 channel more." in text
    assert sum(each.startswith("finding-") for each in read.ids) == MOST_FINDINGS + 3
    assert len(text.encode()) < 600_000


def _open(subject, **more):
    return finding("open-circuit", Layer.ELECTRICAL, Severity.FAULT, subject, **more)


def test_a_typical_page_is_small(page):
    text, _, data = page
    assert 100_000 < len(text.encode()) < 600_000
    assert all(len(numbers(each["time"])) <= MOST_POINTS * 1.2 for each in data["channels"].values())


def test_the_page_of_a_long_run_is_bounded():
    """As many findings, neighbours and changes of quality as are ever drawn."""
    wide = MOST_NEIGHBOURS + 1
    channels = {f"c{k}": _long(f"c{k}", 60_000, k) for k in range((MOST_FINDINGS + 2) * wide)}
    subjects = [f"channel:{name}" for name in channels]
    found = tuple(
        _open(subjects[k], explains=tuple(map(_open, subjects[k + 1 : k + wide])))
        for k in range(0, len(subjects), wide)
    )
    report = dataclasses.replace(short_report(found)[0], channels=Channels(channels))
    text = render_html(Diagnosis(report))
    data = data_of(text)
    assert len(data["channels"]) == MOST_FINDINGS * wide
    assert sum(len(numbers(each["time"])) for each in data["channels"].values()) < 1.2 * POINTS
    assert len(text.encode()) < 600_000


def _long(name, n, seed, start=1_770_000_000 * SECOND):
    """A channel of `n` samples, 1 ms apart, that jumps about and is bad every now and then."""
    rng = np.random.default_rng(seed)
    quality = np.where(np.arange(n) % 97 == 0, np.uint16(Quality.ELECTRICAL_RAIL), np.uint16(0)).astype(np.uint16)
    value = rng.normal(size=n)
    time = start + np.arange(n, dtype=np.int64) * 1_000_000
    series = Series(name, "V", time, value, raw=np.arange(n) % 4096, volts=value / 2, quality=quality)
    return ChannelEvidence(series, signal=Signal(name, 0, 16))


def test_a_spike_of_one_sample_and_what_is_near_a_moment_are_kept():
    n, at = 200_000, 150_000
    value = np.zeros(n)
    value[77_777] = 9.0
    value[at - 3 : at + 3] = [1, 2, 3, 3, 2, 1]
    series = Series("c", "V", np.arange(n, dtype=np.int64) * 1_000_000, value)
    rows = kept_rows(ChannelEvidence(series), [at * 1_000_000], 1000)
    assert {77_777, at - 1} <= set(rows.tolist())
    near = np.abs(rows - at) <= 1000
    assert near.sum() > 10 * len(rows) * 2000 / n
    assert len(rows) <= 1200
    assert np.all(np.diff(rows) > 0)


def test_a_gap_breaks_trace_and_strip(faulty):
    time = np.concatenate([np.arange(100), np.arange(300, 400)]).astype(np.int64) * 10_000_000
    series = Series("c", "V", time + faulty.report.first_ns, np.ones(200))
    report = dataclasses.replace(
        faulty.report, channels=Channels({"c": ChannelEvidence(series)}), findings=(_open("channel:c"),), rules=None
    )
    diagnosis = Diagnosis(report)
    data = trace_data(diagnosis, groups_of(diagnosis)[0])
    ((_, _, packed),) = data["channels"]["c"]["columns"]
    assert np.flatnonzero(np.isnan(numbers(packed))).tolist() == [100]
    starts, ends, levels = map(numbers, data["channels"]["c"]["strip"])
    assert starts * data["tick"] == pytest.approx([0.0, 3.0], abs=1e-5)
    assert ends * data["tick"] == pytest.approx([1.0, 3.99], abs=1e-5)
    assert levels.tolist() == [1, 1]


def test_a_strip_of_many_changes_is_as_grave_as_its_worst_samples():
    evidence = _long("c", 100_000, 3, start=0)
    runs = strip(evidence.series, evidence.bad, 0, 1000)
    assert len(runs[0]) <= MOST_RUNS
    assert set(runs[2].tolist()) == {3}
    calm = dataclasses.replace(evidence.series, quality=np.zeros(100_000, np.uint16))
    assert strip(calm, ChannelEvidence(calm).bad, 0, 1000)[2].tolist() == [1]
    warned = dataclasses.replace(calm, quality=np.full(100_000, Quality.TOO_FAST, np.uint16))
    assert not Quality.TOO_FAST & BAD
    assert strip(warned, ChannelEvidence(warned).bad, 0, 1000)[2].tolist() == [2]


def test_names_that_mean_harm_are_text(faulty):
    evil = '</script><img src=x onerror=alert(1)>"&\u2028'
    series = Series(evil, evil, faulty.report.first_ns + np.arange(50, dtype=np.int64) * SECOND, np.ones(50))
    found = _open(f"channel:{evil}", evidence=(evil,), caution=evil)
    channels = Channels({evil: ChannelEvidence(series)}, absent=(f"{evil}2",))
    whole = faulty.report
    report = HealthReport(whole.health, (found,), (evil,), evil, whole.clock, whole.problems, evil, channels=channels)
    text = render_html(Diagnosis(report, (evil,)))
    page = Page(text)
    assert "img" not in {tag for tag, *_ in page.attributes}
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    assert len(re.findall("</script>", text)) == 3
    assert list(data_of(text)["channels"]) == [evil]


def test_without_channels_it_says_so():
    report, _ = short_report()
    text = render_html(Diagnosis(report))
    page = Page(text)
    assert_it_stands_alone(page, text)
    assert "Channels were not decoded" in text
    assert "No traces" in text


def test_it_prints_and_reads_on_a_small_screen(page):
    """Tables scroll in a box of their own, which paper has not; each plot says in words what it shows."""
    text, _, _ = page
    assert re.search(r'<div class="wide" tabindex="0" role="region" aria-label="Channels"><table', text)
    assert re.search(r"@media print \{.*\.wide \{ overflow: visible; \}", text, re.DOTALL)
    plots = re.findall(r'<div class="plot"[^>]*>', text)
    assert all('tabindex="0"' in plot and "samples" in plot for plot in plots)
    assert len(plots) >= 4


@pytest.mark.acceptance
def test_a_browser_draws_it(faulty, tmp_path):
    text = render_html(faulty)
    drawn = drawn_by_a_browser(text, tmp_path)
    assert drawn.count("<canvas") == len(re.findall(r'<div class="plot"', text)) >= 4
    assert re.search(r'<span id="shown"[^>]*>0\.0 to 1[34]\.\d s</span>', drawn)


def test_the_command_writes_it_beside_the_text(capsys, tmp_path):
    path = tmp_path / "page.html"
    words = ["diagnose", "captures/wrenfell_keyon.asc", "--car", "dbc_examples/wrenfell.toml", "--fail-on", "never"]
    assert main([*words, "--html", str(path)]) == 0
    assert f"Page: {path}" in capsys.readouterr().out
    assert main([*words, "--html", str(path), "--force", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert len(Page(path.read_text("utf-8")).tables[0]) - 1 == document["channels"]["looked_at"]
