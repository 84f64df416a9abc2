"""HTTP for the rest of the house: one answer for one request, bounded in size and time, through the guard.

Redirects are answers like any other, cookies are forgotten, proxies named in the environment are ignored.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from http.cookiejar import CookieJar, DefaultCookiePolicy
from types import MappingProxyType, TracebackType
from typing import Self

import httpcore
import httpx

import watcher
from watcher.errors import GuardError, NetError
from watcher.net.guard import Guard
from watcher.net.inflate import InflateError, Inflater
from watcher.net.transport import GuardedTransport, UnknownName

CONNECT_TIMEOUT_S = 10.0
TOTAL_TIMEOUT_S = 30.0
ANSWER_LIMIT_BYTES = 1 << 20
_DRAIN_BYTES = 1 << 16
# Each may hold four open files, and a process has about a thousand. More are kept only while they are busy.
_IDLE_DESTINATIONS = 100

# These loggers write whole URLs and headers, in which somebody's token may stand.
for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back. Header names are in lower case; `body` is unpacked; `whole` false: cut at the bound."""

    status: int
    headers: Mapping[str, str]
    body: bytes
    whole: bool = True


@dataclass(slots=True)
class _Destination:
    """The client of one scheme, host and port, and how many requests it is busy with."""

    client: httpx.AsyncClient
    busy: int = 0


class HttpClients:
    """One HTTP client for each destination, opened when first asked for, all closed at the end.

    Parameters
    ----------
    guard
        Judges every address that a connection goes to.
    contact
        A mail or web address for the User-Agent, so that the other side can complain. Empty: none. What is not
        plain ASCII becomes a question mark.
    ssl_context
        Verifies certificates. Left out: the public authorities, or those that SSL_CERT_FILE names.
    """

    def __init__(self, guard: Guard, *, contact: str = "", ssl_context: ssl.SSLContext | None = None) -> None:
        self._guard = guard
        self._ssl_context = ssl_context
        plain = "".join(letter if " " <= letter <= "~" else "?" for letter in contact)
        self._user_agent = f"Hoarline/{watcher.__version__}" + (f" ({plain})" if plain else "")
        self._destinations: dict[str, _Destination] = {}

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.aclose()

    async def aclose(self) -> None:
        """Close every connection."""
        destinations, self._destinations = self._destinations, {}
        for destination in destinations.values():
            await destination.client.aclose()

    async def get(
        self,
        url: str,
        *,
        headers: Mapping[str, str] | None = None,
        limit_bytes: int = ANSWER_LIMIT_BYTES,
        timeout: float = TOTAL_TIMEOUT_S,  # noqa: ASYNC109 - the bound is part of the promise
    ) -> Answer:
        """Fetch the whole body at a URL.

        Parameters
        ----------
        url
            An http or https URL without name or password in it.
        headers
            Sent besides User-Agent and Accept-Encoding.
        limit_bytes
            The most bytes that the unpacked body may have.
        timeout
            Seconds for everything, from look-up to the last byte.

        Raises
        ------
        GuardError
            The URL or all of its addresses are refused.
        NetError
            No whole answer came; `kind` says why.
        """
        answer = await self._ask("GET", url, headers, None, limit_bytes, timeout)
        if not answer.whole:
            raise NetError(f"{_place(url)}: the answer is larger than {limit_bytes} bytes", "too-large")
        return answer

    async def post(
        self,
        url: str,
        *,
        content: bytes,
        headers: Mapping[str, str] | None = None,
        limit_bytes: int = _DRAIN_BYTES,
        timeout: float = TOTAL_TIMEOUT_S,  # noqa: ASYNC109 - the bound is part of the promise
    ) -> Answer:
        """Post `content`. What counts is the status: a long answer is cut at `limit_bytes`, not refused.

        Parameters and errors are those of `get`.
        """
        return await self._ask("POST", url, headers, content, limit_bytes, timeout)

    async def put(
        self,
        url: str,
        *,
        content: bytes,
        headers: Mapping[str, str] | None = None,
        limit_bytes: int = _DRAIN_BYTES,
        timeout: float = TOTAL_TIMEOUT_S,  # noqa: ASYNC109 - the bound is part of the promise
    ) -> Answer:
        """Put `content`; as `post`, for what may be repeated without being done twice."""
        return await self._ask("PUT", url, headers, content, limit_bytes, timeout)

    async def _ask(  # noqa: PLR0917 - private, called three times
        self,
        method: str,
        url: str,
        headers: Mapping[str, str] | None,
        content: bytes | None,
        limit_bytes: int,
        total_s: float,
    ) -> Answer:
        target = _checked(url)
        bounds = httpx.Timeout(total_s, connect=min(CONNECT_TIMEOUT_S, total_s))
        try:
            async with (
                asyncio.timeout(total_s),
                self._client(target) as client,
                client.stream(method, target, headers=headers, content=content, timeout=bounds) as response,
            ):
                body, whole = await _read(response, limit_bytes)
        except (TimeoutError, httpx.TimeoutException, httpcore.TimeoutException) as error:
            raise NetError(f"{_place(url)}: no whole answer within {total_s:g} s", "timeout") from error
        except InflateError as error:
            raise NetError(f"{_place(url)}: {error}", "broken") from error
        except (httpx.ConnectError, httpcore.ConnectError) as error:
            raise _connect_error(url, error) from error
        except _BROKEN_OFF as error:
            raise NetError(f"{_place(url)}: the exchange broke off ({error})", "broken") from error
        return Answer(response.status_code, MappingProxyType(dict(response.headers)), body, whole)

    @asynccontextmanager
    async def _client(self, target: httpx.URL) -> AsyncIterator[httpx.AsyncClient]:
        origin = f"{target.scheme}://{target.netloc.decode('ascii')}"
        destination = self._destinations.pop(origin, None) or _Destination(self._opened())
        self._destinations[origin] = destination  # the order of the dict is the order of use
        destination.busy += 1
        try:
            await self._close_idle()
            yield destination.client
        finally:
            destination.busy -= 1

    async def _close_idle(self) -> None:
        while len(self._destinations) > _IDLE_DESTINATIONS:
            # Looked up anew each time: while one is being closed, another may come into use.
            idle = next((origin for origin, destination in self._destinations.items() if not destination.busy), None)
            if idle is None:
                return
            await self._destinations.pop(idle).client.aclose()

    def _opened(self) -> httpx.AsyncClient:
        if self._ssl_context is None:
            self._ssl_context = httpx.create_ssl_context()
        return httpx.AsyncClient(
            transport=GuardedTransport(self._guard, self._ssl_context),
            headers={"User-Agent": self._user_agent, "Accept": "*/*", "Accept-Encoding": "gzip"},
            cookies=CookieJar(DefaultCookiePolicy(allowed_domains=[])),
            follow_redirects=False,
            trust_env=False,
        )


