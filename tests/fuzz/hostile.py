"""Files that somebody made to hurt: without end, too deep, too large, or with numbers that nothing can have."""

import sqlite3
import struct
from functools import cache

from tests.layout.handover.packs import HOSTILE as HOSTILE_PACKS


def _blf_of(*objects):
    head = struct.pack("<4sLBBBBBBBBQQLL8H8H", b"LOGG", 144, *[0] * 8, 1 << 40, 1 << 40, 1 << 31, 0, *[0] * 16)
    return head.ljust(144, b"\0") + b"".join(objects)


def _container(size, kind, content, uncompressed):
    whole = struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + struct.pack("<H6xL4x", kind, uncompressed) + content
    return whole + b"\0" * (len(content) % 4)


def _sqlite_of(script):
    connection = sqlite3.connect(":memory:")
    connection.executescript(script)
    data = connection.serialize()
    connection.close()
    return data


_COLUMNS = "ts, arbitration_id, extended, remote, error, dlc, data"
_BLF_OBJECT = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 0, 1)
_BO = b'VERSION ""\nBU_: A\nBO_ 100 M: %s A\n'


def _signals(number, name=b"S%d"):
    lines = (
        (b" SG_ " + (name % k if b"%" in name else name) + b' : %d|1@1+ (1,0) [0|0] "" A\n') % (k % 64)
        for k in range(number)
    )
    return _BO % b"8" + b"".join(lines)


