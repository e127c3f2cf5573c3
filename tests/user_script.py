"""A script as a user of the library writes it: mypy checks it as strictly as the program, and a test runs it."""

from __future__ import annotations

import sys
from datetime import UTC, datetime

import numpy as np
import pandas as pd

import buswright as bw


def main(source: str = "demo") -> dict[str, float]:
    """Return the means of what is said of a run."""
    session: bw.Session = bw.open_session(source)
    oil: bw.Series = session["oil_pressure"]
    begun = datetime(2026, 4, 11, 10, 0, 1, tzinfo=UTC)
    parts = [oil.between(1, 2.5), oil.between("2026-04-11T10:00:01"), oil.between(begun, None), oil.between(stop=3)]
    wide: pd.DataFrame = session.to_pandas("damper_??", rate=10, index="seconds", valid_only=True)
    tall: pd.DataFrame = session.to_pandas(["oil_pressure", "gear"])
    units: dict[str, str] = wide.attrs["units"]
    alone: pd.Series[float] = oil.to_pandas(valid_only=True)
    frames: int = len(next(iter(bw.open_capture(source))))
    passed: tuple[bw.Exceedance, ...] = session.exceedances("oil_pressure")
    answer: bw.Answer[bw.Finding] = bw.diagnose(source, stop=5)
    faults: list[str] = [f"{each.fault} {each.subject}" for each in answer.findings]
    return {
        "oil": float(alone.mean()),
        "numpy": float(np.nanmean(np.asarray(oil))),
        "dampers": float(wide["damper_fl"].mean()),
        "samples": float(len(tall)),
        "units": float(len(units)),
        "first": float(len(parts[0])),
        "markers": float(len(session.markers())),
        "findings": float(len(answer.findings)),
        "frames": float(frames),
        "faults": float(len(faults) + len(passed)),
        "rows": float(session.to_arrow("damper_??", rate=10).num_rows),
    }


if __name__ == "__main__":
    print(main(*sys.argv[1:]))
