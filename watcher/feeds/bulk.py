"""A feed that gives one file for many stations: a cache of METARs or TAFs, or an IWXXM document.

The file is asked for only if it changed, read only if its bytes changed, and of its rows only those come out that the
file before did not hold.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType

from watcher.errors import FeedBusy, FeedError
from watcher.feeds.budget import Budgets
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.feeds.cache_xml import parse_cache_xml
from watcher.feeds.exchange import Exchange, Page, Validators
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import Fetched, Outcome, RawReport, What
from watcher.feeds.rows import Rows
from watcher.net import HttpClients
from watcher.units import duration_text

LIMIT_BYTES = 64 << 20
TIMEOUT_S = 30.0
# The METAR cache holds the last 75 minutes (measured: 73 in the file of 2014-12-18). TAFs of a day and more are issued
# every six hours (ICAO Annex 3, from memory): two of those missed by everybody is no weather.
STALE_AFTER: Mapping[What, timedelta] = MappingProxyType({"metar": timedelta(minutes=75), "taf": timedelta(hours=12)})


@dataclass(frozen=True, slots=True)
class _Memory:
    """The last good answer for one question. `left_out`: what was told of it."""

    validators: Validators = field(default_factory=Validators)
    digest: bytes = b""
    texts: frozenset[tuple[str | None, str]] = frozenset()
    newest_at: datetime | None = None
    left_out: tuple[str, ...] = ()


def read_cache(body: bytes, what: What, _now: datetime) -> Rows:
    """Return the reports of a bulk cache, CSV or XML; FeedError when it is none."""
    if what == "taf" or body.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(b"<"):
        return parse_cache_xml(body, what)
    return parse_metar_csv(body)


def read_xml_document(body: bytes, _what: What, now: datetime) -> Rows:
    """Return the reports of an IWXXM document, whatever was asked for; FeedError when it is none."""
    return read_iwxxm(body, now)


class BulkFeed:
    """The files of one provider, each asked for by itself.

    Parameters
    ----------
    name
        As in the settings.
    http
        The way out.
    budgets
        Of all hosts, shared between feeds.
    metar_url, taf_url
        Where the files are; None: not asked for.
    limit_bytes
        The most bytes of a file, unpacked.
    timeout_s
        Seconds for a whole answer.
    stale_after
        The age of the newest report from which on the file counts as old.
    read
        What the files are: takes the unpacked body, what was asked for and the present; FeedError when it is another.
    """

    over_network = True

    def __init__(
        self,
        name: str,
        http: HttpClients,
        budgets: Budgets,
        *,
        metar_url: str | None = None,
        taf_url: str | None = None,
        limit_bytes: int = LIMIT_BYTES,
        timeout_s: float = TIMEOUT_S,
        stale_after: Mapping[What, timedelta] = STALE_AFTER,
        read: Callable[[bytes, What, datetime], Rows] = read_cache,
    ) -> None:
        self.name = name
        self._exchange = Exchange(http, budgets, limit_bytes=limit_bytes, timeout_s=timeout_s)
        named: dict[What, str | None] = {"metar": metar_url, "taf": taf_url}
        self._urls: dict[What, str] = {what: url for what, url in named.items() if url is not None}
        self._stale_after = stale_after
        self._read_file = read
        self._memory: dict[What, _Memory] = {}

    @property
    def brings(self) -> Collection[What]:
        """What it has an address for."""
        return self._urls.keys()

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        """Ask for one of the files; parameters and errors are those of `Feed.fetch`."""
        memory = _Memory() if everything else self._memory.get(what, _Memory())
        try:
            page = await self._ask(what, memory, now)
            fetched, memory = await self._read(what, page, memory, now)
        except FeedBusy as error:
            raise FeedBusy(f"feed {self.name}, {what}: {error}", error.retry_after_s) from error
        except FeedError as error:
            raise FeedError(f"feed {self.name}, {what}: {error}") from error
        self._memory[what] = memory
        return fetched

    async def _ask(self, what: What, memory: _Memory, now: datetime) -> Page:
        url = self._urls.get(what)
        if url is None:
            raise FeedError("no address is set for it")
        return await self._exchange.ask(url, memory.validators, now)

    async def _read(self, what: What, page: Page, memory: _Memory, now: datetime) -> tuple[Fetched, _Memory]:
        if page.body is None:
            return self._fetched(what, page, memory, now, "not changed since the last answer"), memory
        if not page.body.strip():
            return Fetched(self.name, what, Outcome.EMPTY, now, detail="an empty answer"), memory
        digest = hashlib.blake2b(page.body, digest_size=16).digest()
        if digest == memory.digest:
            memory = replace(memory, validators=page.validators)
            return self._fetched(what, page, memory, now, "the same file as before"), memory
        rows = await asyncio.to_thread(self._read_file, page.body, what, now)
        told = tuple(problem for problem in rows.left_out if problem not in memory.left_out)
        if not rows.row_count:
            detail = "; ".join(("a file without a report", *rows.left_out))
            after = replace(memory, left_out=rows.left_out)
            return Fetched(self.name, what, Outcome.EMPTY, now, detail=detail, problems=told), after
        texts = frozenset((report.station, report.text) for report in rows.reports)
        changed = tuple(r for r in rows.reports if (r.station, r.text) not in memory.texts)
        after = _Memory(page.validators, digest, texts, rows.newest_at(now), rows.left_out)
        detail = f"{len(changed)} of {len(rows.reports)} reports are new"
        if rows.row_count > len(rows.reports):
            detail += f"; {rows.row_count - len(rows.reports)} rows are no reports"
        detail = "; ".join((detail, *rows.left_out))
        return replace(self._fetched(what, page, after, now, detail, changed, rows.yield_ratio), problems=told), after

    def _fetched(  # noqa: PLR0917 - private, the parts of one value
        self,
        what: What,
        page: Page,
        memory: _Memory,
        now: datetime,
        detail: str,
        changed: tuple[RawReport, ...] = (),
        yield_ratio: float | None = None,
    ) -> Fetched:
        outcome = Outcome.CHANGED if changed else Outcome.UNCHANGED
        if memory.newest_at is None:
            outcome, detail = Outcome.STALE, "every report is dated after this machine's clock"
        elif now - memory.newest_at > self._stale_after[what]:
            outcome, detail = Outcome.STALE, f"its newest report is {duration_text(now - memory.newest_at)} old"
        return Fetched(self.name, what, outcome, now, changed, page.size_bytes, memory.newest_at, yield_ratio, detail)
