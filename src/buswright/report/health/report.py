"""The health of the buses as a report: what the text, the JSON and the page have in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.diagnosis.case import Case, Question
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.found import Found, Standing, worst
from buswright.diagnosis.inconclusive.asked import questions
from buswright.diagnosis.phases.tables import PhaseTables, phase_tables
from buswright.diagnosis.silence import is_missing_at_the_end
from buswright.diagnosis.trust import Trust, counts, trust
from buswright.findings import Finding, Layer, Severity
from buswright.frames.captures.capture import Capture
from buswright.frames.table import Clock, Problems
from buswright.health.baseline.baseline import Baseline
from buswright.health.channels.evidence import Channels
from buswright.health.model.health import BitRate, BusFigures, BusHealth, ModuleFigures, Peak
from buswright.health.model.identifiers import IdFigures, Sending
from buswright.report.findings import headline, tally
from buswright.report.quality import since
from buswright.report.text import problem_lines
from buswright.wording import bit_rate, duration, listed, percent, plural


@dataclass(frozen=True, eq=False)
class HealthReport:
    """What `health` shows.

    Attributes
    ----------
    health, findings
        What was measured; what was found wrong, in rank order.
    files, format, clock
        Where the frames came from.
    problems
        What their reader could not take as it stood.
    car, rules
        Name of the car, empty where nobody says; the car file, for its thresholds, None without one.
    described
        Whether a car file or a database said what should be there.
    channels
        What the channels showed; None where none were decoded.
    baseline, good_run
        The file of the good run that says what to expect, and what it remembers; empty and None without one.
    """

    health: BusHealth
    findings: tuple[Finding, ...]
    files: tuple[str, ...]
    format: str
    clock: Clock = field(default_factory=Clock)
    problems: Problems = field(default_factory=Problems)
    car: str = ""
    described: bool = False
    rules: CarFile | None = None
    channels: Channels | None = None
    baseline: str = ""
    good_run: Baseline | None = None

    @property
    def first_ns(self) -> int | None:
        """Where the report's seconds begin: the first frame measured."""
        return self.health.capture.first_ns

    @property
    def seconds(self) -> float:
        """Recorded time: of the bus that was recorded longest."""
        return max((bus.seconds for bus in self.health.buses.values()), default=0.0)

    @property
    def missing(self) -> int:
        """Frames missing, over all identifiers."""
        return sum(figures.gaps.missing for figures in self.health.ids.values())

    @property
    def worst(self) -> Severity | None:
        """The highest severity of what was found; None if nothing was."""
        return worst(self.findings)

    @cached_property
    def case(self) -> Case:
        """What was measured, with the thresholds in force."""
        return Case(self.health, self.rules, channels=self.channels, baseline=self.good_run)

    @cached_property
    def phases(self) -> PhaseTables:
        """What the run shows phase by phase, and how well its channels are sampled."""
        return phase_tables(self.case)

    @cached_property
    def trusted(self) -> tuple[Trust, ...]:
        """How far each channel can be trusted, the worst first; empty where none were decoded."""
        return trust(self.case, self.findings, self.asked)

    @cached_property
    def asked(self) -> tuple[Question, ...]:
        """What was asked of channels, supplies and grounds, and how far the run answers it."""
        return questions(self.case, self.findings)

    @cached_property
    def _found(self) -> Found:
        return Found.of(self.findings)

    @cached_property
    def _standings(self) -> Mapping[FrameName, Standing]:
        found = self._found
        return {name: found.standing(self.case, figures) for name, figures in self.health.ids.items()}

    def severity_of_id(self, name: FrameName) -> Severity | None:
        """How grave what was found of an identifier is, and what took its frames; None where it is well.

        With a module that has gone all its identifiers have whose silence says something, though none of their frames
        is called missing.
        """
        severity, figures = self._standings[name].severity, self.health.ids[name]
        if severity is not None or not is_missing_at_the_end(self.case, figures):
            return severity
        about = self._found.about(f"module:{figures.module}")
        return next((each.severity for each in about if each.fault == "module-missing"), None)

    @cached_property
    def worst_first(self) -> tuple[IdFigures, ...]:
        """Identifiers, those with the gravest findings and then with the worst numbers first."""
        return tuple(sorted(self.health.ids.values(), key=self._goodness))

    def _goodness(self, figures: IdFigures) -> tuple[float, ...]:
        severity = self.severity_of_id(figures.name)
        wrong = figures.checksum.wrong if figures.checksum else 0
        jumps = figures.counter.jumps + figures.counter.backs if figures.counter else 0
        return (
            -1.0 if severity is None else -2.0 - severity,
            -missing_share(figures),
            -float(wrong + jumps),
            -(jitter_p999(figures) or 0.0),
            float(list(self.health.buses).index(figures.name.bus)) if figures.name.bus in self.health.buses else 0.0,
            float(figures.name.id),
        )

    def at(self, time_ns: int | None) -> str:
        """Write a time as `--from` takes it: "12.3 s"."""
        return since(time_ns, self.first_ns)


