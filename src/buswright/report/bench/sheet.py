"""The sheet of a bench test, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from buswright.bench.plan.model import Plan, Step
from buswright.bench.result import BenchResult, Check, StepResult, Verdict
from buswright.bench.words import cautions, instruction
from buswright.channels.carfile.model import CarFile
from buswright.report.plain import plain, some
from buswright.report.text import fold, joined, section, table
from buswright.wording import listed, moment, plural

SCHEMA = "buswright.bench/1"

MARKS: dict[Verdict, str] = {
    "pass": "pass",
    "fail": "FAIL",
    "not judged": "–",
    "not done": "NOT DONE",
    "skipped": "skipped",
    "note": "note",
}
SCOPE = "The sheet holds what was tested, and nothing else. A module that passed is consistent with its description."


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is printed: what the test found, the plan that it was held against, the car file cut down to the module.

    A wiggle test alone has no plan file. `origin` says where its time comes from; see `frames.table.Clock`.
    """

    result: BenchResult
    plan: Plan
    car: CarFile
    origin: str = "epoch"

    def to_do(self, step: Step) -> str:
        """Say what is done in a step."""
        return instruction(step, self.plan, self.car)

    def cautions(self, step: Step) -> tuple[str, ...]:
        """Say what to mind in a step."""
        return cautions(step, self.car)

    def checks_of(self, step: str) -> tuple[Check, ...]:
        """Return the lines of one step."""
        return tuple(check for check in self.result.checks if check.step == step)

    def steps(self) -> Iterator[tuple[Step, StepResult]]:
        """Return the steps in order, each with what it has shown."""
        return zip(self.plan.steps, self.result.steps, strict=True)

    @property
    def title(self) -> str:
        """What it is, and of what."""
        name = self.result.name
        return f"Bench test: {name}" if self.result.plan else f"{name[:1].upper()}{name[1:]}"

    @property
    def tested(self) -> str:
        """What was tested: the module, the channels of a wiggle test alone, or the whole car."""
        return self.result.module or ("the whole car" if self.result.plan else listed(tuple(self.plan.inputs)))

    @property
    def when(self) -> str:
        """When it began."""
        return moment(self.result.started_ns, self.origin)


def verdict(result: BenchResult) -> tuple[str, str]:
    """Say how it went, in a word and in a sentence."""
    failed = [check for check in result.failed if check.verdict == "fail"]
    undone = [check for check in result.checks if check.verdict == "not done" and check.required]
    skipped, judged = result.count("skipped"), result.count("pass") + result.count("fail")
    left = [
        f"{plural(len(undone), 'step')} never done" if undone else "",
        f"{plural(skipped, 'step')} skipped" if skipped else "",
        f"{plural(result.count('not judged'), 'check')} not judged" if result.count("not judged") else "",
    ]
    rest = "".join(f"; {text}" for text in left if text)
    if failed:
        return "FAILED", f"{len(failed)} of {plural(judged, 'check')} failed{rest}."
    if undone or not judged:
        return "NOT COMPLETE", f"{plural(judged, 'check')} passed{rest}." if judged else f"Nothing was judged{rest}."
    return "PASSED", f"{plural(judged, 'check')} passed, none failed{rest}."


def value_of(check: Check) -> str:
    """Write the number that was judged; "" where there is none."""
    return "" if check.value is None else f"{check.value:.4g} {check.unit}".rstrip()


def render_text(sheet: Sheet, *, width: int = 80, every_one: bool = False) -> str:
    """Write the summary: verdict, what to put right, what was left out; with `every_one` every line."""
    result = sheet.result
    word, said = verdict(result)
    lines = fold(f"{word}: {result.name}. {said}", width, "    ")
    by = f" by {result.by}" if result.by else ""
    lines += fold(f"Tested {sheet.tested}{by}, {sheet.when}, with the plan {result.plan}.", width, "    ")
    lines += [text for note in result.notes for text in fold(f"Note: {note}", width, "    ")]
    wrong = [check for check in result.checks if check.verdict in ("fail", "not done")]
    if wrong:
        lines += [*section("To put right", width)]
        for check in wrong:
            lines += _wrong(check, width)
    left = [check for check in result.checks if check.verdict in ("skipped", "not judged")]
    if left:
        lines += section("Not judged", width)
        for check in left:
            lines += fold(f"  {check.subject} {check.name} ({check.step}): {check.said}", width, "      ")
    if every_one:
        lines += section("Every check", width)
        rows = [[MARKS[c.verdict], c.name, c.subject, value_of(c), c.step] for c in result.checks]
        lines += table(["", "check", "of", "value", "step"], rows)
    lines += ["", *fold(f"{SCOPE} {_scope(sheet)}", width)]
    return joined(lines)


def _scope(sheet: Sheet) -> str:
    kinds = dict.fromkeys(step.kind for step, result in sheet.steps() if result.state == "done")
    return f"Done: {', '.join(kind.replace('_', ' ') for kind in kinds)}." if kinds else "Nothing was done."


def _wrong(check: Check, width: int) -> list[str]:
    optional = "" if check.required else " (optional)"
    lines = fold(
        f"  {MARKS[check.verdict]} {check.name}, {check.subject}, step {check.step}{optional}", width, "      "
    )
    said = {"Do": check.next_check, "Safety": check.caution, "Seen": check.said, "Limit": check.limit}
    for head, text in said.items():
        if text:
            lines += fold(f"    {head:<7} {text}", width, " " * 12)
    return lines


def render_json(sheet: Sheet) -> dict[str, Any]:
    """Return the document of `--json`; its schema is bench.schema.json in schemas/."""
    result = sheet.result
    word, said = verdict(result)
    return {
        "schema": SCHEMA,
        "verdict": word.casefold(),
        "said": said,
        **some(result, "name module car plan plan_hash car_file car_hash source source_hash by started_ns ended_ns"),
        "steps": [_step(sheet, step, shown) for step, shown in sheet.steps()],
        "checks": plain(result.checks),
        "lines": plain(result.lines),
        "fingerprints": plain(result.fingerprints),
        "notes": list(result.notes),
    }


def _step(sheet: Sheet, step: Step, shown: StepResult) -> dict[str, Any]:
    return {
        "name": step.name,
        "kind": step.kind,
        "channel": step.channel,
        "instruction": sheet.to_do(step),
        "cautions": list(sheet.cautions(step)),
        **some(shown, "state reason tries start_ns end_ns reading settled levels moves response silence talk bus"),
        **some(shown, "findings wiggle advice traces"),
    }


def moved_matrix(sheet: Sheet) -> tuple[Sequence[str], Sequence[tuple[str, Sequence[float | None]]]]:
    """Return which channel moved when one input was moved: the inputs under test, and a row for each that was moved.

    A cell is the share of the moved channel's way that a channel went itself; None where nothing is known.
    """
    names = list(sheet.plan.inputs)
    rows: list[tuple[str, Sequence[float | None]]] = []
    for step, shown in sheet.steps():
        if step.kind == "move" and shown.state == "done":
            moves = shown.moves
            rows.append((step.channel, [moves[name].copied if name in moves else None for name in names]))
    return names, rows
