"""The server: who gets in, and that everybody else gets nothing and costs nothing."""

import asyncio
import re
import socket
import sys
from contextlib import asynccontextmanager, suppress

import aiohttp
import pytest

from buswright.tui.served import server as served
from buswright.tui.served.place import Place
from buswright.tui.served.server import Served

ECHO = """
import json, os, sys
sys.stdout.buffer.write(b"__GANGLION__\\n")
def say(text):
    sys.stdout.buffer.write(b"D" + len(text).to_bytes(4, "big") + text)
    sys.stdout.flush()
say(f"begun {os.environ['COLUMNS']}x{os.environ['ROWS']}".encode())
while head := sys.stdin.buffer.read(5):
    data = sys.stdin.buffer.read(int.from_bytes(head[1:], "big"))
    if head[:1] == b"M" and json.loads(data)["type"] == "quit":
        break
    say(b"got " + data)
"""
"""Stands for a viewer's app: says what it is given."""


@asynccontextmanager
async def serving(*, viewers=2):
    told = []
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        server = Served([sys.executable, "-c", ECHO], Place(), title="<run>", viewers=viewers, told=told.append)
        until = asyncio.Event()
        running = asyncio.create_task(server.run(listening, until))
        async with aiohttp.ClientSession() as session:
            try:
                yield server, session, f"http://127.0.0.1:{listening.getsockname()[1]}", told
            finally:
                until.set()
                await running


def tried(steps, **options):
    async def run():
        async with serving(**options) as (server, session, root, told):
            await asyncio.wait_for(steps(server, session, root, told), 30)

    asyncio.run(run())


async def gone(writer):
    writer.close()
    with suppress(ConnectionError):
        await writer.wait_closed()


async def answer(session, url, **more):
    async with session.get(url, **more) as got:
        return got.status, (await got.read()).decode(errors="replace"), got.headers


def looking(session, server, root, *, query="", **more):
    url = f"{root.replace('http', 'ws')}/{server.token}/ws{query}"
    return session.ws_connect(url, headers={"Origin": root, **more.pop("headers", {})}, **more)


def test_the_link_gives_a_page_that_needs_nothing_from_elsewhere():
    async def steps(server, session, root, told):
        status, page, headers = await answer(session, f"{root}/{server.token}/")
        assert status == 200
        assert "<title>Buswright: &lt;run&gt;</title>" in page
        for part in re.findall(r'(?:src|href)="([^"]+)"|url\("([^"]+)"\)', page):
            path = "".join(part)
            assert path.startswith(f"/{server.token}/static/")
            assert (await answer(session, root + path, allow_redirects=False))[0] == 200
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "https://" not in page

    tried(steps)


@pytest.mark.parametrize("path", ["/", "/guessed/", "/guessed/ws", "/static/js/textual.js", "//", "/download/key"])
def test_without_the_link_there_is_nothing(path):
    async def steps(server, session, root, told):
        status, text, headers = await answer(session, root + path, headers={"Origin": root})
        assert (status, text, headers["Connection"]) == (404, "", "close")
        assert told == []

    tried(steps)


@pytest.mark.parametrize(
    "wrong", [{"Origin": "http://elsewhere.example"}, {"Host": "elsewhere.example"}, {"Host": "[:"}]
)
def test_a_page_of_somebody_else_gets_nothing(wrong):
    async def steps(server, session, root, told):
        assert (await answer(session, f"{root}/{server.token}/", headers=wrong))[:2] == (404, "")
        with pytest.raises(aiohttp.WSServerHandshakeError):
            async with looking(session, server, root, headers=wrong):
                pass
        assert told == []

    tried(steps)


def test_a_socket_that_says_no_origin_gets_nothing():
    async def steps(server, session, root, told):
        with pytest.raises(aiohttp.WSServerHandshakeError):
            async with session.ws_connect(f"{root.replace('http', 'ws')}/{server.token}/ws"):
                pass
        assert told == []

    tried(steps)


def test_a_viewer_types_and_sees():
    async def steps(server, session, root, told):
        async with looking(session, server, root, query="?width=66&height=40") as socket:
            assert await socket.receive_bytes() == b"begun 66x40"
            await socket.send_json(["stdin", "2"])
            assert await socket.receive_bytes() == b"got 2"
            for junk in (
                "no JSON",
                "[]",
                "{}",
                '["stdin", 5]',
                '["resize", {"width": "x"}]',
                '["resize"]',
                '["other", 1]',
            ):
                await socket.send_str(junk)
            await socket.send_json(["stdin", "x" * served.LARGEST_MESSAGE])
            await socket.send_json(["resize", {"width": 10**9, "height": -5}])
            assert await socket.receive_bytes() == b'got {"type": "resize", "width": 400, "height": 1}'
        while len(told) < 2:
            await asyncio.sleep(0.01)
        assert told == ["a viewer came: 127.0.0.1, 1 of 2", "a viewer went: 0 of 2 are looking"]

    tried(steps)


def test_a_size_that_cannot_be_is_refused():
    async def steps(server, session, root, told):
        with pytest.raises(aiohttp.WSServerHandshakeError):
            async with looking(session, server, root, query="?width=1000000&height=40"):
                pass
        assert told == []

    tried(steps)


def test_one_viewer_more_than_stated_is_sent_away_until_another_goes():
    async def steps(server, session, root, told):
        async with looking(session, server, root) as first:
            await first.receive_bytes()
            with pytest.raises(aiohttp.WSServerHandshakeError):
                async with looking(session, server, root):
                    pass
        while server._here:
            await asyncio.sleep(0.01)
        async with looking(session, server, root) as again:
            assert await again.receive_bytes() == b"begun 80x24"

    tried(steps, viewers=1)


def test_a_flood_of_connections_costs_a_viewer_nothing(monkeypatch):
    monkeypatch.setattr(served, "CONNECTIONS", 8)

    async def steps(server, session, root, told):
        port = int(root.rpartition(":")[2])
        async with looking(session, server, root) as viewer:
            await viewer.receive_bytes()
            flood = [await asyncio.open_connection("127.0.0.1", port) for _ in range(50)]
            # Those that are in the way of one more are closed, and nobody who holds the link is kept out.
            assert (await answer(session, f"{root}/{server.token}/"))[0] == 200
            await viewer.send_json(["stdin", "still here"])
            assert await viewer.receive_bytes() == b"got still here"
            closed = [reader for reader, _ in flood if reader.at_eof() or reader.exception() is not None]
            assert len(closed) >= 50 - 8
            for _, writer in flood:
                await gone(writer)

    tried(steps)


def test_a_connection_that_never_shows_the_link_is_closed(monkeypatch):
    monkeypatch.setattr(served, "UNSHOWN_S", 0.05)

    async def steps(server, session, root, told):
        reader, writer = await asyncio.open_connection("127.0.0.1", int(root.rpartition(":")[2]))
        writer.write(b"GET /")  # and nothing more
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await reader.readexactly(1)
        await gone(writer)

    tried(steps)


@pytest.mark.parametrize(("address", "loopback"), [("127.0.0.1", True), ("::1", True), ("192.0.2.7", False)])
def test_which_addresses_are_only_of_this_computer(address, loopback):
    assert Place(address).loopback is loopback
    assert Place(address).named == address


def test_the_link_of_all_addresses_names_one_that_others_can_reach():
    assert Place("0.0.0.0").named != "0.0.0.0"
