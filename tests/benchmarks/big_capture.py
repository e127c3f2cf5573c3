"""A large generated capture and its database: 50 messages, 260 signals, two interfaces, 2 % CAN FD."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

FD_EVERY = 50


@dataclass(frozen=True)
class BigCapture:
    folder: Path
    frames: int

    @property
    def dbc(self) -> Path:
        return self.folder / "big.dbc"

    @property
    def candump(self) -> Path:
        return self.folder / f"big_{self.frames}.log"

    @property
    def messy(self) -> Path:
        return self.folder / f"messy_{self.frames}.log"

    @property
    def asc(self) -> Path:
        return self.folder / f"big_{self.frames}.asc"

    def repeated(self, path: Path, times: int) -> Path:
        """Write the candump so many times in a row, each copy a day and some hours later; return the path."""
        text = self.candump.read_bytes()
        with path.open("wb") as out:
            for k in range(times):
                out.write(text.replace(b"(17000", b"(17%03d" % k) if k else text)
        return path


def identifiers() -> list[int]:
    return [0x100 + 7 * k for k in range(49)] + [0x6F0]


def database() -> str:
    """49 classic messages of 5 or 6 signals and one CAN FD message of 16; 1 in 3 big-endian, half signed."""
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: A B", ""]
    for k, identifier in enumerate(identifiers()[:-1]):
        lines.append(f"BO_ {identifier} M{k:02d}: 8 {'AB'[k % 2]}")
        widths = (16, 16, 12, 12, 8) if k % 50 >= 1 else (16, 16, 12, 12, 4)
        at = 0
        for j, width in enumerate(widths):
            big = k % 3 == 0
            start = 8 * (at // 8) + 7 - at % 8 if big else at
            sign = "-" if (j + k) % 2 else "+"
            scale, offset = ((0.1, -40), (0.01, 0), (1, 0), (0.0625, 5.5), (2, 1))[j]
            lines.append(f' SG_ S{k:02d}_{j} : {start}|{width}@{0 if big else 1}{sign} ({scale},{offset}) [0|0] "u" X')
            at += width
        lines.append("")
    lines.append(f"BO_ {identifiers()[-1]} FDM: 64 A")
    lines += [f' SG_ F_{j} : {32 * j}|32@1- (0.001,0) [0|0] "u" X' for j in range(16)]
    return "\n".join(lines) + "\n"


def make(folder: Path, frames: int = 2_000_000, *, kinds: tuple[str, ...] = ("candump", "asc", "messy")) -> BigCapture:
    """Write the files that are not there yet; the same bytes every time."""
    big = BigCapture(folder, frames)
    folder.mkdir(parents=True, exist_ok=True)
    big.dbc.write_text(database(), encoding="utf-8")
    for kind in kinds:
        path = {"candump": big.candump, "asc": big.asc, "messy": big.messy}[kind]
        if not path.exists():
            _write(path, kind, frames)
    return big


def _write(path: Path, kind: str, frames: int) -> None:
    rng = np.random.default_rng(7)
    ids = identifiers()
    spelled = [f"{i:03X}" for i in ids]
    now = 1_700_000_000_000_000
    names = ("can0", "can1")
    many = ("can0", "can1", "vcan0", "slcan0", "can_engine", "can_chassis_1", "c", "can7")
    with path.open("w", encoding="ascii", newline="\n") as out:
        if kind == "asc":
            out.write("date Tue Nov 14 22:13:20.000 2023\nbase hex  timestamps absolute\ninternal events logged\n")
            out.write("Begin Triggerblock Tue Nov 14 22:13:20.000 2023\n   0.000000 Start of measurement\n")
        done = 0
        while done < frames:
            n = min(100_000, frames - done)
            steps = rng.integers(100, 400, n).cumsum() + now
            now = int(steps[-1])
            which = rng.integers(0, 49, n)
            payloads = rng.integers(0, 256, (n, 8), dtype=np.uint8)
            payloads[:, ::2] &= 0x1F  # sensor-like: high bytes move little
            rows = []
            for k in range(n):
                step, w, row = int(steps[k]), int(which[k]), done + k
                fd = row % FD_EVERY == 0
                data = payloads[k].tobytes() * (8 if fd else 1)
                rows.append(_line(kind, step, spelled[-1] if fd else spelled[w], data, fd, w, names, many, row))
            out.write("".join(rows))
            done += n


def _line(
    kind: str,
    step: int,
    identifier: str,
    data: bytes,
    fd: bool,
    w: int,
    names: tuple[str, ...],
    many: tuple[str, ...],
    row: int,
) -> str:
    if kind == "asc":
        stamp = f"{(step - 1_700_000_000_000_000) / 1e6:11.6f}"
        spaced = data.hex(" ").upper()
        if fd:
            return (
                f"{stamp} CANFD {1 + w % 2:3d} Rx   {int(identifier, 16):8X}  {'':32s} 1 0 f 64 {spaced} "
                f"{0:8d} {0:4d} {0x303000:8X} {0:8d} {0:8d} {0:8d} {0:8d} {0:8d}\n"
            )
        return f"{stamp} {1 + w % 2}  {identifier:15s} Rx   d 8 {spaced}\n"
    name = names[w % 2] if kind == "candump" else many[w % 8]
    stamp = f"{step // 1_000_000}.{step % 1_000_000:06d}" + ("000" if kind == "messy" and row % 3 == 0 else "")
    suffix = " R" if kind == "messy" and row % 5 == 0 else ""
    marker = "##1" if fd else "#"
    return f"({stamp}) {name} {identifier}{marker}{data.hex().upper()}{suffix}\n"
