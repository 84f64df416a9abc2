"""A real server on the loopback that says exactly the bytes it is told to."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field


@dataclass(slots=True)
class Loopback:
    port: int = 0
    connections: int = 0
    open_connections: int = 0
    left: asyncio.Event = field(default_factory=asyncio.Event)
    requests: list[bytes] = field(default_factory=list)
    asked: asyncio.Event = field(default_factory=asyncio.Event)

    async def settled(self, wanted: Callable[[], bool]) -> None:
        """Return when it is so; checked each time that somebody hangs up."""
        while not wanted():
            self.left.clear()
            await self.left.wait()

    def url(self, host: str = "127.0.0.1", path: str = "/") -> str:
        return f"http://{host}:{self.port}{path}"


@asynccontextmanager
async def loopback(
    answer: bytes, *, host: str = "127.0.0.1", ssl_context: ssl.SSLContext | None = None, keep: bool = False
) -> AsyncIterator[Loopback]:
    """Serve `answer` to every request; `keep` leaves the connection open after it."""
    served = Loopback()
    talks: set[asyncio.Task[None]] = set()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        served.connections += 1
        served.open_connections += 1
        try:
            while True:
                head = await reader.readuntil(b"\r\n\r\n")
                served.requests.append(head)
                served.asked.set()
                writer.write(answer)
                await writer.drain()
                if not keep:
                    break
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()
            served.open_connections -= 1
            served.left.set()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.ensure_future(talk(reader, writer))
        talks.add(task)
        task.add_done_callback(talks.discard)

    server = await asyncio.start_server(accept, host, 0, ssl=ssl_context)
    served.port = server.sockets[0].getsockname()[1]
    try:
        yield served
    finally:
        server.close()
        for task in talks:
            task.cancel()
        await asyncio.gather(*talks, return_exceptions=True)
        await server.wait_closed()


def ok(body: bytes, *headers: str, status: str = "200 OK") -> bytes:
    """Return a whole HTTP/1.1 answer."""
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + body
