"""A browser without a window, driven over its debugging protocol: pages at any width, as screen or as paper."""

from __future__ import annotations

import asyncio
import base64
import re
import shutil
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest


class Tab:
    """One tab."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket, self._number = socket, 0

    async def ask(self, method: str, **words: Any) -> dict[str, Any]:
        """Ask the browser, wait for its answer."""
        self._number += 1
        await self._socket.send_json({"id": self._number, "method": method, "params": words})
        while True:
            said = await self._socket.receive_json(timeout=120)
            if said.get("id") == self._number:
                assert "error" not in said, said
                found: dict[str, Any] = said["result"]
                return found

    async def open(self, path: Path, width: int, *, dark: bool = False, paper: bool = False) -> None:
        """Open a page at a width in CSS pixels, and let its scripts run."""
        light = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        await self.ask("Emulation.setEmulatedMedia", media="print" if paper else "", features=[light])
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
        await self.ask("Emulation.setDeviceMetricsOverride", **size)
        await self.ask("Page.navigate", url=path.as_uri())
        for _ in range(200):
            if await self.run("document.readyState === 'complete'"):
                break
            await asyncio.sleep(0.02)
        await self.run("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 50)))")

    async def run(self, script: str) -> Any:
        """Return what a script gives."""
        words = {"expression": script, "returnByValue": True, "awaitPromise": True}
        found = await self.ask("Runtime.evaluate", **words)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    async def picture(self, place: Path) -> None:
        """Save what the page looks like, all of it."""
        found = await self.ask("Page.captureScreenshot", captureBeyondViewport=True)
        place.write_bytes(base64.b64decode(found["data"]))

    async def pdf(self) -> bytes:
        """Print it on A4, with the margins that the page asks for."""
        found = await self.ask(
            "Page.printToPDF", printBackground=False, preferCSSPageSize=True, paperWidth=8.27, paperHeight=11.69
        )
        return base64.b64decode(found["data"])


@asynccontextmanager
async def tab() -> AsyncIterator[Tab]:
    """Start a browser with one tab; skip where there is none."""
    program = shutil.which("chromium") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("there is no chromium")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        words = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", f"--user-data-dir={profile}"]
        process = await asyncio.create_subprocess_exec(
            program, *words, "--remote-debugging-port=0", "about:blank", stderr=asyncio.subprocess.PIPE
        )
        assert process.stderr is not None
        try:
            port = None
            while port is None:
                line = (await asyncio.wait_for(process.stderr.readline(), 60)).decode()
                port = re.search(r"ws://127\.0\.0\.1:(\d+)/", line)
            async with aiohttp.ClientSession() as session:
                async with session.get(f"http://127.0.0.1:{port[1]}/json/list") as found:
                    (page,) = [each for each in await found.json() if each["type"] == "page"]
                async with session.ws_connect(page["webSocketDebuggerUrl"], max_msg_size=0) as socket:
                    yield Tab(socket)
        finally:
            process.terminate()
            await process.wait()
