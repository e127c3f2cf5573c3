"""Frames worked out by others: identifier and payload, the bits on the wire, the checksum."""

from dataclasses import dataclass

from buswright.frames.wire.bits import FdForm


@dataclass(frozen=True)
class Worked:
    name: str
    id: int
    extended: bool
    remote: bool
    dlc: int
    data: str
    crc: int
    stuff_at: tuple[int, ...]
    bits: int  # without interframe space
    stuffed: str  # start of frame to the last CRC bit


# Derived by two independent implementations (a shift register with a counter; polynomial long division with a
# regular expression) that agree; the CRCs also with the libraries crccheck 1.3 and anycrc.
WORKED = (
    Worked(
        "short",
        0x14,
        False,
        False,
        1,
        "01",
        0x7753,
        (5, 16, 26),
        55,
        "000001001010000010001000001001111011101010011",
    ),
    Worked(
        "typical",
        0x123,
        False,
        False,
        8,
        "1122334455667788",
        0x4237,
        (21,),
        109,
        "000100100011000100000101000100100010001100110100010001010101011001100111011110001000100001000110111",
    ),
    Worked(
        "all-zero-dlc0",
        0x0,
        False,
        False,
        0,
        "",
        0x0,
        (5, 11, 17, 23, 29, 35),
        50,
        "0000010000010000010000010000010000010000",
    ),
    Worked(
        "all-zero-dlc8",
        0x0,
        False,
        False,
        8,
        "0000000000000000",
        0x145B,
        (5, 11, 17, 24, 30, 36, 42, 48, 54, 60, 66, 72, 78, 84, 90, 96),
        124,
        "000001000001000001100000100000100000100000100000100000100000100000100000100000100000100000"
        "100000100001010001011011",
    ),
    Worked(
        "all-ones",
        0x7FF,
        False,
        False,
        8,
        "ffffffffffffffff",
        0x4C89,
        (6, 12, 26, 32, 38, 44, 50, 56, 62, 68, 74, 80, 86, 92, 98),
        123,
        "011111011111010001000111110111110111110111110111110111110111110111110111110111110111110111"
        "11011111000110010001001",
    ),
    Worked(
        "j1939-eec1",
        0xCF00400,
        True,
        False,
        8,
        "f07d7d2033ffffff",
        0x5329,
        (19, 28, 34, 51, 56, 66, 77, 89, 95, 101, 107, 113),
        140,
        "001100111100110000010010000010000010001000111100000111110101011111001001000001001100111110"
        "1111101111101111101111101101001100101001",
    ),
    Worked(
        "obd-request",
        0x7DF,
        False,
        False,
        8,
        "02010c0000000000",
        0x5649,
        (6, 13, 23, 34, 50, 56, 62, 68, 74, 80, 86, 92),
        120,
        "011111001111100001000001000010000010001000011000001000001000001000001000001000001000001000"
        "00100101011001001001",
    ),
    Worked(
        "remote",
        0x7DF,
        False,
        True,
        8,
        "",
        0x168A,
        (6, 13, 23),
        47,
        "0111110011111010010000011011010001010",
    ),
    Worked(
        "max-found",
        0x7C0,
        False,
        False,
        8,
        "000f0f0801e1e810",
        0x49F0,
        (6, 11, 17, 24, 30, 36, 41, 46, 51, 56, 63, 69, 74, 79, 84, 92, 110, 115),
        126,
        "011111000001000001100000100000100000111110000011111000001100000100000111110000011111001000"
        "00101000010010011111000001",
    ),
    Worked(
        "ext-zero",
        0x0,
        True,
        False,
        8,
        "0000000000000000",
        0x3DAF,
        (5, 11, 21, 27, 33, 39, 47, 53, 59, 65, 71, 77, 83, 89, 95, 101, 107, 113, 119),
        147,
        "000001000001001100000100000100000100000101000001000001000001000001000001000001000001000001"
        "00000100000100000100000100000100011110110101111",
    ),
    Worked(
        "stuff-after-crc",
        0xEF,
        False,
        False,
        2,
        "7e0f",
        0x8DF,
        (17, 26, 33, 38, 54),
        65,
        "0000111011110000011001111101000001111100001000110111110",
    ),
)

