"""Fit a sensor's calibration to readings; say how sure it is, what is doubtful, and what changes in the car file.

SENSOR is a sensor or a channel of the car file, or the name of a new sensor (with --kind and --unit).

Readings come typed (--reading INPUT=VALUE), from a CSV file (--csv), from a recording (--at SPAN=VALUE, or markers
that end with a value, as in "20 bar"), or from a live bus: the program asks for each value, waits until the channel is
still, and averages. ice and boiling stand for 0 °C and for boiling water at --altitude or --barometer.

--zero sets a channel's zero instead: what it shows at rest becomes the value given, 0 by default.

Without --write nothing is changed: what would change is shown. --write keeps a dated copy of the car file beside it.
"""

from __future__ import annotations

import argparse
import datetime
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from buswright.cli import options as shared
from buswright.cli.live_source import live_sources
from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.editing import Edit
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.carfile.splicing import Change
    from buswright.channels.fits.doubts import Doubt
    from buswright.channels.fits.readings import Reading
    from buswright.channels.fits.spots import Wanted
    from buswright.channels.fits.target import Signature, Target, Zeroing
    from buswright.report.calibration.result import Calibrating

FORMS = ("points", "fractions", "slope", "coefficients", "beta", "table")
"""The same as in `channels.fits.target`, which would load NumPy."""
KINDS = ("linear", "ratiometric", "table", "polynomial", "thermistor", "rtd", "thermocouple", "frequency")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("target", metavar="SENSOR", help="sensor or channel of the car file, or a new sensor's name")
    shared.add_source(parser, live="once", required=False)
    _add_readings(parser)
    _add_curve(parser)
    parser.add_argument(
        "--zero",
        nargs="?",
        const="0",
        metavar="VALUE",
        help="set the channel's zero, from one --reading INPUT or from SOURCE at rest; it then shows VALUE (default 0)",
    )
    parser.add_argument("--why", default="", metavar="TEXT", help='with --zero: in which state, e.g. "driver in"')
    parser.add_argument("--by", default="", metavar="NAME", help="who calibrates, for the log")
    parser.add_argument("--reference", default="", metavar="TEXT", help="what it is compared with, for the log")
    parser.add_argument("--due", metavar="DATE", help="when it should be done again, e.g. 2027-03-01")
    shared.add(parser, "car", "databases")
    parser.add_argument("--write", action="store_true", help="change the car file; a dated copy is kept beside it")
    parser.add_argument("--anyway", action="store_true", help="with --write: in spite of doubts")
    shared.add_html(parser, "the curve and the errors as plots")
    shared.add(parser, "force", "fail-on", "json")


def _add_readings(parser: argparse.ArgumentParser) -> None:
    shared.add_several(
        parser,
        "--reading",
        "INPUT=VALUE",
        "what the input showed and what was true, in the sensor's units or with their own: 0.5=0, 500mV=20psi, "
        "1.32=ice; in the order in which they were taken",
    )
    parser.add_argument("--csv", metavar="FILE", help="readings from a file: a column of inputs and one of true values")
    parser.add_argument(
        "--columns", metavar="INPUT,VALUE", help="with --csv: names or numbers of the two columns, if not recognised"
    )
    shared.add_several(
        parser,
        "--at",
        "SPAN=VALUE",
        "with a recording: what was true over a span, e.g. 12..14.5=20; with --zero the span alone",
    )
    parser.add_argument(
        "--apply", default="", metavar="VALUES", help="with a live bus: the values to ask for, e.g. 0,5,10,5,0"
    )
    parser.add_argument(
        "--hold", type=float, default=2.0, metavar="S", help="average over this many seconds (default 2)"
    )
    parser.add_argument("--altitude", metavar="M", help="metres above the sea, for boiling water")
    parser.add_argument(
        "--barometer", metavar="HPA", help="air pressure here in hPa, not reduced to sea level, for boiling water"
    )


def _add_curve(parser: argparse.ArgumentParser) -> None:
    kinds = f"kind of curve, if not the car file's: {', '.join(KINDS)}"
    parser.add_argument("--kind", choices=KINDS, metavar="KIND", help=kinds)
    parser.add_argument("--degree", type=int, default=0, metavar="N", help="degree of a polynomial")
    parser.add_argument(
        "--form",
        choices=FORMS,
        default="",
        metavar="FORM",
        help=f"how the curve is written, if its kind has several ways: {', '.join(FORMS)}",
    )
    parser.add_argument("--unit", metavar="UNIT", help="unit of the value, for a new sensor")
    parser.add_argument("--electrical", metavar="UNIT", help="unit of the input, for a new sensor")
    shared.add_several(parser, "--set", "KEY=VALUE", "another key of the sensor's table, as TOML, e.g. pull_up=2200")
    parser.add_argument(
        "--as", dest="own_name", default="", metavar="NAME", help="give the channel a sensor of its own with this name"
    )


