"""Answers in fewer bytes: gzip (RFC 1952) for whoever takes it, and large pieces that are packed once for many answers.

Compression tells an eavesdropper how alike the parts of an answer are (the attack named BREACH, 2013). There is nothing
to learn here: no page holds a secret. A session stands in a cookie that never comes back in a body, and posts are
recognised by their origin, not by a token in the form.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Self

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_LEVEL = 6
_SMALLEST = 1024
_LARGEST = 8 * 1024 * 1024
_TEXTS = (
    "text/",
    "application/json",
    "application/problem+json",
    "image/svg+xml",
    "application/atom+xml",
    "application/cap+xml",
)
_NEVER = "text/event-stream"
# Magic, deflate, no name, no time, fastest-or-best unknown, system unknown.
_HEAD = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
_TAKES_GZIP = re.compile(r"(?:^|,)\s*(?:x-)?(?:gzip|\*)\s*(?:;\s*q=([0-9.]+)\s*)?(?=,|$)", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of an answer, packed once. It stands for itself: any other may come before and after it."""

    plain: bytes
    packed: bytes = field(repr=False)

    @classmethod
    def of(cls, text: str, level: int = _LEVEL) -> Self:
        """Pack a text."""
        return cls.of_bytes(text.encode(), level)

    @classmethod
    def of_bytes(cls, plain: bytes, level: int = _LEVEL) -> Self:
        """Pack bytes."""
        packer = zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)
        # A full flush ends at a whole byte and forgets what was before (RFC 1951, section 2.3).
        return cls(plain, packer.compress(plain) + packer.flush(zlib.Z_FULL_FLUSH))


def gzip_of(pieces: Sequence[Piece]) -> bytes:
    """Return one gzip file of several pieces."""
    crc = length = 0
    for piece in pieces:
        crc, length = zlib.crc32(piece.plain, crc), length + len(piece.plain)
    last = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS).flush()
    end = struct.pack("<II", crc, length & 0xFFFFFFFF)
    return b"".join((_HEAD, *(piece.packed for piece in pieces), last, end))


def takes_gzip(accepted: str) -> bool:
    """Return whether an Accept-Encoding allows gzip (RFC 9110, section 12.5.3)."""
    found = _TAKES_GZIP.findall(accepted)
    return any(not quality or _number(quality) > 0 for quality in found)


def _number(quality: str) -> float:
    try:
        return float(quality)
    except ValueError:
        return 0.0


class Compressed:
    """Stands before the application and packs texts; what is packed already passes, and so do streams."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        accepted = takes_gzip(Headers(scope=scope).get("accept-encoding", ""))
        await self._app(scope, receive, _Answer(send, packs=accepted and scope["method"] != "HEAD", path=scope["path"]))


class _Answer:
    """Holds an answer back until its first piece has come: only one that comes whole is packed."""

    def __init__(self, send: Send, *, packs: bool, path: str) -> None:
        self._send = send
        self._packs = packs
        self._kept = "/static/" in path
        self._start: Message | None = None

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            if not _is_text(MutableHeaders(scope=message)):
                await self._send(message)
                return
            MutableHeaders(scope=message).add_vary_header("Accept-Encoding")
            self._start = message
            return
        start, self._start = self._start, None
        if start is not None and message["type"] == "http.response.body":
            body = message.get("body", b"")
            if self._packs and not message.get("more_body", False) and _SMALLEST <= len(body) <= _LARGEST:
                body = packed_static(body) if self._kept else packed(body)
                headers = MutableHeaders(scope=start)
                headers["Content-Encoding"] = "gzip"
                headers["Content-Length"] = str(len(body))
                message = {**message, "body": body}
        if start is not None:
            await self._send(start)
        await self._send(message)


def _is_text(headers: MutableHeaders) -> bool:
    kind = headers.get("content-type", "")
    return kind.startswith(_TEXTS) and not kind.startswith(_NEVER) and "content-encoding" not in headers


def packed(body: bytes) -> bytes:
    """Return a body as a gzip file."""
    return gzip_of([Piece.of_bytes(body)])


@lru_cache(maxsize=64)
def packed_static(body: bytes) -> bytes:
    """Return a file of ours as a gzip file; they are few, and asked for again and again."""
    return packed(body)
