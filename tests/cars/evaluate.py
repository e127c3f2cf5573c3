"""How well a diagnosis does on these cars: `python -m tests.cars.evaluate --seeds 0-5 --faults open-circuit,stuck`."""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import io
import json
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path

from tests.cars.cases import COMBINED, INJECTORS, KINDS, STYLES, Case, clean_run, make

SEVERITIES = ("note", "suspect", "fault")
COMMAND = "diagnose" if importlib.util.find_spec("buswright.cli.commands.runs.diagnose") else "health"
"""The command under test; findings look the same in both."""


@dataclass(frozen=True)
class Answer:
    """A root finding of the diagnosis."""

    fault: str
    subject: str
    severity: str
    confidence: float
    explains: tuple[tuple[str, str], ...] = ()
    right: bool = False
    rivals: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Asked:
    """What the diagnosis says it can, or can't, tell of some subjects beyond its findings."""

    faults: tuple[str, ...]
    subjects: tuple[str, ...]
    open: bool


@dataclass(frozen=True)
class Said:
    """A whole diagnosis: root findings in rank order, and what it says it can't tell."""

    answers: tuple[Answer, ...]
    asked: tuple[Asked, ...] = ()


GOOD, GOOD_MINUTES = "good.json", 1.2
Diagnose = Callable[[Path, Path], Said]
"""From a capture and a car file to a diagnosis."""


def by_command(capture: Path, car_file: Path, command: str = COMMAND) -> Said:
    """Run the command, within this process to save its start, and read its findings."""
    call = [command, str(capture), "--car", str(car_file), "--json", "--fail-on", "never"]
    good = capture.parent / GOOD
    if good.exists():
        call += ["--baseline", str(good)]
    return read_findings(_called(call))


def _called(call: list[str]) -> str:
    from buswright.cli.main import status_of

    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        status = status_of(call)
    if status:
        raise RuntimeError(
            f"buswright {' '.join(call)}: exit status {status}\n{said.getvalue()}{complained.getvalue()}"
        )
    return said.getvalue()


def _remember(style: str, seed: int, folder: Path) -> None:
    """Lay a baseline of a good run of the same car beside the capture."""
    with tempfile.TemporaryDirectory() as other:
        good = clean_run(style, seed, GOOD_MINUTES, "run", Path(other)).case
        _called(["remember", str(good.capture), "--car", str(good.car_file), "--out", str(folder / GOOD)])


def read_findings(text: str) -> Said:
    """Read the findings, and what is left open, out of a command's JSON."""
    document = json.loads(text)

    def inside(finding: dict) -> Iterable[tuple[str, str]]:  # type: ignore[type-arg]
        for held in finding.get("explains", ()):
            yield held["fault"], held["subject"]
            yield from inside(held)

    answers = tuple(
        Answer(
            f["fault"],
            f["subject"],
            f["severity"],
            float(f["confidence"]),
            tuple(inside(f)),
            rivals=tuple((r["fault"], r["subject"]) for r in f.get("rivals", ())),
        )
        for f in document["findings"]
    )
    asked = tuple(Asked(tuple(a["faults"]), tuple(a["subjects"]), a["open"]) for a in document.get("asked", ()))
    return Said(answers, asked)


@dataclass
class Outcome:
    """What became of one case."""

    name: str
    style: str
    seed: int
    level: float
    fault: str
    subject: str
    detectable: bool
    why: str
    combined: bool
    seconds: float
    answers: list[Answer] = field(default_factory=list)
    error: str = ""
    first_right: bool = False
    found: bool = False
    wrong_blame: bool = False
    above_symptoms: bool = True
    kind: str = ""
    left_open: bool = False
    below_limit: bool = False
    open_faults: int = 0

    @property
    def honest(self) -> bool:
        """Whether of what can't be decided it says so: that the run can't tell, or from which size on it would."""
        return not self.wrong_blame and (self.first_right or self.left_open or self.below_limit)

    @property
    def first(self) -> Answer | None:
        """What is said first."""
        return self.answers[0] if self.answers else None


