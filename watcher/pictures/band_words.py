"""A timeband in one sentence, for those who hear the page."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from watcher.pictures.band_model import AHEAD, BEHIND, Band, LevelSpan, Weather
from watcher.rulebook.words import Kind
from watcher.units import clock_z, percent

# Below this no hill is drawn, and none is told of. Common practice, no source.
WORTH_SHOWING = 0.02


def sentence(band: Band, now: datetime) -> str:
    """Return what the strip shows at a time: last temperatures, levels, weather, chance of frost, blindness."""
    parts = [*_temperatures(band), *_blindness(band), *_levels(band, now), *_weather(band, now), *_frost(band, now)]
    return f"{band.station}, {clock_z(now - BEHIND)} to {clock_z(now + AHEAD)}: {', '.join(parts) or 'nothing known'}"


def degrees(temp_c: float) -> str:
    """Return a temperature for people, in whole degrees: ``-3 °C``, never ``-0``."""
    return f"{round(temp_c) + 0} °C"


def _temperatures(band: Band) -> Iterator[str]:
    if not band.past:
        return
    last = band.past[-1]
    if last.temp_c is not None:
        yield f"air {degrees(last.temp_c)} at {clock_z(last.at)}"
    if last.frost_point_c is not None:
        yield f"frost point {degrees(last.frost_point_c)}"


def _blindness(band: Band) -> Iterator[str]:
    if band.is_blind:
        yield f"blind since {clock_z(band.past[-1].at)}" if band.past else "blind"


def _levels(band: Band, now: datetime) -> Iterator[str]:
    standing = [span for span in band.levels if span.kind is Kind.OBSERVED and span.ends_at is None]
    for span in sorted(standing, key=lambda span: -span.level)[:1]:
        yield f"{span.level.word} since {clock_z(span.begins_at)}"
    ahead = [span for span in band.levels if _is_ahead(span, now)]
    for span in sorted(ahead, key=lambda span: (-span.level, span.begins_at))[:1]:
        assert span.ends_at is not None
        yield f"{span.level.word} expected {clock_z(span.begins_at)} to {clock_z(span.ends_at)}{_how(span)}"


def _is_ahead(span: LevelSpan, now: datetime) -> bool:
    return (
        span.kind is Kind.EXPECTED and span.ends_at is not None and now < span.ends_at and span.begins_at < now + AHEAD
    )


def _weather(band: Band, now: datetime) -> Iterator[str]:
    coming = [item for item in band.weather if item.certainty is not None and now < item.ends_at]
    for item in coming[:1]:
        yield f"{' '.join(item.codes)} expected {clock_z(item.begins_at)} to {clock_z(item.ends_at)}{_how(item)}"


def _how(item: LevelSpan | Weather) -> str:
    return f" ({item.certainty.value})" if item.certainty is not None else ""


def _frost(band: Band, now: datetime) -> Iterator[str]:
    chances = [
        (point.p_active_frost, point.at)
        for point in band.expected
        if point.p_active_frost is not None and now <= point.at <= now + AHEAD
    ]
    if chances:
        most, at = max(chances, key=lambda item: item[0])
        yield f"chance of frost {percent(most)} at most" + (f", at {clock_z(at)}" if most >= WORTH_SHOWING else "")
