"""Adapters and the search for a bit rate, as text and as JSON."""

from __future__ import annotations

from typing import Any

from buswright.frames.live.adapters import Adapters
from buswright.frames.live.find_bitrate import Search

SCHEMA = "buswright.interfaces/1"


def render_text(adapters: Adapters) -> str:
    """Write the list that `interfaces` prints."""
    lines: list[str] = []
    for adapter in adapters.found:
        lines.append(f"{adapter.live}")
        lines.append(f"    {adapter.name}: {adapter.about}")
        if adapter.proof is None:
            lines.append(
                "    listen-only: can't be proven over a serial line; the bit rate is an example, put in yours"
            )
        else:
            lines.append(f"    listen-only: {adapter.proof.listening} ({adapter.proof.why})")
            lines += [f"      {command}" for command in adapter.proof.commands]
    if not adapters.found:
        lines.append("No CAN interface and no serial adapter is there.")
    lines += [f"note: {note}" for note in adapters.notes]
    return "\n".join(lines)


def render_search(search: Search) -> str:
    """Write what was heard at each rate, and the conclusion."""
    lines = [f"{trial.bitrate:>9,} bit/s: {trial.why}" for trial in search.trials]
    if search.bitrate is not None:
        lines.append(f"The bit rate is {search.bitrate:,} bit/s; the interface is left at it, listening only.")
    else:
        lines.append("None of these rates fits. Is the bus awake, terminated, and connected the right way round?")
    return "\n".join(lines)


def render_json(adapters: Adapters | None, search: Search | None) -> dict[str, Any]:
    """Return the document that `interfaces --json` prints; its schema is interfaces.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "interfaces": [
            {
                "name": adapter.name,
                "live": adapter.live,
                "about": adapter.about,
                "listening": str(adapter.proof.listening) if adapter.proof else "not proven",
                "why": adapter.proof.why if adapter.proof else "a serial line gives no answer",
                "commands": list(adapter.proof.commands) if adapter.proof else [],
            }
            for adapter in (adapters.found if adapters else ())
        ],
        "notes": list(adapters.notes) if adapters else [],
        "search": None
        if search is None
        else {
            "bitrate": search.bitrate,
            "trials": [
                {
                    "bitrate": trial.bitrate,
                    "frames": trial.frames,
                    "identifiers": trial.ids,
                    "errors": trial.errors,
                    "accepted": trial.accepted,
                    "why": trial.why,
                }
                for trial in search.trials
            ],
        },
    }
