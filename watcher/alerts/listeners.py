"""The subscriptions and destinations in force, arranged so that telling is quick. Made anew when either changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
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
        heard = (self._reaching(subscription) for subscription in subscriptions if not subscription.paused)
        active = [subscription for subscription in heard if subscription.destinations]
        self.alerts = Audience([subscription for subscription in active if not subscription.only_digest])
        self.digests: Mapping[str, tuple[Subscription, ...]] = self._digests(active)

    def may_be_told(self, destination: str) -> bool:
        """Return whether a destination exists and is open."""
        recipient = self.recipients.get(destination)
        return recipient is not None and recipient.open

    def _reaching(self, subscription: Subscription) -> Subscription:
        """Return a subscription with those of its destinations alone that may be told anything."""
        reached = tuple(destination for destination in subscription.destinations if self.may_be_told(destination))
        return subscription if reached == subscription.destinations else replace(subscription, destinations=reached)

    def _digests(self, active: Iterable[Subscription]) -> dict[str, tuple[Subscription, ...]]:
        """Return by destination the subscriptions that want a digest."""
        found: dict[str, list[Subscription]] = defaultdict(list)
        for subscription in active:
            if subscription.digest_at and subscription.zone is not None:
                for destination in subscription.destinations:
                    found[destination].append(subscription)
        return {destination: tuple(wanting) for destination, wanting in found.items()}
