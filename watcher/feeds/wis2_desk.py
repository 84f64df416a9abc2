"""What came of notifications: which are new, which wait, which were handed over, and which were kept.

A letter is acknowledged when the reports in it were kept, or when there is nothing in it to keep. Whoever brings the
same a second time, such as another broker, waits for the same end: what was not kept comes again from both.
"""

from __future__ import annotations

from collections import Counter, OrderedDict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.errors import FeedError, WrongForm
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import RawReport, What
from watcher.feeds.rows import Rows, shown
from watcher.feeds.texts import reports_of_text
from watcher.feeds.wis2_notice import Notice, content_of, is_practice, read_notice, what_of
from watcher.net import Letter

# An id is unique for 24 hours at least (WIS2 Notification Message, `id`). The world's aerodromes publish some
# 10,000 reports and forecasts in an hour; a day of them, and the names that their copies have besides.
MOST_REMEMBERED = 600_000
# Only letters that a broker sends without waiting for an answer come to so many.
MOST_ITEMS = 10_000
MOST_LINKS = 1_000
_MOST_SAID = 20
# A publisher's clock may run a little ahead.
_AHEAD = timedelta(minutes=5)


class Fate(StrEnum):
    """What became of a message."""

    TAKEN = "taken"
    DUPLICATE = "duplicate"
    PRACTICE = "practice"
    WITHDRAWN = "withdrawn"
    WRONG = "wrong"
    REFUSED = "refused"
    UNREACHED = "unreached"
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True)
class Read:
    """One letter, read. `reports` None: what it tells of must be fetched. `fate`: what became of it, None: it counts.

    `why`: in words, where there is something to say.
    """

    letter: Letter
    notice: Notice | None = None
    reports: tuple[RawReport, ...] | None = None
    fate: Fate | None = None
    why: str = ""


@dataclass(slots=True, eq=False)
class Item:
    """The reports of one publication, by what they are; `left`: of which it is not known yet whether they were kept."""

    reports: dict[What, tuple[RawReport, ...]]
    letters: list[Letter]
    left: set[What]
    names: set[Hashable]


@dataclass(slots=True, eq=False)
class Linked:
    """A publication that must be fetched: what tells of it, how often it was tried, and when it may be tried again."""

    notices: list[Notice]
    letters: list[Letter]
    topic: str
    tries: int = 0
    not_before: datetime | None = None
    busy: bool = False


