"""One judge: overview, identifiers, findings, text, JSON and page never contradict each other.

Random thresholds stand in the car file, random faults in the figures; then everything that says how something is is
held against everything else that says it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from html import escape
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import Bus, CarFile, FrameEntry, FrameName
from buswright.channels.carfile.needs import interface_names
from buswright.channels.following.model import ChannelNow, SilenceLimits
from buswright.diagnosis.case import subject_of
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.found import every
from buswright.diagnosis.now.channels import judge_channel
from buswright.diagnosis.now.identifiers import Rank
from buswright.diagnosis.now.modules import Sender
from buswright.findings import THRESHOLDS, Finding, Severity
from buswright.health.model.health import BusHealth, ModuleFigures
from buswright.health.model.identifiers import CounterEvent, Lengths
from buswright.health.recent import BusNow, IdNow, Recent
from buswright.health.spacings import SpacingColumns, Spacings
from buswright.report.health.as_json import render_json
from buswright.report.health.page import render_html
from buswright.report.health.report import HealthReport, verdict
from buswright.report.health.text import MARKS, render_text
from buswright.simulate.source import SimulatedCapture
from buswright.tui.screens.channels import rows as channel_rows
from buswright.tui.screens.identifiers.rows import SORTS, cells_of, rows_of
from buswright.tui.screens.overview.bus_lines import facts
from buswright.tui.widgets.toned import severity_tone
from buswright.worker.snapshot import Snapshot

from .diagnosis.made import MS, SECONDS, S, absent, bus, counter, errors, gaps, health, identifier
from .tui.made import FAULTS, measured, snapshot_of
from .tui.made import SECONDS as RUN_S

END = SECONDS * S
BUSES = ("main", "aux")
ON_BUSES = [
    "load_suspect",
    "load_fault",
    "load_peak_suspect",
    "error_frames_per_minute",
    "error_frames_per_second",
    "error_burst",
    "startup_ignore_s",
    "id_missing_periods",
    "id_missing_s",
    "missing_periods",
    "missing_periods_loaded",
    "lost_share_suspect",
    "lost_share_fault",
    "jitter_sd",
    "jitter_p999",
]
ON_FRAMES = [
    "missing_periods",
    "missing_periods_loaded",
    "id_missing_periods",
    "id_missing_s",
    "lost_share_suspect",
    "lost_share_fault",
    "jitter_sd",
    "jitter_p999",
]
PHASES = (Phase.explicit, Phase.reuse, Phase.generate)
"""An example that fails is told as it is: to make it smaller takes minutes."""
SILENCES = frozenset(
    [
        "id-missing",
        "module-missing",
        "segment-open",
        "bus-off",
        "filter-in-force",
        "no-acknowledge",
        "capture-drop",
        "module-reset",
    ]
)
"""Findings that may tell of an identifier that is gone."""


# Random runs ----------------------------------------------------------------------------------------------------------


def thresholds(names: list[str]) -> st.SearchStrategy[dict[str, float]]:
    """Overrides of some thresholds, far below the default or far above."""
    factors = st.dictionaries(st.sampled_from(names), st.sampled_from([0.05, 0.4, 1.3, 3.0, 8.0, 40.0]), max_size=4)
    return factors.map(lambda found: {name: THRESHOLDS[name].default * factor for name, factor in found.items()})


@st.composite
def silences(draw: st.DrawFn, period_ms: float) -> list[tuple[int, int]]:
    """A few gaps of an identifier, one after the other."""
    rows, at = [], 5 * S
    for _ in range(draw(st.integers(0, 4))):
        at += draw(st.integers(1, 40)) * S // 10
        end = at + round(draw(st.integers(2, 300)) * period_ms * MS)
        if end > END - 15 * S:
            break
        rows.append((at, end))
        at = end
    return rows


@st.composite
def identifiers(draw: st.DrawFn, name: str, number: int) -> Any:
    """Somebody who may be silent, lossy, strange, or send frames of a wrong length."""
    period_ms = draw(st.sampled_from([5.0, 10.0, 100.0, 1000.0, None]))
    changes: dict[str, Any] = {"known": draw(st.sampled_from([True, True, False, None]))}
    if draw(st.booleans()):
        changes["last_ns"] = END - draw(st.sampled_from([S // 5, 3 * S // 2, 4 * S, 9 * S, 14 * S])) - number
    if draw(st.integers(0, 5)) == 0:
        changes["first_ns"] = 4 * S
    if period_ms is not None:
        changes["gaps"] = gaps(draw(silences(period_ms)), round(period_ms * MS))
    kind = draw(st.sampled_from(["well"] * 4 + ["counter", "length"]))
    if kind == "counter":
        events = tuple(CounterEvent(10 * S + n * S, "jump", 3, False) for n in range(5))
        changes["counter"] = counter(jumps=5, jumps_without_gap=5, lost=10, events=events)
    elif kind == "length":
        changes["lengths"] = Lengths({7: 5, 8: 100}, 8, 5, 0, ())
    module = draw(st.sampled_from([f"{name}_a", f"{name}_b", None]))
    return identifier(number, period_ms, module, name, **changes)


class Run:
    """A whole run and the car file for it; what they hold is too long to be told."""

    def __init__(self, measured: BusHealth, car: CarFile) -> None:
        self.health, self.car = measured, car

    def __repr__(self) -> str:
        return "a run"


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """A run with random faults, and random thresholds for it."""
    ids, buses = [], []
    for place, name in enumerate(BUSES):
        ids += [draw(identifiers(name, 0x100 * (place + 1) + n)) for n in range(draw(st.integers(1, 4)))]
        times = [draw(st.integers(0, END)) for _ in range(draw(st.sampled_from([0, 0, 1, 30])))]
        buses.append(bus(name, draw(st.sampled_from([0.02, 0.2, 0.5, 0.65, 0.85, 0.97])), errors=errors(times)))
    never = ModuleFigures("main_c", "main", (), (absent(0x700, "ABSENT", "main_c", 10.0),), 0, 0, 0.0, 0.0, None, None)
    measured = health(ids, buses, modules=[never] * draw(st.integers(0, 1)))
    return Run(measured, draw(car_files([each.name for each in ids])))


@st.composite
def car_files(draw: st.DrawFn, names: list[FrameName]) -> CarFile:
    """A car file that says nothing but thresholds."""
    frames = draw(st.dictionaries(st.sampled_from(names), thresholds(ON_FRAMES), max_size=2))
    return replace(
        an_empty_car(),
        buses={name: Bus(name, 500_000, thresholds=draw(thresholds(ON_BUSES))) for name in BUSES},
        frames={name: FrameEntry(name, thresholds=own) for name, own in frames.items()},
    )


@cache
def an_empty_car() -> CarFile:
    return replace(snapshot_of().car, modules={}, channels={}, databases={}, frames={}, buses={})


def shown(measured: BusHealth, car: CarFile) -> Snapshot:
    """What the screens are given at the end of a run."""
    base = snapshot_of()
    ids = {
        name: IdNow(name, each.frames, each.first_ns or 0, each.last_ns or 0, each.rate_hz, b"", 0, False)
        for name, each in measured.ids.items()
    }
    now = {
        name: BusNow(name, 1000.0, (each.load or 0.0) * 500_000, 0.0, each.last_ns)
        for name, each in measured.buses.items()
    }
    return replace(
        base,
        source=replace(base.source, first_ns=0, now_ns=END, end_ns=END, receptions=()),
        health=measured,
        recent=Recent(END, now, ids),
        findings=diagnose(measured, car=car),
        car=car,
        channels=tuple(channels_of(measured, car)),
    )


def channels_of(measured: BusHealth, car: CarFile) -> Iterator[ChannelNow]:
    """A channel of each message, which lately came as its identifier did; some are bad or beyond a limit."""
    some = snapshot_of().channels[0]
    for n, (name, figures) in enumerate(measured.ids.items()):
        yield replace(
            some,
            name=str(name),
            bus=name.bus,
            message=figures.message,
            silent_ns=END - figures.last_ns,
            period_ns=figures.period.judged_ns or 0.0,
            silence=SilenceLimits.of(car, name, name.bus),
            usable=n % 4 != 1,
            level=(None, "caution", "warning")[n % 3],
            side=("low", "high")[n % 2],
        )


# What must hold -------------------------------------------------------------------------------------------------------


def contradictions(snapshot: Snapshot) -> Iterator[str]:
    """Yield what one says and another denies."""
    yield from _of_identifiers(snapshot)
    yield from _of_modules(snapshot)
    yield from _of_buses(snapshot)
    yield from _of_channels(snapshot)
    yield from _of_reports(snapshot)


def _at_least(one: Severity | None, other: Severity) -> bool:
    return one is not None and one >= other


def _of_identifiers(snapshot: Snapshot) -> Iterator[str]:
    states, everything = snapshot.verdicts.ids, list(every(snapshot.findings))
    for name, state in states.items():
        figures = snapshot.health.ids[name]
        own = [each for each in everything if each.subject == subject_of(name)]
        if state.word == "ok" and (figures.gaps.missing or any(each.severity > Severity.NOTE for each in own)):
            yield f"{name} is ok, with {figures.gaps.missing} missing frames and {own}"
        for each in own:
            if each.severity > Severity.NOTE and not (_at_least(state.severity, each.severity) or _at_once(state.rank)):
                yield f"{name} is {state.word}, though {each.fault} is {each.severity}"
        if state.rank is Rank.MISSING and not any(_tells_of(each, snapshot, name) for each in everything):
            yield f"{name} is MISSING, and no finding says so"
        gone = [
            each for each in own if each.fault == "id-missing" and each.end_ns == END and each.end_ns > figures.last_ns
        ]
        if gone and state.rank is not Rank.MISSING:
            yield f"{name} is {state.word}, and a finding says that it is gone"
    unseen = {each.key: each.state for each in snapshot.verdicts.unseen}
    for each in snapshot.findings:
        kind, _, subject = each.subject.partition(":")
        never = [state for name, state in unseen.items() if str(name) == subject]
        if kind == "id" and never and never[0].severity != each.severity:
            yield f"{subject} never came: {never[0].severity} and {each.severity}"
    rows = sorted(rows_of(snapshot), key=SORTS["importance"])
    grave = [-1 if row.state.severity is None else row.state.severity for row in rows]
    if grave != sorted(grave, reverse=True):
        yield f"the list of identifiers is not in the order of severities: {grave}"
    for row in rows:
        cells_of(row)


def _at_once(rank: Rank) -> bool:
    return rank in (Rank.MISSING, Rank.LATE, Rank.FAST)


def _tells_of(finding: Finding, snapshot: Snapshot, name: FrameName) -> bool:
    figures = snapshot.health.ids[name]
    text = str(name).rpartition("/")[2]
    subjects = {subject_of(name), f"module:{figures.module}", f"bus:{name.bus}", "capture"}
    nameless = finding.subject.startswith("module:") and text in re.split(r"[/+]", finding.subject)
    return finding.fault in SILENCES and (finding.subject in subjects or nameless)


def _of_modules(snapshot: Snapshot) -> Iterator[str]:
    states = snapshot.verdicts.ids
    missing = {name for name, state in states.items() if state.rank is Rank.MISSING}
    silent = {name for each in snapshot.verdicts.senders for name in each.silent}
    if silent != missing:
        yield f"overview: {silent} are silent, identifiers: {missing} are MISSING"
    away = {each.name for each in snapshot.verdicts.buses if each.silent_since_ns is not None}
    told = {subject for each in snapshot.verdicts.wrong_now for subject in each.about}
    for each in snapshot.verdicts.senders:
        all_gone = bool(each.silent) and all(
            states[name].rank is Rank.MISSING for name in each.ids if snapshot.health.ids[name].period.judged_ns
        )
        if (each.state == "MISSING") != (all_gone and not _still_sends(snapshot, each)):
            yield f"{each.name} is {each.state}, its identifiers: {[states[name].word for name in each.ids]}"
        subjects = {f"module:{each.module}", *(subject_of(name) for name in each.silent)}
        if each.silent and each.bus not in away and not subjects & told:
            yield f"{each.name} is {each.state}, and nothing is wrong now"
    for finding in snapshot.findings:
        kind, _, name = finding.subject.partition(":")
        sender = next((each for each in snapshot.verdicts.senders if each.module == name), None)
        if kind != "module" or sender is None or finding.severity is Severity.NOTE:
            continue
        if not _at_least(sender.severity, finding.severity):
            yield f"{name} is {sender.state} ({sender.severity}), though {finding.fault} is {finding.severity}"
    for entry in snapshot.verdicts.wrong_now:
        if entry.finding is not None and not any(each.fault in SILENCES for each in every([entry.finding])):
            yield f"{entry.subject}: {entry.finding.fault} speaks of another thing"


def _still_sends(snapshot: Snapshot, sender: Sender) -> bool:
    """Whether anything of a module that has no period came 0.1 s after the first of its silent frames was due."""
    last = {name: snapshot.moment.last_ns(snapshot.health.ids[name]) or 0 for name in sender.ids}
    period = {name: snapshot.health.ids[name].period.due_ns or 0.0 for name in sender.ids}
    due = min((last[name] + period[name] for name in sender.silent), default=0)
    return any(not period[name] and last[name] > due + 0.1 * S for name in sender.ids)


def _of_buses(snapshot: Snapshot) -> Iterator[str]:
    everything = list(every(snapshot.findings))
    for state in snapshot.verdicts.buses:
        own = {each.fault: each.severity for each in everything if each.subject == f"bus:{state.name}"}
        # The load is the same all the time: the meter of the last seconds must have the level of the finding.
        levels = [each for each in (state.load_severity, state.peak_severity) if each is not None]
        if max(levels, default=None) != own.get("bus-overload"):
            yield f"{state.name}: the meter is {levels} at {state.load}, the finding {own.get('bus-overload')}"
        if state.errors != own.get("bus-errors"):
            yield f"{state.name}: errors are {state.errors}, the finding {own.get('bus-errors')}"
        for each in snapshot.findings:
            mine = each.subject == f"bus:{state.name}" and each.severity > Severity.NOTE
            if mine and not _at_least(state.severity, each.severity):
                yield f"{state.name} is {state.severity}, though {each.fault} is {each.severity}"
        list(facts(snapshot, state))


def _of_channels(snapshot: Snapshot) -> Iterator[str]:
    ids = {str(name): state for name, state in snapshot.verdicts.ids.items()}
    for each in snapshot.channels:
        state, figures = judge_channel(each), ids.get(each.name)
        cell = channel_rows.state_cell(each)
        if cell.text.split()[0].casefold() != state.word or cell.tone != severity_tone(state.severity, cell.tone):
            yield f"{each.name} is {state.word} ({state.severity}), and {cell} is shown"
        if (state.severity is None) != (cell.tone in ("good", "dim")):
            yield f"{each.name} is {state.severity}, and its word is {cell.tone}"
        if figures is None or not each.period_ns or _strange(snapshot, each.name):
            continue
        gone = state.word == "silent" and state.severity is Severity.FAULT
        if gone != (figures.rank is Rank.MISSING):
            yield f"channel {each.name} is {state.word} ({state.severity}), its identifier {figures.word}"
        if state.word == "silent" and figures.rank not in (Rank.MISSING, Rank.LATE):
            yield f"channel {each.name} is silent, its identifier {figures.word}"
    keys = channel_rows.keys_of(snapshot.channels, "worst", "none")
    by_name = {each.name: judge_channel(each) for each in snapshot.channels}
    if sorted(keys, key=lambda name: by_name[str(name)].concern) != keys:
        yield f"channels are not in the order of concern: {keys}"


def _strange(snapshot: Snapshot, name: str) -> bool:
    """Whether nothing knows it, so that it has no channels in truth."""
    return next(figures.known is False for each, figures in snapshot.health.ids.items() if str(each) == name)


def _of_limits(document: dict[str, Any], page: str, snapshot: Snapshot) -> Iterator[str]:
    """Yield where figures stand beside a limit that is not in force, or contradict it."""
    case, states = snapshot.moment.case, {str(name): state for name, state in snapshot.verdicts.ids.items()}
    for each in (*document["ids"], *document["buses"]):
        name = next((name for name in snapshot.health.ids if str(name) == each["name"]), None)
        for limit, value in each["limits"].items():
            if value != case.limit(limit, frame=name, bus=name.bus if name else each["name"]):
                yield f"{each['name']}: {limit} = {value} in JSON"
        if name is None:
            continue
        wide = [each[key] is not None and each[key] > each["limits"][key] for key in ("jitter_sd", "jitter_p999")]
        if snapshot.health.ids[name].period.sending == "periodic":
            state = states[each["name"]]
            if wide != [state.sd_wide, state.p999_wide]:
                yield f"{name}: {wide} by the limits in JSON, {state.sd_wide}, {state.p999_wide} on the screen"
    data = json.loads(re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL).group(1))
    by_label = {}
    for drawn in data["buses"]:
        by_label |= {(drawn["name"], lane["label"].split()[0]): lane["jitter"] for lane in drawn["lanes"]}
    for each in document["ids"]:
        lane = by_label.get((each["bus"], each["id"]))
        if lane is not None and lane != [each["limits"]["jitter_sd"], each["limits"]["jitter_p999"]]:
            yield f"{each['name']}: its strip has {lane}"


def _of_reports(snapshot: Snapshot, spacings: Spacings | None = None) -> Iterator[str]:
    report = HealthReport(snapshot.health, snapshot.findings, ("run",), "made", described=True, rules=snapshot.car)
    text, page = (
        render_text(report, width=100_000, every=True),
        render_html(report, spacings or SpacingColumns().result()),
    )
    document, headline = render_json(report), verdict(report)
    yield from _of_limits(document, page, snapshot)
    if text.splitlines()[0] != headline or document["verdict"] != headline:
        yield f"headlines: {text.splitlines()[0]!r}, {document['verdict']!r}, {headline!r}"
    first, _, rest = headline.partition(". ")
    if f"<strong>{escape(first)}.</strong> {escape(rest)}" not in page:
        yield f"the page doesn't say {headline}"
    for severity in (Severity.FAULT, Severity.SUSPECT):
        said = re.search(rf"(\d+) {severity.name}S?\b", first)
        number = sum(each["severity"] == severity.name.lower() for each in document["findings"])
        if number != (int(said.group(1)) if said else 0):
            yield f"{headline!r}, and {number} of {severity}"
    numbers = len(re.findall(r'<article class="finding', page)), len(document["findings"]), len(snapshot.findings)
    numbered = len(re.findall(r"^  \d+\. (?:FAULT|SUSPECT|NOTE) ", text, re.MULTILINE))
    if {*numbers, numbered} != {len(snapshot.findings)}:
        yield f"findings: {numbers} and {numbered} in the text"
    worst = max((each.severity for each in snapshot.findings), default=None)
    if document["worst"] != (None if worst is None else worst.name.lower()):
        yield f"worst: {document['worst']}, and {worst}"
    for each in document["ids"]:
        name = next(name for name in snapshot.health.ids if str(name) == each["name"])
        severity, state = report.severity_of_id(name), snapshot.verdicts.ids[name]
        if each["worst"] != (None if severity is None else severity.name.lower()):
            yield f"{name}: {each['worst']} in JSON, {severity}"
        if severity is not None and severity > Severity.NOTE and not state.needs_a_look:
            yield f"{name}: {severity} in the report, {state.word} on the screen"
        line = next((line for line in text.splitlines() if f" {name}  " in line[:30]), "")
        if line and line.split()[0] != (MARKS[severity] or str(name)):
            yield f"{name}: {severity}, and the text has {line!r}"


@settings(max_examples=60, phases=PHASES, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.data())
def test_nobody_contradicts_the_others_whatever_the_faults_and_the_limits(data: st.DataObject) -> None:
    run = data.draw(runs())
    assert list(contradictions(shown(run.health, run.car))) == []


@pytest.mark.parametrize(
    ("last_ns", "fault", "subject"),
    [
        (END - 10 * S, "module-missing", "module:main_b"),
        (END - S // 5, "id-missing", "id:main/100"),  # what still comes shows that its module has power
    ],
)
def test_an_identifier_without_a_rhythm_goes_with_no_module(last_ns: int, fault: str, subject: str) -> None:
    run = health(
        [
            identifier(0x100, 100.0, "main_b", last_ns=END - 9 * S),
            identifier(0x101, None, "main_b", last_ns=last_ns),
            identifier(0x102, 10.0, "main_a"),
        ],
        [bus("main")],
    )
    snapshot = shown(run, an_empty_car())
    missing = [each for each in snapshot.findings if each.fault.endswith("-missing")]
    assert [(each.fault, each.subject) for each in missing] == [(fault, subject)]
    assert list(contradictions(snapshot)) == []


@settings(max_examples=8, phases=PHASES, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_nobody_contradicts_the_others_in_a_measured_run(data: st.DataObject) -> None:
    base = snapshot_of()
    assert base.car is not None
    buses = {name: replace(each, thresholds=data.draw(thresholds(ON_BUSES))) for name, each in base.car.buses.items()}
    own = data.draw(st.sampled_from(list(base.health.ids)))
    car = replace(base.car, buses=buses, frames={own: FrameEntry(own, thresholds=data.draw(thresholds(ON_FRAMES)))})
    health, frames = measured(SimulatedCapture(RUN_S, faults=FAULTS), car)
    spacings = SpacingColumns(interface_names(car))
    spacings.update(frames)
    snapshot = replace(base, car=car, health=health, findings=diagnose(health, car=car))
    assert list(contradictions(snapshot)) == []
    assert list(_of_reports(snapshot, spacings.result())) == []
    assert list(_of_gaps(snapshot)) == []


def _of_gaps(snapshot: Snapshot) -> Iterator[str]:
    """Yield where what was counted as missing is not what the limits in force say."""
    for name, figures in snapshot.health.ids.items():
        gaps, limit = figures.gaps, snapshot.moment.case.limit("missing_periods", frame=name)
        long = (gaps.end_ns - gaps.start_ns) / gaps.period_ns
        if (long <= limit).any():
            yield f"{name}: a gap of {long.min()} periods, with missing_periods = {limit}"
        if f"{limit:g}" not in gaps.rule:
            yield f"{name}: gaps over {gaps.rule}, with missing_periods = {limit}"
