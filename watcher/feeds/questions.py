"""One kind of question to a station API, METARs or TAFs: what was answered last, and in which form to ask.

A host may drop one form of its answers. Then the other is asked for, and is kept to for a while, so that nobody is
asked each minute for what is no longer there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from urllib.parse import quote

from watcher.errors import FeedBusy, FeedError, WrongForm
from watcher.feeds.answers import Answers, read_answer
from watcher.feeds.exchange import Exchange, Validators
from watcher.feeds.model import RawReport, What
from watcher.feeds.rows import Rows
from watcher.reports.identity import text_hash

FIRST_FORM_AGAIN_AFTER = timedelta(hours=1)
# The largest public API cuts its answers at 400 reports and does not say so; 399 were seen.
_CUT_AT = frozenset({399, 400})
_SHOWN_AT_MOST = 5


@dataclass(frozen=True, slots=True)
class _Memory:
    """The last good answers about some stations.

    `validators` by URL: each form has its own. `seen`: hashes of the texts, each with its station, of the last answer
    in which that station was.
    """

    validators: Mapping[str, Validators] = field(default_factory=dict)
    seen: Mapping[str, str] = field(default_factory=dict)
    newest_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered about some stations.

    `reports`: those that the answer before did not hold. `found` of `tried` texts in it are reports; both 0 when it has
    not changed. `empty`: nothing in it is about these stations. `problems`: what in it could not be used.
    """

    reports: tuple[RawReport, ...] = ()
    size_bytes: int = 0
    found: int = 0
    tried: int = 0
    empty: bool = False
    problems: tuple[str, ...] = ()


class Questions:
    """Asks for METARs, or for TAFs.

    Parameters
    ----------
    what
        Which of them.
    forms
        Addresses with `{ids}` where the codes go; a later one is asked only when the earlier are of no use.
    exchange
        The polite way out.
    """

    def __init__(self, what: What, forms: tuple[str, ...], exchange: Exchange) -> None:
        self._what = what
        self._forms = forms
        self._exchange = exchange
        self._memory: dict[tuple[str, ...], _Memory] = {}
        self._kept_to: tuple[str, datetime] | None = None

    @property
    def newest_at(self) -> datetime | None:
        """The time of the newest report in the last answers about all stations."""
        times = (memory.newest_at for memory in self._memory.values())
        return max((time for time in times if time is not None), default=None)

    def forget(self) -> None:
        """Take the next answers for the first ones: all that is in them is new."""
        self._memory.clear()

    def failed(self, now: datetime) -> None:
        """Hold it against the host that nothing was answered."""
        self._exchange.failed(self._forms_in_turn(now)[0], now)

    async def ask(self, stations: tuple[str, ...], now: datetime) -> Answer:
        """Ask once, and once more in each other form when the answer is of no use.

        Raises
        ------
        FeedBusy
            The host must be left alone.
        FeedError
            No usable answer in any form; the message has all reasons.
        """
        reasons: list[str] = []
        for form in self._forms_in_turn(now):
            try:
                answer = await self._ask_for(form, stations, now)
            except WrongForm as error:
                reasons.append(str(error))
                continue
            except FeedBusy:
                raise
            except FeedError as error:
                raise FeedError("; ".join([*reasons, str(error)])) from error
            if reasons:
                self._kept_to = (form, now + FIRST_FORM_AGAIN_AFTER)
            return replace(answer, problems=(*reasons, *answer.problems))
        raise FeedError("; ".join(reasons))

    def _forms_in_turn(self, now: datetime) -> tuple[str, ...]:
        if self._kept_to is None or now >= self._kept_to[1]:
            return self._forms
        first = self._kept_to[0]
        return (first, *(form for form in self._forms if form != first))

    async def _ask_for(self, form: str, stations: tuple[str, ...], now: datetime) -> Answer:
        memory = self._memory.get(stations, _Memory())
        url = form.replace("{ids}", ",".join(quote(code, safe="") for code in stations))
        page = await self._exchange.ask(url, memory.validators.get(url, Validators()), now, counts=False)
        if page.body is None:
            return Answer()
        read = await asyncio.to_thread(read_answer, page.body, self._what, stations, now)
        wanted = {text_hash(report.text): report for report in read.reports if report.station in stations}
        if wanted:
            self._memory[stations] = _after(memory, wanted, url, page.validators, now)
        return Answer(
            tuple(report for digest, report in wanted.items() if digest not in memory.seen),
            page.size_bytes,
            len(read.reports),
            read.text_count,
            not wanted,
            _doubts(read),
        )


def _after(
    memory: _Memory, wanted: Mapping[str, RawReport], url: str, validators: Validators, now: datetime
) -> _Memory:
    seen = {digest: report.station or "" for digest, report in wanted.items()}
    there = set(seen.values())
    missing = {digest: station for digest, station in memory.seen.items() if station not in there}
    newest_at = Rows(tuple(wanted.values()), len(wanted)).newest_at(now)
    return _Memory({**memory.validators, url: validators}, {**missing, **seen}, newest_at)


def _doubts(read: Answers) -> tuple[str, ...]:
    odd = [f'no report: "{line}"' for line in read.odd[:_SHOWN_AT_MOST]]
    if len(read.odd) > _SHOWN_AT_MOST:
        odd.append(f"{len(read.odd) - _SHOWN_AT_MOST} more texts are no reports")
    if len(read.reports) in _CUT_AT:
        odd.append(f"the answer holds {len(read.reports)} reports and may have been cut there; lower at_once")
    return tuple(odd)
