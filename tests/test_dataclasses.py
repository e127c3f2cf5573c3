"""Data is frozen and has slots, on every floor from the frames to the findings; the few that grow are named."""

import re
from pathlib import Path

import buswright

SOURCE = Path(buswright.__file__).parent
FLOORS = ("findings.py", "errors.py", "frames", "messages", "channels", "health", "diagnosis")
GROWING = {
    *("frames/formats/asc/arrays.LineColumns", "frames/formats/candump/lines.Stamps", "frames/formats/columns.Columns"),
    *("frames/formats/reading.Reading", "frames/formats/reading.Chunk", "frames/live/capture._Watch"),
    *("frames/tally._Entry", "messages/dbc/writing._Definition", "messages/decoding/decode.Counts"),
    *("channels/following/account.Extremes", "channels/following/now.Followed", "channels/formula/past.Past"),
    *("channels/keys/faults.FaultLog", "channels/measuring/recorded.RecordedSignal"),
    *("channels/measuring/recorded.RecordedMessage", "health/baseline/spoilt.Spoilt", "health/phases._Arrivals"),
    "diagnosis/wiggle/places.Tally",
}
"""What is filled batch by batch, or line by line."""
KEEPING = {
    *("health/channels/evidence.ChannelEvidence", "health/channels/evidence.Channels", "diagnosis/case.Case"),
    *("diagnosis/now/moment.Moment", "diagnosis/scope.Scope"),
}
"""What keeps a result once it was asked for, which slots have no room for."""


def test_data_is_frozen_and_has_slots():
    others = {}
    for floor in FLOORS:
        place = SOURCE / floor
        for file in [place] if place.is_file() else sorted(place.rglob("*.py")):
            for words, name in re.findall(r"^@dataclass\b(.*)\nclass (\w+)", file.read_text("utf-8"), re.MULTILINE):
                where = f"{file.relative_to(SOURCE).with_suffix('').as_posix()}.{name}"
                said = "frozen=True" in words, "slots=True" in words
                if said != (True, True):
                    others[where] = said
    assert others == dict.fromkeys(GROWING, (False, True)) | dict.fromkeys(KEEPING, (True, False))
