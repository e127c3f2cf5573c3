"""Every command that writes, and what its output must be like whatever happens meanwhile."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

from buswright.cli.main import main
from buswright.layout.handover.pack import archived, gather

ROOT = Path(__file__).parent.parent.parent
RUN, KEYON = ROOT / "captures" / "wrenfell_run.log", ROOT / "captures" / "wrenfell_keyon.asc"
EXAMPLES = ROOT / "dbc_examples"
CAR, ENGINE = EXAMPLES / "wrenfell.toml", EXAMPLES / "wrenfell_engine.dbc"
PLAN = ROOT / "tests" / "data" / "bench_plan.toml"
TABLES = ENGINE, EXAMPLES / "wrenfell_chassis.dbc"
FAULTS = ("ENOSPC", "EIO", "EROFS", "Ctrl-C", "SIGKILL", "limit")

WRITING = {
    "cut": ["cut", "{run}", "--out", "{out}/cut.log"],
    "cut, packed": ["cut", "{run}", "--out", "{out}/cut.asc.gz"],
    "decode signals to a folder": ["decode", "{run}", "--dbc", str(ENGINE), "--out", "{out}/tables/"],
    "decode channels to a folder": ["decode", "{run}", "--car", str(CAR), "--out", "{out}/tables/"],
    "decode channels to CSV": ["decode", "{run}", "--car", str(CAR), "--out", "{out}/long.csv"],
    "decode signals to Parquet": ["decode", "{run}", "--dbc", str(ENGINE), "--out", "{out}/long.parquet"],
    "decode to a wide table": ["decode", "{run}", "--car", str(CAR), "--rate", "20", "--out", "{out}/wide.csv"],
    "health": ["health", "{run}", "--fail-on", "never", "--html", "{out}/health.html"],
    "diagnose": ["diagnose", "{run}", "--car", str(CAR), "--fail-on", "never", "--html", "{out}/diagnosis.html"],
    "capacity": ["capacity", "{run}", "--fail-on", "never", "--html", "{out}/room.html"],
    "survey": ["survey", "{run}", "--out", "{out}/draft.dbc"],
    "survey, page": ["survey", "{run}", "--html", "{out}/survey.html"],
    "remember": ["remember", "{run}", "--out", "{out}/good.json"],
    "bench": ["bench", str(PLAN), "{run}", "--html", "{out}/sheet.html"],
    "draft": ["draft", "{run}", "--dbc", str(ENGINE), "--out", "{out}/car.toml"],
    "database": ["database", "{table}", "--out", "{out}/table.xlsx"],
    "pack": ["pack", "--car", str(CAR), "--licence", "{run}", "--out", "{out}/car.zip"],
    "unpack": ["unpack", "{pack}", "--out", "{out}/got"],
    "layout": ["layout", "{run}", "--car", str(CAR), "--out", "{out}/layout.html"],
    "calibrate": [
        *("calibrate", "new", "--kind", "linear", "--unit", "mm", "--reading", "0.5={seconds}", "--reading", "4.5=75"),
        *("--html", "{out}/curve.html"),
    ],
    "season": [
        *("season", "channel", "*", "--over", "max", "--season", "{season}", "--html", "{out}/over.html"),
    ],
    "season, query": [
        *("season", "query", "select * from runs", "--season", "{season}", "--parquet", "{out}/rows.parquet"),
    ],
    "watch": ["watch", "{run}", "--snapshot", "{out}/screen.svg"],
    "demo": ["demo", "--seconds", "{seconds}", "--save", "{out}/demo"],
    "demo, bench": ["demo", "--bench", "--fault", "no-acknowledge", "--html", "{out}/bench.html"],
}
"""Commands by a name; of `{run}`, `{pack}` and `{table}` there are two, so that an old result differs from the new."""


def snapshot(folder):
    """Every file below a folder by its path, as a hash; hidden remains of a killed process left out."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".buswright-" not in str(path)
    }


