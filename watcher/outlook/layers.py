"""A TAF as states over one another: the prevailing ones, and over them what is becoming, temporary or only probable.

Source: WMO-No. 306, FM 51. While something is BECMG both states are possible: the new one counts from the beginning
of the change (as "becoming"), the old one until its end.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.reports.model import Forecast, Period
from watcher.rulebook.words import Certainty

_OVERLAYS: dict[tuple[str, int | None], Certainty] = {
    ("BECMG", None): Certainty.BECOMING,
    ("TEMPO", None): Certainty.TEMPORARY,
    ("TEMPO", 40): Certainty.PROBABILITY_40_TEMPORARY,
    ("TEMPO", 30): Certainty.PROBABILITY_30_TEMPORARY,
    ("PROB", 40): Certainty.PROBABILITY_40,
    ("PROB", 30): Certainty.PROBABILITY_30,
}


@dataclass(frozen=True, slots=True)
class Layer:
    """A state that may be met from `begins_at` to `ends_at`."""

    begins_at: datetime
    ends_at: datetime
    certainty: Certainty
    state: Period


def layers_of(forecast: Forecast) -> list[Layer]:
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
                layers.append(Layer(begins_at, ends_at, certainty, _over(under.state, period)))
    return layers


def _prevailing(forecast: Forecast) -> Iterator[Layer]:
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
            yield Layer(period.begins_at, period.ends_at, Certainty.BECOMING, after)
            yield Layer(since, period.ends_at, Certainty.PREVAILING, state)
            state, since = after, period.ends_at
        else:
            yield Layer(since, period.begins_at, Certainty.PREVAILING, state)
            state, since = period, period.begins_at
    if state is not None and since is not None:
        yield Layer(since, forecast.ends_at, Certainty.PREVAILING, state)


def _over(under: Period, change: Period) -> Period:
    """Return a state with what a change names laid over it."""
    named: dict[str, object] = {}
    if change.wind_kt is not None:
        named.update(wind_kt=change.wind_kt, gust_kt=change.gust_kt, wind_from_deg=change.wind_from_deg)
    if change.visibility_m is not None:
        named.update(visibility_m=change.visibility_m, visibility_bound=change.visibility_bound, cavok=change.cavok)
    if change.weather is not None:
        named.update(weather=change.weather, weather_unread_may_freeze=change.weather_unread_may_freeze)
    elif change.weather_unread_may_freeze:
        # It need not be weather: what is there goes on beside it.
        named.update(weather_unread_may_freeze=True)
    if change.cavok:
        named.update(clouds=None, vertical_visibility_ft=None)
    if change.clouds is not None or change.vertical_visibility_ft is not None:
        named.update(clouds=change.clouds, vertical_visibility_ft=change.vertical_visibility_ft, cavok=False)
    return replace(under, **named)  # type: ignore[arg-type]
