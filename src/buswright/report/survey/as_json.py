"""What unknown frames carry, as JSON."""

from __future__ import annotations

from typing import Any

from buswright.report.plain import problems_json, some
from buswright.report.survey.words import Surveying
from buswright.survey.survey import Surveyed, pace

SCHEMA = "buswright.survey/1"


def render_json(surveying: Surveying) -> dict[str, Any]:
    """Return the document that `survey --json` prints; its schema is survey.schema.json in schemas/."""
    survey = surveying.survey
    return {
        "schema": SCHEMA,
        "files": list(surveying.files),
        "problems": problems_json(surveying.problems),
        "explained": survey.explained,
        "channels": survey.channels,
        "out": surveying.out or None,
        "drafted": {"messages": surveying.drafted[0], "signals": surveying.drafted[1]},
        "asked": survey.asked or None,
        "changes": [
            {"id": str(each.name), **some(each, "message signal bits inside outside share_inside share_outside score")}
            for each in survey.changes
        ],
        "ids": [_one(each) for each in survey.ids],
    }


def _one(each: Surveyed) -> dict[str, Any]:
    layout = each.layout
    return {
        "id": str(each.name),
        "message": each.message.name if each.message is not None else None,
        "frames": each.frames,
        "length": layout.length,
        "period_ms": each.period_ns / 1e6 if each.period_ns else None,
        "rhythm": each.sending,
        "constant_bits": [bit for bit, still in enumerate(layout.constant.tolist()) if still],
        "first": layout.first.hex(),
        "checksum": some(layout.check, "kind text byte over right frames") if layout.check is not None else None,
        "multiplexer_values": list(layout.multiplexer.values) if layout.multiplexer is not None else [],
        "fields": [
            {
                **some(
                    field,
                    "name kind start length big_endian signed sign_confidence sign_why order_confidence low high "
                    "values changes steps jumps mux_value counter_step confidence sure why",
                ),
                "crossing_s": crossing,
                "pace": pace(crossing) or None,
                "likeness": [
                    some(one, "channel unit r changes_r lag_ms scale offset error points turns") for one in likeness
                ],
            }
            for field, likeness, crossing in zip(layout.fields, each.likeness, each.crossing_s, strict=True)
        ],
    }
