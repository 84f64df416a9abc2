"""A TAF as steps with expected facts: the prevailing line, and over it what is becoming, temporary or only probable.

Source: WMO-No. 306, FM 51. While something is BECMG both states are possible: the new one counts from the beginning
of the change (as "becoming"), the old one until its end.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.outlook.model import Step
from watcher.outlook.path import AirPath
from watcher.reports.model import Forecast, Observation, Period
from watcher.reports.station import Station
from watcher.rulebook.derive import cloud_facts, groups_of, humidity_facts, light_facts, snow_word, weather_facts
from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.words import Certainty, Kind

AHEAD = timedelta(hours=30)
_HOUR = timedelta(hours=1)

_OVERLAYS: dict[tuple[str, int | None], Certainty] = {
    ("BECMG", None): Certainty.BECOMING,
    ("TEMPO", None): Certainty.TEMPORARY,
    ("TEMPO", 40): Certainty.PROBABILITY_40_TEMPORARY,
    ("TEMPO", 30): Certainty.PROBABILITY_30_TEMPORARY,
    ("PROB", 40): Certainty.PROBABILITY_40,
    ("PROB", 30): Certainty.PROBABILITY_30,
}


@dataclass(frozen=True, slots=True)
class _Layer:
    """A state that may be met from `begins_at` to `ends_at`."""

    begins_at: datetime
    ends_at: datetime
    certainty: Certainty
    state: Period


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
    layers = _layers(forecast)
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


def _layers(forecast: Forecast) -> list[_Layer]:
    """Return the prevailing states one after another, and the others over them."""
    layers = list(_prevailing(forecast))
    prevailing = tuple(layers)
    for period in forecast.periods:
        certainty = _OVERLAYS.get((period.change, period.probability))
        if certainty is None or certainty is Certainty.BECOMING:
            continue
        for under in prevailing:
            begins_at, ends_at = max(period.begins_at, under.begins_at), min(period.ends_at, under.ends_at)
            if begins_at < ends_at and under.certainty is Certainty.PREVAILING:
                layers.append(_Layer(begins_at, ends_at, certainty, _over(under.state, period)))
    return layers


def _prevailing(forecast: Forecast) -> Iterator[_Layer]:
    assert forecast.ends_at is not None
    state: Period | None = None
    since: datetime | None = None
    changes = [period for period in forecast.periods if period.change in {"BASE", "FM", "BECMG"}]
    for period in sorted(changes, key=lambda period: period.begins_at):
        if state is None or since is None:
            state, since = period, period.begins_at
            continue
        if period.change == "BECMG":
            after = _over(state, period)
            yield _Layer(period.begins_at, period.ends_at, Certainty.BECOMING, after)
            yield _Layer(since, period.ends_at, Certainty.PREVAILING, state)
            state, since = after, period.ends_at
        else:
            yield _Layer(since, period.begins_at, Certainty.PREVAILING, state)
            state, since = period, period.begins_at
    if state is not None and since is not None:
        yield _Layer(since, forecast.ends_at, Certainty.PREVAILING, state)


def _over(under: Period, change: Period) -> Period:
    """Return a state with what a change names laid over it."""
    named: dict[str, object] = {}
    if change.wind_kt is not None:
        named.update(wind_kt=change.wind_kt, gust_kt=change.gust_kt, wind_from_deg=change.wind_from_deg)
    if change.visibility_m is not None:
        named.update(visibility_m=change.visibility_m, visibility_bound=change.visibility_bound, cavok=change.cavok)
    if change.weather is not None:
        named.update(weather=change.weather)
    if change.cavok:
        named.update(clouds=None, vertical_visibility_ft=None)
    if change.clouds is not None or change.vertical_visibility_ft is not None:
        named.update(clouds=change.clouds, vertical_visibility_ft=change.vertical_visibility_ft, cavok=False)
    return replace(under, **named)  # type: ignore[arg-type]


def _facts(state: Period, forecast: Forecast, station: Station, path: AirPath, at: datetime) -> Facts:
    air = path.at(at)
    values, intervals = humidity_facts(air.temp_c, air.dew_point_c, air.temp, air.dew)
    texts = state.weather or ()
    weather = weather_facts(texts, observable=True, freezing_or_frozen=_freezes(texts))
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
