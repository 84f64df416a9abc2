"""The outbox: what is owed to whom, and what became of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta

from watcher.alerts.outbox import Claimed, Settled, Telling, Unreached
from watcher.store import again, backlog, claims, destinations, outbox, told, unreached
from watcher.store.doors.door import Door
from watcher.store.model import Again, Arrivals, Backlog, Delivery, Disabled
from watcher.store.news import tell


class Owed(Door):
    """Messages, from the claim to what does not arrive."""

    def claim(
        self,
        now: datetime,
        *,
        limit: int,
        lease: timedelta,
        per_destination: int,
        skip: Collection[str] = (),
    ) -> tuple[Claimed, ...]:
        """Take deliveries that are due; the lease is committed before this returns.

        Nobody else gets a claimed delivery until it is settled or its lease runs out; then it may be claimed again,
        under the same id. A message waits while an earlier one of the same destination and subject is owed. Messages
        past their time are marked expired. What this program cannot read is settled here.

        Parameters
        ----------
        now
            The present.
        limit
            How many at most. Where there are more, every destination's first comes before anyone's second.
        lease
            How long the claimer has.
        per_destination
            How many a destination may have in flight, those of earlier claims counted.
        skip
            Destinations to leave alone, besides the disabled ones.
        """
        with self._database.write() as connection:
            leased = claims.lease_due(
                connection, now, limit=limit, lease=lease, per_destination=per_destination, skip=skip
            )
        if not leased:
            return ()
        # The next claimer need not wait for the reading.
        with self._database.read() as connection:
            claimed, unreadable = claims.contents(connection, leased, now)
        self.settle(unreadable, now)
        return claimed

    def settle(self, results: Sequence[Settled], now: datetime) -> None:
        """Write down how claimed deliveries went. Settling twice, or after the lease ran out, does no harm."""
        if results:
            with self._database.write() as connection:
                outbox.settle(connection, results, now)

    def deliveries(
        self,
        limit: int,
        state: str | None = None,
        *,
        destination: str | None = None,
        about: str | None = None,
        before: str | None = None,
    ) -> tuple[Delivery, ...]:
        """Return the newest deliveries, newest first.

        Parameters
        ----------
        limit
            How many at most.
        state
            pending, leased, sent, dead or expired: only those.
        destination
            Only those to one destination.
        about
            Only those that tell of an episode, a station's blindness or a protection, by its name.
        before
            The name of a delivery: only those that were made before it.
        """
        with self._database.read() as connection:
            return outbox.read_deliveries(connection, limit, state, destination, about, before)

    def delivery(self, delivery_id: str) -> Delivery | None:
        """Return one delivery by its name; None when there is none."""
        with self._database.read() as connection:
            return outbox.read_delivery(connection, delivery_id)

    def tellings(self, delivery_id: str) -> tuple[Telling, ...]:
        """Return what a message tells, after all that its destination was really told of the same matter before."""
        with self._database.read() as connection:
            return told.read_tellings(connection, delivery_id)

    def send_again(self, delivery_id: str, now: datetime) -> Again:
        """Let a message that did not arrive be due now, under its own name; its attempts go on counting.

        It must still say how things stand, and nothing newer about the same may have been made for its destination.
        One that waits for its next try is only made due. One that arrived is never sent again.
        """
        with self._database.write() as connection:
            tell(connection)
            return again.send_again(connection, delivery_id, now)

    def outbox_counts(self) -> dict[str, int]:
        """Return how many deliveries are in each of the five states."""
        with self._database.read() as connection:
            return outbox.counts(connection)

    def backlog(self, now: datetime, *, late: timedelta, lately: timedelta) -> Backlog:
        """Return what in the outbox does not go as it should.

        Parameters
        ----------
        now
            The present.
        late
            A message that is due for longer is late.
        lately
            So far back it counts which were given up or ran out.
        """
        with self._database.read() as connection:
            return backlog.read_backlog(connection, now - late, now - lately)

    def arrivals(self) -> dict[str, Arrivals]:
        """Return by destination when something last arrived there, and what went wrong last."""
        with self._database.read() as connection:
            return outbox.arrivals(connection)

    def silent_destinations(self, names: Collection[str], before: datetime) -> frozenset[str]:
        """Return which of these destinations are out of reach.

        That is who is owed something since before a time that was tried in vain, and took nothing since.
        """
        with self._database.read() as connection:
            return unreached.read_silent(connection, names, before)

    def unreached(
        self,
        readers: Mapping[str, str],
        *,
        silent: Collection[str],
        off: Collection[str],
        now: datetime,
        before: datetime,
    ) -> tuple[Unreached, ...]:
        """Return what others should be told because it does not reach its destination.

        Of each subject that is the newest alone, while it says how things stand, or an end of what the destination had
        heard of: given up, let go when the destination was switched off, tried in vain since before a time, or, where
        nothing reaches it, all that it is owed.

        Parameters
        ----------
        readers
            By destination who would be told instead. What that one is told, or was, is left out.
        silent, off
            Which of the destinations are out of reach, and which want nothing any more.
        now
            The present. What is not worth sending any more is left out.
        before
            See above.
        """
        with self._database.read() as connection:
            return unreached.read_unreached(connection, readers, silent, off, now, before)

    def disable_destination(self, name: str, reason: str, now: datetime, *, by_receiver: bool = False) -> None:
        """Send nothing more to a destination until it is enabled, and forget what it is owed.

        `by_receiver`: that, or its reader, wants no more; its fallback is told instead.
        """
        with self._database.write() as connection:
            tell(connection)
            destinations.disable(connection, name, reason, now, by_receiver=by_receiver)

    def enable_destination(self, name: str) -> None:
        """Send to a destination again."""
        with self._database.write() as connection:
            tell(connection)
            destinations.enable(connection, name)

    def disabled_destinations(self) -> dict[str, Disabled]:
        """Return the disabled destinations by name, each with its reason."""
        with self._database.read() as connection:
            return destinations.disabled(connection)
