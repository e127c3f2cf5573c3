"""Hands the workbench out to browsers that hold the link: a few viewers, each a process that only looks.

Whoever doesn't hold the link gets an empty answer before anything else is looked at; connections that show no link are
few and short. The terminal in the browser, and the process behind each, are textual-serve's.
"""

from __future__ import annotations

import asyncio
import os
import re
import secrets
import shlex
import socket
import string
import subprocess
from collections.abc import Awaitable, Callable
from importlib import resources
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from aiohttp import WSMessage, WSMsgType, web
from aiohttp.web_protocol import RequestHandler
from textual_serve.server import Server

from buswright.tui.served.place import Place

if TYPE_CHECKING:
    from textual_serve.app_service import AppService

CONNECTIONS = 64
"""So many at once; one more takes the place of the oldest that hasn't shown the link."""
UNSHOWN_S = 5.0
"""A connection that hasn't shown the link after this time is closed."""
LARGEST_MESSAGE = 16_384
MOST_COLUMNS, MOST_LINES = 400, 200
"""Columns and lines that a browser may ask for: each cell costs memory."""
TOKEN_BYTES = 24
GRACE_S = 3.0
"""A viewer's process that is told to end may take so long."""
KEYS = (
    *((str(number), str(number)) for number in range(1, 8)),
    ("↑", "\\u001b[A"), ("↓", "\\u001b[B"), ("Enter", "\\r"), ("Esc", "\\u001b"), ("Space", " "), ("/", "/"),
    ("?", "?"), ("Tab", "\\t"), ("Cmds", "\\u0010"),
)  # fmt: skip
"""For phones, which have no such keys: what is written on each, and what it sends (as in JSON)."""
_SAFE = {
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
}


