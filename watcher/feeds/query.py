"""A feed that is a station API: it is asked for the watched stations by their codes, a portion of them at a time.

For a short watch list this costs both sides less than a file of the whole world. Portions are asked one after another;
each remembers what it was told last, and one that fails loses nothing for the others.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType
from urllib.parse import quote

from watcher.errors import FeedBusy, FeedError, WrongForm
from watcher.feeds.answers import Answers, read_answer
from watcher.feeds.budget import REQUESTS_A_MINUTE, Budgets
from watcher.feeds.exchange import Exchange, Validators
from watcher.feeds.model import Fetched, Outcome, RawReport, What
from watcher.feeds.rows import Rows
from watcher.net import HttpClients
from watcher.reports.identity import text_hash
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
FIRST_FORM_AGAIN_AFTER = timedelta(hours=1)

# The largest public API cuts its answers at 400 reports and does not say so; 399 were seen.
_CUT_AT = frozenset({399, 400})
_FAILURES_IN_A_ROW = 2
_SHOWN_AT_MOST = 5
_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")


@dataclass(frozen=True, slots=True)
class _Memory:
    """The last good answer about one portion. `validators` by URL: each of the two forms has its own."""

    validators: Mapping[str, Validators] = field(default_factory=dict)
    hashes: frozenset[str] = frozenset()
    newest_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one portion was told. `read` None: not changed. `empty`: nothing about these stations."""

    memory: _Memory
    reports: tuple[RawReport, ...] = ()
    size_bytes: int = 0
    read: Answers | None = None
    empty: bool = False
    problems: tuple[str, ...] = ()


