"""The invented morning with somebody who listens: subscriptions in force, messages in the outbox, some gone wrong."""

from __future__ import annotations

from httpx import Response
from lxml import html

from tests.web.board_scenes import Morning
from tests.web.scenes import MINUTE
from watcher.alerts.outbox import Settled


def listen(opened: Morning) -> None:
    """Put the subscriptions of the settings and of the store in force, as the service does at each turn."""
    directory = opened.house.management.directory()
    opened.cycle.listen_to(directory.listeners(opened.house.watch.stations.get), opened.clock[0])
    opened.turn()


def send(opened: Morning, *outcomes: str) -> list[str]:
    """Let a minute pass and claim what is due; settle it with these outcomes in turn; return the names of the messages.

    Outcomes are those of the outbox: sent, dead, retry.
    """
    opened.clock[0] += MINUTE
    now = opened.clock[0]
    claimed = opened.store.claim(now, limit=50, lease=2 * MINUTE, per_destination=50)
    results = [
        Settled(item.id, outcome, now + 10 * MINUTE, None if outcome == "sent" else "550 no such mailbox here")  # type: ignore[arg-type]
        for item, outcome in zip(claimed, outcomes, strict=False)
    ]
    opened.store.settle(results, now)
    return [item.id for item in claimed]


def words(answer: Response) -> str:
    """Return what a person reads on a page, on one line."""
    return " ".join(html.fromstring(answer.text).find("body").text_content().split())


async def read(opened: Morning, path: str) -> Response:
    """Return a page."""
    answer = await opened.client.get(f"{opened.origin}{path}")
    assert answer.status_code == 200, answer.text
    return answer