# Both libraries' trees, since the transport passes the lower one's errors on; and what neither wraps.
_BROKEN_OFF = (
    httpx.HTTPError,
    httpx.StreamError,
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.UnsupportedProtocol,
    httpcore.ConnectionNotAvailable,
    OSError,
    UnicodeError,
)


async def _read(response: httpx.Response, limit_bytes: int) -> tuple[bytes, bool]:
    encoding = response.headers.get("content-encoding", "identity").strip().lower()
    if encoding not in {"", "identity", "gzip", "x-gzip"}:
        raise InflateError("broken", f"the answer is packed as {encoding}, which was not asked for")
    body = bytearray()
    try:
        async for part in _unpacked(response, "gzip" in encoding, limit_bytes):
            body += part
            if len(body) > limit_bytes:
                return bytes(body[:limit_bytes]), False
    except InflateError as error:
        if error.kind != "too-large":
            raise
        return bytes(body), False
    return bytes(body), True


async def _unpacked(response: httpx.Response, packed: bool, limit_bytes: int) -> AsyncIterator[bytes]:
    if not packed:
        async for part in response.aiter_raw():
            yield part
        return
    inflater = Inflater(limit_bytes)
    async for part in response.aiter_raw():
        yield inflater.feed(part)
    inflater.finish()


def _checked(url: str) -> httpx.URL:
    try:
        target = httpx.URL(url)
        host, port = target.host, target.port  # a name in the letters of the world is read only here
    except (httpx.InvalidURL, UnicodeError, ValueError) as error:
        raise GuardError(f"this is no URL that can be reached: {error}") from error
    if port is not None and not 0 <= port < 1 << 16:
        raise GuardError(f"this is no URL that can be reached: there is no port {port}")
    if target.scheme not in {"http", "https"} or not host:
        raise GuardError(f"only http:// and https:// addresses are reached, not {target.scheme or 'those without it'}")
    if target.userinfo:
        raise GuardError(f"{_place(url)}: a URL with a name or password in it is refused; put it into a header")
    return target


def _place(url: str) -> str:
    """Return scheme, host and port only: paths and queries may hold somebody's token."""
    target = httpx.URL(url)
    return f"{target.scheme}://{target.netloc.decode('ascii', 'replace')}"


def _connect_error(url: str, error: Exception) -> NetError:
    if any(isinstance(cause, ssl.SSLError) for cause in _causes(error)):
        return NetError(f"{_place(url)}: the certificate or handshake failed ({error})", "tls")
    if isinstance(error, UnknownName):
        return NetError(f"{_place(url)}: {error}", "no-name")
    return NetError(f"{_place(url)}: no connection ({error})", "no-connection")


def _causes(error: BaseException | None) -> list[BaseException]:
    found: list[BaseException] = []
    while error is not None and error not in found:
        found.append(error)
        error = error.__cause__ or error.__context__
    return found
