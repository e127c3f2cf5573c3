"""A bus as a drawing: modules in the order of the chain, terminators, stubs, supplies; as SVG and as text."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from buswright.layout.document.model import BusLayout, Layout, ModuleLayout
from buswright.report.layout import words
from buswright.report.text import cut
from buswright.wording import visible

_WIDTH = 470
_ROW = 74
_BUS_X = 92
_BOX_X, _BOX_WIDTH, _BOX_HEIGHT = 170, 168, 54
_FUSE_X = 356
_TOP = 34
_LONGEST = 23


def _short(text: str, most: int = _LONGEST) -> str:
    return escape(cut(visible(text), most))


def topology_svg(layout: Layout, bus: BusLayout) -> str:
    """Draw a bus; colours are those of the page, so that it follows light, dark and paper."""
    by_name = {module.name: module for module in layout.modules}
    places = [*bus.chain, *bus.beside]
    height = _TOP + _ROW * max(1, len(places)) + 10
    label = f"Bus {bus.name}: {topology_words(bus)}"
    return (
        f'<svg class="topology" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}" role="img" '
        f'aria-label="{escape(visible(label))}" xmlns="http://www.w3.org/2000/svg">'
        f'<text x="0" y="16" class="strong">{_short(bus.name, 30)}, {words.rates(bus)}</text>'
        + "".join(_wire(bus))
        + "".join(_place(bus, by_name.get(name), name, at) for at, name in enumerate(places))
        + "</svg>"
    )


def _middle(at: int) -> float:
    return _TOP + _ROW * at + _BOX_HEIGHT / 2


def _wire(bus: BusLayout) -> Iterator[str]:
    """Draw the bus itself, with the metres between modules."""
    if not bus.chain:
        yield f'<text x="0" y="{_TOP + 4}" class="quiet">order of the modules not stated</text>'
        return
    first, last = _middle(0), _middle(len(bus.chain) - 1)
    for x in (_BUS_X - 2, _BUS_X + 2):
        yield f'<line x1="{x}" y1="{first}" x2="{x}" y2="{last}" class="bus"/>'
    for at, metres in enumerate(bus.lengths_m[: len(bus.chain) - 1]):
        y = (_middle(at) + _middle(at + 1)) / 2 + 4
        yield f'<text x="{_BUS_X - 10}" y="{y}" text-anchor="end">{metres:g} m</text>'


def _place(bus: BusLayout, module: ModuleLayout | None, name: str, at: int) -> str:
    """Draw one module with its stub, its terminator, its supply and its ground."""
    middle, top = _middle(at), _middle(at) - _BOX_HEIGHT / 2
    known = name in bus.chain
    stub = "stub" if known else "stub unknown"
    parts = [f'<line x1="{_BUS_X + (2 if known else 30)}" y1="{middle}" x2="{_BOX_X}" y2="{middle}" class="{stub}"/>']
    if module is not None and module.stub_m is not None:
        parts.append(
            f'<text x="{(_BUS_X + _BOX_X) / 2 + 2}" y="{middle - 5}" text-anchor="middle">{module.stub_m:g} m</text>'
        )
    if not known:
        parts.append(f'<text x="{_BUS_X + 24}" y="{middle + 4}" text-anchor="end" class="quiet">place unknown</text>')
    if name in bus.terminators:
        parts.append(_terminator(middle))
    parts.append(f'<rect x="{_BOX_X}" y="{top}" width="{_BOX_WIDTH}" height="{_BOX_HEIGHT}" rx="4" class="module"/>')
    details = [] if module is None else [module.place, f"plug {module.plug}" if module.plug else ""]
    for line, text in enumerate([name, *[each for each in details if each]]):
        style = ' class="strong"' if not line else ""
        parts.append(f'<text x="{_BOX_X + 8}" y="{top + 17 + 15 * line}"{style}>{_short(text)}</text>')
    if module is not None and (module.supply or module.ground):
        parts.append(_supply(module, middle))
    full = ", ".join(text for text in (name, *details) if text)
    return f"<g><title>{escape(visible(full))}</title>{''.join(parts)}</g>"


def _terminator(middle: float) -> str:
    """Draw a resistor across the two wires."""
    left = _BUS_X - 44
    zigzag = " ".join(f"{left + 5 * k},{middle + (-6 if k % 2 else 6)}" for k in range(1, 7))
    return (
        f'<polyline points="{left},{middle} {zigzag} {left + 35},{middle} {_BUS_X - 2},{middle}" class="resistor"/>'
        f'<text x="{left - 4}" y="{middle + 4}" text-anchor="end">120 Ω</text>'
    )


def _supply(module: ModuleLayout, middle: float) -> str:
    """Draw the fuse (or output) that feeds a module, and its ground."""
    edge = _BOX_X + _BOX_WIDTH
    parts = []
    if module.supply:
        y = middle - 12
        parts.append(
            f'<line x1="{edge}" y1="{y}" x2="{_FUSE_X}" y2="{y}" class="stub"/>'
            f'<rect x="{_FUSE_X}" y="{y - 5}" width="22" height="10" class="fuse"/>'
            f'<line x1="{_FUSE_X}" y1="{y}" x2="{_FUSE_X + 22}" y2="{y}" class="stub"/>'
            f'<text x="{_FUSE_X + 28}" y="{y + 4}">{_short(module.supply, 12)}</text>'
        )
    if module.ground:
        y = middle + 12
        bars = "".join(
            f'<line x1="{_FUSE_X + 11 - half}" y1="{at}" x2="{_FUSE_X + 11 + half}" y2="{at}" class="stub"/>'
            for half, at in ((9, y + 4), (6, y + 8), (3, y + 12))
        )
        parts.append(
            f'<polyline points="{edge},{y} {_FUSE_X + 11},{y} {_FUSE_X + 11},{y + 4}" class="resistor"/>{bars}'
            f'<text x="{_FUSE_X + 28}" y="{y + 8}">{_short(module.ground, 12)}</text>'
        )
    return "".join(parts)


def topology_words(bus: BusLayout) -> str:
    """Say the same in a sentence, for those who can't see the drawing."""
    if not bus.chain and not bus.beside:
        return "no modules are known"
    parts = []
    if bus.chain:
        parts.append("in order " + ", ".join(bus.chain))
    if bus.beside:
        parts.append("place unknown " + ", ".join(bus.beside))
    parts.append("terminators in " + " and ".join(bus.terminators) if bus.terminators else "terminators not stated")
    return "; ".join(parts)


def topology_lines(layout: Layout, bus: BusLayout) -> Iterator[str]:
    """Draw a bus as text."""
    by_name = {module.name: module for module in layout.modules}
    for at, name in enumerate(bus.chain):
        if at:
            metres = f" {bus.lengths_m[at - 1]:g} m" if at <= len(bus.lengths_m) else ""
            yield f"  |{metres}"
        yield f"  +-- {_module_words(bus, by_name.get(name), name)}"
    for name in bus.beside:
        yield f"  ?   {_module_words(bus, by_name.get(name), name)}, place unknown"
    if not bus.terminators:
        yield "  terminators: not stated"


def _module_words(bus: BusLayout, module: ModuleLayout | None, name: str) -> str:
    parts = [name]
    if name in bus.terminators:
        parts.append("terminator 120 ohm")
    if module is not None:
        parts += [module.place] if module.place else []
        fitted = (("plug", module.plug), ("supply", module.supply), ("ground", module.ground))
        parts += [f"{word} {value}" for word, value in fitted if value]
        if module.stub_m is not None:
            parts.append(f"stub {module.stub_m:g} m")
    return visible(", ".join(parts))
