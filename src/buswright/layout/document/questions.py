"""What nobody has said, and what to mind: the open questions and cautions of a layout."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from buswright.channels.carfile.model import CarFile
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.model import BusLayout, MessageLayout, ModuleLayout, Question
from buswright.wording import listed, plural

TERMINATORS = 2
OHM_LOW, OHM_HIGH = 54.0, 66.0
"""Two terminators of 120 ohm side by side, 10 % either way (common practice)."""
FAST_BITRATE, LONGEST_STUB_M = 1_000_000, 0.3
"""ISO 11898-2: at 1 Mbit/s a stub has at most 0.3 m."""

CAUTIONS = (
    "Rules of your series and country, makers' manuals and licensed people come before this document.",
    "Stay off the networks of airbags, ABS, stability control, power steering and high voltage.",
    "Measure ohms only with the key off, the battery isolated and the modules asleep, which takes minutes.",
    "Tap the bus with a short tee (at most 0.3 m at 1 Mbit/s) without a terminator.",
    "It was only listened to. A missing alarm proves nothing; engine protection stays in the engine controller.",
)


def open_questions(
    of: Gathered,
    buses: Sequence[BusLayout],
    modules: Sequence[ModuleLayout],
    messages: Sequence[MessageLayout],
) -> tuple[Question, ...]:
    """Return what a person has to answer, what matters most first."""
    found: list[Question] = []
    if of.car is None:
        text = "There is no car file. The command draft makes one from the same capture."
        why = "it holds the wiring, the calibrations and the order of the modules, which frames can't show"
        found.append(Question("", text, why))
    for bus in buses:
        found += _of_bus(of, bus)
    found += _of_messages(of, messages)
    if of.car is not None:
        found += _of_modules(of.car, modules)
        found += _of_channels(of.car)
    return tuple(found)


def _of_bus(of: Gathered, bus: BusLayout) -> Iterator[Question]:
    at = f"[bus.{bus.name}]"
    figures = of.health.buses.get(bus.name)
    if figures is None:
        yield Question(at, f"Bus {bus.name} is not in the capture.", "nothing about it was measured")
    elif figures.bitrate.source == "guessed":
        yield Question(
            f"{at} bitrate",
            f"The bit rate of {bus.name} is a guess: {figures.bitrate.basis.removeprefix('guessed: ')}.",
        )
    elif figures.bitrate.source == "unknown":
        yield Question(f"{at} bitrate", f"The bit rate of {bus.name} is unknown.", "loads need it")
    if of.car is None:
        return
    if not bus.chain:
        yield Question(f"{at} chain", f"In which order does {bus.name} run past its modules?", "to find an open link")
    elif bus.beside:
        text = f"Where on {bus.name} is {listed(bus.beside)}?"
        yield Question(f"{at} chain", text, "it sends there, but has no place in the chain")
    if len(bus.terminators) != TERMINATORS:
        have = f"{plural(len(bus.terminators), 'is', 'are')} named" if bus.terminators else "none is named"
        text = f"Which two modules of {bus.name} hold the terminating resistors? {have[0].upper()}{have[1:]}."
        yield Question(f"{at} terminators", text, "frames can't show them")
    if bus.resistance_ohm is None:
        text = f"How many ohm are between the wires of {bus.name}, with the battery isolated?"
        yield Question(f"{at} resistance", text, "60 ohm prove that both terminators are there")
    elif not OHM_LOW <= bus.resistance_ohm <= OHM_HIGH:
        text = f"The wires of {bus.name} measured {bus.resistance_ohm:g} ohm. Two terminators give about 60 ohm."
        yield Question(f"{at} resistance", text, "a terminator is missing, or there is one too many")
    if bus.chain and not bus.lengths_m:
        yield Question(f"{at} lengths_m", f"How long is {bus.name} from module to module?", "for the drawing")


def _of_messages(of: Gathered, messages: Sequence[MessageLayout]) -> Iterator[Question]:
    for bus in of.bus_names:
        own = [one for one in messages if one.bus == bus]
        unknown = [one for one in own if one.frames and not one.name]
        if unknown:
            verb = "are" if len(unknown) > 1 else "is"
            yield Question("", f"What {verb} {listed([one.id for one in unknown])} on {bus}?", "no database names them")
        homeless = [one for one in own if one.frames and not one.module]
        if homeless and of.car is not None:
            text = f"Which module sends {listed([one.id for one in homeless])} on {bus}?"
            yield Question("[module.NAME] messages", text, "to tell a dead module from a lost frame")
        absent = [one for one in own if not one.frames and bus in of.health.buses]
        if absent:
            text = f"{bus}: {listed([f'{one.name or one.id} ({one.id})' if one.name else one.id for one in absent])}"
            yield Question("", f"{text} never came.", "the database or car file knows them; the capture doesn't")
    for figures in of.health.ids.values():
        if figures.period.conflict and figures.period.learned_ns and figures.expected.period_ns.value:
            said, found = figures.expected.period_ns.value / 1e6, figures.period.learned_ns / 1e6
            text = f"{figures.name} should come every {said:.4g} ms, and came every {found:.4g} ms."
            yield Question(f'[frame."{figures.name}"] period_ms', text, "one of the two is wrong")


def _of_modules(car: CarFile, modules: Sequence[ModuleLayout]) -> Iterator[Question]:
    for module in modules:
        missing = [name for name in ("supply", "ground", "plug") if not getattr(module, name)]
        if missing:
            text = f"{module.name}: which {listed(missing)}?"
            yield Question(f"[module.{module.name}]", text, "who has to find it when it is silent")
        fast = [name for name in module.buses if name in car.buses and car.buses[name].bitrate >= FAST_BITRATE]
        if module.stub_m is not None and module.stub_m > LONGEST_STUB_M and fast:
            text = f"The stub of {module.name} is {module.stub_m:g} m long; {fast[0]} allows {LONGEST_STUB_M:g} m."
            yield Question(f"[module.{module.name}] stub_m", text, "ISO 11898-2, at 1 Mbit/s")


def _of_channels(car: CarFile) -> Iterator[Question]:
    wired = [channel for channel in car.channels.values() if channel.sensor]
    bare = [channel.name for channel in wired if not (channel.wiring.plug or channel.wiring.supply)]
    if bare:
        text = f"How {'is' if len(bare) == 1 else 'are'} {listed(bare)} wired?"
        yield Question("[channel.NAME] wiring", text, "several bad channels are traced to what they share")
    done = {one.channel or one.sensor for one in car.calibration_log}
    never = [one.name for one in wired if one.name not in done and one.sensor not in done]
    if never:
        text = f"When {'was' if len(never) == 1 else 'were'} {listed(never)} calibrated?"
        yield Question("[[calibration_log]]", text, "no record says so")
    undated = [one.name for one in car.channels.values() if one.zero is not None and one.zero.date is None]
    if undated:
        yield Question("[channel.NAME] zero", f"When was the zero of {listed(undated)} found?", "it has no date")


def cautions(car: CarFile | None) -> tuple[str, ...]:
    """Return what to mind: in general, then what the car file says of each sensor."""
    of_sensors = [
        f"{sensor.name}: {text}"
        for sensor in (car.sensors.values() if car is not None else ())
        for text in sensor.cautions
    ]
    return (*CAUTIONS, *of_sensors)
