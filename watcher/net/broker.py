"""A connection to an MQTT 5.0 broker, opened by the guard when first needed, kept while messages come.

Source: OASIS Standard MQTT 5.0, 7 March 2019; sections are named beside what follows them. Needs the extra `mqtt`. The
library's own thread reads and writes; all that it tells is handed to the event loop.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from watcher.errors import NetError
from watcher.net.guard import Guard
from watcher.net.mqtt_client import (
    KEEP_ALIVE_S,
    BrokerAddress,
    Login,
    Refused,
    broke_off,
    connect,
    new_client,
    settle,
)
from watcher.net.reason_codes import FIRST_REFUSAL, reason_text

if TYPE_CHECKING:
    from paho.mqtt.client import Client

ANSWER_TIMEOUT_S = 20.0
# A firewall forgets a silent connection after some minutes; an alert is rare, and connecting takes a moment only.
IDLE_S = 60.0
_AT_LEAST_ONCE = 1


class Broker:
    """Publishes at one broker.

    Parameters
    ----------
    guard
        Judges the addresses of the host.
    host, port
        Where it is.
    tls
        Protect the connection, and check the certificate against the machine's own store or that of SSL_CERT_FILE.
    login
        None: none.
    idle_s
        Seconds without a message after which the connection is closed.
    """

    def __init__(
        self, guard: Guard, host: str, port: int, *, tls: bool, login: Login | None = None, idle_s: float = IDLE_S
    ) -> None:
        self._guard = guard
        self._place = BrokerAddress(host, port, tls)
        self._login = login
        self._idle_s = idle_s
        self._connecting = asyncio.Lock()
        self._client: Client | None = None
        self._pending: dict[int, asyncio.Future[int]] = {}
        self._idle: asyncio.TimerHandle | None = None
        self._closing: set[asyncio.Future[None]] = set()

    @property
    def connected(self) -> bool:
        """Whether a connection is open."""
        return self._client is not None

    async def publish(
        self,
        topic: str,
        payload: bytes,
        properties: Mapping[str, Any],
        *,
        retain: bool = False,
        timeout: float = ANSWER_TIMEOUT_S,  # noqa: ASYNC109 - the bound is part of the promise
    ) -> None:
        """Publish once, and return when the broker has taken it (quality of service 1).

        Parameters
        ----------
        topic, payload, retain
            What is published; an empty retained payload takes away what is kept (3.3.1.3).
        properties
            By their names without spaces, such as ``MessageExpiryInterval`` (3.3.2.3).
        timeout
            Seconds for everything.

        Raises
        ------
        GuardError
            All addresses of the host are refused.
        Refused
            The broker did not take the login or the message.
        NetError
            No answer came; `kind` says why.
        """
        try:
            async with asyncio.timeout(timeout):
                code = await self._published(topic, payload, properties, retain)
        except TimeoutError as error:
            # Nobody knows whether it arrived; a broker that does not answer is better asked anew.
            self._drop("it did not answer")
            raise NetError(f"{self._place}: no answer within {timeout:g} s", "timeout") from error
        if code >= FIRST_REFUSAL:
            raise Refused(f"{self._place}: the broker did not take the message ({reason_text(code)})", code)

    async def aclose(self) -> None:
        """Take leave of the broker."""
        self._drop("closed here")
        await asyncio.gather(*self._closing, return_exceptions=True)

    async def _published(self, topic: str, payload: bytes, properties: Mapping[str, Any], retain: bool) -> int:
        from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415 - an extra
        from paho.mqtt.properties import Properties  # noqa: PLC0415

        named = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in properties.items():
            setattr(named, name, value)
        client = await self._open()
        # The answer is handed over by the event loop, so it cannot come before it is waited for.
        sent = client.publish(topic, payload, qos=_AT_LEAST_ONCE, retain=retain, properties=named)
        if sent.rc != 0:
            self._drop("it was lost")
            raise NetError(f"{self._place}: the connection was lost", "broken")
        answered: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self._pending[sent.mid] = answered
        try:
            return await answered
        finally:
            self._pending.pop(sent.mid, None)
            self._rest()

    async def _open(self) -> Client:
        async with self._connecting:
            if self._idle is not None:
                self._idle.cancel()
                self._idle = None
            if self._client is None:
                self._client = await connect(self._guard, self._place, self._connect_to)
            return self._client

    async def _connect_to(self, address: str) -> Client:
        loop = asyncio.get_running_loop()
        welcomed: asyncio.Future[int] = loop.create_future()
        client = self._made(loop, welcomed)
        try:
            await asyncio.to_thread(client.connect, address, self._place.port, KEEP_ALIVE_S)
            client.loop_start()
            code = await welcomed
        except BaseException:
            welcomed.cancel()
            self._leave(client)
            raise
        if code >= FIRST_REFUSAL:
            self._leave(client)
            raise Refused(f"{self._place}: the broker refused the connection ({reason_text(code)})", code)
        return client

    def _made(self, loop: asyncio.AbstractEventLoop, welcomed: asyncio.Future[int]) -> Client:
        client = new_client(self._place, self._login)

        def tell(what: partial[None]) -> None:
            # The loop is closed only when nobody waits any more.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(what)

        client.on_connect = lambda _c, _u, _flags, code, _p: tell(partial(settle, welcomed, code.value))
        client.on_publish = lambda _c, _u, mid, code, _p: tell(partial(self._answered, mid, code.value))
        client.on_disconnect = lambda _c, _u, _flags, code, _p: tell(partial(self._lost, client, welcomed, code.value))
        return client

    def _answered(self, mid: int, code: int) -> None:
        if mid in self._pending:
            settle(self._pending[mid], code)

    def _lost(self, client: Client, welcomed: asyncio.Future[int], code: int) -> None:
        broke_off(welcomed, code)
        if client is self._client:
            self._drop(reason_text(code))

    def _rest(self) -> None:
        """Close the connection later, if nothing comes until then."""
        if self._client is not None and not self._pending:
            if self._idle is not None:
                self._idle.cancel()
            self._idle = asyncio.get_running_loop().call_later(self._idle_s, self._drop, "idle")

    def _drop(self, why: str) -> None:
        """Forget the connection; whoever waits for an answer on it gets none."""
        client, self._client = self._client, None
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        for answered in self._pending.values():
            if not answered.done():
                answered.set_exception(NetError(f"{self._place}: the connection broke off ({why})", "broken"))
        if client is not None:
            self._leave(client)

    def _leave(self, client: Client) -> None:
        """Say goodbye and end the library's thread, which may take a moment."""

        def leave() -> None:
            client.disconnect()
            client.loop_stop()

        leaving: asyncio.Future[None] = asyncio.get_running_loop().run_in_executor(None, leave)
        self._closing.add(leaving)
        leaving.add_done_callback(self._closing.discard)
