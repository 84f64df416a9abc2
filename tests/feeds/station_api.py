"""A local station API: it has reports by station and gives those that are asked for, as text or as JSON.

Shapes and manners are those of the public one in 2026: METARs without data 204, TAFs as JSON without data `[]`, a weak
ETag, no Last-Modified, `{"status":"error","error":...}` for a wrong question.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import TracebackType
from typing import Self
from urllib.parse import parse_qs, urlsplit

from tests.net.loopback import ok

Fault = Callable[["Asked"], bytes | None]


@dataclass(frozen=True)
class Asked:
    what: str
    ids: tuple[str, ...]
    format: str
    headers: dict[str, str]


@dataclass
class StationApi:
    """`metars` and `tafs`: report texts by station. `fault`: an answer instead of the right one, None: the right one."""

    metars: dict[str, list[str]] = field(default_factory=dict)
    tafs: dict[str, list[str]] = field(default_factory=dict)
    fault: Fault | None = None
    asked: list[Asked] = field(default_factory=list)
    port: int = 0

    def url(self, what: str = "metar", form: str = "raw") -> str:
        return f"http://127.0.0.1:{self.port}/api/data/{what}?ids={{ids}}&format={form}"

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._talk, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        await self._server.wait_closed()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            asked = _parsed(await reader.readuntil(b"\r\n\r\n"))
            self.asked.append(asked)
            faulty = self.fault(asked) if self.fault is not None else None
            writer.write(faulty if faulty is not None else self._answer(asked))
            await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the other side has left
        finally:
            writer.close()

    def _answer(self, asked: Asked) -> bytes:
        texts = [text for code in asked.ids for text in getattr(self, f"{asked.what}s").get(code, [])]
        if not texts:
            return ok(b"[]") if (asked.what, asked.format) == ("taf", "json") else no_content()
        if asked.format == "json":
            body = json.dumps([entry(text, asked.what) for text in texts]).encode()
        else:
            body = "".join(f"{text}\n" for text in texts).encode()
        etag = f'W/"{hashlib.sha256(body).hexdigest()[:16]}"'
        if asked.headers.get("if-none-match") == etag:
            return b"HTTP/1.1 304 Not Modified\r\nConnection: close\r\n\r\n"
        return ok(body, f"ETag: {etag}", "Content-Type: text/plain")


def entry(text: str, what: str) -> dict[str, object]:
    """An entry of the JSON form; only the fields that a reader could be misled by besides the raw text."""
    words = text.split()
    station, time = next((a, b) for a, b in zip(words, words[1:], strict=False) if b.endswith("Z"))
    at = datetime(2026, 1, int(time[:2]), int(time[2:4]), int(time[4:6]), tzinfo=UTC)
    if what == "taf":
        return {"icaoId": station, "issueTime": f"{at:%Y-%m-%dT%H:%M:%S}.000Z", "rawTAF": text, "fcsts": []}
    return {"icaoId": station, "obsTime": int(at.timestamp()), "metarType": "METAR", "temp": 0, "rawOb": text}


def no_content() -> bytes:
    return b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n"


def _parsed(head: bytes) -> Asked:
    first, *lines = head.decode("latin-1").split("\r\n")
    parts = urlsplit(first.split(" ")[1])
    query = parse_qs(parts.query)
    pairs = (line.partition(":") for line in lines if line)
    headers = {name.strip().lower(): value.strip() for name, _, value in pairs}
    return Asked(parts.path.rsplit("/", 1)[-1], tuple(query["ids"][0].split(",")), query["format"][0], headers)
