"""The subscriptions and destinations in force, arranged so that telling is quick. Made anew when either changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from watcher.alerts.audience import Audience
from watcher.alerts.parked import Parked
from watcher.alerts.subscribers import Recipient, Subscription


class Listeners:
    """Who is told what.

    Parameters
    ----------
    subscriptions
        All that there are, paused ones too.
    recipients
        All destinations. What a subscription sends elsewhere goes nowhere.
    parked
        Aircraft that stand outside: the digests of those who follow their stations tell of them.
    """

    def __init__(
        self,
        subscriptions: Sequence[Subscription] = (),
        recipients: Iterable[Recipient] = (),
        parked: Sequence[Parked] = (),
    ) -> None:
        self.parked = tuple(parked)
        self.recipients: Mapping[str, Recipient] = {recipient.name: recipient for recipient in recipients}
        self.have_fallbacks = any(recipient.fallback is not None for recipient in self.recipients.values())
        heard = (self._reaching(subscription) for subscription in subscriptions if not subscription.paused)
        active = [subscription for subscription in heard if subscription.destinations]
        self.alerts = Audience([subscription for subscription in active if not subscription.only_digest])
        self.digests: Mapping[str, tuple[Subscription, ...]] = self._digests(active)

    def may_be_told(self, destination: str) -> bool:
        """Return whether a destination exists and is open."""
        recipient = self.recipients.get(destination)
        return recipient is not None and recipient.open

    def behind(self, destination: str) -> Iterator[str]:
        """Yield the fallbacks of a destination that are open, the nearest first."""
        met, name = {destination}, self._fallback_of(destination)
        while name is not None and name not in met:
            met.add(name)
            if self.may_be_told(name):
                yield name
            name = self._fallback_of(name)

    def reader_of(self, destination: str) -> str | None:
        """Return who is told what a destination is to be told, None: nobody may be.

        That is itself, or its fallback while its receiver wants nothing.
        """
        recipient = self.recipients.get(destination)
        if recipient is None or recipient.open:
            return destination if recipient is not None else None
        return next(self.behind(destination), None) if recipient.gone else None

    def _fallback_of(self, destination: str) -> str | None:
        recipient = self.recipients.get(destination)
        return recipient.fallback if recipient is not None else None

    def _reaching(self, subscription: Subscription) -> Subscription:
        """Return a subscription with those of its destinations alone for which somebody may be told."""
        reached = tuple(name for name in subscription.destinations if self.reader_of(name) is not None)
        return subscription if reached == subscription.destinations else replace(subscription, destinations=reached)

    def _digests(self, active: Iterable[Subscription]) -> dict[str, tuple[Subscription, ...]]:
        """Return by destination the subscriptions that want a digest."""
        found: dict[str, list[Subscription]] = defaultdict(list)
        for subscription in active:
            if subscription.digest_at and subscription.zone is not None:
                for destination in subscription.destinations:
                    found[destination].append(subscription)
        return {destination: tuple(wanting) for destination, wanting in found.items()}
