"""Fetching what notifications only tell of: a few at a time, through the guard, within a budget for each host."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from contextlib import suppress
from datetime import datetime, timedelta

from watcher.errors import FeedBusy, FeedError, GuardError, NetError, WrongForm
from watcher.feeds.budget import Budgets
from watcher.feeds.exchange import Exchange, Validators
from watcher.feeds.model import RawReport
from watcher.feeds.rows import shown
from watcher.feeds.wis2_desk import Desk, Linked, reports_in
from watcher.feeds.wis2_notice import LARGEST_CONTENT_BYTES, Notice, checked_content
from watcher.net import HttpClients

TIMEOUT_S = 15.0
AT_ONCE = 4
TRIES = 3
_FIRST_RETRY = timedelta(seconds=10)
_LOOK_S = 0.5
_BUSY_S = 60.0


class Links:
    """Follows the links that wait at a desk.

    Parameters
    ----------
    desk
        Where they wait, and where what they give goes.
    http, budgets
        The way out, and how often each host may be asked.
    clock
        The present.
    """

    def __init__(self, desk: Desk, http: HttpClients, budgets: Budgets, clock: Callable[[], datetime]) -> None:
        self._desk = desk
        self._exchange = Exchange(http, budgets, limit_bytes=LARGEST_CONTENT_BYTES, timeout_s=TIMEOUT_S)
        self._clock = clock
        self._looks = asyncio.Event()

    def look(self) -> None:
        """Notice that another link may wait."""
        self._looks.set()

    async def follow(self, came: Callable[[], None]) -> None:
        """Fetch for ever; `came` is called when something may have."""
        while True:
            ready = self._ready(self._clock())
            if not ready:
                self._looks.clear()
                with suppress(TimeoutError):
                    async with asyncio.timeout(_LOOK_S if self._desk.links else None):
                        await self._looks.wait()
                continue
            await asyncio.gather(*(self._fetch(key, linked) for key, linked in ready))
            came()

    def _ready(self, now: datetime) -> list[tuple[Hashable, Linked]]:
        """Return the first links that may be tried now."""
        waiting = self._desk.links.items()
        due = (pair for pair in waiting if pair[1].not_before is None or pair[1].not_before <= now)
        return [pair for pair, _ in zip(due, range(AT_ONCE), strict=False)]

    async def _fetch(self, key: Hashable, linked: Linked) -> None:
        """Try the links of one publication in their order."""
        now, why, refused = self._clock(), "", False
        for notice, url in [(each, url) for each in linked.notices for url in each.links]:
            try:
                reports = await self._reports(notice, url, linked.topic, now)
            except FeedBusy as error:
                # It is the host's budget, not this link: it counts as no try.
                linked.not_before = now + timedelta(seconds=error.retry_after_s or _BUSY_S)
                return
            except FeedError as error:
                why = f"{shown(notice.data_id)}: {error}"
                refused = refused or isinstance(error.__cause__, GuardError)
                if isinstance(error.__cause__, NetError):
                    # A host that lacks a file is well; one that does not answer is left alone for a while.
                    self._exchange.failed(url, now)
            else:
                self._desk.fetched(key, linked, reports, self._clock())
                return
        linked.tries += 1
        linked.not_before = now + _FIRST_RETRY * 2**linked.tries
        # What the guard refuses now it refuses always.
        if refused or linked.tries >= TRIES:
            self._desk.unreached(key, linked, why)

    async def _reports(self, notice: Notice, url: str, topic: str, now: datetime) -> tuple[RawReport, ...]:
        try:
            page = await self._exchange.ask(url, Validators(), now, counts=False, packed=True)
            body = await asyncio.to_thread(checked_content, notice, page.body or b"")
            rows = await asyncio.to_thread(reports_in, body, topic, now)
        except FeedError:
            raise
        except Exception as error:
            # As for messages: one that breaks the way or the reader must not end the following of all others.
            raise WrongForm(f"its link could not be read ({shown(repr(error))})") from error
        for told in rows.left_out:
            self._desk.say(f"{shown(notice.data_id)}: {told}")
        return rows.reports
