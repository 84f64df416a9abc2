"""The guard's place inside the HTTP connection, and the transport that has no other way out."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Iterable
from typing import cast

import httpcore
import httpx

from watcher.errors import GuardError
from watcher.net.guard import Guard

MAX_CONNECTIONS = 4
KEEP_ALIVE_S = 30.0

_SocketOption = tuple[int, int, int] | tuple[int, int, bytes | bytearray] | tuple[int, int, None, int]


class UnknownName(httpcore.ConnectError):
    """The name has no address, or nobody could be asked."""


class GuardedBackend(httpcore.AsyncNetworkBackend):
    """Opens connections to addresses that the guard has just judged. Names never reach the system from here."""

    def __init__(self, guard: Guard) -> None:
        self._guard = guard
        self._system = httpcore.AnyIOBackend()

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ASYNC109 - the signature is httpcore's
        local_address: str | None = None,
        socket_options: Iterable[_SocketOption] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """Look the host up, have every address judged, and connect to the first judged one that accepts.

        Each address has an equal share of the time, so that one that swallows packets does not hide the next.
        """
        addresses = await self._judged(host, port, timeout)
        share = None if timeout is None else timeout / len(addresses)
        failure: Exception | None = None
        for address in addresses:
            try:
                return await self._system.connect_tcp(address, port, share, local_address, socket_options)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                failure = error
        assert failure is not None
        raise failure

    async def _judged(self, host: str, port: int, within_s: float | None) -> tuple[str, ...]:
        try:
            async with asyncio.timeout(within_s):
                return await self._guard.addresses(host, port)
        except TimeoutError as error:
            raise httpcore.ConnectTimeout("the name was not looked up in time") from error
        except (OSError, UnicodeError) as error:
            raise UnknownName(f"the name could not be looked up ({error})") from error

    async def connect_unix_socket(
        self,
        path: str,
        timeout: float | None = None,  # noqa: ARG002, ASYNC109
        socket_options: Iterable[_SocketOption] | None = None,  # noqa: ARG002
    ) -> httpcore.AsyncNetworkStream:
        """Refuse: a socket file has no address to judge."""
        raise GuardError(f"{path}: connections to sockets of this machine are refused")

    async def sleep(self, seconds: float) -> None:
        """Wait between attempts."""
        await asyncio.sleep(seconds)


class _Body(httpx.AsyncByteStream):
    def __init__(self, stream: AsyncIterator[bytes]) -> None:
        self._stream = stream

    async def __aiter__(self) -> AsyncIterator[bytes]:
        async for part in self._stream:
            yield part

    async def aclose(self) -> None:
        # A stand-in for the pool, as tests have, may give a stream that needs no closing.
        close = getattr(self._stream, "aclose", None)
        if close is not None:
            await close()


class GuardedTransport(httpx.AsyncBaseTransport):
    """At most four kept connections to one destination, each opened by the guard."""

    def __init__(self, guard: Guard, ssl_context: ssl.SSLContext) -> None:
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=ssl_context,
            max_connections=MAX_CONNECTIONS,
            max_keepalive_connections=MAX_CONNECTIONS,
            keepalive_expiry=KEEP_ALIVE_S,
            network_backend=GuardedBackend(guard),
        )

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """Hand one request to the pool. The pool's errors pass as they are."""
        url = request.url
        answer = await self._pool.handle_async_request(
            httpcore.Request(
                method=request.method,
                url=httpcore.URL(scheme=url.raw_scheme, host=url.raw_host, port=url.port, target=url.raw_path),
                headers=request.headers.raw,
                content=request.stream,
                extensions=request.extensions,
            )
        )
        return httpx.Response(
            status_code=answer.status,
            headers=answer.headers,
            stream=_Body(cast("AsyncIterator[bytes]", answer.stream)),
            extensions=answer.extensions,
        )

    async def aclose(self) -> None:
        """Close the connections."""
        await self._pool.aclose()