class Served(Server):
    """The server.

    Parameters
    ----------
    command
        Runs one viewer's app.
    place
        Where to listen.
    title
        What is looked at.
    viewers
        How many may look at once.
    told
        Called with one line when a viewer comes or goes.
    """

    def __init__(
        self, command: list[str], place: Place, *, title: str, viewers: int, told: Callable[[str], None]
    ) -> None:
        self.token = secrets.token_urlsafe(TOKEN_BYTES)
        self.place, self._most, self._told = place, viewers, told
        self._here = 0
        self._shown: set[RequestHandler] = set()
        shell = subprocess.list2cmdline(command) if os.name == "nt" else shlex.join(command)
        super().__init__(shell, host=place.address, port=place.port, title=title)

    # Life -------------------------------------------------------------------------------------------------------------

    async def run(self, listening: socket.socket, until: asyncio.Event) -> None:
        """Serve on a socket until the event is set."""
        runner = web.AppRunner(await self._make_app(), access_log=None, handler_cancellation=True, shutdown_timeout=2.0)
        await runner.setup()
        serve, loop = runner.server, asyncio.get_running_loop()
        assert serve is not None

        def accept() -> asyncio.Protocol:
            here = serve.connections
            self._shown &= set(here)
            if len(here) >= CONNECTIONS:
                self._close_unshown(next((each for each in here if each not in self._shown), None))
            protocol = serve()
            loop.call_later(UNSHOWN_S, self._close_unshown, protocol)
            return protocol

        server = await loop.create_server(accept, sock=listening)
        try:
            await until.wait()
        finally:
            server.close()
            await runner.cleanup()

    def _close_unshown(self, protocol: RequestHandler | None) -> None:
        """Close a connection that hasn't shown the link."""
        if protocol is not None and protocol not in self._shown and protocol.transport is not None:
            protocol.transport.abort()

    async def _make_app(self) -> web.Application:
        app = web.Application(middlewares=[self._only_with_the_link], client_max_size=LARGEST_MESSAGE)
        begin = f"/{self.token}"
        app.add_routes(
            [
                web.get(f"{begin}/", self.handle_index),
                web.get(f"{begin}/ws", self.handle_websocket),
                web.static(f"{begin}/static", self.statics_path),
                web.get("/download/{key}", self.handle_download),
            ]
        )
        return app

    # Who may come -----------------------------------------------------------------------------------------------------

    @web.middleware
    async def _only_with_the_link(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        """Answer nothing to whoever doesn't hold the link, comes from another page, or by another name."""
        if not self._may(request):
            refused = web.Response(status=404, headers={"Connection": "close"})
            refused.force_close()
            return refused
        self._shown.add(request.protocol)
        answer = await handler(request)
        if not answer.prepared:
            answer.headers.update(_SAFE)
        return answer

    def _may(self, request: web.Request) -> bool:
        """Whether a request shows the link: its secret, a name that is ours, and no page of anybody else's."""
        _, first, *rest = request.path.split("/")
        # A download's name is a secret of its own, made for one viewer.
        is_download = first == "download" and self._here > 0
        holds = bool(rest) and (secrets.compare_digest(first.encode(), self.token.encode()) or is_download)
        try:
            host = urlsplit(f"//{request.host}").hostname
        except ValueError:
            return False
        ours = host in {self.place.named, self.place.address, "localhost", "127.0.0.1", "::1"}
        allowed = {f"http://{request.host}"} if rest == ["ws"] else {f"http://{request.host}", None}
        return holds and ours and request.method in ("GET", "HEAD") and request.headers.get("Origin") in allowed

    # What they get ----------------------------------------------------------------------------------------------------

    async def handle_index(self, request: web.Request) -> web.Response:
        """Hand out the page."""
        import html

        nonce = secrets.token_urlsafe(12)
        page = string.Template((resources.files(__package__) / "page.html").read_text(encoding="utf-8"))
        keys = "\n".join(f"<button data-sends='{sends}'>{html.escape(label)}</button>" for label, sends in KEYS)
        text = page.substitute(
            title=html.escape(self.title),
            static=f"/{self.token}/static",
            socket=html.escape(f"ws://{request.host}/{self.token}/ws"),
            keys=keys,
            nonce=nonce,
        )
        policy = (
            f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'self' 'unsafe-inline'; font-src 'self' data:; "
            f"img-src 'self' data:; connect-src ws://{request.host}; base-uri 'none'; form-action 'none'"
        )
        return web.Response(text=text, content_type="text/html", headers={"Content-Security-Policy": policy})

    async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
        """Let one more look, if there is room."""
        if self._here >= self._most:
            self._told(f"one more viewer wanted to look; {self._most} are looking, which is the most")
            raise web.HTTPServiceUnavailable(text="")
        if not all(re.fullmatch(r"\d{1,3}", request.query.get(side, "80")) for side in ("width", "height")):
            raise web.HTTPBadRequest(text="")
        self._here += 1
        self._told(f"a viewer came: {request.remote}, {self._here} of {self._most}")
        try:
            return await super().handle_websocket(request)
        finally:
            self._here -= 1
            self._told(f"a viewer went: {self._here} of {self._most} are looking")

    async def _process_messages(self, websocket: web.WebSocketResponse, app_service: AppService) -> None:
        """Pass on what a browser sends, as far as it makes sense and is small; end the viewer's process after it."""
        try:
            async for message in websocket:
                if message.type == WSMsgType.TEXT and len(message.data) <= LARGEST_MESSAGE:
                    await self._pass_on(message, websocket, app_service)
        finally:
            await _end(app_service)

    async def _pass_on(self, message: WSMessage, websocket: web.WebSocketResponse, app_service: AppService) -> None:
        try:
            kind, *more = message.json()
        except (ValueError, TypeError):
            return
        match kind, more:
            case "stdin", [str(data)]:
                await app_service.send_bytes(data.encode("utf-8", errors="ignore"))
            case "resize", [{"width": int(width), "height": int(height)}]:
                await app_service.set_terminal_size(_within(width, MOST_COLUMNS), _within(height, MOST_LINES))
            case "ping", [str(data)]:
                await websocket.send_json(["pong", data])
            case "blur", _:
                await app_service.blur()
            case "focus", _:
                await app_service.focus()
            case _:
                pass


async def _end(app_service: AppService) -> None:
    """End a viewer's process; one that doesn't answer is killed."""
    process = app_service._process
    try:
        async with asyncio.timeout(GRACE_S):
            await app_service.stop()
            if process is not None:
                await process.wait()
    except TimeoutError:
        if process is not None:
            process.kill()
            await process.wait()


def _within(asked: int, most: int) -> int:
    return max(1, min(asked, most))