def run(options: argparse.Namespace) -> int:
    """Read, fit, judge, show, and write if asked to."""
    from buswright.channels.fits.target import Signature
    from buswright.report.calibration import calibrate as report
    from buswright.report.calibration.page import render_html

    shared.claim_html(options)
    car = shared.load_car(options)
    signed = Signature(_today(), options.by, options.reference, _day(options.due))
    result = _zero(options, car, signed) if options.zero is not None else _curve(options, car, signed)
    if options.write:
        result = _written(options, result)
    shared.show_with_page(options, report, result, lambda: render_html(result))
    return shared.exit_status((doubt.severity for doubt in result.doubts), options)


# -- a curve ------------------------------------------------------------------------------------------------------


def _curve(options: argparse.Namespace, car: CarFile | None, signed: Signature) -> Calibrating:
    from buswright.channels.calibration.kind import CalibrationError
    from buswright.channels.fits.cautions import cautions_of
    from buswright.channels.fits.doubts import doubts_of, of_readings
    from buswright.channels.fits.fit import fit_readings
    from buswright.channels.fits.target import curve_changes, find_target
    from buswright.report.calibration.result import Calibrating
    from buswright.report.text import fold

    target = find_target(options.target, car, _settings(options), own_name=options.own_name, form=options.form)
    channel = car.channels.get(target.channel) if car is not None and target.channel else None
    role = channel.role if channel is not None else None
    cautions = cautions_of(target.unit, role=role, kind=str(target.sheet["kind"]), own=target.cautions)
    if live_sources(options):
        width = shutil.get_terminal_size((100, 24)).columns
        put_lines([line for each in cautions for line in fold(f"SAFETY {each}", width, "       ")], error=True)
    readings, left_out = _readings(options, car, target)
    try:
        fit = fit_readings(target.sheet, readings, degree=options.degree)
    except CalibrationError as error:
        mistakes = of_readings(target.sheet, readings, target.old) if readings else ()
        lines = [line for doubt in mistakes for line in (doubt.text, f"  do: {doubt.hint}")]
        raise UserError([*error.lines, *lines], hint=error.hint) from None
    changes = curve_changes(target, fit, signed)
    return Calibrating(
        target,
        signed,
        channel.unit if channel is not None else target.unit,
        cautions,
        fit,
        None,
        doubts_of(fit, target.old),
        left_out,
        _edit(options, car, changes),
        _file(options, car),
    )


def _readings(
    options: argparse.Namespace, car: CarFile | None, target: Target
) -> tuple[list[Reading], tuple[str, ...]]:
    """Gather readings in the order: typed, of the file, of the source."""
    from buswright.channels.fits.readings import from_csv, typed

    words = _words(options)
    found = [typed(text, target.electrical, target.unit, words) for text in options.reading]
    left_out: tuple[str, ...] = ()
    if options.csv:
        pair = tuple(options.columns.split(",")) if options.columns else None
        if pair is not None and len(pair) != 2:
            raise UserError(f"--columns {options.columns}: two columns are wanted", hint="--columns INPUT,VALUE")
        read, left_out = from_csv(Path(options.csv), target.electrical, target.unit, pair=pair, words=words)
        found += read
    if options.source:
        found += _from_source(options, car, target, words)
    if not found:
        raise UserError(
            "there are no readings",
            hint="--reading 0.5=0 --reading 4.5=10, or --csv FILE, or a SOURCE with --at 12..14=20 or markers",
        )
    return found, left_out


def _from_source(
    options: argparse.Namespace, car: CarFile | None, target: Target, words: Mapping[str, float]
) -> Sequence[Reading]:
    from buswright.channels.fits.spots import readings_marked
    from buswright.cli.reading.calibrating import open_recording, readings_at, readings_live

    wanted = _wanted(options, car, target, words)
    databases = shared.load_databases(options)
    if live_sources(options):
        values = [part.strip() for part in options.apply.split(",") if part.strip()]
        return readings_live(options, car, databases, wanted, values)
    recording = open_recording(options, car, databases, wanted)
    if options.at:
        return list(readings_at(recording, options.at, wanted))
    marked = list(readings_marked(recording.reader, recording.markers, wanted))
    if not marked and not (options.reading or options.csv):
        raise UserError(
            "this recording has no marker that ends with a value",
            hint='say what was true when: --at 12..14.5=20; or set markers like "20 bar" while recording',
        )
    return marked


