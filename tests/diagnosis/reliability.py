"""How often findings are right, by how sure they say to be, on cars that no detector was tuned on.

``python -m tests.diagnosis.reliability FIRST COUNT [KIND ...]`` tries the cars of so many seeds. Confidence was
calibrated on the seeds 1 to 22, so those from 1001 on say how good it is.
"""

from __future__ import annotations

import itertools
import sys
from collections.abc import Collection, Iterable
from typing import NamedTuple

from buswright.findings import Severity

from .cars import cases, judged

BANDS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.001)


class Stated(NamedTuple):
    """One root finding at suspect or above."""

    kind: str
    seed: int
    fault: str
    subject: str
    confidence: float
    right: bool


def tried(seeds: Iterable[int], kinds: Collection[str] = ()) -> list[Stated]:
    """Diagnose every broken car of these seeds, or those broken in the named ways."""
    return [
        Stated(case.kind, seed, found.fault, found.subject, found.confidence, case.right(found))
        for seed in seeds
        for case in cases(seed, kinds)
        for found in judged(case)
        if found.severity >= Severity.SUSPECT
    ]


def table(stated: list[Stated]) -> list[str]:
    """Write how many were right by band and by fault."""
    lines = ["stated      findings  mean stated  right"]
    for low, high in itertools.pairwise(BANDS):
        inside = [one for one in stated if low <= one.confidence < high]
        if inside:
            mean, right = sum(one.confidence for one in inside) / len(inside), sum(one.right for one in inside)
            lines.append(
                f"{low:.2f}-{min(high, 1.0):.2f} {len(inside):9} {mean:12.2f}  {right / len(inside):.2f} ({right})"
            )
    lines.append("fault             findings  mean stated  right")
    for fault in sorted({one.fault for one in stated}):
        own = [one for one in stated if one.fault == fault]
        mean, right = sum(one.confidence for one in own) / len(own), sum(one.right for one in own)
        lines.append(f"{fault:17} {len(own):8} {mean:12.2f}  {right / len(own):.2f} ({right})")
    return lines


if __name__ == "__main__":
    first, count = int(sys.argv[1]), int(sys.argv[2])
    every = tried(range(first, first + count), sys.argv[3:])
    print("\n".join(table(every)))
    print("\n".join("\t".join(map(str, one)) for one in every))
