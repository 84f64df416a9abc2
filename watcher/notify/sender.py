"""Empties the outbox: claims what is due, sends it side by side, and writes down how it went.

One slow or dead destination never holds up another: each has a few places in flight, and one that fails rests and is
then asked with a single message until it answers again. The order within an episode is kept by the claims.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

import structlog

from watcher.alerts.outbox import Claimed, Settled
from watcher.errors import DeliveryError, StoreError
from watcher.links import LinkMaker
from watcher.notify.message import links_for, message_of
from watcher.notify.parties import Channel, Observer, Outbox
from watcher.notify.rest import Rests
from watcher.notify.retry import next_due
from watcher.notify.smtp import CONNECTIONS, MailChannel
from watcher.notify.wording import short

__all__ = ["Channel", "Observer", "Outbox", "Sender"]

# Open files are finite: the most messages that are on their way at once, over all destinations.
MOST_IN_FLIGHT = 256
# One mail server stands behind many destinations: a kind of channel that has so many on their way gets no more, and
# the claims are small enough that places are left for the other kinds.
MOST_OF_A_KIND = 128
MOST_IN_A_CLAIM = 64
# So many attempts of a kind begin at once where those of that kind share the connections to one server; the others wait
# here, untried. What has waited for its share of the lease goes back, so that an attempt always has its whole time.
AT_ONCE = {MailChannel.kind: CONNECTIONS}
SHARE_TO_WAIT = 0.15
SHARE_TO_SEND = 0.75
LEASE = timedelta(minutes=2)
# Other machines may put messages into the same outbox, and retries come due.
LOOK_EVERY_S = 1.0
STOP_WITHIN_S = 10.0
GATHER_S = 0.02
# Another process may have put a destination into the store a moment ago, and this one has yet to hear of it: about a
# minute, as the waits after a failure go.
ATTEMPTS_UNKNOWN = 4

_log = structlog.get_logger()


@dataclass(slots=True)
class _Results:
    """How attempts ended, until the store knows it. `gone`: destinations that want no more, with the reason."""

    settled: list[Settled] = field(default_factory=list)
    gone: dict[str, str] = field(default_factory=dict)


class Sender:
    """Sends what the outbox owes.

    Parameters
    ----------
    outbox
        What is owed. Its methods are called off the event loop.
    channels
        The way to each destination, by name. What is owed to another name is given up with a clear error, once it has
        stayed unknown for about a minute.
    clock
        The present.
    public_url
        Where people reach the service; None without a public address.
    links
        Makes the links on which a reader takes an episode or stops the messages; None where no page answers them.
    observer
        Counts attempts; None: nobody.
    in_flight
        The most messages on their way to one destination.
    lease
        How long a claimed message is ours. An attempt is broken off in time before it ends, and what finds no free
        connection within a part of it goes back as it was.
    random
        Spreads retries.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Channel],
        *,
        clock: Callable[[], datetime],
        public_url: str | None = None,
        links: LinkMaker | None = None,
        observer: Observer | None = None,
        in_flight: int = 4,
        lease: timedelta = LEASE,
        random: Random,
    ) -> None:
        self._outbox = outbox
        self._channels = channels
        self._clock = clock
        self._public_url = public_url
        self._links = links
        self._observer = observer
        self._in_flight = in_flight
        self._lease = lease
        self._random = random
        self._rests = Rests(random)
        self._results = _Results()
        self._attempts: dict[asyncio.Task[None], Claimed] = {}
        self._places = {kind: asyncio.Semaphore(most) for kind, most in AT_ONCE.items()}
        # The messages of which something may have left this machine.
        self._begun: set[str] = set()
        self._news = asyncio.Event()
        self._stopping = False
        self._running: asyncio.Future[None] | None = None

    def use(self, channels: Mapping[str, Channel]) -> None:
        """Send on these channels from now on; what is on its way goes on as it began."""
        self._channels = channels

    def sign_with(self, links: LinkMaker | None) -> None:
        """Make links with this from now on; None: no page answers them."""
        self._links = links

    def wake(self) -> None:
        """Look at the outbox now; called when something was put there."""
        self._news.set()

    @property
    def running(self) -> bool:
        """Whether `run` has begun and not ended, for whatever reason."""
        return self._running is not None and not self._running.done()

    async def run(self) -> None:
        """Send until `stop` is called. A failing store is met with patience: nothing that was sent is forgotten.

        A fault of ours in a turn is logged with its trace and ends nothing either.
        """
        self._running = asyncio.get_running_loop().create_future()
        try:
            while not self._stopping:
                self._news.clear()
                await self._turn_or_log()
                await self._wait_for_news()
                if self._attempts:
                    # What ends within a moment is written down and replaced in one go, not one by one.
                    await asyncio.sleep(GATHER_S)
        finally:
            try:
                await self._finish()
            finally:
                # Whoever stops the sender waits for this.
                self._running.set_result(None)

    async def stop(self) -> None:
        """Claim nothing more, let what is on its way arrive for up to ten seconds, and write down how it went."""
        self._stopping = True
        self._news.set()
        if self._running is not None:
            await self._running

    async def drain_once(self) -> None:
        """Send until nothing is due and nothing is on its way. Retries that come due later are left.

        Raises
        ------
        StoreError
            The outbox refused.
        """
        while True:
            self._news.clear()
            if await self._turn() or self._results.settled:
                continue
            if not self._attempts:
                return
            await self._news.wait()

    async def _turn_or_log(self) -> None:
        try:
            while await self._turn():
                pass
        except StoreError as error:
            _log.error("outbox", error=str(error))
            await asyncio.sleep(LOOK_EVERY_S)
        except Exception:  # noqa: BLE001 - logged with its trace
            # What trips one turn must not end the sending for good.
            _log.exception("outbox")
            await asyncio.sleep(LOOK_EVERY_S)

    async def _turn(self) -> int:
        """Write down what is known, claim what is due, begin to send it; return how many were claimed."""
        await self._write_down()
        limit = min(MOST_IN_FLIGHT - len(self._attempts), MOST_IN_A_CLAIM)
        if limit <= 0 or self._stopping:
            return 0
        now = self._clock()
        claimed = await asyncio.to_thread(
            self._outbox.claim,
            now,
            limit=limit,
            lease=self._lease,
            per_destination=self._in_flight,
            skip=self._rests.left_alone(now) | self._crowded(),
        )
        for item in claimed:
            self._begin(item)
        return len(claimed)

    def _crowded(self) -> set[str]:
        """Return the destinations of those kinds of channel that have enough on their way."""
        on_their_way = Counter(
            channel.kind
            for claimed in self._attempts.values()
            if (channel := self._channels.get(claimed.destination)) is not None
        )
        return {name for name, channel in self._channels.items() if on_their_way[channel.kind] >= MOST_OF_A_KIND}

    def _begin(self, claimed: Claimed) -> None:
        channel = self._channels.get(claimed.destination)
        if channel is None:
            self._note(self._to_nobody(claimed))
        elif not self._rests.may_begin(claimed.destination):
            self._note(Settled(claimed.id, "release"))
        else:
            task = asyncio.create_task(self._attempt(claimed, channel))
            self._attempts[task] = claimed
            task.add_done_callback(self._ended)

    def _to_nobody(self, claimed: Claimed) -> Settled:
        """Return what becomes of a message to a destination that is not known here, or not yet."""
        now = self._clock()
        error = f'no destination "{claimed.destination}" is known to this sender'
        due = None
        if claimed.attempts < ATTEMPTS_UNKNOWN:
            due = next_due(claimed.attempts, now, claimed.valid_until, None, self._random)
        settled = Settled(claimed.id, "retry" if due is not None else "dead", due, error)
        _log.error(
            "delivery", id=claimed.id, destination=claimed.destination, outcome=settled.outcome, error=error,
            attempts=claimed.attempts,
        )  # fmt: skip
        return settled

    def _ended(self, task: asyncio.Task[None]) -> None:
        claimed = self._attempts.pop(task)
        self._rests.ended(claimed.destination)
        if task.cancelled():
            if claimed.id in self._begun:
                # It may have arrived; the same id tells the receiver.
                error = "broken off when the sender stopped"
                self._note(Settled(claimed.id, "retry", self._clock(), error))
            else:
                self._note(Settled(claimed.id, "release"))
        self._begun.discard(claimed.id)

    def _note(self, settled: Settled) -> None:
        self._results.settled.append(settled)
        self._news.set()

    async def _attempt(self, claimed: Claimed, channel: Channel) -> None:
        place = self._places.get(channel.kind)
        if place is None:
            await self._try(claimed, channel)
            return
        try:
            async with asyncio.timeout(SHARE_TO_WAIT * self._lease.total_seconds()):
                await place.acquire()
        except TimeoutError:
            self._note(Settled(claimed.id, "release"))
            return
        try:
            await self._try(claimed, channel)
        finally:
            place.release()

    async def _try(self, claimed: Claimed, channel: Channel) -> None:
        self._begun.add(claimed.id)
        began = time.perf_counter()
        settled = await self._sent(channel, claimed)
        self._note(settled)
        if self._observer is not None:
            self._observer.delivered(channel.kind, settled.outcome, time.perf_counter() - began)

    async def _sent(self, channel: Channel, claimed: Claimed) -> Settled:
        now = self._clock()
        bound_s = SHARE_TO_SEND * self._lease.total_seconds()
        try:
            links = links_for(claimed.destination, claimed.items, self._links, self._public_url)
            message = message_of(claimed.id, claimed.items, now=now, valid_until=claimed.valid_until, links=links)
            async with asyncio.timeout(bound_s):
                await channel.send(message, now)
        except DeliveryError as error:
            return self._failed(claimed, error)
        except TimeoutError:
            return self._failed(claimed, DeliveryError(f"not done within {bound_s:g} s"))
        except Exception as error:  # noqa: BLE001 - logged with its trace
            # One message that trips a fault of ours must not end the sending of all others.
            _log.exception("delivery", id=claimed.id, destination=claimed.destination)
            return self._failed(claimed, DeliveryError(short(f"fault in the program: {error!r}")))
        self._rests.answered(claimed.destination)
        return Settled(claimed.id, "sent")

    def _failed(self, claimed: Claimed, error: DeliveryError) -> Settled:
        now = self._clock()
        why = str(error)
        if error.gone:
            self._results.gone[claimed.destination] = why
        due = None
        if not error.permanent:
            self._rests.failed(claimed.destination, now, error.retry_after_s)
            due = next_due(claimed.attempts, now, claimed.valid_until, error.retry_after_s, self._random)
        settled = Settled(claimed.id, "retry" if due is not None else "dead", due, why)
        _log.warning(
            "delivery", id=claimed.id, destination=claimed.destination, outcome=settled.outcome, error=why,
            attempts=claimed.attempts,
        )  # fmt: skip
        return settled

    async def _write_down(self) -> None:
        """Tell the store; what it did not take is told again next time."""
        results, self._results = self._results, _Results()
        if not results.settled:
            return
        now = self._clock()
        try:
            for name, reason in results.gone.items():
                await asyncio.to_thread(self._outbox.disable_destination, name, reason, now, by_receiver=True)
            await asyncio.to_thread(self._outbox.settle, results.settled, now)
        except BaseException:
            self._results.settled[:0] = results.settled
            self._results.gone = results.gone | self._results.gone
            raise

    async def _wait_for_news(self) -> None:
        try:
            async with asyncio.timeout(LOOK_EVERY_S):
                await self._news.wait()
        except TimeoutError:
            pass

    async def _finish(self) -> None:
        if self._attempts:
            _, late = await asyncio.wait(self._attempts, timeout=STOP_WITHIN_S)
            for task in late:
                task.cancel()
            await asyncio.gather(*late, return_exceptions=True)
        try:
            await self._write_down()
        except StoreError as error:
            _log.error("outbox", error=str(error))
        except Exception:  # noqa: BLE001 - logged with its trace
            _log.exception("outbox")
