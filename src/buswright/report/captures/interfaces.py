"""Adapters and the search for a bit rate, as text and as JSON."""

from __future__ import annotations

from typing import Any

from buswright.frames.live.adapters import Adapters
from buswright.frames.live.find_bitrate import Search
from buswright.report.plain import some
from buswright.report.text import joined

SCHEMA = "buswright.interfaces/1"
_SERIAL = "a serial line can't tell"


def render_text(found: Adapters | Search) -> str:
    """Write what `interfaces` prints: the list, or the search for a bit rate."""
    return _search_text(found) if isinstance(found, Search) else _adapters_text(found)


def _adapters_text(adapters: Adapters) -> str:
    lines: list[str] = []
    for adapter in adapters.found:
        lines.append(f"{adapter.live}")
        lines.append(f"    {adapter.name}: {adapter.about}")
        if adapter.proof is None:
            lines.append(f"    listen-only: not proven, {_SERIAL}; the bit rate is an example, put in yours")
        else:
            lines.append(f"    listen-only: {adapter.proof.listening} ({adapter.proof.why})")
            lines += [f"      {command}" for command in adapter.proof.commands]
    if not adapters.found:
        lines.append("No CAN interface and no serial adapter found.")
    lines += [f"note: {note}" for note in adapters.notes]
    return joined(lines)


def _search_text(search: Search) -> str:
    lines = [f"{trial.bitrate:>9,} bit/s: {trial.why}" for trial in search.trials]
    if search.bitrate is not None:
        lines.append(f"The bit rate is {search.bitrate:,} bit/s. The interface is now set to it, listening only.")
    else:
        lines.append(
            "No rate fits. Check that the bus is awake and terminated, and that CANH and CANL are not swapped."
        )
    return joined(lines)


def render_json(found: Adapters | Search) -> dict[str, Any]:
    """Return the document that `interfaces --json` prints; its schema is interfaces.schema.json in schemas/."""
    adapters, search = (None, found) if isinstance(found, Search) else (found, None)
    trials = [
        {**some(trial, "bitrate frames"), "identifiers": trial.ids, **some(trial, "errors accepted why")}
        for trial in (search.trials if search else ())
    ]
    return {
        "schema": SCHEMA,
        "interfaces": [
            {
                **some(adapter, "name live about"),
                "listening": str(adapter.proof.listening) if adapter.proof else "not proven",
                "why": adapter.proof.why if adapter.proof else _SERIAL,
                "commands": list(adapter.proof.commands) if adapter.proof else [],
            }
            for adapter in (adapters.found if adapters else ())
        ],
        "notes": list(adapters.notes) if adapters else [],
        "search": search and {"bitrate": search.bitrate, "trials": trials},
    }
