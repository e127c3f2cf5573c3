"""Is the bit rate right? That of the recorder, which else hears only errors, and that of the car file or the call."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.diagnosis.bus.errors import ranked
from buswright.diagnosis.case import Case, Sighting, Window, sighting, stretches, whole_run
from buswright.diagnosis.words import NO_SCAN
from buswright.findings import Severity
from buswright.health.model.health import BusFigures
from buswright.wording import bit_rate, percent, plural

_WRONG_RATE_ERRORS = 20
_WRONG_RATE_RATIO = 10
_WRONG_RATE_NS = 1_000_000_000
_FULL = 1.02
"""A mean load that no bus carries: full, and two crystals."""
_LONG_S = 5.0
"""A shorter recording may begin with what a computer had gathered."""
_GIVEN_BY = {"option": "--bitrate", "car file": "bitrate in the car file", "database": "the bit rate in the database"}


def bit_rate_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the bit rate of every bus."""
    for bus in case.health.buses.values():
        wrong = _wrong_windows(bus)
        if wrong:
            yield _errors_only(case, bus, wrong)
        yield from _given_wrongly(case, bus)


def _given_wrongly(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    given, shown = bus.bitrate, bus.shown
    if not given.bits_per_s or given.source == "guessed":
        return
    copies = any(bus.name in (pair.bus, pair.other) for pair in case.health.capture.duplicates)
    full = bus.load is not None and bus.load > _FULL and bus.seconds >= _LONG_S and not copies
    # A computer that fetches frames in clumps stamps them as close as it likes: that shows no rate.
    # Smeared spacings that only ask for a slower bus may as well be those of the senders' schedules.
    smeared = bus.host_stamped == "unknown" and (shown.bits_per_s or 0) > given.bits_per_s
    shows = bus.contradicted and (shown.exact or smeared)
    if not shows and not full:
        return
    what = _GIVEN_BY[given.source]
    evidence = [f"{bus.name} is given as {bit_rate(given.bits_per_s)} ({given.source})."]
    if shows and shown.bits_per_s:
        evidence.append(
            f"Its frames show {bit_rate(shown.bits_per_s)}: {round(shown.support * bus.spacing.pairs):,} of "
            f"{bus.spacing.pairs:,} followed the frame before as soon as their own length allows at that rate."
        )
        ratio = given.bits_per_s / shown.bits_per_s
        evidence.append(
            f"So the loads shown for {bus.name} are {max(ratio, 1 / ratio):.3g} times too "
            f"{'high' if ratio < 1 else 'low'}."
        )
    if full and bus.load is not None:
        evidence.append(f"At the given rate its mean load would be {percent(bus.load, 0)}, which no bus can carry.")
    correct = f"Set it to {shown.bits_per_s:_}" if shows else "Set it to that of the modules' data sheets"
    yield sighting(
        "wrong-bitrate",
        Severity.FAULT if full or shown.exact else Severity.SUSPECT,
        f"bus:{bus.name}",
        windows=whole_run(bus),
        confidence=0.97 if full or shown.exact else 0.7,
        evidence=evidence,
        threshold="frames back to back at another standard rate than the given one, or a mean load above "
        f"{percent(_FULL, 0)}",
        ruled_out=[
            (
                f"Not the recorder's rate: {plural(bus.data_frames, 'frame')} came without an error, and at a wrong "
                "rate none would."
            ),
            *(
                ["Not stamps of a computer: those smear the spacings, and these are exact."]
                if shows and shown.exact
                else []
            ),
        ],
        next_check=f"{correct} ({what}), then run this again. If the interface belongs to another bus of the car file, "
        "correct its interfaces instead.",
        reach=case.subjects_of_bus(bus.name),
    )


def _wrong_windows(bus: BusFigures) -> tuple[Window, ...]:
    """Return the stretches of a second or more in which error frames came and next to no good ones."""
    windows = bus.windows
    good = windows.frames - windows.errors
    rows = np.flatnonzero((windows.errors > 0) & (good * _WRONG_RATE_RATIO < windows.errors))
    found = []
    for window in stretches(windows, rows.tolist()):
        inside = (windows.start_ns >= window.start_ns) & (windows.start_ns < window.end_ns)
        long = window.end_ns - window.start_ns >= _WRONG_RATE_NS
        if long and windows.errors[inside].sum() >= _WRONG_RATE_ERRORS:
            found.append(window)
    return tuple(found)


def _errors_only(case: Case, bus: BusFigures, windows: tuple[Window, ...]) -> Sighting:
    rows = bus.windows
    inside = np.zeros(len(rows), dtype=np.bool_)
    for window in windows:
        inside |= (rows.start_ns >= window.start_ns) & (rows.start_ns < window.end_ns)
    errors = int(rows.errors[inside].sum())
    good = int(rows.frames[inside].sum()) - errors
    first = bus.errors.first_ns
    if first is not None and windows[0].start_ns <= first <= windows[0].end_ns:
        windows = (Window(first, windows[0].end_ns), *windows[1:])
    kinds = f" ({ranked(bus.errors.protocol)})" if bus.errors.protocol else ""
    heard = bus.data_frames - good
    through = f"only {plural(good, 'good frame')}" if good else "no good frame"
    evidence = [
        (
            f"{plural(errors, 'error frame')}{kinds} and {through} came on {bus.name} from "
            f"{case.at(windows[0].start_ns)} to {case.at(windows[-1].end_ns)}."
        )
    ]
    if heard > 0:
        evidence.append(f"Outside that time {plural(heard, 'good frame')} came, so the rate or the bus was changed.")
    return sighting(
        "wrong-bitrate",
        Severity.FAULT,
        f"bus:{bus.name}",
        windows=windows,
        count=errors,
        confidence=0.9 if not good else 0.7,
        evidence=evidence,
        threshold=f"a second or more with at least {_WRONG_RATE_ERRORS} error frames and fewer than one good frame to "
        f"{_WRONG_RATE_RATIO} of them",
        ruled_out=[
            f"Not a marginal bus: most frames get through there, and here {f'only {good:,}' if good else 'none'} did."
        ],
        next_check="Compare the adapter's bit rate with the modules' data sheets (1000, 500, 250, 125 kbit/s are the "
        "usual ones); accept one only after 20 good frames of two identifiers without an error. If the rate is right, "
        "measure: CANH and CANL swapped or shorted look the same in frames.",
        caution=NO_SCAN,
        reach=case.subjects_of_bus(bus.name),
    )