@contextmanager
def runner(folder):
    """Give a function that runs a command with a fault; returns its status and how often it wrote."""
    command = [sys.executable, str(Path(__file__).with_name("faulty_outputs.py")), str(folder)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ | {"COLUMNS": "100"}
    ) as server:

        def run(arguments, out, kind="none", at=0):
            job = {"arguments": arguments, "folder": str(out), "kind": kind, "at": at}
            server.stdin.write(json.dumps(job) + "\n")
            server.stdin.flush()
            answer = json.loads(server.stdout.readline())
            return answer["status"], answer["writes"]

        yield run
        server.stdin.close()


class Output:
    """One command with an old result, its new one, and how to try it with a fault."""

    def __init__(self, name, folder, run):
        self.name, self.run = name, run
        self.out = folder / "out"
        self.kept = folder / "kept"
        lines = RUN.read_bytes().splitlines(keepends=True)
        self.runs = [folder / "old.log", folder / "new.log"]
        for path, part in zip(self.runs, (lines[:500], lines[:1200]), strict=True):
            path.write_bytes(b"".join(part))
        self.arguments = self._filled(0), [*self._filled(1), "--force"]
        self._clean(self.out)
        status, _ = run(self.arguments[0], self.out)
        assert status == 0
        self.old = snapshot(self.out)
        shutil.copytree(self.out, self.kept)
        begun = time.monotonic()
        status, self.writes = run(self.arguments[1], self.out)
        self.seconds = time.monotonic() - begun
        assert status == 0
        self.new = snapshot(self.out)
        assert self.new != self.old
        assert self.new

    def _filled(self, which):
        seconds = ["1", "2"][which]
        return [
            word.format(
                run=self.runs[which],
                out=self.out,
                seconds=seconds,
                pack=self._pack(which),
                table=TABLES[which],
                season=self._season(which),
            )
            if "{" in word
            else word
            for word in WRITING[self.name]
        ]

    def _pack(self, which):
        if self.name != "unpack":
            return ""
        folder = self.runs[which].with_suffix("")
        folder.mkdir(exist_ok=True)
        shutil.copy(self.runs[which], folder / "licence.txt")
        (folder / "car.zip").write_bytes(archived(gather(CAR, licence=folder / "licence.txt").pack))
        return folder / "car.zip"

    def _season(self, which):
        if not self.name.startswith("season"):
            return ""
        folder = self.runs[which].with_suffix("")
        if not folder.exists():
            words = ["season", "add", str(self.runs[which]), "--dbc", str(ENGINE), "--season", str(folder)]
            assert main(words) == 0
        return folder

    @staticmethod
    def _clean(folder):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()

    def tried(self, kind, at, *, over):
        """Run with a fault, over an old result or none; say what is wrong afterwards, empty if nothing."""
        self._clean(self.out)
        if over:
            shutil.copytree(self.kept, self.out, dirs_exist_ok=True)
        status, _ = self.run(self.arguments[1], self.out, kind, at)
        found, before = snapshot(self.out), self.old if over else {}
        left = [path.name for path in self.out.rglob(".buswright-*")]
        wrong = []
        if found not in (before, self.new):
            wrong.append("neither the old result nor the new one")
        if status == 0 and found != self.new:
            wrong.append("said to be well, but not the new result")
        if status not in (0, 2, 130, -9):
            wrong.append(f"exit status {status}")
        if left and kind in ("Ctrl-C", "limit"):
            wrong.append(f"left behind: {left}")
        return f"{self.name}, {kind} at {at}, {'old' if over else 'no'} result: {'; '.join(wrong)}" if wrong else ""

    def tries(self, rng, number):
        """Draw faults: a kind, a moment, and whether there is an old result; the kinds in turn, with any first one."""
        for k in range(number):
            kind = FAULTS[(k + len(self.name)) % len(FAULTS)]
            at = rng.randint(1, 40_000) if kind == "limit" else rng.randint(1, max(1, self.writes))
            yield kind, at, rng.random() < 0.7
