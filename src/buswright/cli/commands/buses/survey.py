"""Say what unknown frames carry: identifiers without a database, and bits that a database leaves unexplained.

For each of them: how often it comes; which bits never move; counter, checksum (which, over what) and multiplexer;
where signals begin and end, in which byte order, with a sign or without; and how sure that is. With a car file or a
database each field is compared with the known channels: "looks like brake_front, 0.1 bar per bit, r = 0.998".

Press a pedal or turn a wheel three times while you record. A field that never moved can't be told.

  --around 12.3                which bits changed within a second of it
  --while "brake_front > 20"   which bits are other while that holds (needs --car or --dbc)
  --out draft.dbc              a draft database of what is sure, marked as inferred
  --html page.html             the trace of every field: many signals are known by their shape

SAFETY: a likeness is no calibration. Hold each channel against a gauge before anybody relies on it.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.errors import UserError
from buswright.wording import did_you_mean
from buswright.writing import write_whole

if TYPE_CHECKING:
    from buswright.channels.session import Session
    from buswright.cli.reading.examining import Examined
    from buswright.frames.table import Int64s
    from buswright.health.described import Described
    from buswright.survey.survey import Survey

AROUND_NS = 1_000_000_000
"""How far before and after --around bits are looked at."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="spooled")
    shared.add(parser, "window", "car", "databases", "bitrate")
    asked = parser.add_mutually_exclusive_group()
    asked.add_argument(
        "--around", metavar="TIME", help="list the bits that changed within a second of this time, and seldom else"
    )
    asked.add_argument(
        "--while",
        dest="condition",
        metavar="CONDITION",
        help='list the bits that are other while this holds, e.g. "brake_front > 20"; formulas as in the car file',
    )
    parser.add_argument("--out", metavar="FILE", help="write a draft database (.dbc) of the fields that are sure")
    shared.add_html(parser, "the trace of every field")
    shared.add(parser, "force", "json")


def run(options: argparse.Namespace) -> int:
    """Gather, survey, show."""
    from buswright.channels.spool import Spool
    from buswright.cli.reading.examining import examine
    from buswright.health.described import Described
    from buswright.report import survey as report
    from buswright.report.survey.words import Surveying
    from buswright.survey.draft import draft_messages, draft_text
    from buswright.survey.gather import SurveyFold
    from buswright.survey.survey import survey

    out = Path(options.out) if options.out else None
    if out is not None:
        if out.suffix.lower() != ".dbc":
            raise UserError(f"--out {out}: a draft is a DBC", hint=f"for example --out {out.with_suffix('.dbc')}")
        shared.claim_output(options, out)
    shared.claim_html(options)
    car, databases = shared.load_car(options), shared.load_databases(options)
    with Spool() as spool:
        read, (fold,) = examine(options, car, databases, decode=True, folds=[SurveyFold], spool=spool)
        described = Described(car, databases, read.source.names)
        found = survey(fold.result(), read.health, described, read.session)
        if options.around is not None or options.condition is not None:
            found = _asked(options, found, read, described)
    drafted = (0, 0)
    if out is not None:
        messages = draft_messages(found)
        drafted = (len(messages), sum(len(message.signals) for message in messages))
        write_whole(out, draft_text(found))
    files = tuple(path.name for path in read.source.capture.paths)
    surveying = Surveying(found, files, str(out) if out is not None else "", drafted, read.source.capture.problems)

    def html() -> str:
        from buswright.report.survey.page import render_html

        return render_html(surveying)

    shared.show_with_page(options, report, surveying, html)
    return 0


def _asked(options: argparse.Namespace, found: Survey, read: Examined, described: Described) -> Survey:
    """Read the capture once more, and count which bits changed when asked."""
    from buswright.survey.changed import ChangesFold, changes_of

    stretches, words = _around(options, read) if options.around is not None else _while(options, read.session)
    fold = ChangesFold(read.source.names, stretches)
    for frames in read.source:
        fold.update(frames)
    flips = fold.result()
    fields: dict[object, list[tuple[str, str, tuple[int, ...]]]] = {}
    for name in flips:
        message = described.identity(name).message
        if message is not None:
            masks = ((signal.name, signal.bits) for signal in message.signals)
            fields[name] = [
                (message.name, signal, tuple(bit for bit in range(mask.bit_length()) if mask >> bit & 1))
                for signal, mask in masks
            ]
    for each in found.ids:
        own = fields.setdefault(each.name, [])
        own += [("", field.name, tuple(sorted(field.token.bits))) for field in each.layout.fields]
    held = options.condition is not None
    return replace(found, asked=words, held=held, changes=changes_of(flips, fields, held=held))  # type: ignore[arg-type]


def _around(options: argparse.Namespace, read: Examined) -> tuple[Int64s, str]:
    import numpy as np

    from buswright.frames.window import Moment

    capture = read.health.capture
    asked = Moment.parse(options.around, timezone=options.timezone)
    at = asked.within(capture.first_ns or 0, capture.last_ns or 0, read.source.capture.clock, "--around")
    return np.array([[at - AROUND_NS, at + AROUND_NS]], dtype=np.int64), f"within a second of {options.around}"


def _while(options: argparse.Namespace, session: Session | None) -> tuple[Int64s, str]:
    """Return the stretches in which the condition holds, and what was asked."""
    import numpy as np

    from buswright.channels.formula.evaluate import evaluate
    from buswright.channels.formula.parse import parse_formula

    if session is None:
        raise UserError("--while needs known channels", hint="add --car FILE or --dbc FILE")
    formula = parse_formula(options.condition)
    missing = [name for name in formula.inputs if name not in session]
    if missing:
        otherwise = "`buswright contents` lists messages; --car FILE names channels"
        hint = did_you_mean(missing[0], session.names, otherwise)
        raise UserError(f"--while: there is no channel {missing[0]!r}", hint=hint)
    result = evaluate(formula, {name: session[name] for name in formula.inputs})
    holds = np.nan_to_num(result.value) != 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
    if not len(edges):
        raise UserError(f"--while {options.condition}: it never holds", hint="choose a lower limit, or another time")
    time = result.time_ns
    starts, ends = time[edges[::2]], time[np.minimum(edges[1::2], len(time) - 1)]
    return np.stack([starts, ends], axis=1), f"while {options.condition}"