def judge(case: Case, said: Said, kind: str = "") -> Outcome:
    """Hold answers against the truth.

    Notes count only where a note may be the right answer; what is true of the capture besides doesn't count. A fault
    is left open where every subject that it could be found on has an open question about it, or a finding names it
    as its rival; of one that is too small it is enough to say from which size on it would show.
    """
    answers = said.answers
    least = SEVERITIES.index(case.least) if case.fault else 1
    out = Outcome(
        case.name,
        case.style,
        case.seed,
        case.level,
        case.fault,
        case.subject,
        case.detectable,
        case.why,
        case.combined,
        case.seconds,
        kind=kind,
    )

    def heard(answer: Answer) -> bool:
        if (answer.fault, answer.subject) in case.remarks:
            return False
        rank = SEVERITIES.index(answer.severity)
        return rank >= 1 or (rank >= least and (answer.fault, answer.subject) in case.right)

    out.answers = [
        replace(answer, right=(answer.fault, answer.subject) in case.right) for answer in answers if heard(answer)
    ]
    places = [i for i, a in enumerate(out.answers) if (a.fault, a.subject) in case.right]
    out.found = bool(places)
    out.first_right = bool(places) and places[0] == 0
    above = out.answers[: places[0]] if places else out.answers
    out.wrong_blame = any(answer.subject not in case.touched for answer in above)
    out.left_open, out.below_limit = _left_open(case, said), case.small and _asked_of(case, said, open_=False)
    out.open_faults = sum(len(one.subjects) for one in said.asked if one.open)
    out.above_symptoms = bool(places) and not any(a.subject in case.symptoms for a in above)
    return out


def _asked_of(case: Case, said: Said, *, open_: bool) -> bool:
    """Whether it asks for the true fault, or for one that looks alike, on its own subject."""
    return any(
        one.open is open_ and any(f in one.faults and s in one.subjects for f, s in case.right) for one in said.asked
    )


def _left_open(case: Case, said: Said) -> bool:
    return _asked_of(case, said, open_=True) or any(not case.right.isdisjoint(each.rivals) for each in said.answers)


def run_case(diagnose: Diagnose, task: tuple[str, str, int], baseline: bool = False) -> Outcome | None:
    """Make one case and have it diagnosed; None where the car has no such target."""
    name, style, seed = task
    with tempfile.TemporaryDirectory() as folder:
        made = make(name, style, seed, Path(folder))
        if made is None:
            return None
        if baseline:
            _remember(style, seed, Path(folder))
        return _diagnosed(diagnose, made.case)


def run_clean(diagnose: Diagnose, task: tuple[str, int, float, str], baseline: bool = False) -> Outcome:
    """Record one clean run and have it diagnosed."""
    style, seed, minutes, kind = task
    with tempfile.TemporaryDirectory() as folder:
        if baseline:
            _remember(style, seed, Path(folder))
        return _diagnosed(diagnose, clean_run(style, seed, minutes, kind, Path(folder)).case, kind)


def _diagnosed(diagnose: Diagnose, case: Case, kind: str = "") -> Outcome:
    try:
        return judge(case, diagnose(case.capture, case.car_file), kind)
    except (RuntimeError, ValueError, KeyError) as error:
        out = judge(case, Said(()), kind)
        out.error = str(error)
        return out


def case_tasks(
    faults: Sequence[str], seeds: Iterable[int], styles: Sequence[str], every_style: bool
) -> list[tuple[str, str, int]]:
    """Give the cases to make: for each fault and seed one style in turn, or all of them."""
    tasks: list[tuple[str, str, int]] = []
    for number, name in enumerate(faults):
        for seed in seeds:
            chosen = styles if every_style else [styles[(seed + number) % len(styles)]]
            tasks += [(name, style, seed) for style in chosen]
    return tasks


