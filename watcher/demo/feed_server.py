"""A local web server that speaks the bulk feed's real shape, with its real faults to switch on.

The demo's night is played through it, and the feeds are tested against it. Headers are those of the public provider:
a weak ETag, max-age, no Last-Modified.
"""

from __future__ import annotations

import asyncio
import gzip
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from types import TracebackType
from typing import Literal, Self

from watcher.demo.feed_files import Form, MetarRow, TafRow, metar_csv, taf_xml

Fault = Literal["outage", "busy", "page", "half", "broken-off", "empty", "yesterday", "slow", "redirect"]

METAR_PATH = "/data/metars.cache.csv.gz"
TAF_PATH = "/data/tafs.cache.xml.gz"
_REASONS = {200: "OK", 204: "No Content", 302: "Found", 304: "Not Modified", 404: "Not Found"}
_PAGE = b"<!DOCTYPE html>\n<html><head><title>Maintenance</title></head><body>Back soon.</body></html>\n"


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it came in. Header names in lower case."""

    method: str
    path: str
    headers: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Response:
    """`cut`: how many bytes of the body are really sent; None: all. `hold`: the rest follows when the server ends."""

    status: int
    body: bytes = b""
    headers: Mapping[str, str] = field(default_factory=dict)
    cut: int | None = None
    hold: bool = False


class FeedServer:
    """Serves what was published last. Use as an async context manager.

    Parameters
    ----------
    form
        The form of the METAR file.
    packed_by
        "file": the body is a .gz file, as the provider says; "transfer": the body is sent with Content-Encoding, as
        caches in between do.
    conditional
        Whether If-None-Match is answered with 304.
    retry_after
        The header that goes with the fault "busy".

    Attributes
    ----------
    fault
        What goes wrong from now on; None: nothing.
    requests
        Every request so far, oldest first.
    statuses
        How each of them was answered.
    """

    def __init__(
        self,
        *,
        form: Form = "2026",
        packed_by: Literal["file", "transfer"] = "file",
        conditional: bool = True,
        retry_after: str = "120",
    ) -> None:
        self.fault: Fault | None = None
        self.requests: list[Request] = []
        self.statuses: list[int] = []
        self.retry_after = retry_after
        self._form: Form = form
        self._packed_by = packed_by
        self._conditional = conditional
        self._files = self._packed((), ())
        self._files_of_yesterday = self._files
        self._server: asyncio.Server | None = None
        self._closing = asyncio.Event()
        self._talks: set[asyncio.Task[None]] = set()
        self._port = 0

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self._port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._closing.set()
        self._server.close()
        for talk in self._talks:
            talk.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)
        await self._server.wait_closed()

    @property
    def metar_url(self) -> str:
        """Where the METAR file is."""
        return f"http://127.0.0.1:{self._port}{METAR_PATH}"

    @property
    def taf_url(self) -> str:
        """Where the TAF file is."""
        return f"http://127.0.0.1:{self._port}{TAF_PATH}"

    def publish(self, metars: Sequence[MetarRow], tafs: Sequence[TafRow]) -> None:
        """Replace both files."""
        self._files = self._packed(metars, tafs)
        self._files_of_yesterday = self._packed(
            [row.a_day_earlier() for row in metars], [row.a_day_earlier() for row in tafs]
        )

    def publish_texts(self, metars: Sequence[str], tafs: Sequence[str], now: datetime) -> None:
        """Replace both files by reports given as texts, dated to the last days before `now`."""
        self.publish([MetarRow.of(text, now) for text in metars], [TafRow.of(text, now) for text in tafs])

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talk = asyncio.ensure_future(self._talk(reader, writer))
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while await self._exchange(reader, writer):
                pass
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError):
            pass  # the other side has left
        finally:
            writer.close()

    async def _exchange(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        request = _parsed(await reader.readuntil(b"\r\n\r\n"))
        self.requests.append(request)
        response = self._response(request)
        self.statuses.append(response.status)
        body = response.body if response.cut is None else response.body[: response.cut]
        writer.write(_head(response) + body)
        await writer.drain()
        if response.hold:
            await self._closing.wait()
        return response.cut is None

    def _response(self, request: Request) -> _Response:
        files = self._files_of_yesterday if self.fault == "yesterday" else self._files
        file = files.get(request.path)
        if file is None:
            return _Response(404, b"no such file\n", {"Content-Type": "text/plain"})
        if self.fault is not None and self.fault != "yesterday":
            return self._faulty(file)
        headers = {
            "ETag": f'W/"{hashlib.sha256(file).hexdigest()[:16]}"',
            "Cache-Control": "max-age=60",
            "Content-Type": "application/gzip",
        }
        if self._conditional and request.headers.get("if-none-match") == headers["ETag"]:
            return _Response(304, b"", headers)
        if self._packed_by == "transfer":
            headers |= {"Content-Encoding": "gzip", "Content-Type": "text/plain"}
        return _Response(200, file, headers)

    def _packed(self, metars: Sequence[MetarRow], tafs: Sequence[TafRow]) -> dict[str, bytes]:
        return {
            METAR_PATH: gzip.compress(metar_csv(metars, self._form), mtime=0),
            TAF_PATH: gzip.compress(taf_xml(tafs), mtime=0),
        }

    def _faulty(self, file: bytes) -> _Response:
        half = len(file) // 2
        packed = {"Content-Type": "application/gzip"}
        if self._packed_by == "transfer":
            packed["Content-Encoding"] = "gzip"
        answers = {
            "outage": _Response(503, b"upstream is down\n", {"Content-Type": "text/plain"}),
            "busy": _Response(429, b"slow down\n", {"Retry-After": self.retry_after}),
            "page": _Response(200, _PAGE, {"Content-Type": "text/html; charset=utf-8"}),
            "half": _Response(200, file[:half], packed),
            "broken-off": _Response(200, file, packed, cut=half),
            "empty": _Response(204),
            "slow": _Response(200, file, packed, cut=half, hold=True),
            "redirect": _Response(302, b"", {"Location": "http://feed.invalid/elsewhere.csv.gz"}),
        }
        assert self.fault is not None
        return answers[self.fault]


def _parsed(head: bytes) -> Request:
    first, *lines = head.decode("latin-1").split("\r\n")
    method, path, _ = first.split(" ", 2)
    pairs = (line.partition(":") for line in lines if line)
    return Request(method, path, {name.strip().lower(): value.strip() for name, _, value in pairs})


def _head(response: _Response) -> bytes:
    lines = [f"HTTP/1.1 {response.status} {_REASONS.get(response.status, 'Fault')}"]
    lines += [f"{name}: {value}" for name, value in response.headers.items()]
    if response.status not in {204, 304}:
        lines.append(f"Content-Length: {len(response.body)}")
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")
