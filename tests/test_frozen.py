"""What one room hands to another can't change there: results are frozen, and have no attributes but their own."""

from __future__ import annotations

import re
from pathlib import Path

import buswright

ROOMS = ("frames", "messages", "channels", "health", "diagnosis")
ADDING_UP = (
    "asc.LineColumns baseline.Spoilt candump.Stamps dbc._Definition decoding.Counts following.Extremes "
    "following.Followed formats.Chunk formats.Columns formats.Reading formula.Past frames._Entry health._Arrivals "
    "keys.FaultLog live._Watch measuring.RecordedMessage measuring.RecordedSignal wiggle.Tally"
)
"""What goes on from one batch to the next, by folder and name."""
REMEMBERING = "channels.ChannelEvidence channels.Channels diagnosis.Case diagnosis.Scope now.Moment"
"""What works a thing out once, when it is asked for: `cached_property` needs a place for that."""
_DECORATED = re.compile(r"^@dataclass(\([^)]*\))?\n(?:@[^\n]*\n)*class (\w+)", re.MULTILINE)


def test_results_are_frozen():
    source = Path(buswright.__file__).parent
    found = {
        f"{path.parent.name}.{name}": how
        for room in ROOMS
        for path in (source / room).rglob("*.py")
        for how, name in _DECORATED.findall(path.read_text(encoding="utf-8"))
    }
    assert len(found) > 200
    assert sorted(name for name, how in found.items() if "frozen=True" not in how) == ADDING_UP.split()
    assert sorted(name for name, how in found.items() if "slots=True" not in how) == REMEMBERING.split()