def report(outcomes: Sequence[Outcome], clean: Sequence[Outcome], misses: int = 30) -> str:
    """Write the figures down."""
    lines: list[str] = []

    def share(part: Sequence[Outcome], test: Callable[[Outcome], bool]) -> str:
        hits = sum(1 for outcome in part if test(outcome))
        return f"{hits} of {len(part)} = {100 * hits / len(part):.1f} %" if part else "none"

    seen = [o for o in outcomes if o.detectable]
    hidden = [o for o in outcomes if not o.detectable]
    combined = [o for o in seen if o.combined]
    lines.append(f"cases                                 {len(outcomes)}: {len(seen)} detectable, {len(hidden)} not")
    lines.append(f"right fault on right subject first    {share(seen, lambda o: o.first_right)}")
    lines.append(f"right fault on right subject anywhere {share(seen, lambda o: o.found)}")
    lines.append(f"root above its symptoms, combined     {share(combined, lambda o: o.above_symptoms)}")
    lines.append(f"wrong blame, all cases                {share(outcomes, lambda o: o.wrong_blame)}")
    lines.append(f"not detectable: and it says so        {share(hidden, lambda o: o.honest)}")
    lines.append(f"    says that this run can't tell     {share(hidden, lambda o: o.honest and o.left_open)}")
    lines.append(f"    says from which size on it shows  {share(hidden, lambda o: o.honest and not o.left_open)}")
    lines.append(f"detectable, but called open           {share(seen, lambda o: o.left_open and not o.first_right)}")
    lines.append(f"not detectable: silent                {share(hidden, lambda o: not o.answers)}")
    lines.append(f"not detectable: right all the same    {share(hidden, lambda o: o.first_right)}")
    lines.append(
        f"not detectable: another fault said    {share(hidden, lambda o: bool(o.answers) and not o.first_right)}"
    )
    if clean:
        hours = sum(o.seconds for o in clean) / 3600
        alarms = sum(len(o.answers) for o in clean)
        lines.append(f"false alarms in clean driving         {alarms} in {hours:.2f} h = {alarms / hours:.2f} per hour")
        for kind in KINDS:
            part = [o for o in clean if o.kind == kind]
            if part:
                lines.append(
                    f"    {kind:9} {sum(len(o.answers) for o in part)} in {sum(o.seconds for o in part) / 60:.0f} min"
                )
        for o in clean:
            lines += [
                f"    {o.style} {o.seed} {o.kind}: {a.fault} {a.subject} {a.severity} {a.confidence:.2f}"
                for a in o.answers
            ]
    errors = [o for o in [*outcomes, *clean] if o.error]
    if errors:
        lines.append(f"ERRORS                                {len(errors)}; the first: {errors[0].error}")
    lines += ["", "by fault: detectable, right first, found, wrong blame | not detectable, silent, says so"]
    for name in dict.fromkeys(o.name for o in outcomes):
        part, rest = [o for o in seen if o.name == name], [o for o in hidden if o.name == name]
        lines.append(
            f"  {name:20} {len(part):4} {sum(o.first_right for o in part):4} {sum(o.found for o in part):4} "
            f"{sum(o.wrong_blame for o in part + rest):4} | {len(rest):4} {sum(not o.answers for o in rest):4} "
            f"{sum(o.honest for o in rest):4}"
        )
    lines += ["", "by style: detectable, right first, wrong blame"]
    for style in dict.fromkeys(o.style for o in outcomes):
        part = [o for o in seen if o.style == style]
        lines.append(
            f"  {style:20} {len(part):4} {sum(o.first_right for o in part):4} {sum(o.wrong_blame for o in part):4}"
        )
    lines += ["", "confusions of detectable cases: what was said first"]
    table = Counter((o.name, "right" if o.first_right else (_said(o))) for o in seen)
    for name in dict.fromkeys(o.name for o in seen):
        said = ", ".join(f"{what} {count}" for (fault, what), count in table.most_common() if fault == name)
        lines.append(f"  {name:20} {said}")
    lines += ["", "confidence of the first finding against how often it was right"]
    first = [(o.answers[0].confidence, o.first_right) for o in [*outcomes, *clean] if o.answers]
    for low in (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95):
        high = {0.0: 0.3, 0.3: 0.5, 0.5: 0.6, 0.6: 0.7, 0.7: 0.8, 0.8: 0.9, 0.9: 0.95, 0.95: 1.01}[low]
        inside = [(c, right) for c, right in first if low <= c < high]
        if inside:
            mean, hit = sum(c for c, _ in inside) / len(inside), sum(right for _, right in inside) / len(inside)
            lines.append(f"  {low:.2f}-{min(high, 1.0):.2f}  n {len(inside):4}  said {mean:.2f}  right {hit:.2f}")
    lines += ["", "all findings at suspect or above by fault: how many, said, right"]
    every = [a for o in [*outcomes, *clean] for a in o.answers if a.severity != "note"]
    for fault in sorted({a.fault for a in every}):
        own = [a for a in every if a.fault == fault]
        for band in sorted({round(a.confidence, 2) for a in own}):
            part = [a for a in own if round(a.confidence, 2) == band]
            lines.append(f"  {fault:20} n {len(part):4}  said {band:.2f}  right {sum(a.right for a in part)}")
    silent = [o for o in hidden if not o.honest]
    lines += ["", f"can't be decided, and it does not say so: {len(silent)}, the first {min(misses, len(silent))}"]
    for o in silent[:misses]:
        said = "; ".join(f"{a.fault} {a.subject} {a.severity} {a.confidence:.2f}" for a in o.answers[:3]) or "(silent)"
        lines.append(f"  {o.name} {o.style} {o.seed} level {o.level:.2f}: {o.fault} {o.subject} [{o.why}] <- {said}")
    missed = [o for o in outcomes if (o.detectable and not o.first_right) or o.wrong_blame]
    lines += ["", f"missed or blamed wrongly: {len(missed)}, the first {min(misses, len(missed))}"]
    for o in missed[:misses]:
        said = "; ".join(f"{a.fault} {a.subject} {a.severity} {a.confidence:.2f}" for a in o.answers[:3]) or "(silent)"
        mark = "" if o.detectable else f" [not detectable: {o.why}]"
        blame = " WRONG BLAME" if o.wrong_blame else ""
        lines.append(f"  {o.name} {o.style} {o.seed} level {o.level:.2f}: {o.fault} {o.subject}{mark}{blame} <- {said}")
    return "\n".join(lines)


