"""The web server inside the service's loop: its port, its end, its signals, its silence about what it was asked."""

from __future__ import annotations

import asyncio
import signal
import socket
from contextlib import AsyncExitStack

import httpx
import pytest
from fastapi import FastAPI

from tests.web.scenes import DRIZZLE, put, served
from watcher.web.bounds import Bounds
from watcher.web.server import _FILES, WebServer, _allow_files, _listen

pytestmark = pytest.mark.anyio


def app_that_waits(seconds: float) -> tuple[FastAPI, asyncio.Event]:
    app, asked = FastAPI(), asyncio.Event()

    @app.get("/slow")
    async def slow() -> str:
        asked.set()
        await asyncio.sleep(seconds)
        return "done"

    return app, asked


async def test_port_nought_takes_a_free_one_and_says_which():
    async with WebServer(FastAPI(), "127.0.0.1:0") as one, WebServer(FastAPI(), "127.0.0.1:0") as other:
        assert 0 < one.port != other.port > 0
        async with httpx.AsyncClient() as client:
            assert (await client.get(f"http://127.0.0.1:{one.port}/")).status_code == 404


async def test_it_listens_on_the_address_it_was_given_only():
    async with WebServer(FastAPI(), "[::1]:0") as server, httpx.AsyncClient() as client:
        assert (await client.get(f"http://[::1]:{server.port}/")).status_code == 404
        with pytest.raises(httpx.ConnectError):
            await client.get(f"http://127.0.0.1:{server.port}/")


async def test_an_address_in_use_is_an_error_of_the_caller_and_not_the_end_of_the_process():
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError, match=r"[Aa]ddress"):
        async with WebServer(FastAPI(), f"127.0.0.1:{taken.getsockname()[1]}"):
            pass


async def test_a_server_that_cannot_start_says_so_instead_of_waiting(monkeypatch):
    """An event loop that opens no servers is not to be had otherwise."""

    async def fails(*_args, **_kwargs):
        raise OSError("no more servers")

    monkeypatch.setattr(asyncio.get_running_loop(), "create_server", fails)
    with pytest.raises(OSError, match="no more servers"):
        async with WebServer(FastAPI(), "127.0.0.1:0"):
            pass


async def test_afterwards_nobody_listens_and_it_can_start_again():
    async with WebServer(FastAPI(), "127.0.0.1:0") as first:
        port = first.port
        async with httpx.AsyncClient() as client:
            await client.get(f"http://127.0.0.1:{port}/")
    with pytest.raises(OSError):
        await asyncio.open_connection("127.0.0.1", port)
    async with WebServer(FastAPI(), f"127.0.0.1:{port}") as second:
        assert second.port == port


async def test_signals_stay_with_the_service():
    before = [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)]
    async with WebServer(FastAPI(), "127.0.0.1:0"):
        assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)] == before


async def test_a_request_under_way_is_answered_before_the_end():
    app, asked = app_that_waits(0.3)
    async with httpx.AsyncClient() as client:
        async with WebServer(app, "127.0.0.1:0") as server:
            asking = asyncio.create_task(client.get(f"http://127.0.0.1:{server.port}/slow"))
            await asked.wait()
        assert (await asking).json() == "done"


async def test_neither_a_slow_answer_nor_a_silent_caller_holds_up_the_end():
    app, asked = app_that_waits(60)
    async with httpx.AsyncClient() as client, AsyncExitStack() as stack:
        server = await stack.enter_async_context(WebServer(app, "127.0.0.1:0"))
        asking = asyncio.create_task(client.get(f"http://127.0.0.1:{server.port}/slow"))
        _, silent = await asyncio.open_connection("127.0.0.1", server.port)
        _, half = await asyncio.open_connection("127.0.0.1", server.port)
        half.write(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\nabc")
        await half.drain()
        await asked.wait()
        await asyncio.wait_for(stack.aclose(), 5)
        with pytest.raises(httpx.HTTPError):
            (await asking).raise_for_status()
        for writer in (silent, half):
            writer.close()


async def test_no_line_of_the_log_holds_a_link(store, capsys):
    put(store, DRIZZLE)
    async with served(store) as site:
        link = site.links.take("XNOR-1", "duty-desk")
        await site.client.get(link)
        await site.press(link, by="Ramp lead")
        await site.client.get(f"{link}x")
        reader, writer = await asyncio.open_connection("127.0.0.1", int(site.origin.rpartition(":")[2]))
        writer.write(f"GET {link} nonsense\r\n\r\n".encode())
        assert (await reader.read()).startswith(b"HTTP/1.1 400")
        writer.close()
    out = capsys.readouterr()
    assert link.rpartition("/")[2] not in out.out + out.err


def test_answers_do_not_wait_to_be_sent_together() -> None:
    """RFC 9293, section 3.7.4: without TCP_NODELAY the second write of an answer waits for the reader's delayed ACK."""
    with _listen("127.0.0.1", 0) as listening, socket.create_connection(listening.getsockname()):
        taken, _ = listening.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0


async def test_more_than_can_be_answered_at_once_are_asked_to_come_again(monkeypatch):
    monkeypatch.setattr("watcher.web.bounds.MOST_AT_ONCE", 2)
    app, go_on = FastAPI(), asyncio.Event()
    under_way = asyncio.Semaphore(0)
    app.add_middleware(Bounds, headers={}, prefix="")

    @app.get("/slow")
    async def slow() -> str:
        under_way.release()
        await go_on.wait()
        return "done"

    async with WebServer(app, "127.0.0.1:0") as server, httpx.AsyncClient() as client:
        address = f"http://127.0.0.1:{server.port}/slow"
        asking = [asyncio.create_task(client.get(address)) for _ in range(2)]
        for _ in asking:
            await under_way.acquire()
        answer = await client.get(address)
        assert answer.status_code == 503
        # RFC 9110, section 10.2.3; RFC 9457 for the shape.
        assert answer.headers["retry-after"] == "2"
        assert answer.headers["content-type"] == "application/problem+json"
        go_on.set()
        assert [(await one).json() for one in asking] == ["done"] * 2
        assert (await client.get(address)).status_code == 200


def test_as_many_files_may_be_open_as_connections_need():
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (600, before[1]))
        _allow_files()
        assert resource.getrlimit(resource.RLIMIT_NOFILE) == (min(_FILES, before[1]), before[1])
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
        _allow_files()
        assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == max(before[0], min(_FILES, before[1]))
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
