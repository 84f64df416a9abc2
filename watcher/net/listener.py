"""Listening at an MQTT 5.0 broker, in a session that the broker keeps while we are away.

Source: OASIS Standard MQTT 5.0, 7 March 2019; sections are named beside what follows them. A message is acknowledged
when whoever took it says so: until then the broker keeps it, and brings it again on the next connection. How much it
may have on its way at once is the Receive Maximum (3.1.2.11.3), so that nothing needs to be thrown away here.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any

from watcher.errors import GuardError, NetError
from watcher.net.guard import Guard
from watcher.net.mqtt_client import (
    CONNECT_TIMEOUT_S,
    KEEP_ALIVE_S,
    BrokerAddress,
    Login,
    Refused,
    broke_off,
    connect,
    new_client,
    settle,
)
from watcher.net.reason_codes import FIRST_REFUSAL, TAKEN_OVER, reason_text

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.properties import Properties

# What a broker may have on its way to us, taken by nobody yet.
MOST_WAITING = 2000
# Eight times what a notification of the WMO Information System may have; a broker keeps larger ones (3.1.2.11.4).
LARGEST_PACKET_BYTES = 64 << 10
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
_AT_LEAST_ONCE = 1


@dataclass(frozen=True, slots=True, eq=False)
class Letter:
    """One message as it came. `again`: the broker has sent it before (3.3.1.1)."""

    topic: str
    payload: bytes
    again: bool
    _taken: Callable[[], None]

    def taken(self) -> None:
        """Acknowledge it: the broker may forget it. Nothing happens when the connection that it came on is gone."""
        self._taken()


@dataclass(slots=True)
class Hearing:
    """How one broker is heard.

    `since`: when the connection was opened; None while there is none. `failure`: why there is none, or what is wrong
    with it; empty when nothing is. `sessions_lost`: how often the broker had forgotten us, so that what it should have
    kept is lost. `dropped`: messages that came beyond what may wait. `tried`: whether one try to connect is over.
    """

    since: datetime | None = None
    failure: str = "not connected yet"
    sessions_lost: int = 0
    dropped: int = 0
    tried: bool = False


class Listener:
    """Keeps one subscription open, and opens it again with longer waits while the broker fails.

    Parameters
    ----------
    guard
        Judges the addresses of the host.
    address, login
        Where, and as whom; login None: as nobody.
    client_id
        By which the broker knows the session; two at once push each other out (3.1.4).
    topics
        Filters (4.7).
    keep_s
        Seconds that the broker keeps the session without us (3.1.2.11.2).
    hear
        Called in the event loop when something came, or when the connection opened or broke off.
    clock
        The present.
    random
        Spreads the waits, so that many watchers do not come back together.
    most_waiting
        The most messages that may wait here.
    """

    def __init__(
        self,
        guard: Guard,
        address: BrokerAddress,
        *,
        login: Login | None,
        client_id: str,
        topics: Sequence[str],
        keep_s: int,
        hear: Callable[[], None],
        clock: Callable[[], datetime],
        random: Random,
        most_waiting: int = MOST_WAITING,
        first_wait_s: float = FIRST_WAIT_S,
    ) -> None:
        self.address = address
        self.hearing = Hearing()
        self._guard = guard
        self._login = login
        self._client_id = client_id
        self._topics = tuple(topics)
        self._keep_s = keep_s
        self._hear = hear
        self._clock = clock
        self._random = random
        self._most_waiting = most_waiting
        self._first_wait_s = first_wait_s
        self._letters: deque[Letter] = deque()
        self._called = False
        self._client: Client | None = None
        self._lost: asyncio.Future[int] | None = None
        self._had_session = False
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin to listen; nothing when that is done already."""
        if self._task is None:
            self._task = asyncio.create_task(self._run())

    async def stop(self) -> None:
        """Leave; the broker keeps the session. What waits here and was not acknowledged comes again."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        self._letters.clear()
        self.hearing.since, self.hearing.failure = None, "not connected"

    def take(self) -> list[Letter]:
        """Return what came since the last time, in its order."""
        self._called = False
        letters = []
        while self._letters:
            letters.append(self._letters.popleft())
        return letters

    async def _run(self) -> None:
        failures = 0
        loop = asyncio.get_running_loop()
        while True:
            began, opened = loop.time(), False
            try:
                code, opened = await self._listen(), True
            except (NetError, GuardError, ValueError) as error:
                self.hearing.failure = str(error)
                code = 0
            self.hearing.tried = True
            failures = 0 if loop.time() - began > LONGEST_WAIT_S else failures + 1
            if code == TAKEN_OVER or (opened and failures > 2):
                # Not every broker says so before it hangs up.
                self.hearing.failure += "; does another client have the same client_id?"
            self._tell()
            wait_s = min(self._first_wait_s * 2 ** min(max(failures - 1, 0), 10), LONGEST_WAIT_S)
            if code == TAKEN_OVER:
                wait_s = LONGEST_WAIT_S
            await asyncio.sleep(wait_s * (1.0 + 0.2 * self._random.random()))

    async def _listen(self) -> int:
        """Listen on one connection; return the reason code with which it ended."""
        client: Client | None = None
        try:
            client = await connect(self._guard, self.address, self._connect_to)
            await self._subscribe(client)
            self.hearing.since, self.hearing.failure = self._clock(), ""
            self._tell()
            assert self._lost is not None
            code = await self._lost
            self.hearing.failure = f"{self.address}: the connection broke off ({reason_text(code)})"
            return code
        finally:
            self._client = None
            self.hearing.since = None
            if client is not None:
                await asyncio.shield(asyncio.to_thread(_leave, client))

    async def _connect_to(self, judged: str) -> Client:
        from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415 - an extra
        from paho.mqtt.properties import Properties  # noqa: PLC0415

        loop = asyncio.get_running_loop()
        welcomed: asyncio.Future[int] = loop.create_future()
        self._lost = loop.create_future()
        # What the broker kept for us comes at once, before it has answered to anything else.
        client = self._client = self._made(loop, welcomed, self._lost)
        wishes = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wishes.SessionExpiryInterval = self._keep_s
        wishes.ReceiveMaximum = self._most_waiting
        wishes.MaximumPacketSize = LARGEST_PACKET_BYTES
        try:
            await asyncio.to_thread(
                partial(client.connect, judged, self.address.port, KEEP_ALIVE_S, clean_start=False, properties=wishes)
            )
            client.loop_start()
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                code = await welcomed
        except TimeoutError as error:
            await asyncio.to_thread(_leave, client)
            raise NetError(f"{self.address}: no answer within {CONNECT_TIMEOUT_S:g} s", "timeout") from error
        except BaseException:
            welcomed.cancel()
            await asyncio.shield(asyncio.to_thread(_leave, client))
            raise
        if code >= FIRST_REFUSAL:
            await asyncio.to_thread(_leave, client)
            raise Refused(f"{self.address}: the broker refused the connection ({reason_text(code)})", code)
        return client

    def _made(
        self, loop: asyncio.AbstractEventLoop, welcomed: asyncio.Future[int], lost: asyncio.Future[int]
    ) -> Client:
        client = new_client(self.address, self._login, client_id=self._client_id, manual_ack=True)

        def tell(what: partial[None]) -> None:
            # The loop is closed only when nobody waits any more.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(what)

        def came(_client: Client, _data: object, message: MQTTMessage) -> None:
            self._came(client, message)
            if not self._called:
                self._called = True
                tell(partial(self._tell))

        def ended(_c: Client, _d: object, _f: object, code: Any, _p: Properties | None) -> None:  # noqa: ANN401
            tell(partial(broke_off, welcomed, code.value))
            tell(partial(settle, lost, code.value))

        def begun(_c: Client, _d: object, flags: Any, code: Any, _p: Properties | None) -> None:  # noqa: ANN401
            tell(partial(self._welcomed, bool(flags.session_present), code.value))
            tell(partial(settle, welcomed, code.value))

        client.on_connect, client.on_message, client.on_disconnect = begun, came, ended
        return client

    def _welcomed(self, session_present: bool, code: int) -> None:
        if code < FIRST_REFUSAL:
            if self._had_session and not session_present and self._keep_s:
                self.hearing.sessions_lost += 1
            self._had_session = True

    def _came(self, client: Client, message: MQTTMessage) -> None:
        """Put a message where it waits. Runs in the library's thread."""
        if len(self._letters) >= self._most_waiting:
            # Only who ignores the Receive Maximum, or sends without being answered (quality of service 0), comes here.
            self.hearing.dropped += 1
            return
        taken = partial(self._acknowledge, client, message.mid, message.qos)
        letter = Letter(message.topic, bytes(message.payload), message.dup, taken)
        if self._wants(letter.topic):
            self._letters.append(letter)
        else:
            # The session may still hold a subscription that the settings had before.
            taken()

    def _wants(self, topic: str) -> bool:
        from paho.mqtt.client import topic_matches_sub  # noqa: PLC0415 - an extra

        return any(topic_matches_sub(wanted, topic) for wanted in self._topics)

    def _acknowledge(self, client: Client, mid: int, qos: int) -> None:
        # Numbers are given anew on each connection (2.2.1): an old one would acknowledge another message.
        if client is self._client and qos:
            client.ack(mid, qos)

    async def _subscribe(self, client: Client) -> None:
        from paho.mqtt.subscribeoptions import SubscribeOptions  # noqa: PLC0415 - an extra

        loop = asyncio.get_running_loop()
        answered: asyncio.Future[int] = loop.create_future()

        def answer(_c: Client, _d: object, _mid: int, codes: Sequence[Any], _p: Properties | None) -> None:
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(partial(settle, answered, max(code.value for code in codes)))

        client.on_subscribe = answer
        options = SubscribeOptions(_AT_LEAST_ONCE, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        client.subscribe([(topic, options) for topic in self._topics])
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                code = await answered
        except TimeoutError as error:
            raise NetError(f"{self.address}: no answer within {CONNECT_TIMEOUT_S:g} s", "timeout") from error
        if code >= FIRST_REFUSAL:
            raise Refused(f"{self.address}: the broker does not let us listen there ({reason_text(code)})", code)

    def _tell(self) -> None:
        self._hear()


def _leave(client: Client) -> None:
    """Say goodbye and end the library's thread, which may take a moment."""
    client.disconnect()
    client.loop_stop()
    # Where its thread ended before the goodbye was written, the library leaves the connection open.
    left = client.socket()
    if left is not None:
        left.close()
