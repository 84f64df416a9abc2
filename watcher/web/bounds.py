"""What holds for all requests and answers: how many at once, bounded bodies, protective headers, the public path."""

from __future__ import annotations

import asyncio

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from watcher.web.problems import Refusal, problem_response

LARGEST_BODY = 16 * 1024
# Where lists of departures are uploaded.
LARGEST_LIST = 512 * 1024
_LISTS = ("/morning", "/api/v1/morning", "/api/v1/departures/plan")
_LARGEST_READ = 1024 * 1024
_BODY_TIMEOUT_S = 10.0
# So many are answered at the same time. Streams of events, which go on for hours, are counted by themselves.
MOST_AT_ONCE = 200
_STREAM = "text/event-stream"


class Bounds:
    """Stands before the application.

    Parameters
    ----------
    app
        The application.
    headers
        Set on every answer that does not say otherwise itself.
    prefix
        The path of the public address, such as ``/ice``: a proxy may leave it in the request or take it off.
    """

    def __init__(self, app: ASGIApp, *, headers: dict[str, str], prefix: str) -> None:
        self._app = app
        self._headers = headers
        self._prefix = prefix
        self._under_way: set[object] = set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if self._prefix:
            # What the application routes by is the path with the prefix before it, also where the proxy took it off.
            # Set where it is, so that what stands before this, and answers when all else fails, knows it too.
            path = scope["path"]
            scope["root_path"] = self._prefix
            scope["path"] = path if path.startswith(f"{self._prefix}/") else self._prefix + path
        request = object()

        async def send_protected(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    given.setdefault(name, value)
                if given.get("content-type", "").startswith(_STREAM):
                    self._under_way.discard(request)
            await send(message)

        largest = LARGEST_LIST if scope["path"].removeprefix(self._prefix) in _LISTS else LARGEST_BODY
        try:
            body = await asyncio.wait_for(_whole_body(scope, receive, largest), _BODY_TIMEOUT_S)
        except TimeoutError:
            refusal = Refusal(408, f"The request did not come within {_BODY_TIMEOUT_S:.0f} seconds.")
        except _TooLarge:
            refusal = Refusal(413, f"Send at most {largest // 1024} KiB.")
        except ClientDisconnect:
            return
        else:
            if len(self._under_way) < MOST_AT_ONCE:
                await self._answer(request, scope, _Replay(body, receive), send_protected)
                return
            refusal = Refusal(503, "Too many ask at once; try again in a moment.", headers={"Retry-After": "2"})
        refusal.headers["Connection"] = "close"
        await problem_response(refusal)(scope, receive, send_protected)

    async def _answer(self, request: object, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the application answer, and count the request while it is under way; until its stream begins, if any."""
        self._under_way.add(request)
        try:
            await self._app(scope, receive, send)
        finally:
            self._under_way.discard(request)


class _Replay:
    """Hands a body that is already here to the application; after it, whatever else comes."""

    def __init__(self, body: bytes, receive: Receive) -> None:
        self._body: bytes | None = body
        self._receive = receive

    async def __call__(self) -> Message:
        if self._body is None:
            return await self._receive()
        body, self._body = self._body, None
        return {"type": "http.request", "body": body, "more_body": False}


class _TooLarge(Exception):
    """The body is larger than any that is needed here."""


async def _whole_body(scope: Scope, receive: Receive, largest: int) -> bytes:
    """Return the body; of one that is too large, read on for a while, so that its sender can read the answer."""
    declared = Headers(scope=scope).get("content-length", "0")
    body, length, more = bytearray(), 0, True
    if int(declared) > _LARGEST_READ:
        raise _TooLarge
    while more and length <= _LARGEST_READ:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise ClientDisconnect
        piece = message.get("body", b"")
        length, more = length + len(piece), message.get("more_body", False)
        if length <= largest:
            body += piece
    if length > largest:
        raise _TooLarge
    return bytes(body)
