"""Episodes as spans of levels: observed as far as reports carry them, expected from there on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import pairwise

from watcher.alerts.model import Episode
from watcher.pictures.band_model import LevelSpan
from watcher.rulebook.words import Kind, Level


def level_spans(episodes: Iterable[Episode], begins_at: datetime, ends_at: datetime) -> tuple[LevelSpan, ...]:
    """Return the spans of the episodes that people were told of, cut to a window, by beginning.

    An observed episode rose where its rules took hold; what it was lowered from is not remembered.
    """
    spans = (span for episode in episodes if episode.opened_at is not None for span in _spans(episode))
    inside = (cut for span in spans if (cut := _cut(span, begins_at, ends_at)) is not None)
    return tuple(sorted(inside, key=lambda span: (span.begins_at, -span.level, span.flag.value)))


def _spans(episode: Episode) -> Iterator[LevelSpan]:
    if episode.kind is Kind.OBSERVED:
        yield from _observed(episode)
    elif episode.ended_at is not None:
        yield LevelSpan(
            episode.level, episode.flag, Kind.EXPECTED, episode.began_at, episode.ended_at, episode.certainty
        )
    if episode.ended_at is None:
        for item in episode.expected:
            yield LevelSpan(item.level, item.flag, Kind.EXPECTED, item.begins_at, item.ends_at, item.certainty)


def _observed(episode: Episode) -> Iterator[LevelSpan]:
    holds = sorted((hold for hold in episode.holds if hold.confirmed), key=lambda hold: hold.entered_at)
    rises: list[tuple[datetime, Level]] = []
    for hold in holds:
        if not rises or hold.level > rises[-1][1]:
            rises.append((hold.entered_at, hold.level))
    first = rises[0][1] if rises else episode.level
    steps = [(episode.began_at, first), *((at, level) for at, level in rises[1:] if at > episode.began_at)]
    for (at, level), (until, _) in pairwise(steps):
        if at < until:
            yield LevelSpan(level, episode.flag, Kind.OBSERVED, at, until)
    last_at, last_level = steps[-1]
    yield LevelSpan(last_level, episode.flag, Kind.OBSERVED, last_at, episode.ended_at)


def _cut(span: LevelSpan, begins_at: datetime, ends_at: datetime) -> LevelSpan | None:
    first = max(span.begins_at, begins_at)
    last = None if span.ends_at is None else min(span.ends_at, ends_at)
    if first >= ends_at or (last is not None and last <= first):
        return None
    return LevelSpan(span.level, span.flag, span.kind, first, last, span.certainty)
