"""The board as one file for the handover of a shift: what stands, who has it, and room for what no report says.

The file needs nothing else: its style is inside, no script runs, nothing is fetched. It prints, and follows the
reader's choice of light or dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from watcher.alerts.model import Episode, Event, Policy, StationView
from watcher.notify.wording import plain, when
from watcher.pictures.marks import symbols
from watcher.pictures.strip import axis, key
from watcher.rulebook.words import Kind, Level
from watcher.store.store import Store
from watcher.units import iso_z
from watcher.web.board_head import Head, head_of
from watcher.web.board_memory import BoardMemory
from watcher.web.board_rows import Row, open_alerts, place
from watcher.web.board_strips import BoardStrips, row_mark, row_markup
from watcher.web.pages import piece
from watcher.web.static import static_text
from watcher.web.take import Hand, hand_of

_NO_TICK = timedelta(0)


@dataclass(frozen=True, slots=True)
class Open:
    """An open alert as the handover tells it. `hand`: who has it, None: nobody."""

    episode: str
    level: str
    headline: str
    why: str
    next_step: str
    since: str
    hand: Hand | None


@dataclass(frozen=True, slots=True)
class Handover:
    """The board at one time. `page`: the file."""

    at: datetime
    head: Head
    rows: tuple[Row, ...]
    alerts: tuple[Open, ...]
    page: str


def handover(views: Sequence[StationView], store: Store, policy: Policy, now: datetime) -> Handover:
    """Return the board as one file.

    Parameters
    ----------
    views
        The stations as they stand in the store, with their frost forecasts where they have one.
    store
        What was told, and the reports of the past.
    policy
        Says when a report is late and a station blind.
    now
        The present.

    Raises
    ------
    StoreError
        The store does not answer.
    """
    memory = BoardMemory(store)
    memory.catch_up(now)
    strips = BoardStrips(store, memory, policy)
    ordered = sorted(views, key=place)
    made = [strips.row(view, now) for view in ordered]
    # Drawn by ourselves, what comes from outside is escaped there.
    rows = [row_markup(row, Markup(strip.inline(now)), None) for row, strip in made]  # noqa: S704
    # Whether a service judges is not known here; whether anything comes in is.
    head = head_of(ordered, now, _NO_TICK, now)
    standing = [(item, view) for view in ordered for item in open_alerts(view)]
    standing.sort(key=lambda pair: -pair[0].level)
    alerts = tuple(_open(item, memory.told_of(item), view) for item, view in standing)
    page = piece(
        "board_export.html",
        style=Markup(_style()),  # noqa: S704 - our own rules
        symbols=Markup(symbols()),  # noqa: S704
        axis=Markup(axis(now)),  # noqa: S704
        key=Markup(key()),  # noqa: S704
        head=head,
        at=when(now, None),
        rows=rows,
        alerts=alerts,
        levels=sorted(Level, reverse=True),
        mark=row_mark,
        root=None,
    )
    return Handover(now, head, tuple(row for row, _ in made), alerts, page)


def _open(item: Episode, event: Event | None, view: StationView) -> Open:
    body = event.body if event is not None else None
    zone = view.station.zone
    begins = when(item.began_at, zone)
    until = f" until {when(item.until, zone)}" if item.until is not None else ""
    return Open(
        episode=item.id,
        level=item.level.word,
        headline=plain(body.headline) if body is not None else f"{item.station} {item.level.word}: {item.flag.value}",
        why=plain(body.why) if body is not None else "-",
        next_step=plain(body.next_step) if body is not None else "-",
        since=f"expected {begins}{until}" if item.kind is Kind.EXPECTED else f"since {begins}",
        hand=hand_of(item.in_hand, zone) if item.in_hand is not None else None,
    )


def _style() -> str:
    own = (static_text(name) for name in ("house.css", "strips.css", "board.css", "handover.css"))
    return "".join(own)


def as_contract(made: Handover, written: str | None) -> dict[str, object]:
    """Return what was written, as JSON. `written`: the file, None for standard output."""
    return {
        "at": iso_z(made.at),
        "file": written,
        "bytes": len(made.page.encode()),
        "stations": made.head.stations,
        "counts": {count.word: count.number for count in made.head.counts},
        "newest_report_at": iso_z(made.head.newest_at) if made.head.newest_at is not None else None,
        "stale": list(made.head.stale),
        "alerts": [
            {
                "episode": item.episode,
                "level": item.level,
                "headline": item.headline,
                "next_step": item.next_step,
                "in_hand": None if item.hand is None else {"by": item.hand.by, "note": item.hand.note or None},
            }
            for item in made.alerts
        ],
    }
