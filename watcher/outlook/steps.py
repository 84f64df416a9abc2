"""A TAF as steps with expected facts: each of its states, cut where the facts may differ."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import datetime, timedelta

from watcher.outlook.layers import layers_of
from watcher.outlook.model import Step
from watcher.outlook.path import AirPath
from watcher.reports.model import Forecast, Observation, Period
from watcher.reports.station import Station
from watcher.rulebook.derive import (
    UNSEEN,
    cloud_facts,
    groups_of,
    humidity_facts,
    light_facts,
    snow_word,
    weather_facts,
)
from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.words import Certainty, Kind

AHEAD = timedelta(hours=30)
_HOUR = timedelta(hours=1)


def expected_steps(
    forecast: Forecast, *, station: Station, latest: Observation | None, now: datetime
) -> tuple[Step, ...]:
    """Return what is expected from now to the end of the TAF, 30 hours at most.

    Parameters
    ----------
    forecast
        The TAF. A cancelled or empty one expects nothing.
    station
        Where; without a position the sun is unknown.
    latest
        The newest report: where the temperature starts from.
    now
        The present.
    """
    if forecast.begins_at is None or forecast.ends_at is None or forecast.cancelled or forecast.nil:
        return ()
    begins_at, ends_at = max(now, forecast.begins_at), min(now + AHEAD, forecast.ends_at)
    if begins_at >= ends_at:
        return ()
    path = AirPath(latest, forecast.temps, now)
    layers = layers_of(forecast)
    steps: list[Step] = []
    for layer in layers:
        first, last = max(begins_at, layer.begins_at), min(ends_at, layer.ends_at)
        edges = _edges(first, last, path, station)
        steps.extend(
            Step(layer.begins_at, start, stop, layer.certainty, _facts(layer.state, forecast, station, path, start))
            for start, stop in itertools.pairwise(edges)
        )
    return tuple(sorted(steps, key=lambda step: (step.begins_at, list(Certainty).index(step.certainty))))


def _edges(first: datetime, last: datetime, path: AirPath, station: Station) -> list[datetime]:
    """Return the times between which facts may differ: whole hours while temperature changes, and where day begins."""
    if first >= last:
        return []
    inside = set()
    hour = first.replace(minute=0, second=0, microsecond=0) + _HOUR
    night = light_facts(station, first).get("is_night")
    while hour < last:
        night_then = light_facts(station, hour).get("is_night")
        if night_then is not night or path.changes_at(hour):
            inside.add(hour)
        night = night_then
        hour += _HOUR
    return [first, *sorted(inside), last]


def _facts(state: Period, forecast: Forecast, station: Station, path: AirPath, at: datetime) -> Facts:
    air = path.at(at)
    values, intervals = humidity_facts(air.temp_c, air.dew_point_c, air.temp, air.dew)
    texts = state.weather or ()
    unseen = frozenset({UNSEEN}) if state.weather_unread_may_freeze else frozenset()
    weather = weather_facts(texts, observable=True, freezing_or_frozen=_freezes(texts), unseen=unseen)
    light = light_facts(station, at)
    night = light.get("is_night")
    assert night is None or isinstance(night, bool)
    values.update(weather)
    values.update(light)
    values.update(cloud_facts(state.clouds, state.vertical_visibility_ft, cavok=state.cavok))
    values["snow_intensity"] = snow_word(texts, weather, state.visibility_m, air.temp, night)
    values.update(_plain(state))
    return Facts(
        station=forecast.station,
        at=at,
        kind=Kind.EXPECTED,
        values=values,
        intervals=intervals,
        reported_at=forecast.issued_at,
    )


def _freezes(texts: Sequence[str]) -> bool:
    return any(group.freezes for group in groups_of(texts))


def _plain(state: Period) -> dict[str, Value]:
    return {
        "wind_kt": state.wind_kt,
        "gust_kt": state.gust_kt,
        "visibility_m": state.visibility_m,
        "vertical_visibility_ft": state.vertical_visibility_ft,
    }
