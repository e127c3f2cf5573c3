"""Published scalings written as a DBC and decoded: J1939 parameters and OBD responses.

Sources: J1939 parameters 190, 513, 110, 84, 100 from the database bundled with pretty_j1939 0.0.6; 91 from a public
DBC excerpt; 175 and 168 from memory of SAE J1939-71. OBD: SAE J1979 / ISO 15031-5 formulas, values computed with
python-OBD 0.7.3's decoders.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Database
from tests.messages.databases import from_text
from tests.messages.frame_batches import frames_of

EXTENDED = 1 << 31

J1939_DBC = f"""VERSION ""
BU_: ENGINE
BO_ {EXTENDED | 0x0CF004FE} EEC1: 8 ENGINE
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
 SG_ ActualTorque : 16|8@1+ (1,-125) [-125|125] "%" Vector__XXX
BO_ {EXTENDED | 0x18FEEEFE} ET1: 8 ENGINE
 SG_ CoolantTemperature : 0|8@1+ (1,-40) [-40|210] "degC" Vector__XXX
 SG_ OilTemperature : 16|16@1+ (0.03125,-273) [-273|1735] "degC" Vector__XXX
BO_ {EXTENDED | 0x18FEF1FE} CCVS: 8 ENGINE
 SG_ VehicleSpeed : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" Vector__XXX
BO_ {EXTENDED | 0x18FEEFFE} EFLP1: 8 ENGINE
 SG_ OilPressure : 24|8@1+ (4,0) [0|1000] "kPa" Vector__XXX
BO_ {EXTENDED | 0x18F003FE} EEC2: 8 ENGINE
 SG_ AcceleratorPedal : 8|8@1+ (0.4,0) [0|100] "%" Vector__XXX
BO_ {EXTENDED | 0x18FEF7FE} VEP1: 8 ENGINE
 SG_ BatteryPotential : 32|16@1+ (0.05,0) [0|3212.75] "V" Vector__XXX
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_DEF_ "ProtocolType" "";
BA_ "ProtocolType" "J1939";
BA_DEF_ SG_ "SPN" INT 0 524287;
BA_DEF_DEF_ "SPN" 0;
BA_ "SPN" SG_ {EXTENDED | 0x0CF004FE} EngineSpeed 190;
"""


@pytest.mark.parametrize(
    ("identifier", "payload", "name", "value"),
    [
        (0x0CF00400, "F07D7D2033FFFFFF", "EEC1@00/EngineSpeed", 1636.0),
        (0x0CF00400, "F07D7D2033FFFFFF", "EEC1@00/ActualTorque", 0),
        (0x0CF0042A, "FFFFFFFFFAFFFFFF", "EEC1@2A/EngineSpeed", 8031.875),
        (0x18FEEE00, "7DFFFFFFFFFFFFFF", "ET1@00/CoolantTemperature", 85),
        (0x18FEEE00, "7DFF0020FFFFFFFF", "ET1@00/OilTemperature", -17.0),
        (0x18FEF100, "FF0040FFFFFFFFFF", "CCVS@00/VehicleSpeed", 64.0),
        (0x18FEEF00, "FFFFFFFAFFFFFFFF", "EFLP1@00/OilPressure", 1000),
        (0x18F00300, "FFFAFFFFFFFFFFFF", "EEC2@00/AcceleratorPedal", 100.0),
        (0x18FEF727, "FFFFFFFF1801FFFF", "VEP1@27/BatteryPotential", 14.0),
    ],
)
def test_j1939_parameters(tmp_path: Path, identifier: int, payload: str, name: str, value: float) -> None:
    database = from_text(tmp_path, J1939_DBC)
    assert _value(database, identifier, True, payload, name) == pytest.approx(value, rel=1e-15)


def test_the_parameter_number_is_kept(tmp_path: Path) -> None:
    assert from_text(tmp_path, J1939_DBC).find("EEC1").signal("EngineSpeed").spn == 190


OBD_PIDS = [
    (0x04, "80", 8, 100 / 255, 0, 50.196078),
    (0x05, "7B", 8, 1, -40, 83),
    (0x05, "00", 8, 1, -40, -40),
    (0x05, "FF", 8, 1, -40, 215),
    (0x0B, "65", 8, 1, 0, 101),
    (0x0C, "1AF8", 16, 0.25, 0, 1726.0),
    (0x0C, "0000", 16, 0.25, 0, 0.0),
    (0x0C, "FFFF", 16, 0.25, 0, 16383.75),
    (0x0D, "50", 8, 1, 0, 80),
    (0x0E, "90", 8, 0.5, -64, 8.0),
    (0x0F, "46", 8, 1, -40, 30),
    (0x10, "0190", 16, 0.01, 0, 4.0),
    (0x11, "33", 8, 100 / 255, 0, 20.0),
    (0x11, "FF", 8, 100 / 255, 0, 100.0),
    (0x2F, "80", 8, 100 / 255, 0, 50.196078),
    (0x33, "64", 8, 1, 0, 100),
    (0x42, "3699", 16, 0.001, 0, 13.977),
    (0x46, "3C", 8, 1, -40, 20),
    (0x5C, "82", 8, 1, -40, 90),
]


@pytest.mark.parametrize(("pid", "data", "bits", "scale", "offset", "value"), OBD_PIDS)
def test_obd_responses(
    tmp_path: Path, pid: int, data: str, bits: int, scale: float, offset: float, value: float
) -> None:
    """A response is length, 0x41, pid, data: the pid multiplexes, and the data is big-endian."""
    text = f"""VERSION ""
BO_ 2024 OBD: 8 ECU
 SG_ PID M : 23|8@0+ (1,0) [0|0] "" Vector__XXX
 SG_ wanted m{pid} : 31|{bits}@0+ ({scale!r},{offset}) [0|0] "u" Vector__XXX
 SG_ other m255 : 31|8@0+ (1,0) [0|0] "u" Vector__XXX
"""
    database = from_text(tmp_path, text)
    payload = f"0441{pid:02X}{data}".ljust(16, "0")
    assert _value(database, 0x7E8, False, payload, "OBD/wanted") == pytest.approx(value, abs=1e-6)


def _value(database: Database, identifier: int, extended: bool, payload: str, name: str) -> float:
    batch = Decoder(database).decode(frames_of([(identifier, extended, bytes.fromhex(payload))]))
    message, signal = name.split("/")
    column = batch[f"can0/{message}"][signal]
    assert column.valid is None
    return float(column.value[0])
