"""Local receivers: a mail server and a webhook receiver that check what they get. The demo's, and the tests'."""

from __future__ import annotations

import asyncio
import json
import ssl
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from types import TracebackType
from typing import Any, Self

from aiosmtpd.smtp import SMTP, Envelope

from watcher.notify.signature import verify

_SIGNED = ("id", "timestamp", "signature")
_REASONS = {200: "OK", 204: "No Content", 302: "Found", 404: "Not Found", 410: "Gone", 429: "Too Many Requests"}


@dataclass
class MailReceiver:
    """A mail server on this machine. Use as an async context manager.

    `answer`: what it says to a mail, such as "451 later"; None: it takes it. `smtp_options`: handed to the server.
    `tls`: protects the connection from the first byte.
    """

    answer: str | None = None
    smtp_options: Mapping[str, Any] = field(default_factory=dict)
    mails: list[EmailMessage] = field(default_factory=list)
    on_mail: Callable[[EmailMessage], None] | None = None
    tls: ssl.SSLContext | None = None
    connections: int = 0
    port: int = 0
    _server: asyncio.Server | None = None
    _talks: list[SMTP] = field(default_factory=list)

    host = "127.0.0.1"

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(self._protocol, self.host, 0, ssl=self.tls)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        self.hang_up()

    def hang_up(self) -> None:
        """Drop every connection without a word."""
        talks, self._talks = self._talks, []
        for talk in talks:
            if talk.transport is not None:
                talk.transport.close()

    def _protocol(self) -> SMTP:
        self.connections += 1
        talk = SMTP(self, hostname="receiver.example.org", ident="receiver", **self.smtp_options)
        self._talks.append(talk)
        return talk

    async def handle_DATA(self, _server: SMTP, _session: object, envelope: Envelope) -> str:  # noqa: N802 - aiosmtpd's
        """Take one mail."""
        if self.answer is not None:
            return self.answer
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        if self.on_mail is not None:
            self.on_mail(mail)
        return "250 taken"


@dataclass(frozen=True)
class Posted:
    """One webhook as it came in."""

    path: str
    headers: Mapping[str, str]
    payload: Mapping[str, Any]
    verified: bool

    @property
    def id(self) -> str:
        """Its webhook-id."""
        return self.headers.get("webhook-id", "")


@dataclass
class WebhookReceiver:
    """A web server on this machine that takes signed posts. Use as an async context manager.

    `status`, `headers`, `delay_s`: how it answers. `break_off`: it closes in the middle of its answer.
    """

    secret: str
    clock: Callable[[], datetime]
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    delay_s: float = 0.0
    break_off: bool = False
    posts: list[Posted] = field(default_factory=list)
    on_post: Callable[[Posted], None] | None = None
    port: int = 0
    _server: asyncio.Server | None = None
    _talks: set[asyncio.Task[None]] = field(default_factory=set)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        for talk in self._talks:
            talk.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)

    def url(self, path: str = "/in") -> str:
        """Return where to post."""
        return f"http://127.0.0.1:{self.port}{path}"

    @property
    def taken(self) -> list[Posted]:
        """The posts that were answered with success."""
        return [post for post in self.posts if post.headers.get("x-answered", "").startswith("2")]

    @property
    def duplicates(self) -> int:
        """Return how many posts with an id that had been taken already came in."""
        return sum(count - 1 for count in Counter(post.id for post in self.taken).values())

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talk = asyncio.ensure_future(self._talk(reader, writer))
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while await self._exchange(reader, writer):
                pass
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the other side has left
        finally:
            writer.close()

    async def _exchange(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        headers = {}
        for line in head[1:]:
            name, _, value = line.partition(":")
            if value:
                headers[name.strip().lower()] = value.strip()
        body = await reader.readexactly(int(headers.get("content-length", "0")))
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        self._keep(head[0].split(" ")[1], headers, body)
        answer = f"HTTP/1.1 {self.status} {_REASONS.get(self.status, 'Status')}\r\nContent-Length: 2\r\n"
        answer += "".join(f"{name}: {value}\r\n" for name, value in self.headers.items())
        writer.write(answer.encode() + (b"\r\n" if self.break_off else b"\r\nok"))
        await writer.drain()
        return not self.break_off

    def _keep(self, path: str, headers: dict[str, str], body: bytes) -> None:
        answered = {**headers, "x-answered": "broken" if self.break_off else str(self.status)}
        message_id, timestamp, signatures = (headers.get(f"webhook-{part}", "") for part in _SIGNED)
        verified = verify(message_id, timestamp, signatures, body, [self.secret], now=self.clock())
        post = Posted(path, answered, json.loads(body), verified)
        self.posts.append(post)
        if self.on_post is not None:
            self.on_post(post)