def report_of(
    health: BusHealth,
    capture: Capture,
    car: CarFile | None,
    *,
    described: bool,
    channels: Channels | None = None,
    baseline: Baseline | None = None,
) -> HealthReport:
    """Judge what was measured of a capture, and of its channels where they were decoded."""
    return HealthReport(
        health,
        diagnose(health, car=car, baseline=baseline, channels=channels),
        tuple(str(path) for path in capture.paths),
        capture.format,
        capture.clock,
        capture.problems,
        car.car.name if car is not None else "",
        described,
        car,
        channels,
        good_run=baseline,
    )


def verdict(report: HealthReport) -> str:
    """Say in one line how it stands: how much was found, in capitals, and the worst of it; or the scope."""
    judged = [finding for finding in report.findings if finding.severity > Severity.NOTE]
    notes = len(report.findings) - len(judged)
    if judged:
        others = f" {len(judged) - 1} more below." if len(judged) > 1 else ""
        return f"{tally(judged).upper()}. Worst: {headline(judged[0])}.{others} {channel_words(report)}"
    seen = (
        f"{plural(len(report.health.buses), 'bus', 'buses')}, "
        f"{plural(len(report.health.ids), 'identifier')}, {plural(report.missing, 'frame')} missing"
    )
    unknown = sum(figures.period.sending == "irregular" for figures in report.health.ids.values())
    not_judged = f" ({unknown} of unknown rhythm not counted)" if unknown else ""
    more = f", {plural(notes, 'note')}" if notes else ""
    return f"BUSES: NOTHING SUSPECT. {seen}{not_judged}{more}. {channel_words(report)}"


def channel_words(report: HealthReport) -> str:
    """Say in one sentence how the channels stand: how many were looked at, and which are not fine."""
    if report.channels is None:
        return "Channels were not checked."
    number = counts(report.trusted)
    bad = [f"{number[state]} {state}" for state in ("failed", "suspect") if number[state]]
    rest = f"; {number['not judged']} not judged" if number["not judged"] else ""
    wrong = [one for one in report.trusted if one.state in ("failed", "suspect")]
    own = [one.channel for one in wrong if not one.through]
    others = [one.through.partition(":")[2] or one.through for one in wrong if one.through]
    through = f"{len(others) if own else 'all'} through {listed(list(dict.fromkeys(others)), 3)}" if others else ""
    names = "; ".join(each for each in (listed(own, 3), through) if each)
    limits = plural(len(report.channels.exceedances), "limit")
    passed = f" {limits} of the car file exceeded." if report.channels.exceedances else ""
    if not bad:
        return f"Channels: nothing suspect in {number['fine']} of {len(report.trusted)}{rest}.{passed}"
    return f"Channels: {', '.join(bad)} of {len(report.trusted)} ({names}){rest}.{passed}"


def size_words(report: HealthReport) -> str:
    """Say how much was recorded."""
    capture = report.health.capture
    return f"{plural(capture.frames, 'frame')} in {report.seconds:.1f} s"


# -- Numbers of one identifier ------------------------------------------------------------------------------------


def expected_hz(figures: IdFigures) -> float | None:
    """Return the rate that it should have; None for change-driven ones and where nobody can say."""
    period = figures.period
    return figures.expected.due_hz if period.sending in ("periodic", "change-driven", "too few") else None


RHYTHMS: Mapping[Sending, str] = {
    "heartbeat": "on change",
    "change-driven": "on change",
    "burst": "bursts",
    "on request": "on request",
    "irregular": "not known",
}
"""What stands for the source of a rate where there is none to keep."""


def expectation(figures: IdFigures) -> str:
    """Say who says what the rate should be, or why nothing is expected."""
    if figures.period.sending in RHYTHMS:
        return RHYTHMS[figures.period.sending]
    source = figures.expected.period_ns.source
    return "" if source == "unknown" else source.partition(":")[0]


def jitter_sd(figures: IdFigures) -> float | None:
    """Return the standard deviation of the period, in periods; None where there is no period to speak of."""
    return _in_periods(figures, figures.period.sd_ns)


def jitter_p999(figures: IdFigures) -> float | None:
    """Return the 99.9th percentile of the deviation from the period, in periods."""
    return _in_periods(figures, figures.period.p999_ns)


