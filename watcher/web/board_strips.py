"""The rows of the board as markup, each made once for as long as nothing in it changes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from watcher.alerts.model import Policy, StationView
from watcher.pictures.band import band_of
from watcher.pictures.marks import mark
from watcher.pictures.strip import Strip, strip_of
from watcher.store.store import Store
from watcher.web.board_memory import KEPT, BoardMemory
from watcher.web.board_rows import Row, row_of
from watcher.web.pages import piece

# Strips are drawn for a full step, all of a page for the same one: of 30 hours five minutes are less than a hair.
STEP = timedelta(minutes=5)
_DRAWN_FOR = timedelta(minutes=55)
_MOST_KEPT = 1200


@dataclass(slots=True)
class _Kept:
    view: StationView
    version: int
    strip: Strip
    shown_at: datetime | None = None
    picture: Markup | None = None
    minute: datetime | None = None
    root: str = ""
    markup: Markup | None = None


def step_of(now: datetime) -> datetime:
    """Return the step that strips are drawn for."""
    return now - (now - now.replace(hour=0, minute=0, second=0, microsecond=0)) % STEP


class BoardStrips:
    """Makes the markup of rows. Not for several threads at once.

    Parameters
    ----------
    store
        Has the reports of the past; they are read when a strip is drawn, and kept in the drawing alone.
    memory
        What was told.
    policy
        Says when a report is late and a station blind.
    """

    def __init__(self, store: Store, memory: BoardMemory, policy: Policy) -> None:
        self._store = store
        self._memory = memory
        self._policy = policy
        self._kept: OrderedDict[str, _Kept] = OrderedDict()

    def rows(self, views: Sequence[StationView], root: str, now: datetime) -> list[Markup]:
        """Return the rows of some stations in their order."""
        self._draw([view for view in views if not self._is_good(view, now)], now)
        made = [self._row(view, root, now) for view in views]
        while len(self._kept) > _MOST_KEPT:
            self._kept.popitem(last=False)
        return made

    def draw(self, views: Sequence[StationView], now: datetime, most: int) -> bool:
        """Draw the first strips that are out of date, so many at most; return whether there were any."""
        late = [view for view in views if not self._is_good(view, now)]
        self._draw(late[:most], now)
        return bool(late)

    def row(self, view: StationView, now: datetime) -> tuple[Row, Strip]:
        """Return what a row says and its timeband, for pages of another shape."""
        if not self._is_good(view, now):
            self._draw([view], now)
        return row_of(view, self._memory, self._policy, now), self._kept[view.station.code].strip

    def _is_good(self, view: StationView, now: datetime) -> bool:
        kept = self._kept.get(view.station.code)
        return (
            kept is not None
            and kept.view is view
            and kept.version == self._memory.version.get(view.station.code, 0)
            and timedelta(0) <= now - kept.strip.band.now < _DRAWN_FOR
        )

    def _draw(self, views: Sequence[StationView], now: datetime) -> None:
        past = self._store.observations_of([view.station.code for view in views], now - KEPT) if views else {}
        for view in views:
            code = view.station.code
            ended = self._memory.ended(code, now)
            band = band_of(view, past.get(code, ()), ended, self._policy, now)
            self._kept[code] = _Kept(view, self._memory.version.get(code, 0), strip_of(band))

    def _row(self, view: StationView, root: str, now: datetime) -> Markup:
        kept, minute = self._kept[view.station.code], now.replace(second=0, microsecond=0)
        self._kept.move_to_end(view.station.code)
        if kept.markup is not None and (kept.minute, kept.root) == (minute, root):
            return kept.markup
        shown_at = max(step_of(now), kept.strip.band.now)
        if kept.picture is None or kept.shown_at != shown_at:
            # Drawn by ourselves, what comes from outside is escaped there.
            kept.shown_at, kept.picture = shown_at, Markup(kept.strip.inline(shown_at))  # noqa: S704
        kept.minute, kept.root = minute, root
        kept.markup = row_markup(row_of(view, self._memory, self._policy, now), kept.picture, root)
        return kept.markup


def row_markup(row: Row, picture: Markup, root: str | None) -> Markup:
    """Return a row with its timeband. `root`: what addresses begin with; None: nothing is linked."""
    # The template escapes what comes from outside.
    return Markup(piece("board_row.html", row=row, picture=picture, root=root, mark=row_mark))  # noqa: S704


def row_mark(word: str) -> Markup:
    """Return the mark of a level or of ``blind``, whose shape stands once on the page."""
    return Markup(mark(word))  # noqa: S704 - drawn by ourselves