HOSTILE = {
    "candump": lambda: (
        *(
            b"\n" * 3_000_000,
            b" \n" * 1_000_000,
            b"\r\n" * 1_000_000,
            b"#\n" * 300_000,
            b"x\n" * 300_000,
            b"\t\n" * 300_000,
        ),
        *(b"(1.0) can0 123#00\n" * 3 + b"#" * (3 << 20) + b"\n(1.1) can0 123#00\n",),
        b"".join(b"(1775901600.%06d) can%d 123#00\n" % (k, k) for k in range(3000)),
        b"".join(b"(%d.0) can0 123#00\n" % (k * 10**11 % 9_223_372_036) for k in range(3000)),
        b"(0.000000) can0 123#00\n" + b"(9223372035.999999) can0 123#00\n" * 30,
        b"(1775901600.0) can0 %s#00\n" % (b"1" * 200_000) + b"(1775901600.0) can0 123#00\n",
        b"".join(b"(%d.0) can0 %08X##%d00\n" % (1775901600 + k, k * 7919 % (1 << 29), k % 10) for k in range(5000)),
    ),
    "ASC": lambda: (
        *(b"base hex\n" + b"\n" * 3_000_000, b"base hex\n" + b"x\n" * 300_000, b"base hex\nbase dec\n" * 20_000),
        b"base hex\n" + b"".join(b"%d.0 %d 123 Rx d 1 00\n" % (k, k % 300) for k in range(3000)),
        b"base hex timestamps relative\n" + b"9999999999.0 1 123 Rx d 1 00\n" * 3000,
        b"date Sat Apr 99 99:99:99 9999\nbase hex\n" + b"1.0 1 123 Rx d 1 00\n" * 30,
        b"base hex\n" + b"Begin Triggerblock Sat Apr 11 10:00:00 2026\nEnd TriggerBlock\n" * 20_000,
        b"base hex\n" + b"1.0 1 Statistic: D 1 R 2 XD 9 XR 4 E 0 O 5 B 9999999999999%\n" * 20_000,
        b"base hex\n" + b"".join(b"// channel %d: n%d\n" % (k % 250, k) for k in range(20_000)) + b"1.0 1 1 Rx d 0\n",
        b"base hex\n" + b"1.0 CANFD 1 Rx 123 1 0 f 64 " + b"00 " * 200_000 + b"\n1.0 1 123 Rx d 1 00\n",
    ),
    "BLF": lambda: (
        *(b"LOGG", b"LOGG".ljust(72, b"\0"), _blf_of(), _blf_of(_BLF_OBJECT * 10), _blf_of(b"LOBJ" * 3000)),
        *(_blf_of(_container(size, kind, b"\0" * 60, 1 << 31)) for size in (0, 16, 32, 1 << 31) for kind in (0, 1, 2)),
        _blf_of(_container(0, 0, _BLF_OBJECT * 3, 48)),
    ),
    "TRC": lambda: (
        *(
            b";$FILEVERSION=2.0\n",
            b";$FILEVERSION=2.1\n;$COLUMNS=N,O\n1 1.0\n" * 3,
            b";$STARTTIME=nan\n 1) 1.0 0100 1 00\n",
        ),
        b";\n" * 200_000 + b" 1) 1.0 0100 1 00\n",
        b";$FILEVERSION=1.1\n;$STARTTIME=1e300\n     1)      1.0  Rx     0100  1  00\n" * 3,
        b";$FILEVERSION=1.1\n" + b"     1)      1.0  Rx     0100  999999999  00\n" * 30,
        b";$FILEVERSION=1.1\n" + b"\n" * 1_000_000 + b"     1)      1.0  Rx     0100  1  00\n",
    ),
    "SQLite": lambda: (
        _sqlite_of("CREATE TABLE other (a)"),
        _sqlite_of(f"CREATE VIEW messages({_COLUMNS}) AS SELECT 1.0, 1, 0, 0, 0, 1, zeroblob(900000000)"),
        _sqlite_of(
            f"CREATE TABLE messages ({_COLUMNS}); INSERT INTO messages VALUES ('x', 'y', 'z', 1, NULL, -1, 'text')"
        ),
        _sqlite_of(
            f"CREATE VIEW messages({_COLUMNS}) AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c)"
            " SELECT x, 1, 0, 0, 0, 1, x'00' FROM c"
        ),
        _sqlite_of(
            f"CREATE VIEW messages({_COLUMNS}) AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c)"
            " SELECT x, 1, 0, 0, 0, 1, x'00' FROM c WHERE x < 0"
        ),
    ),
    "CSV": lambda: (
        b"timestamp,arbitration_id,extended,remote,error,dlc,data\n" + b"\n" * 1_000_000,
        b"timestamp,arbitration_id,extended,remote,error,dlc,data\n" + b"," * 3_000_000,
        b"timestamp,arbitration_id,extended,remote,error,dlc,data\n" + b"x\n" * 30_000 + b"1.0,0x1,0,0,0,1,AA==\n",
    ),
    "sidecar": lambda: (
        *(
            b"[" * 500_000,
            b'{"a":' * 200_000,
            b"{}\n" * 300_000,
            b"\n" * 1_000_000,
            b'{"kind":"x","time_ns":1}\n' * 120_000,
        ),
        b'{"first_ns":1775901600095121000}\n' + b'{"kind":"x","values":{"a":1e400,"b":NaN}}\n' * 100,
        b'{"kind":"note","values":' + b"9" * 100_000 + b"}\n",
        b'{"format":"buswright.events/1","channels":' + b"[" * 900 + b"]" * 900 + b"}\n",
    ),
    "baseline": lambda: (
        *(
            b"[" * 500_000,
            b'{"a":' * 200_000,
            b'{"schema":"buswright.baseline/1"}',
            b'{"schema":["x"]}',
            b"9" * 100_000,
        ),
        *(b'{"schema":"buswright.baseline/1","buses":' + b"{" * 3000, b'{"schema":' + b"9" * 6000 + b"}"),
    ),
    "layout": lambda: (
        *(b"```json\n" * 50_000, b'<script type="application/json" id="data">' * 20_000, b"[" * 500_000),
        b'```json\n{"schema":"buswright.layout/1","car":' + b"[" * 3000 + b"\n```\n",
        b'{"schema":"buswright.layout/2"}',
    ),
    "car file": lambda: (
        *(
            b"[" * 100_000,
            b"a=" + b"[" * 50_000,
            b"a." * 30_000 + b"b=1",
            b"a={" * 5_000,
            b'x = "' + b"\\u0041" * 100_000,
        ),
        b"format = 1\n" + b"".join(b"[channel.c%d]\nformula = '%s'\n" % (k, b"(" * 500) for k in range(50)),
        b"format = 1\n"
        + b"".join(b"[channel.c%d]\nformula = 'c%d + c%d'\nunit='V'\n" % (k, k - 1, k - 2) for k in range(2, 900)),
        b"format = 1\n[channel.a]\nformula = '" + b"2 ** " * 300 + b"9'\nunit = 'V'\n",
        b"format = 1\n[channel.a]\nformula = '" + b"-" * 50_000 + b"9'\nunit = 'V'\n",
        b"format = 1\n[channel.a]\nformula = '9 ** 9 ** 9 ** 9'\nunit = 'V'\n",
        b"format = 1\n" + b"".join(b"[bus.b%d]\nbitrate = 500000\n" % k for k in range(5000)),
        b"format = 1\n[bus.a]\nbitrate = 500000\ndatabases = ['/dev/zero', '../../etc/passwd', 'car.toml', '.']\n",
        b"format = 1\n[sensor.a]\nkind='polynomial'\ncoefficients = [" + b"1e308," * 20_000 + b"]\nunit='V'\n",
        b"format = 1\n[sensor.a]\nkind='linear'\npoints = [[0,0],[1e-320,1e308]]\nunit='V'\n",
    ),
    "DBC": lambda: (
        *(_signals(20_000), _signals(1_200, b"SAME"), _signals(1_900), b"(" * 100_000, b'"' * 100_001),
        *(_BO % size for size in (b"4294967296", b"100000000", b"9" * 400, b"-1", b"4096")),
        *(
            _BO % b"8" + b' SG_ A : 0|%s@1+ (1,0) [0|0] "" A\n' % size
            for size in (b"4294967296", b"100000000", b"0", b"65")
        ),
        *(_BO % b"8" + b' SG_ A : %s|8@0- (1,0) [0|0] "" A\n' % at for at in (b"4294967296", b"9" * 400, b"63")),
        *(_BO % b"8" + b' SG_ A : 0|8@1+ (%s,%s) [0|0] "" A\n' % (x, x) for x in (b"1e400", b"nan", b"0", b"9" * 400)),
        _BO % b"8"
        + b' SG_ M M : 0|8@1+ (1,0) [0|0] "" A\n SG_ A m0 : 8|8@1+ (1,0) [0|0] "" A\n'
        + b"SG_MUL_VAL_ 100 A M 0-4294967295;\n",
        b'VERSION ""\n'
        + b"".join(b'BO_ %d M%d: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n' % (k, k) for k in range(2000)),
        b'VERSION ""\n' + b'BO_ 100 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n' * 1500,
        _BO % b"8"
        + b'BA_DEF_ BO_ "GenMsgCycleTime" STRING ;\nBA_DEF_DEF_ "GenMsgCycleTime" "";\n'
        + b'BA_ "GenMsgCycleTime" BO_ 100 "soon";\n',
        _BO % b"8" + b' SG_ S : 0|8@1+ (1,0) [0|0] "" A\nVAL_ 100 S ' + b'1 "x" ' * 30_000 + b";\n",
        _BO % b"8" + b'CM_ BO_ 100 "' + b"x\n" * 200_000,
        b"".join(b"BO_ %d M%d: 8 A\n SG_ broken\n" % (k, k) for k in range(300)),
    ),
    "pack": lambda: tuple(make() for make, _ in HOSTILE_PACKS.values()),
}
"""Format to a function that makes its files; some have megabytes."""


@cache
def count(form):
    """How many there are of a format."""
    return len(HOSTILE[form]())