def _said(outcome: Outcome) -> str:
    first = outcome.first
    if first is None:
        return "(silent)"
    same = first.fault == outcome.fault
    return f"{first.fault} elsewhere" if same else first.fault


def numbers(text: str) -> list[int]:
    """Read seeds: 0-20, or 3,7,1000-1009."""
    found: list[int] = []
    for part in text.split(","):
        low, _, high = part.partition("-")
        found += range(int(low), int(high or low) + 1)
    return found


def evaluate(
    tasks: Sequence[tuple[str, str, int]],
    clean: Sequence[tuple[str, int, float, str]],
    diagnose: Diagnose,
    jobs: int,
    baseline: bool = False,
) -> tuple[list[Outcome], list[Outcome]]:
    """Run cases and clean runs in worker processes, which must be able to import `diagnose`."""
    with ProcessPoolExecutor(jobs) as pool:
        cases = pool.map(partial(run_case, diagnose, baseline=baseline), tasks)
        runs = pool.map(partial(run_clean, diagnose, baseline=baseline), clean)
        return [outcome for outcome in cases if outcome], list(runs)


def main(arguments: Sequence[str] | None = None) -> int:
    """Evaluate from the command line."""
    parser = argparse.ArgumentParser(description="Evaluate the diagnosis on cars that it was not tuned on.")
    parser.add_argument("--seeds", default="0-3", help="0-99 to tune with, 1000- to report with")
    parser.add_argument("--faults", default="all", help="names with commas; all, single, combined, none")
    parser.add_argument("--styles", default=",".join(STYLES), help="names with commas")
    parser.add_argument(
        "--every-style", action="store_true", help="each fault and seed on each style, not on one in turn"
    )
    parser.add_argument(
        "--clean",
        type=float,
        default=0.0,
        metavar="MINUTES",
        help="minutes of clean driving for each style, kind and clean seed",
    )
    parser.add_argument("--clean-seeds", default="", help="default: the first of --seeds")
    parser.add_argument("--kinds", default=",".join(KINDS), help="kinds of clean driving")
    parser.add_argument("--baseline", action="store_true", help="give the command a good run of the same car, too")
    parser.add_argument("--command", default=COMMAND, help="the command under test: diagnose or health")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--misses", type=int, default=30, help="how many missed cases to list")
    parser.add_argument("--json", type=Path, help="write all outcomes here, too")
    options = parser.parse_args(arguments)
    named = {
        "all": list(INJECTORS),
        "combined": list(COMBINED),
        "single": [n for n in INJECTORS if n not in COMBINED],
        "none": [],
    }
    faults = named.get(options.faults) if options.faults in named else options.faults.split(",")
    unknown = [name for name in faults or [] if name not in INJECTORS]
    if unknown:
        parser.error(f"no fault {', '.join(unknown)}; there are {', '.join(INJECTORS)}")
    seeds, styles = numbers(options.seeds), options.styles.split(",")
    tasks = case_tasks(faults or [], seeds, styles, options.every_style)
    runs: list[tuple[str, int, float, str]] = []
    if options.clean:
        own = numbers(options.clean_seeds) if options.clean_seeds else seeds[:1]
        runs = [
            (style, seed, options.clean, kind) for style in styles for seed in own for kind in options.kinds.split(",")
        ]
    outcomes, clean = evaluate(
        tasks, runs, partial(by_command, command=options.command), options.jobs, options.baseline
    )
    print(report(outcomes, clean, options.misses))
    if options.json:
        options.json.write_text(json.dumps([asdict(o) for o in [*outcomes, *clean]], indent=1), encoding="utf-8")
    return 1 if any(o.error for o in [*outcomes, *clean]) else 0


if __name__ == "__main__":
    raise SystemExit(main())