# Lengths with 3 bits of interframe space, stuff counts and CRCs by a public CAN FD frame generator that its author
# compared with controllers' output (github.com/pierremolinaro/codes-can, CANFDFrameGenerator.h at 7f46575), for
# pseudo-random frames: identifier, extended, BRS, ESI, form, length code, payload, stuff bits, CRC, all bits.
FD_WORKED: tuple[tuple[int, bool, bool, bool, FdForm, int, str, int, int, int], ...] = (
    (0x0, False, False, False, "non-iso", 0, "", 3, 0x19532, 60),
    (0x64EE7C0, True, False, False, "non-iso", 5, "ffff000000", 10, 0xC3B1, 126),
    (0x309, False, False, False, "iso", 10, "f0783c1ef0783c1ef0783c1ef0783c1e", 20, 0x1822A, 210),
    (
        0xE3E699C,
        True,
        False,
        False,
        "iso",
        15,
        "5a76f62777bc8650376770cb1b326571a9d8052bd66673325d3b775daf8191c9e963a12a5abf223df4e9bf1601eb6701b4f15f73166779721abe330ad0e27471",
        12,
        0xBB4DB,
        610,
    ),
    (0x60F, False, False, True, "non-iso", 4, "0000ff00", 7, 0x5B57, 96),
    (0x0, True, True, False, "non-iso", 9, "f0783c1ef0783c1ef0783c1e", 20, 0xF399, 192),
    (
        0xF,
        False,
        False,
        False,
        "iso",
        14,
        "11d599199a1693bf25e216aef2e5f052890fcbe0ab96ddeb89b0bd4d7fcfc42fdb6c7f4fdbb12c2e1c9d5087ccc9a81a",
        14,
        0xAE51D,
        465,
    ),
    (0x1225D2AA, True, True, False, "iso", 3, "000000", 4, 0x174A1, 109),
    (0x702, False, True, False, "non-iso", 8, "f0783c1ef0783c1e", 11, 0x1C385, 132),
    (
        0x74F9611,
        True,
        True,
        False,
        "non-iso",
        13,
        "378e128c42874ed5cb05464cbd44a3f73cf42f10bb2d5da0c80c1fd0454121f6",
        10,
        0x1B6875,
        347,
    ),
    (0x10, False, False, False, "iso", 2, "ff00", 5, 0x17B02, 83),
    (0x6D91011, True, False, True, "iso", 7, "f0783c1ef0783c", 10, 0x1BB46, 147),
    (0x66F, False, False, True, "non-iso", 12, "e7d9b1b42254e68bf9d32e5436f22385de56cba37eb950c4", 3, 0x182682, 257),
    (0x18D19C14, True, True, True, "non-iso", 1, "ff", 2, 0x41E3, 86),
    (0x31F, False, True, False, "iso", 6, "f0783c1ef078", 8, 0x17914, 118),
    (0x0, True, False, False, "iso", 11, "64788cf960637a01857c6e878e59d7d831c466d7", 11, 0x135AA4, 257),
    (0x93, False, True, True, "non-iso", 1, "ff", 1, 0x11B2C, 66),
    (0x2167A3F, True, True, True, "non-iso", 6, "f0783c1ef078", 8, 0x46B6, 132),
    (0x2CE, False, True, False, "iso", 11, "5a1562f9c50654ea00a3d8e387ab24aa7ad6bef2", 4, 0xCB600, 231),
    (0x1A95547C, True, True, True, "iso", 0, "", 1, 0x1A2BC, 82),
    (0x0, False, True, False, "non-iso", 5, "f0783c1ef0", 7, 0x16981, 104),
    (0x119AB0FD, True, False, False, "non-iso", 10, "df00247a29dd0bdd0f75c7940f324580", 6, 0x1A8B3, 210),
    (
        0x71A,
        False,
        False,
        False,
        "iso",
        15,
        "ffffff00ff000000ff00ffffff0000ff00ffff00ffff00ffffffffffffff00000000ffffff00ff00000000ff00ff00ff00ff00ff00ffff000000ff000000ffff",
        84,
        0x18C234,
        663,
    ),
    (0x16E32DF8, True, True, False, "iso", 4, "f0783c1e", 6, 0x1B785, 119),
)
