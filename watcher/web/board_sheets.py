"""The board as it stands, made once for all who look: what stands above, the rows in their order, packed to be sent."""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Any, TypeAlias

import structlog
from markupsafe import Markup

from watcher.alerts.audience import Audience
from watcher.alerts.model import StationView
from watcher.errors import SettingsError
from watcher.pictures.marks import symbols
from watcher.pictures.strip import axis, key
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.service.directory import Directory, subscription_of
from watcher.web.alerts_shown import flag_words
from watcher.web.board_asked import LONGEST_SEARCH, Asked
from watcher.web.board_head import Head, change_of, head_of, patience
from watcher.web.board_memory import BoardMemory
from watcher.web.board_rows import place
from watcher.web.board_strips import BoardStrips, row_mark, step_of
from watcher.web.compressed import Piece
from watcher.web.house import House
from watcher.web.pages import piece

Wants: TypeAlias = Callable[[Station], bool]

_log = structlog.get_logger()
# More rows than that nobody reads; what is left out is told, and found by asking for less.
MOST_ROWS = 500
WALL_ROWS = 6
# Whoever comes while the board is made anew gets the last one, when making it takes longer than that.
_PATIENCE_S = 0.1
_OLD_IS_FINE_FOR = timedelta(seconds=10)
_MOST_KEPT = 24
_LOOK_EVERY = timedelta(seconds=1)
_PACKING = 5
_PORTION = 25
_GIVE_WAY_S = 0.002


@dataclass(frozen=True, slots=True)
class Sheet:
    """The board for one wish, packed. `revision`, `minute`: of what it shows."""

    piece: Piece
    revision: int
    made_at: datetime

    def shows(self, revision: int, now: datetime) -> bool:
        """Return whether it is what would be made now."""
        return self.revision == revision and _minute(self.made_at) == _minute(now)


