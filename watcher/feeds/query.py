"""A feed that is a station API: it is asked for the watched stations by their codes, a portion of them at a time.

For a short watch list this costs both sides less than a file of the whole world. Portions are asked one after another;
each remembers what it was told last, and one that fails loses nothing for the others.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import MappingProxyType

from watcher.errors import FeedBusy, FeedError
from watcher.feeds.budget import REQUESTS_A_MINUTE, Budgets
from watcher.feeds.exchange import Exchange
from watcher.feeds.model import Fetched, Outcome, What
from watcher.feeds.questions import Answer, Questions
from watcher.net import HttpClients
from watcher.units import duration_text

AT_ONCE = 100
# Half of the host's budget, so that the METARs and the TAFs of one minute both fit into it.
REQUESTS_A_ROUND = REQUESTS_A_MINUTE // 2
PAUSE_S = 1.0
# Forecasts as JSON are the longest: 100 of them, each with up to ten periods of 0.4 kB (as seen in 2026), are 0.5 MB.
LIMIT_BYTES = 2 << 20
TIMEOUT_S = 30.0
# Hourly reports, of which some come up to half an hour late (seen in 2026: 6 to 29 min, one in twelve). TAFs are issued
# every six hours (ICAO Annex 3, from memory): two of those missed is no weather.
STALE_AFTER: Mapping[What, timedelta] = MappingProxyType({"metar": timedelta(minutes=90), "taf": timedelta(hours=12)})

_FAILURES_IN_A_ROW = 2
_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")


@dataclass(slots=True)
class _Round:
    """How far one round has come. `busy`: the host must be left alone, so the round ended early."""

    answers: list[Answer] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    busy: FeedBusy | None = None


class QueryFeed:
    """A station API of one provider.

    Parameters
    ----------
    name
        As in the settings.
    http
        The way out.
    budgets
        Of all hosts, shared between feeds.
    stations
        The codes to ask for, four characters each.
    metar_url, taf_url
        Addresses with `{ids}` where the codes go, separated by commas; None: not asked for.
    json_metar_url, json_taf_url
        The same as JSON, asked for only while the first address gives no usable answer.
    at_once
        The most stations in one request.
    pause_s
        Seconds between the requests of a round.
    limit_bytes
        The most bytes of an answer, unpacked.
    timeout_s
        Seconds for a whole answer.
    stale_after
        The age of the newest report from which on the feed counts as old.

    Raises
    ------
    ValueError
        There is no station, or one of the codes is none.
    """

    over_network = True

    def __init__(
        self,
        name: str,
        http: HttpClients,
        budgets: Budgets,
        stations: Collection[str],
        *,
        metar_url: str | None = None,
        taf_url: str | None = None,
        json_metar_url: str | None = None,
        json_taf_url: str | None = None,
        at_once: int = AT_ONCE,
        pause_s: float = PAUSE_S,
        limit_bytes: int = LIMIT_BYTES,
        timeout_s: float = TIMEOUT_S,
        stale_after: Mapping[What, timedelta] = STALE_AFTER,
    ) -> None:
        self.name = name
        self._budgets = budgets
        self._portions = _portions(stations, at_once)
        self._pause_s = pause_s
        self._stale_after = stale_after
        exchange = Exchange(http, budgets, limit_bytes=limit_bytes, timeout_s=timeout_s)
        named: dict[What, tuple[str | None, str | None]] = {
            "metar": (metar_url, json_metar_url),
            "taf": (taf_url, json_taf_url),
        }
        self._questions = {
            what: Questions(what, tuple(url for url in urls if url is not None), exchange)
            for what, urls in named.items()
            if urls[0] is not None
        }
        self._next: dict[What, int] = dict.fromkeys(self._questions, 0)
        self._told: dict[What, frozenset[str]] = dict.fromkeys(self._questions, frozenset())

    @property
    def brings(self) -> Collection[What]:
        """What it has an address for."""
        return self._questions.keys()

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        """Ask for the stations, portion by portion; parameters and errors are those of `Feed.fetch`.

        A long list takes several rounds, each of which begins where the one before ended. What came is brought even
        when some portions failed: those are told in `problems`.
        """
        questions = self._questions.get(what)
        if questions is None:
            raise FeedError(f"feed {self.name}, {what}: no address is set for it")
        if everything:
            questions.forget()
        asked = await self._round(what, questions, now)
        if asked.answers:
            return self._fetched(what, asked, questions.newest_at, now)
        if asked.busy is not None:
            raise FeedBusy(f"feed {self.name}, {what}: {asked.busy}", asked.busy.retry_after_s)
        questions.failed(now)
        more = f"; {len(asked.failures) - 1} more requests failed" if len(asked.failures) > 1 else ""
        raise FeedError(f"feed {self.name}, {what}: {asked.failures[0]}{more}")

    async def _round(self, what: What, questions: Questions, now: datetime) -> _Round:
        asked, in_a_row = _Round(), 0
        for turn in range(min(len(self._portions), REQUESTS_A_ROUND)):
            if turn:
                await asyncio.sleep(self._budgets.spread_s(self._pause_s))
            place = self._next[what]
            try:
                asked.answers.append(await questions.ask(self._portions[place], now))
                in_a_row = 0
            except FeedBusy as error:
                asked.busy = error
                break
            except FeedError as error:
                asked.failures.append(f"{_shown(self._portions[place])}: {error}")
                in_a_row += 1
            self._next[what] = (place + 1) % len(self._portions)
            if in_a_row == _FAILURES_IN_A_ROW:
                break  # it is the host, not the stations
        return asked

    def _fetched(self, what: What, asked: _Round, newest_at: datetime | None, now: datetime) -> Fetched:
        answers = asked.answers
        failed = [*asked.failures, *([str(asked.busy)] if asked.busy is not None else [])]
        outcome, detail = self._outcome(what, answers, newest_at, now)
        if failed:
            detail = f"{detail}; not all was answered: {failed[0]}"
        tried = sum(answer.tried for answer in answers)
        return Fetched(
            self.name,
            what,
            outcome,
            now,
            tuple(report for answer in answers for report in answer.reports),
            sum(answer.size_bytes for answer in answers),
            newest_at,
            sum(answer.found for answer in answers) / tried if tried else None,
            detail,
            self._newly_told(what, [*failed, *(line for answer in answers for line in answer.problems)]),
            bool(failed),
        )

    def _outcome(
        self, what: What, answers: list[Answer], newest_at: datetime | None, now: datetime
    ) -> tuple[Outcome, str]:
        if all(answer.empty for answer in answers):
            return Outcome.EMPTY, "it has no report of any station that was asked for"
        if newest_at is None:
            return Outcome.STALE, "no report has a time that fits this machine's clock"
        if now - newest_at > self._stale_after[what]:
            return Outcome.STALE, f"its newest report is {duration_text(now - newest_at)} old"
        count = sum(len(answer.reports) for answer in answers)
        return (Outcome.CHANGED, f"new reports: {count}") if count else (Outcome.UNCHANGED, "nothing is new")

    def _newly_told(self, what: What, problems: list[str]) -> tuple[str, ...]:
        """Return the problems that the round before did not have; one that lasts is told once."""
        before, self._told[what] = self._told[what], frozenset(problems)
        return tuple(dict.fromkeys(problem for problem in problems if problem not in before))


def _portions(stations: Collection[str], at_once: int) -> tuple[tuple[str, ...], ...]:
    codes = sorted(set(stations))
    wrong = [code for code in codes if _CODE.fullmatch(code) is None]
    if wrong or not codes:
        raise ValueError(f"{wrong[0]!r} is no station code" if wrong else "there is no station to ask for")
    return tuple(tuple(codes[start : start + at_once]) for start in range(0, len(codes), at_once))


def _shown(stations: tuple[str, ...]) -> str:
    if len(stations) < 4:
        return ", ".join(stations)
    return f"{stations[0]} to {stations[-1]} ({len(stations)} stations)"
