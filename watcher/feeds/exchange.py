"""One polite HTTP question of a feed: conditional, within the host's budget, and every wrong answer told apart."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass
from datetime import datetime
from typing import NoReturn
from urllib.parse import urlsplit

import stamina

from watcher.errors import FeedBusy, FeedError, GuardError, NetError, WrongForm
from watcher.feeds.budget import Budgets, HostBudget
from watcher.feeds.rows import shown
from watcher.net import GZIP_MAGIC, Answer, HttpClients, InflateError, gunzip
from watcher.net.retry_after import parse_retry_after

_PAGE = re.compile(rb"\s*(?:<!doctype\s+html|<html)", re.IGNORECASE)
_RETRY_WAIT_S = 0.5


@dataclass(frozen=True, slots=True)
class Validators:
    """What the last good answer said about itself, for asking "only if it changed"."""

    etag: str | None = None
    last_modified: str | None = None

    def headers(self) -> dict[str, str]:
        """Return the conditional headers, exactly as they were received."""
        found = {"If-None-Match": self.etag, "If-Modified-Since": self.last_modified}
        return {name: value for name, value in found.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Page:
    """What a host answered. `body` None: not changed (304); empty: nothing there. `size_bytes`: as received."""

    body: bytes | None
    size_bytes: int = 0
    validators: Validators = Validators()


class Exchange:
    """Asks hosts within their budgets.

    Parameters
    ----------
    http
        The way out.
    budgets
        Of all hosts, shared between feeds.
    limit_bytes
        The most bytes of a body, unpacked.
    timeout_s
        Seconds for a whole answer.
    """

    def __init__(self, http: HttpClients, budgets: Budgets, *, limit_bytes: int, timeout_s: float) -> None:
        self._http = http
        self._budgets = budgets
        self._limit_bytes = limit_bytes
        self._timeout_s = timeout_s

    async def ask(
        self, url: str, validators: Validators, now: datetime, *, counts: bool = True, packed: bool = False
    ) -> Page:
        """Ask once, once more when the connection broke off, and return the body.

        Parameters
        ----------
        url
            What to ask for.
        validators
            Of the last good answer at this URL.
        now
            The present, aware UTC.
        counts
            Whether a failure is held against the host. Of several questions in a row each may fail by itself: then
            whoever asks says `failed` when none was answered.
        packed
            Leave a file that is packed with gzip as it is: its checksum is that of the file.

        Raises
        ------
        FeedBusy
            The budget is spent, or the host asked for fewer requests.
        WrongForm
            A web page, or 400.
        FeedError
            Any other answer that is not the file.
        """
        budget = self._budgets.of(host_of(url))
        wait_s = budget.wait_s(now)
        if wait_s > 0:
            raise FeedBusy(f"{host_of(url)} is left alone for another {wait_s:.0f} s", wait_s)
        try:
            answer = await self._get(url, validators, budget, now)
            page = await self._page(answer, url, validators, budget, now, packed=packed)
        except FeedBusy:
            raise
        except FeedError:
            if counts:
                budget.failed(now)
            raise
        budget.answered()
        return page

    def failed(self, url: str, now: datetime) -> None:
        """Hold a failure against the host of a URL: it is left alone for a while, longer each time in a row."""
        self._budgets.of(host_of(url)).failed(now)

    async def _get(self, url: str, validators: Validators, budget: HostBudget, now: datetime) -> Answer:
        retries = stamina.retry_context(
            on=_broke_off, attempts=2, wait_initial=_RETRY_WAIT_S, wait_jitter=_RETRY_WAIT_S
        )
        try:
            async for attempt in retries:
                with attempt:
                    budget.asked(now)
                    return await self._http.get(
                        url, headers=validators.headers(), limit_bytes=self._limit_bytes, timeout=self._timeout_s
                    )
        except (NetError, GuardError) as error:
            raise FeedError(str(error)) from error
        raise AssertionError

    async def _page(
        self, answer: Answer, url: str, asked_with: Validators, budget: HostBudget, now: datetime, *, packed: bool
    ) -> Page:
        if answer.status == 304 and asked_with.headers():
            return Page(None)
        if answer.status == 204:
            return Page(b"")
        if answer.status not in {200, 203}:
            _refuse(answer, url, budget, now)
        body = answer.body if packed else await asyncio.to_thread(_unpacked, answer.body, self._limit_bytes)
        kind = answer.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind == "text/html" or _PAGE.match(body):
            raise WrongForm(f"{host_of(url)} answered with a web page instead of reports")
        return Page(body, len(answer.body), Validators(answer.headers.get("etag"), answer.headers.get("last-modified")))


def host_of(url: str) -> str:
    """Return the host and port of a URL, the key of its budget."""
    return urlsplit(url).netloc.rpartition("@")[2] or url


def _broke_off(error: Exception) -> bool:
    return isinstance(error, NetError) and error.kind == "broken"


def _refuse(answer: Answer, url: str, budget: HostBudget, now: datetime) -> NoReturn:
    host = host_of(url)
    retry_after_s = parse_retry_after(answer.headers.get("retry-after"), now)
    if answer.status == 429 or (answer.status == 503 and retry_after_s is not None):
        wait_s = budget.refused(now, retry_after_s)
        raise FeedBusy(f"{host} asked for fewer requests ({answer.status}); next one in {wait_s:.0f} s", wait_s)
    if answer.status == 403:
        # Public feeds answer so both to too many requests and to those that do not say who asks.
        wait_s = budget.refused(now, retry_after_s)
        raise FeedBusy(f"{host} refused the request (403); is [service] contact set? Next in {wait_s:.0f} s", wait_s)
    if 300 <= answer.status < 400 and answer.status != 304:
        goal = _goal(answer)
        raise FeedError(f"{host} sends the request on to {goal} ({answer.status}); put the new address in [[feed]]")
    error = WrongForm if answer.status == 400 else FeedError
    raise error(f"{host} answered {answer.status} instead of reports{_said(answer)}")


def _goal(answer: Answer) -> str:
    try:
        return urlsplit(answer.headers.get("location", "")).hostname or "another place"
    except ValueError:
        return "another place"


def _said(answer: Answer) -> str:
    """Return the reason that a host gives for a 400, as JSON or as text; it names the word it does not know."""
    return f': "{shown(answer.body.decode("utf-8", "replace").strip())}"' if answer.status == 400 else ""


def _unpacked(body: bytes, limit_bytes: int) -> bytes:
    if not body.startswith(GZIP_MAGIC):
        return body
    try:
        return gunzip(body, limit_bytes)
    except InflateError as error:
        told = "the body ends early" if error.kind == "ends-early" else "the body cannot be unpacked"
        raise FeedError(f"{told}: {error}") from error