class Board:
    """Makes the board of a house.

    Parameters
    ----------
    house
        Whose stations. The board follows its turns.
    """

    def __init__(self, house: House) -> None:
        self._house = house
        self._memory = BoardMemory(house.store)
        self._strips = BoardStrips(house.store, self._memory, house.watch.policy)
        self._making = Lock()
        self._views: Mapping[str, StationView] = {}
        self._sorted: tuple[StationView, ...] = ()
        self._looked_at: datetime | None = None
        self._revision = 0
        self._sheets: OrderedDict[tuple[Asked, str], Sheet] = OrderedDict()
        self._under_way: dict[tuple[Asked, str], asyncio.Task[Sheet]] = {}
        self._turned_at = house.clock()
        self._warming: asyncio.Future[None] | None = None
        house.after_turn(self._turned)

    def _turned(self) -> None:
        self._turned_at = self._house.clock()
        if self._warming is None:
            self._warming = asyncio.ensure_future(asyncio.to_thread(self._warm_up))
            self._warming.add_done_callback(_log_failure)

    def _warm_up(self) -> None:
        """Draw all strips once, before anybody waits for them."""
        self._draw_ahead(Asked())

    def _draw_ahead(self, what: Asked) -> None:
        """Draw what has to be drawn in portions: whoever wants a few rows only need not wait for hundreds."""
        _, wants = self._subscriptions(what)
        for _ in range(0, MOST_ROWS, _PORTION):
            with self._making:
                now = self._house.clock()
                self._look(now)
                if not self._strips.draw(self._shown(self._found(what, wants), what), now, _PORTION):
                    return
            # A lock that is taken again at once is never given to those who wait for it.
            time.sleep(_GIVE_WAY_S)

    async def sheet(self, what: Asked, root: str, mark: str) -> Sheet:
        """Return the board for a wish.

        Parameters
        ----------
        what
            What is wanted.
        root
            What addresses begin with.
        mark
            Where the live events stood before; the page listens from there on, and so learns what this does not show.
        """
        which, now = (what, root), self._house.clock()
        kept = self._sheets.get(which)
        if kept is not None and not self._is_news(now) and kept.shows(self._revision, now):
            return kept
        task = self._under_way.get(which)
        if task is None:
            task = asyncio.create_task(asyncio.to_thread(self._make, what, root, mark))
            self._under_way[which] = task
            task.add_done_callback(lambda done: self._over(which, done))
        if kept is None or now - kept.made_at > _OLD_IS_FINE_FOR:
            return await asyncio.shield(task)
        done, _ = await asyncio.wait({task}, timeout=_PATIENCE_S)
        return task.result() if done else kept

    def _over(self, which: tuple[Asked, str], done: asyncio.Task[Sheet]) -> None:
        """Forget a task; whoever waited for it is told of its failure, the others see the sheet before for a while."""
        self._under_way.pop(which, None)
        _log_failure(done)

    async def rows(self, what: Asked, root: str, mark: str, codes: Sequence[str]) -> str:
        """Return the same with the rows of some stations only, for a page that has the others."""
        return await asyncio.to_thread(self._some, what, root, mark, frozenset(codes))

    def _is_news(self, now: datetime) -> bool:
        views = self._house.views()
        return views is not self._views or self._looked_at is None or now - self._looked_at >= _LOOK_EVERY

    def _look(self, now: datetime) -> None:
        """Take in what is new. Behind the lock."""
        views = self._house.views()
        if self._memory.catch_up(now) or views is not self._views:
            self._views, self._revision = views, self._revision + 1
            self._sorted = tuple(sorted(views.values(), key=place))
        self._looked_at = now

    def _make(self, what: Asked, root: str, mark: str) -> Sheet:
        self._draw_ahead(what)
        with self._making:
            now = self._house.clock()
            self._look(now)
            which = what, root
            kept = self._sheets.get(which)
            if kept is not None and kept.shows(self._revision, now):
                return kept
            markup = self._markup(what, root, mark, now, None)
            sheet = Sheet(Piece.of(markup, _PACKING), self._revision, now)
            self._sheets[which] = sheet
            self._sheets.move_to_end(which)
            while len(self._sheets) > _MOST_KEPT:
                self._sheets.popitem(last=False)
            return sheet

    def _some(self, what: Asked, root: str, mark: str, codes: frozenset[str]) -> str:
        with self._making:
            now = self._house.clock()
            self._look(now)
            return self._markup(what, root, mark, now, codes)

    def _markup(self, what: Asked, root: str, mark: str, now: datetime, codes: frozenset[str] | None) -> str:
        names, wants = self._subscriptions(what)
        found = self._found(what, wants)
        shown = self._shown(found, what)
        given = [view for view in shown if codes is None or view.station.code in codes]
        head = head_of(self._sorted, self._turned_at, self._tick, now)
        return piece(
            "board_wall.html" if what.wall else "board_sheet.html",
            root=root,
            asked=what,
            mark=row_mark,
            symbols=Markup(symbols()),  # noqa: S704 - drawn by ourselves
            axis=Markup(axis(step_of(now), said=now)),  # noqa: S704
            key=Markup(key()),  # noqa: S704
            head=head,
            step=f"{step_of(now):%H%M}",
            day=f"{now.day} {now:%b}",
            live=mark,
            patience_s=round(patience(self._tick).total_seconds()),
            changes=[change_of(event) for event in self._memory.changes],
            levels=sorted(Level, reverse=True),
            flags=[(flag.value, flag_words(flag)) for flag in Flag],
            countries=sorted({view.station.country for view in self._sorted if view.station.country}),
            subscriptions=names,
            longest_search=LONGEST_SEARCH,
            found=len(found),
            left=found[len(shown) :],
            left_counts=_left(found[len(shown) :], head),
            order=" ".join(view.station.code for view in shown),
            rows=self._strips.rows(given, root, now),
            whole=codes is None,
        )

    def _found(self, what: Asked, wants: Wants | None) -> list[StationView]:
        return [view for view in self._sorted if what.takes(view, wants)]

    @staticmethod
    def _shown(found: list[StationView], what: Asked) -> list[StationView]:
        return found[: WALL_ROWS if what.wall else MOST_ROWS]

    @property
    def _tick(self) -> timedelta:
        return self._house.settings.text.watch.tick

    def _subscriptions(self, what: Asked) -> tuple[list[str], Wants | None]:
        """Return the names to choose from, and who belongs to the one that is asked for, if one is."""
        directory = self._directory()
        if what.subscription is None:
            return sorted(directory.subscriptions), None
        known = directory.subscriptions.get(what.subscription)
        if known is None:
            return sorted(directory.subscriptions), lambda _station: False
        audience = Audience([subscription_of(known.section, self._house.watch.stations.get)])
        return sorted(directory.subscriptions), lambda station: bool(audience.at(station))

    def _directory(self) -> Directory:
        try:
            return self._house.management.directory()
        except SettingsError as error:
            # The board must go on; the service tells the same in its own state and its log.
            _log.warning("the board offers no subscriptions to choose from", error=str(error))
            return Directory({}, {})


def _log_failure(making: asyncio.Future[Any]) -> None:
    error = None if making.cancelled() else making.exception()
    if error is not None:
        _log.warning("the board could not be made", error=str(error))


def _left(views: Sequence[StationView], head: Head) -> list[tuple[str, int]]:
    """Return how many of the stations that find no place are how bad."""
    counts = head_of(views, head.turned_at, timedelta(days=1), head.now).counts
    return [(count.word, count.number) for count in counts if count.number]


def _minute(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)
