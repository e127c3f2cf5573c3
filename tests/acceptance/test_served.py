"""Two viewers in browsers look at two full buses while they are recorded: no frame is lost for it.

Twenty seconds by default; BUSWRIGHT_SERVED_S changes it. Sender, recorder and viewers share the machine's cores.
"""

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import aiohttp
import pytest

from tests.ports import free_ports

from .flood import FULL_HZ

ROOT = Path(__file__).parents[2]


async def look(link, pressed, until):
    """Look as a browser does, press keys now and then; return how many bytes of pictures came."""
    socket = re.sub("^http", "ws", link) + "ws?width=65&height=60"
    came = 0
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(socket, headers={"Origin": link[: link.index("/", 8)]}) as seen,
    ):
        while not until.is_set():
            try:
                message = await seen.receive(timeout=2.0)
            except TimeoutError:
                continue
            came += len(message.data or "")
            key = next(pressed)
            await seen.send_json(["stdin", key])
    return came


@pytest.mark.acceptance
def test_two_viewers_cost_no_frame_of_two_full_buses(tmp_path):
    seconds = float(os.environ.get("BUSWRIGHT_SERVED_S", "20"))
    hertz = int(os.environ.get("BUSWRIGHT_LOAD_HZ", str(FULL_HZ)))
    port = free_ports(2)
    sources = [f"live:udp_multicast/239.74.163.2?port={port + bus}&name=can{bus}" for bus in range(2)]
    serving = subprocess.Popen(
        [sys.executable, "-m", "buswright", "watch", *sources, "--serve", "--out", str(tmp_path / "run.log")],
        cwd=tmp_path, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
    )  # fmt: skip
    assert serving.stdout is not None
    link = next(found[0] for line in serving.stdout if (found := re.search(r"http://\S+", line)))

    async def run():
        until = asyncio.Event()
        keys = iter(lambda: "\x1b[B", None)
        viewers = [asyncio.create_task(look(link, keys, until)) for _ in range(2)]
        await asyncio.sleep(4.0)
        flood = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.acceptance.flood", "--port", str(port), "--seconds", str(seconds),
            "--hertz", str(hertz), cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        await flood.communicate(b"\n")
        await asyncio.sleep(2.0)
        until.set()
        return await asyncio.gather(*viewers)

    try:
        came = asyncio.run(run())
        serving.send_signal(signal.SIGINT)
        serving.communicate(timeout=30)
    finally:
        serving.kill()
        serving.wait()
    with (tmp_path / "run.log").open("rb") as recording:
        frames = sum(1 for _ in recording)
    events = [json.loads(line) for line in (tmp_path / "run.log.events.jsonl").read_text().splitlines()]
    print(f"\n{frames:,} frames of {2 * round(seconds * hertz):,}; pictures of {came} bytes; {events[-1]}")
    assert frames == 2 * round(seconds * hertz)
    assert min(came) > 10_000