def _wanted(options: argparse.Namespace, car: CarFile | None, target: Target, words: Mapping[str, float]) -> Wanted:
    from buswright.channels.fits.spots import Wanted

    channel = target.channel or options.target
    if car is not None and target.channel is None:
        if len(target.sharing) != 1:
            users = f"it is that of {', '.join(target.sharing)}" if target.sharing else "no channel uses it"
            raise UserError(f"{target.name}: which channel is read? {users}", hint="name the channel, not its sensor")
        (channel,) = target.sharing
    needs = target.old.needs if target.old is not None else ()
    ends = target.old.range.electrical if target.old is not None else (0.0, 0.0)
    span = ends[1] - ends[0] if 0 < ends[1] - ends[0] < float("inf") else 1.0
    return Wanted(channel, target.electrical, target.unit, span, needs, words, _hold(options))


def _hold(options: argparse.Namespace) -> float:
    if not 0.2 <= options.hold <= 30.0:
        raise UserError(f"--hold {options.hold:g}: 0.2 to 30 seconds", hint="2 is usual")
    return float(options.hold)


def _settings(options: argparse.Namespace) -> dict[str, Any]:
    """Return the keys of the sensor's table that options give."""
    found: dict[str, Any] = {}
    for name in ("kind", "unit", "electrical"):
        if getattr(options, name):
            found[name] = getattr(options, name)
    for item in options.set:
        name, equals, text = item.partition("=")
        try:
            found[name.strip()] = tomllib.loads(f"value = {text}")["value"] if equals and name.strip() else None
        except tomllib.TOMLDecodeError:
            found[name.strip()] = None
        if found[name.strip()] is None:
            raise UserError(f"--set {item}: must be KEY=VALUE as in a car file", hint="pull_up=2200, type='\"K\"'")
    return found


def _words(options: argparse.Namespace) -> dict[str, float]:
    """Return the temperatures that have names, by the pressure of the air."""
    from buswright.channels.fits.fixed_points import ICE_CELSIUS, boiling_celsius, pressure_at

    if options.altitude and options.barometer:
        raise UserError("--altitude and --barometer say the same", hint="give the barometer, it knows the weather")
    pressure = _number(options.barometer, "--barometer")
    altitude = _number(options.altitude, "--altitude")
    if pressure is None and altitude is None:
        return {"ice": ICE_CELSIUS}
    return {
        "ice": ICE_CELSIUS,
        "boiling": boiling_celsius(pressure if pressure is not None else pressure_at(altitude or 0.0)),
    }


def _number(text: str | None, option: str) -> float | None:
    try:
        return None if text is None else float(text.replace(",", "."))
    except ValueError:
        raise UserError(f"{option} {text}: is not a number", hint=f"for example {option} 955") from None


# -- a zero -------------------------------------------------------------------------------------------------------


def _zero(options: argparse.Namespace, car: CarFile | None, signed: Signature) -> Calibrating:
    from buswright.channels.fits.cautions import cautions_of
    from buswright.channels.fits.readings import quantity
    from buswright.channels.fits.target import Target, zero_changes
    from buswright.channels.keys.faults import shown, suggestion
    from buswright.report.calibration.result import Calibrating

    if car is None:
        raise UserError("a zero stands in the car file, and there is none", hint="add --car FILE")
    channel = car.channels.get(options.target)
    if channel is None:
        near = suggestion(options.target, car.channels)
        raise UserError(f"there is no channel {shown(options.target)}", hint=near or "a zero belongs to a channel")
    if channel.formula is not None:
        raise UserError(f"{channel.name} is computed by a formula", hint="zero the channels that it is made of")
    sensor = car.sensors.get(channel.sensor) if channel.sensor else None
    target = Target(
        channel.sensor or "",
        channel.name,
        sensor.written if sensor is not None else {},
        None,
        sensor.calibration if sensor is not None else None,
        zero=channel.zero,
        cautions=sensor.cautions if sensor is not None else (),
    )
    wanted = quantity(options.zero, channel.unit)
    zeroing = _zeroing(options, car, target, channel.unit, wanted, signed)
    kind = sensor.calibration.kind if sensor is not None else ""
    return Calibrating(
        target,
        signed,
        channel.unit,
        cautions_of(channel.unit, role=channel.role, kind=kind, own=target.cautions),
        None,
        zeroing,
        _zero_doubts(zeroing),
        edit=_edit(options, car, zero_changes(channel.name, zeroing, channel.unit, signed)),
        file=_file(options, car),
    )


