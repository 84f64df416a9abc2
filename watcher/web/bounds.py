"""What holds for every request and every answer: bounded bodies, protective headers, the path of the public address."""

from __future__ import annotations

import asyncio

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from watcher.web.problems import Refusal, problem_response

LARGEST_BODY = 16 * 1024
_BODY_TIMEOUT_S = 10.0


class Bounds:
    """Stands before the application.

    Parameters
    ----------
    app
        The application.
    headers
        Set on every answer.
    prefix
        The path of the public address, such as ``/ice``: a proxy may leave it in the request or take it off.
    """

    def __init__(self, app: ASGIApp, *, headers: dict[str, str], prefix: str) -> None:
        self._app = app
        self._headers = headers
        self._prefix = prefix

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if self._prefix and scope["path"].startswith(f"{self._prefix}/"):
            scope["root_path"] = self._prefix

        async def send_protected(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(self._headers)
            await send(message)

        try:
            body = await asyncio.wait_for(_whole_body(receive), _BODY_TIMEOUT_S)
        except TimeoutError:
            refusal = Refusal(408, f"The request did not come within {_BODY_TIMEOUT_S:.0f} seconds.")
        else:
            if body is None:
                return
            if len(body) <= LARGEST_BODY:
                await self._app(scope, _Replay(body, receive), send_protected)
                return
            refusal = Refusal(413, f"Send at most {LARGEST_BODY} bytes.")
        refusal.headers["Connection"] = "close"
        await problem_response(refusal)(scope, receive, send_protected)


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


async def _whole_body(receive: Receive) -> bytes | None:
    """Return the body, or a piece longer than is allowed; None when whoever asked has gone."""
    body = bytearray()
    while len(body) <= LARGEST_BODY:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        body += message.get("body", b"")
        if not message.get("more_body", False):
            break
    return bytes(body)
