"""From settings to the sender: the links in its messages, and who counts its attempts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from random import Random

from watcher.links import LinkMaker
from watcher.notify.sender import Sender
from watcher.settings import Settings
from watcher.store.store import Store
from watcher.telemetry import Metrics


def build_sender(  # noqa: PLR0917 - the parts that it needs
    settings: Settings, store: Store, key: bytes, clock: Callable[[], datetime], metrics: Metrics, random: Random
) -> Sender:
    """Return what empties the outbox of a store; it gets its channels when it is known who is told."""
    return Sender(
        store,
        {},
        clock=clock,
        public_url=settings.text.service.public_url,
        links=links_of(settings, key),
        observer=_Deliveries(metrics),
        random=random,
    )


def links_of(settings: Settings, key: bytes) -> LinkMaker | None:
    """Return what makes links, where there are pages that answer them and people can reach them."""
    text = settings.text
    return LinkMaker(text.service.public_url, key) if text.web.bind and text.service.public_url else None


class _Deliveries:
    """Counts what the sender tells."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics

    def delivered(self, channel: str, outcome: str, seconds: float) -> None:
        """Count one attempt."""
        self._metrics.count("hoarline_deliveries", channel=channel, outcome=outcome)
        self._metrics.observe("hoarline_delivery_seconds", seconds, channel=channel)
