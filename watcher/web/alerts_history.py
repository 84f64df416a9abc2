"""The history of one alert: what was said of it, step by step, and which destinations were told of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from watcher.alerts.model import Event
from watcher.notify.wording import TOLD_AS_WORDS, plain, when
from watcher.web.deliveries_shown import Row


@dataclass(frozen=True, slots=True)
class Step:
    """One event, as it was told then. `raw`: only where another report stands behind it than behind the step before."""

    at: str
    what: str
    level: str | None
    was: str | None
    headline: str
    why: str
    raw: str | None
    forecast_raw: str | None
    by: str | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Reached:
    """One destination and the messages to it about the alert, the first first."""

    destination: str
    rows: tuple[Row, ...]


def steps(events: Sequence[Event]) -> list[Step]:
    """Return the events of an alert in their order."""
    found = []
    for before, event in zip((None, *events), events, strict=False):
        body, last = event.body, before.body if before is not None else None
        found.append(
            Step(
                at=when(event.at, body.zone),
                what=TOLD_AS_WORDS[event.type],
                level=body.level.word if body.level is not None else None,
                was=body.previous_level.word if body.previous_level is not None else None,
                headline=plain(body.headline),
                why=plain(body.why),
                raw=_new(body.raw, last.raw if last is not None else None),
                forecast_raw=_new(body.forecast_raw, last.forecast_raw if last is not None else None),
                by=plain(body.by) if body.by is not None else None,
                note=plain(body.note) if body.note else None,
            )
        )
    return found


def reached(rows: Iterable[Row], alert: str) -> list[Reached]:
    """Return by destination how an alert was told; of messages that told more, the lines of this alert alone."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row.delivery.destination, []).append(row.only_of(alert))
    return [Reached(name, tuple(of_it)) for name, of_it in sorted(found.items())]


def _new(text: str | None, before: str | None) -> str | None:
    return plain(text) if text is not None and text != before else None