@dataclass(slots=True)
class _Round:
    """How far one round has come. `busy`: the host must be left alone, so the round ended early."""

    answers: list[_Answer] = field(default_factory=list)
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
        self._exchange = Exchange(http, budgets, limit_bytes=limit_bytes, timeout_s=timeout_s)
        self._portions = _portions(stations, at_once)
        self._forms: dict[What, tuple[str, ...]] = {}
        if metar_url is not None:
            self._forms["metar"] = (metar_url,) if json_metar_url is None else (metar_url, json_metar_url)
        if taf_url is not None:
            self._forms["taf"] = (taf_url,) if json_taf_url is None else (taf_url, json_taf_url)
        self._pause_s = pause_s
        self._stale_after = stale_after
        self._memory: dict[What, dict[int, _Memory]] = {"metar": {}, "taf": {}}
        self._next: dict[What, int] = {"metar": 0, "taf": 0}
        self._second_form_until: dict[What, datetime] = {}
        self._told: dict[What, frozenset[str]] = {}

    @property
    def brings(self) -> Collection[What]:
        """What it has an address for."""
        return self._forms.keys()

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        """Ask for the stations, portion by portion; parameters and errors are those of `Feed.fetch`.

        A long list takes several rounds, each of which begins where the one before ended. What came is brought even
        when some portions failed: those are told in `problems`.
        """
        if what not in self._forms:
            raise FeedError(f"feed {self.name}, {what}: no address is set for it")
        if everything:
            self._memory[what].clear()
        asked = await self._round(what, now)
        if not asked.answers:
            raise self._error(what, asked, now)
        return self._fetched(what, asked, now)

    async def _round(self, what: What, now: datetime) -> _Round:
        asked, in_a_row = _Round(), 0
        for turn in range(min(len(self._portions), REQUESTS_A_ROUND)):
            if turn:
                await asyncio.sleep(self._budgets.spread_s(self._pause_s))
            place = self._next[what]
            try:
                asked.answers.append(await self._ask(what, place, now))
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

    async def _ask(self, what: What, place: int, now: datetime) -> _Answer:
        """Ask for one portion, and again in the other form when an answer is of no use."""
        reasons: list[str] = []
        for form in self._forms_in_turn(what, now):
            try:
                answer = await self._ask_for(form, what, place, now)
            except WrongForm as error:
                reasons.append(str(error))
                continue
            except FeedBusy:
                raise
            except FeedError as error:
                raise FeedError("; ".join([*reasons, str(error)])) from error
            self._memory[what][place] = answer.memory
            if reasons:
                self._begin_with(form, what, now)
            return replace(answer, problems=(*reasons, *answer.problems))
        raise FeedError("; ".join(reasons))

    def _forms_in_turn(self, what: What, now: datetime) -> tuple[str, ...]:
        until = self._second_form_until.get(what)
        return self._forms[what] if until is None or now >= until else self._forms[what][::-1]

    def _begin_with(self, form: str, what: What, now: datetime) -> None:
        """Begin with this form from now on, so that nobody is asked each minute for one that is no longer there."""
        if form == self._forms[what][0]:
            self._second_form_until.pop(what, None)
        else:
            self._second_form_until[what] = now + FIRST_FORM_AGAIN_AFTER

    async def _ask_for(self, form: str, what: What, place: int, now: datetime) -> _Answer:
        stations = self._portions[place]
        memory = self._memory[what].get(place, _Memory())
        url = form.replace("{ids}", ",".join(quote(code, safe="") for code in stations))
        page = await self._exchange.ask(url, memory.validators.get(url, Validators()), now, counts=False)
        if page.body is None:
            return _Answer(memory)
        read = await asyncio.to_thread(read_answer, page.body, what, stations, now)
        wanted = {text_hash(report.text): report for report in read.reports if report.station in stations}
        if not wanted:
            return _Answer(memory, (), page.size_bytes, read, True, _doubts(read))
        changed = tuple(report for digest, report in wanted.items() if digest not in memory.hashes)
        newest_at = Rows(tuple(wanted.values()), len(wanted)).newest_at(now)
        after = _Memory({**memory.validators, url: page.validators}, frozenset(wanted), newest_at)
        return _Answer(after, changed, page.size_bytes, read, False, _doubts(read))

    def _error(self, what: What, asked: _Round, now: datetime) -> FeedError:
        """Return the error for a round without an answer, and hold its failures against the host."""
        where = f"feed {self.name}, {what}"
        if asked.failures:
            self._exchange.failed(self._forms_in_turn(what, now)[0], now)
        if asked.busy is not None:
            return FeedBusy(f"{where}: {asked.busy}", asked.busy.retry_after_s)
        more = f"; {len(asked.failures) - 1} more requests failed" if len(asked.failures) > 1 else ""
        return FeedError(f"{where}: {asked.failures[0]}{more}")

    def _fetched(self, what: What, asked: _Round, now: datetime) -> Fetched:
        reports = tuple(report for answer in asked.answers for report in answer.reports)
        newest_at = max((m.newest_at for m in self._memory[what].values() if m.newest_at is not None), default=None)
        outcome, detail = self._outcome(what, asked, newest_at, now)
        failed = (*asked.failures, *([str(asked.busy)] if asked.busy is not None else []))
        if failed:
            detail = f"{detail}; not all was answered: {failed[0]}"
        read = [answer.read for answer in asked.answers if answer.read is not None]
        tried = sum(answers.rows().row_count for answers in read)
        return Fetched(
            self.name,
            what,
            outcome,
            now,
            reports,
            sum(answer.size_bytes for answer in asked.answers),
            newest_at,
            sum(len(answers.reports) for answers in read) / tried if tried else None,
            detail,
            self._newly_told(what, [*failed, *(line for answer in asked.answers for line in answer.problems)]),
            bool(failed),
        )

    def _outcome(self, what: What, asked: _Round, newest_at: datetime | None, now: datetime) -> tuple[Outcome, str]:
        if all(answer.empty for answer in asked.answers):
            return Outcome.EMPTY, "it has no report of any station that was asked for"
        if newest_at is None:
            return Outcome.STALE, "no report has a time that fits this machine's clock"
        if now - newest_at > self._stale_after[what]:
            return Outcome.STALE, f"its newest report is {duration_text(now - newest_at)} old"
        count = sum(len(answer.reports) for answer in asked.answers)
        return (Outcome.CHANGED, f"new reports: {count}") if count else (Outcome.UNCHANGED, "nothing is new")

    def _newly_told(self, what: What, problems: list[str]) -> tuple[str, ...]:
        """Return the problems that the round before did not have; one that lasts is told once."""
        before, self._told[what] = self._told.get(what, frozenset()), frozenset(problems)
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


def _doubts(read: Answers) -> tuple[str, ...]:
    odd = [f'no report: "{line}"' for line in read.odd[:_SHOWN_AT_MOST]]
    if len(read.odd) > _SHOWN_AT_MOST:
        odd.append(f"{len(read.odd) - _SHOWN_AT_MOST} more texts are no reports")
    if len(read.reports) in _CUT_AT:
        odd.append(f"the answer holds {len(read.reports)} reports and may have been cut there; lower at_once")
    return tuple(odd)