@dataclass(slots=True)
class Desk:
    """The books of one feed. Not for several threads at once.

    `newest_at`: when the newest data were published, by what they are. `last_at`: when the last message came. `lag`:
    from its publication until then, None where the publisher's clock is ahead.
    """

    fates: Counter[Fate] = field(default_factory=Counter)
    newest_at: dict[What, datetime] = field(default_factory=dict)
    last_at: datetime | None = None
    lag: timedelta | None = None
    links: OrderedDict[Hashable, Linked] = field(default_factory=OrderedDict)
    _waiting: dict[What, list[Item]] = field(default_factory=lambda: {"metar": [], "taf": []})
    _handed: dict[What, list[Item]] = field(default_factory=lambda: {"metar": [], "taf": []})
    _known: OrderedDict[Hashable, Item | None] = field(default_factory=OrderedDict)
    _said: dict[str, int] = field(default_factory=dict)

    def put(self, reads: Iterable[Read], now: datetime) -> None:
        """Take letters that were read."""
        for read in reads:
            self.last_at = now
            notice = read.notice
            if notice is not None:
                self.lag = now - notice.published_at if notice.published_at <= now + _AHEAD else None
            if read.why:
                self.say(read.why)
            if notice is None or read.fate is not None:
                self._close(read, notice)
            else:
                self._sort(read, notice, now)

    def hand_over(self, what: What) -> tuple[RawReport, ...]:
        """Return all reports of a kind that were not kept yet, each once."""
        items = [*self._handed[what], *self._waiting[what]]
        self._handed[what], self._waiting[what] = items, []
        return tuple(dict.fromkeys(report for item in items for report in item.reports[what]))

    def kept(self, what: What) -> None:
        """Note that what was handed over was kept: the brokers may forget it."""
        items, self._handed[what] = self._handed[what], []
        for item in items:
            item.left.discard(what)
            if not item.left:
                self._finish(item)

    def waiting(self, what: What) -> int:
        """Return how many publications wait to be handed over."""
        return len(self._waiting[what])

    def fetched(self, key: Hashable, linked: Linked, reports: tuple[RawReport, ...], now: datetime) -> None:
        """Take what a link gave, unless it came by another way meanwhile."""
        if self.links.get(key) is linked:
            del self.links[key]
            self._accept(linked.notices, linked.letters, linked.topic, reports, now)

    def unreached(self, key: Hashable, linked: Linked, why: str, fate: Fate = Fate.UNREACHED) -> None:
        """Give a publication up that could not be fetched. It is new again when somebody brings it again."""
        if self.links.get(key) is linked:
            del self.links[key]
            self.fates[fate] += 1
            self.say(why)
            _take(linked.letters)

    def said(self) -> tuple[str, ...]:
        """Return what was wrong since the last time, each once with how often."""
        said, self._said = self._said, {}
        return tuple(f"{why} ({count} times)" if count > 1 else why for why, count in said.items())

    def say(self, why: str) -> None:
        """Note something that is wrong."""
        if why in self._said or len(self._said) < _MOST_SAID:
            self._said[why] = self._said.get(why, 0) + 1

    def forget_unkept(self) -> None:
        """Forget what was not kept, without a word to the brokers: they bring it again to whoever listens next."""
        for what in self._waiting:
            self._waiting[what], self._handed[what] = [], []
        self.links.clear()
        self._known = OrderedDict((name, item) for name, item in self._known.items() if item is None)

    def _close(self, read: Read, notice: Notice | None) -> None:
        """End the story of a letter with nothing in it to keep."""
        self.fates[read.fate or Fate.WRONG] += 1
        read.letter.taken()
        if notice is not None and notice.withdrawn:
            for key in [key for key, linked in self.links.items() if linked.notices[0].data_id == notice.data_id]:
                _take(self.links.pop(key).letters)

    def _sort(self, read: Read, notice: Notice, now: datetime) -> None:
        for name in (notice.id, notice.key):
            if name in self._known:
                self._again(self._known[name], read.letter)
                return
        linked = self.links.get(notice.key)
        if linked is not None:
            linked.letters.append(read.letter)
            self.fates[Fate.DUPLICATE] += 1
            if read.reports is not None:
                self.fetched(notice.key, linked, read.reports, now)
            elif all(other.id != notice.id for other in linked.notices):
                linked.notices.append(notice)
        elif read.reports is not None:
            self._accept([notice], [read.letter], read.letter.topic, read.reports, now)
        else:
            self.links[notice.key] = Linked([notice], [read.letter], read.letter.topic)
            if len(self.links) > MOST_LINKS:
                key, oldest = next(iter(self.links.items()))
                self.unreached(key, oldest, "too many links wait: the oldest were passed over", Fate.DROPPED)

    def _again(self, item: Item | None, letter: Letter) -> None:
        self.fates[Fate.DUPLICATE] += 1
        if item is None:
            letter.taken()
        else:
            item.letters.append(letter)

    def _accept(
        self,
        notices: list[Notice],
        letters: list[Letter],
        topic: str,
        reports: tuple[RawReport, ...],
        now: datetime,
    ) -> None:
        by_what: dict[What, tuple[RawReport, ...]] = {}
        for report in reports:
            what: What = "taf" if report.kind == "TAF" else "metar"
            by_what[what] = (*by_what.get(what, ()), report)
        self.fates[Fate.TAKEN] += 1
        published_at = notices[0].published_at
        if published_at <= now + _AHEAD:
            for what in by_what or (what_of(topic),):
                self.newest_at[what] = max(published_at, self.newest_at.get(what, published_at))
        names: set[Hashable] = {notices[0].key, *(notice.id for notice in notices)}
        item = Item(by_what, letters, set(by_what), names)
        self._remember(item)
        for what in by_what:
            self._waiting[what].append(item)
            if len(self._waiting[what]) > MOST_ITEMS:
                self._drop(self._waiting[what].pop(0), what)
        if not by_what:
            self._finish(item)

    def _remember(self, item: Item) -> None:
        for name in item.names:
            self._known[name] = item
        while len(self._known) > MOST_REMEMBERED:
            self._known.popitem(last=False)

    def _drop(self, item: Item, what: What) -> None:
        self.fates[Fate.DROPPED] += 1
        self.say("more came than could be judged: the oldest were passed over")
        item.left.discard(what)
        if not item.left:
            self._finish(item)

    def _finish(self, item: Item) -> None:
        for name in item.names:
            if name in self._known:
                self._known[name] = None
        _take(item.letters)


def read_letter(letter: Letter, now: datetime) -> Read:
    """Return what a letter brings at this time. Pure, and fit for a thread."""
    if is_practice(letter.topic):
        return Read(letter, fate=Fate.PRACTICE)
    try:
        notice = read_notice(letter.payload)
    except WrongForm as error:
        return Read(letter, fate=Fate.WRONG, why=f"{shown(letter.topic)}: {error}")
    if notice.withdrawn:
        why = (
            f"{shown(notice.data_id)} was withdrawn by its publisher; what was told of it stands until the next report"
        )
        return Read(letter, notice, fate=Fate.WITHDRAWN, why=why)
    body: bytes | None = None
    try:
        body = content_of(notice)
        rows = reports_in(body, letter.topic, now)
        told = f"{shown(notice.data_id)}: {'; '.join(rows.left_out)}" if rows.left_out else ""
        fate = Fate.PRACTICE if rows.left_out and not rows.reports else None
        return Read(letter, notice, rows.reports, fate, told)
    except FeedError as error:
        # What is known to be the content is no other behind its link.
        if notice.links and (body is None or notice.digest is None):
            return Read(letter, notice, why=f"{shown(notice.data_id)}: {error}" if notice.inline is not None else "")
        return Read(letter, notice, fate=Fate.REFUSED, why=f"{shown(notice.data_id)}: {error}")


def reports_in(body: bytes, topic: str, now: datetime) -> Rows:
    """Return the reports in content that was published at a topic, IWXXM or text.

    Raises
    ------
    FeedError
        It is no content that is known here.
    """
    if body.lstrip(b"\xef\xbb\xbf \r\n\t")[:1] == b"<":
        return read_iwxxm(body, now)
    if b"\0" in body[:4] or body.startswith(b"BUFR"):
        raise WrongForm("its content is no text")
    word = "TAF" if what_of(topic) == "taf" else None
    reports = reports_of_text(body.decode("utf-8", "replace"))
    return Rows(tuple(RawReport(report.text, report.kind or word) for report in reports), len(reports))


def _take(letters: Iterable[Letter]) -> None:
    for letter in letters:
        letter.taken()