def _zero_doubts(zeroing: Zeroing) -> tuple[Doubt, ...]:
    from buswright.channels.fits.doubts import Doubt
    from buswright.findings import Severity

    if not zeroing.note:
        return ()
    text = f"While it was read {zeroing.note}."
    return (Doubt("not-still", Severity.SUSPECT, text, "let the car rest, and read again"),)


def _zeroing(
    options: argparse.Namespace, car: CarFile, target: Target, unit: str, wanted: float, signed: Signature
) -> Zeroing:
    """Find the zero from one typed input, or from a source at rest."""
    from buswright.channels.fits.readings import quantity
    from buswright.channels.fits.spots import Wanted, reading_of
    from buswright.channels.fits.student import half_width
    from buswright.channels.fits.target import value_of, zeroing_of
    from buswright.cli.reading.calibrating import open_recording, spot_at_rest

    if bool(options.reading) == bool(options.source):
        raise UserError(
            "--zero takes one --reading INPUT, or a SOURCE at rest", hint="--zero --reading 2.31, or name a recording"
        )
    if options.reading:
        if len(options.reading) > 1 or target.old is None:
            raise UserError("--zero takes one --reading INPUT of a channel with a sensor", hint="--zero --reading 2.31")
        electrical = quantity(options.reading[0], target.old.electrical)
        value = value_of(target.old, electrical, unit)
        return zeroing_of(value, target.zero, wanted, signed, options.why, reading=electrical)
    assert target.channel is not None
    span = target.old.span if target.old is not None and 0 < target.old.span < float("inf") else 1.0
    read = Wanted(target.channel, "", unit, span, (), {}, _hold(options))
    if live_sources(options):
        from buswright.cli.reading.calibrating import readings_live

        found = readings_live(options, car, shared.load_databases(options), read, [options.zero])
        if not found:
            raise UserError(f"{target.channel}: nothing was read", hint="is the module powered?")
        reading = found[0]
    else:
        spot = spot_at_rest(open_recording(options, car, shared.load_databases(options), read), options.at, read)
        reading = reading_of(spot, wanted, "at rest", read)
    before = target.zero.add if target.zero is not None else 0.0
    half = half_width(7) * reading.scatter if reading.scatter is not None else float("nan")
    return zeroing_of(
        reading.electrical - before, target.zero, wanted, signed, options.why, half=half, note=reading.note
    )


# -- the car file -------------------------------------------------------------------------------------------------


def _file(options: argparse.Namespace, car: CarFile | None) -> Path | None:
    return None if car is None or _is_the_programs(options) else car.path


def _is_the_programs(options: argparse.Namespace) -> bool:
    """Whether the car file is the demo's, which lies in no folder."""
    return options.car is None and shared.is_demo(options)


def _edit(options: argparse.Namespace, car: CarFile | None, changes: tuple[Change, ...]) -> Edit | None:
    from buswright.channels.carfile.editing import edit_car_file

    path = _file(options, car)
    return None if path is None else edit_car_file(path, changes, untrusted=options.untrusted)


def _written(options: argparse.Namespace, result: Calibrating) -> Calibrating:
    from dataclasses import replace

    from buswright.findings import Severity

    if result.edit is None:
        raise UserError("there is no car file to write to", hint="add --car FILE; `buswright draft` makes one")
    if not options.anyway and result.worst is not None and result.worst >= Severity.SUSPECT:
        return replace(result, blocked="look at the doubts first, or add --anyway.")
    backup = result.edit.save(datetime.datetime.now(tz=datetime.UTC).astimezone())
    return replace(result, written=True, backup=backup)


def _today() -> datetime.date:
    return datetime.datetime.now(tz=datetime.UTC).astimezone().date()


def _day(text: str | None) -> datetime.date | None:
    try:
        return None if text is None else datetime.date.fromisoformat(text)
    except ValueError:
        raise UserError(f"--due {text}: is no date", hint="year-month-day: 2027-03-01") from None