def _in_periods(figures: IdFigures, value_ns: float | None) -> float | None:
    period = figures.period
    if value_ns is None or not period.judged_ns or not period.counted:
        return None
    return value_ns / period.judged_ns


def missing(figures: IdFigures) -> str:
    """Write how many frames are missing; a dash where that is not known."""
    return f"{figures.gaps.missing:,}" if figures.period.counted else "–"


def missing_share(figures: IdFigures) -> float:
    """Frames missing over frames due, 0..1."""
    due = figures.frames + figures.gaps.missing
    return figures.gaps.missing / due if due else 0.0


def counter_words(figures: IdFigures) -> str:
    """Say how the payload's counter went: "ok", "3 jumps"; empty where there is none."""
    counter = figures.counter
    if counter is None:
        return ""
    wrong = [
        (counter.jumps, "jump", ""),
        (counter.repeats, "repeat", ""),
        (counter.backs, "step back", "steps back"),
    ]
    return ", ".join(plural(number, noun, several) for number, noun, several in wrong if number) or "ok"


def checksum_words(figures: IdFigures) -> str:
    """Say how the payload's checksum went: "ok", "3 wrong"; empty where there is none."""
    checksum = figures.checksum
    if checksum is None:
        return ""
    return f"{checksum.wrong:,} wrong" if checksum.wrong else "ok"


def remarks(figures: IdFigures) -> list[str]:
    """Say what else is worth knowing about an identifier, most important first."""
    period, lengths = figures.period, figures.lengths
    said = []
    if figures.two_senders is not None and figures.two_senders.split:
        said.append("two senders?")
    if period.conflict and period.learned_ns:
        said.append(f"actual rate {rate(1e9 / period.learned_ns)}/s")
    if figures.known is False:
        said.append("unknown")
    if lengths.off:
        said.append(f"{lengths.off:,} of wrong length")
    elif lengths.changes:
        said.append(f"length changes {lengths.changes:,}×")
    if figures.remote_frames:
        said.append(f"{figures.remote_frames:,} remote")
    if period.backwards:
        said.append(f"{period.backwards:,} back in time")
    if figures.frames > 1 and not figures.payload.changes:
        said.append("constant")
    return said


# -- Cells of the tables, which the text and the page show a choice of ----------------------------------------------


def bus_cells(bus: BusFigures, report: HealthReport) -> list[str]:
    """Return name, bit rate, load, peaks over 1 s and 100 ms, errors, frames, remote, burst, silence, interfaces."""
    silences = bus.silences
    return [
        bus.name,
        bit_rate_words(bus.bitrate),
        load_words(bus),
        peak_words(bus.peak_1s, report, 1.0),
        peak_words(bus.peak_100ms, report, 0.1),
        *(f"{number:,}" for number in (bus.errors.count, bus.frames, bus.remote_frames, bus.errors.burst)),
        duration(int((silences.end_ns - silences.start_ns).max()) if len(silences) else None),
        ", ".join(bus.interfaces),
    ]


def module_cells(module: ModuleFigures, report: HealthReport) -> list[str]:
    """Return name, bus, number of identifiers, frames, load, share of the bus, what never came, first, last."""
    return [
        module.name,
        module.bus,
        str(len(module.ids)),
        f"{module.frames:,}",
        percent(module.load),
        percent(module.share),
        ", ".join(one.text for one in module.never_came),
        report.at(module.first_ns),
        report.at(module.last_ns),
    ]


def id_cells(figures: IdFigures) -> list[str]:
    """Return rate; jitter, its 99.9 %, missing, late, longest gap; counter, checksum, remarks."""
    return [
        rate(figures.rate_hz),
        percent(jitter_sd(figures)),
        percent(jitter_p999(figures)),
        missing(figures),
        f"{figures.gaps.late:,}",
        duration(figures.period.longest_ns),
        counter_words(figures),
        checksum_words(figures),
        ", ".join(remarks(figures)),
    ]


# -- Words for numbers --------------------------------------------------------------------------------------------


def rate(hz: float | None) -> str:
    """Write a rate in hertz with as many digits as it is good for."""
    if hz is None:
        return "–"
    return f"{hz:.0f}" if hz >= 1000 else f"{hz:.1f}" if hz >= 9.95 else f"{hz:.2f}"


def bit_rate_words(rate_: BitRate) -> str:
    """Write a bit rate with the data phase's where it has one, and who says so."""
    words = bit_rate(rate_.bits_per_s)
    if rate_.data_bits_per_s is not None:
        words += f" / {bit_rate(rate_.data_bits_per_s)}"
    return words if rate_.source == "unknown" else f"{words}, {rate_.source}"


