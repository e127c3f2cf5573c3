"""Small car files over one small database, and everything that is said of them."""

from __future__ import annotations

import datetime
import tempfile
from pathlib import Path

from buswright.channels.carfile.load import check_car_file

TODAY = datetime.date(2026, 5, 1)

DATABASE = """VERSION ""
BU_: node other
BO_ 256 M: 8 node
 SG_ S : 0|16@1+ (1,0) [0|0] "" other
 SG_ T : 16|16@1+ (1,0) [0|0] "" other
 SG_ U : 32|8@1- (1,0) [0|0] "" other
 SG_ F : 32|32@1+ (1,0) [0|0] "" other
BO_ 257 MV: 8 node
 SG_ LOW : 0|16@1+ (1,0) [0|5000] "mV" other
 SG_ BAR : 16|16@1+ (0.1,0) [0|200] "bar" other
 SG_ WHICH M : 32|8@1+ (1,0) [0|0] "" other
 SG_ SOME m1 : 40|8@1+ (1,0) [0|0] "" other
BO_ 258 SHORT: 4 other
 SG_ A : 0|8@1+ (1,0) [0|0] "" node
BO_ 259 NOBODYS: 4 Vector__XXX
 SG_ A : 0|8@1+ (1,0) [0|0] "" node
BO_ 2566843904 EEC: 8 node
 SG_ WARM : 0|8@1+ (1,0) [0|0] "" other
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "";
BA_ "VFrameFormat" BO_ 2566843904 3;
BA_DEF_ "Baudrate" INT 0 1000000;
BA_DEF_DEF_ "Baudrate" 500000;
BA_ "Baudrate" 500000;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 257 10;
SIG_VALTYPE_ 256 F : 1;
"""

_FOLDER = tempfile.TemporaryDirectory()
_CAR = Path(_FOLDER.name) / "car.toml"
(_CAR.parent / "a.dbc").write_text(DATABASE)

BUS = '[bus.a]\nbitrate = 500_000\ndatabases = ["a.dbc"]\n'
"""Lines 2 to 4 of a file."""


def channel(name: str, *lines: str, signal: str = "M/S") -> str:
    """A channel of a signal of bus a; of none where its lines say what it is made of."""
    return "\n".join([f"[channel.{name}]", *([f'signal = "a/{signal}"'] if signal else []), *lines, ""])


def sensor(*lines: str, kind: str = "linear", unit: str = "bar") -> str:
    """A sensor `s` of a kind."""
    return "\n".join(["[sensor.s]", f'kind = "{kind}"', f'unit = "{unit}"', *lines, ""])


def said(*parts: str) -> list[str]:
    """Each fault of a car file, without its path."""
    _CAR.write_text("format = 1\n" + "".join(parts))
    return [str(fault).removeprefix(f"{_CAR}:") for fault in check_car_file(_CAR, today=TODAY).faults]


def pointed_at(*parts: str) -> list[str]:
    """What stands in the file from the place of each fault on, to the end of the line."""
    text = "format = 1\n" + "".join(parts)
    _CAR.write_text(text)
    lines = text.split("\n")
    return [lines[fault.line - 1][fault.column - 1 :] for fault in check_car_file(_CAR, today=TODAY).faults]