def basis_words(bus: BusFigures) -> str:
    """Say what a guessed bit rate rests on; empty where somebody gave it."""
    rate_ = bus.bitrate
    if rate_.source not in ("guessed", "unknown"):
        return ""
    basis = rate_.basis.removeprefix(f"{rate_.source}: ")
    return f"{bus.name}: bit rate {rate_.source} (set it with --bitrate): {basis}"


def load_words(bus: BusFigures) -> str:
    """Say how much a bus carried: percent of its bit rate, kbit/s where that is unknown."""
    if bus.load is not None or not bus.seconds:
        return percent(bus.load)
    return f"{(bus.bits + bus.data_bits) / bus.seconds / 1e3:.1f} kbit/s"


def peak_words(peak: Peak | None, report: HealthReport, seconds: float) -> str:
    """Say how busy the busiest window, `seconds` wide, was, and when it began."""
    if peak is None:
        return "–"
    size = percent(peak.load) if peak.load is not None else f"{peak.bits / seconds / 1e3:.1f} kbit/s"
    return f"{size} at {report.at(peak.start_ns)}"


_LIMITS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "load": (
        "load is suspect from {} over 1 s or {} over 100 ms, a fault from {} over 1 s",
        ("load_suspect", "load_peak_suspect", "load_fault"),
    ),
    "jitter": (
        "jitter is suspect from {} of the period (standard deviation), a fault from {} (99.9 %)",
        ("jitter_sd", "jitter_p999"),
    ),
    "missing": (
        "a gap over {} periods means missing frames ({} above 70 % load)",
        ("missing_periods", "missing_periods_loaded"),
    ),
    "errors": (
        "error frames: a note up to {} a minute, a fault above {} a second",
        ("error_frames_per_minute", "error_frames_per_second"),
    ),
}
_IN_PERCENT = ("load", "jitter")


def limits(report: HealthReport, which: str) -> str:
    """Write the thresholds in force for "load", "jitter", "missing" or "errors", as they stand beside the numbers.

    Once where all buses have the same; frames that have their own are named.
    """
    words, names = _LIMITS[which]
    by_bus = {}
    for bus in report.health.buses:
        values = [report.case.limit(name, bus=bus) for name in names]
        by_bus[bus] = words.format(*(percent(one, 0) if which in _IN_PERCENT else f"{one:g}" for one in values))
    alike = len(set(by_bus.values())) <= 1
    text = next(iter(by_bus.values()), "") if alike else "; ".join(f"{bus}: {said}" for bus, said in by_bus.items())
    frames = report.rules.frames.values() if report.rules else ()
    own = [str(each.name) for each in frames if any(name in each.thresholds for name in names)]
    return f"{text}; the car file has others for {listed(own)}" if own else text


def capture_lines(report: HealthReport) -> list[str]:
    """Say what is wrong with the recording itself, one sentence each; nothing for none."""
    capture = report.health.capture
    said = [
        f"finding {number}: {finding.fault}"
        for number, finding in enumerate(report.findings, 1)
        if finding.layer is Layer.CAPTURE
    ]
    said += [f"read: {line}" for line in problem_lines(report.problems)]
    if capture.untimed:
        said.append(f"{plural(capture.untimed, 'frame')} without a time stamp: rates leave them out")
    for bus in report.health.buses.values():
        said += _bus_capture_lines(bus, report)
    for pair in capture.duplicates:
        where = pair.bus if pair.bus == pair.other else f"{pair.bus}, first on {pair.other}"
        said.append(
            f"{where}: {plural(pair.copies, 'frame')} recorded twice ({percent(pair.share)} of the bus), "
            f"{report.at(pair.first_ns)} to {report.at(pair.last_ns)}"
        )
    if capture.drops:
        lost = "an unknown number of frames" if capture.dropped is None else plural(capture.dropped, "frame")
        said.append(f"the recorder reported {plural(len(capture.drops), 'loss', 'losses')}: {lost}")
    if capture.unlisted:
        said.append(f"{plural(capture.unlisted, 'frame')} not listed: too many different identifiers")
    return said


def _bus_capture_lines(bus: BusFigures, report: HealthReport) -> list[str]:
    said = []
    if bus.steps_back_count:
        worst_step = min(bus.steps_back, key=lambda step: step.step_ns)
        said.append(
            f"{bus.name}: time went backwards {plural(bus.steps_back_count, 'time')}, "
            f"by up to {duration(-worst_step.step_ns)} at {report.at(worst_step.before_ns)}"
        )
    spacing = bus.spacing
    if spacing.impossible:
        said.append(
            f"{bus.name}: {plural(spacing.impossible, 'frame')} of {spacing.pairs:,} follow closer than the wire "
            "allows: software made these time stamps"
        )
    return said
