"""The weather that a treated aircraft stood in: by reports, and as its crew saw it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache

from watcher.reports.model import Observation, VisibilityBound
from watcher.reports.station import Station
from watcher.reports.weather import parse_weather
from watcher.rulebook.derive import light_facts
from watcher.rulebook.observed import observed_facts


@dataclass(frozen=True, slots=True)
class Seen:
    """Weather that the aircraft stood in, by one report, or as its crew saw it. Unknown is None.

    `first_at`, `last_at`: when it was observed, the first and the last time that it was the same. `recent`: it had
    fallen before the report, how heavily is not known. `by_crew`: no report says so.
    """

    first_at: datetime
    last_at: datetime
    temp_low_c: float | None
    temp_high_c: float | None
    weather: tuple[str, ...] | None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    night: bool | None = None
    automatic: bool = False
    active_frost: bool = False
    recent: bool = False
    by_crew: bool = False


@dataclass(frozen=True, slots=True)
class Entered:
    """What a crew sees or hears. None: as the latest report has it. It only ever worsens.

    Two things are not taken from the report: the visibility where snow is seen and the report has none, for how far one
    saw before it fell says nothing of how heavy it is; and the weather where the crew has seen some since the report.
    """

    at: datetime
    weather: tuple[str, ...] | None = None
    visibility_m: float | None = None
    active_frost: bool = False


@lru_cache(maxsize=512)
def seen_in(observation: Observation, station: Station, since: datetime) -> tuple[Seen, ...]:
    """Return the weather of a report, and what it says has fallen lately.

    What it could not see is in it as the facts of the rulebook have it. It is day only where the sun is up an hour
    later too: the report stands that long.

    Parameters
    ----------
    observation, station
        The report and where it was made.
    since
        Start of the final application: what had ended by then, or had fallen before a report of before it, did not fall
        on the treated aircraft.
    """
    at = observation.observed_at
    weather = observed_facts(observation, station=station, history=(), now=at).values["weather"]
    now = Seen(
        first_at=at,
        last_at=at,
        temp_low_c=observation.temp_c_low,
        temp_high_c=observation.temp_c_high,
        weather=tuple(sorted(weather)) if isinstance(weather, frozenset) else None,
        visibility_m=observation.visibility_m,
        visibility_bound=observation.visibility_bound,
        night=_is_night(station, at),
        automatic=observation.auto,
    )
    fallen = _fallen(observation, since)
    if not fallen:
        return (now,)
    return now, replace(now, weather=fallen, visibility_m=None, visibility_bound=None, night=None, recent=True)


def _fallen(observation: Observation, since: datetime) -> tuple[str, ...]:
    """Return what has fallen after a time and had ended by the report: by its groups, and by its remarks."""
    if observation.observed_at <= since:
        return ()
    ended = (code for code, at in observation.remarks.ended if at > since)
    return tuple(dict.fromkeys((*observation.recent_weather, *sorted(ended))))


def as_entered(entered: Entered, latest: Seen | None, before: Seen | None = None) -> Seen:
    """Return what a crew sees, and beside it what the latest report says.

    Parameters
    ----------
    entered
        What it sees.
    latest
        The weather of the latest report; None before the first.
    before
        What the crew saw last; None: nothing.
    """
    at = entered.at
    known = latest if latest is not None else Seen(at, at, None, None, None)
    seen = replace(known, first_at=at, last_at=at, by_crew=True, active_frost=entered.active_frost)
    weather = entered.weather
    if weather is None and entered.visibility_m is not None and before is not None and before.last_at >= known.last_at:
        weather = before.weather
    if weather is not None:
        seen = replace(seen, weather=weather, automatic=False)
    if snows(seen.weather) and not snows(known.weather):
        seen = replace(seen, visibility_m=None, visibility_bound=None)
    if entered.visibility_m is not None:
        seen = replace(seen, visibility_m=entered.visibility_m, visibility_bound="exact")
    return seen


def snows(weather: tuple[str, ...] | None) -> bool:
    """Return whether snow falls by the groups, alone or with other things: how heavily, the visibility tells."""
    groups = [parse_weather(text) for text in weather or ()]
    return any(
        group is not None
        and not group.vicinity
        and group.descriptors.isdisjoint({"BL", "DR"})
        and not {"SN", "SG"}.isdisjoint(group.phenomena)
        for group in groups
    )


def _is_night(station: Station, at: datetime) -> bool | None:
    verdicts = {light_facts(station, moment).get("is_night") for moment in (at, at + timedelta(hours=1))}
    found = verdicts.pop() if len(verdicts) == 1 else None
    return found if isinstance(found, bool) else None


def together(seen: Iterable[Seen], items: Iterable[Seen]) -> tuple[Seen, ...]:
    """Return weather with more of it: that which is there already once, in one order whatever came first."""
    found: dict[tuple[object, ...], Seen] = {_what(each): each for each in seen}
    for item in items:
        known = found.get(_what(item))
        if known is not None:
            item = replace(  # noqa: PLW2901 - the same weather, seen from the first to the last time
                known, first_at=min(known.first_at, item.first_at), last_at=max(known.last_at, item.last_at)
            )
        found[_what(item)] = item
    return tuple(sorted(found.values(), key=lambda each: (each.first_at, repr(each))))


def _what(seen: Seen) -> tuple[object, ...]:
    """Return what makes weather the same, whenever it was seen."""
    return (
        seen.temp_low_c,
        seen.temp_high_c,
        seen.weather,
        seen.visibility_m,
        seen.visibility_bound,
        seen.night,
        seen.automatic,
        seen.active_frost,
        seen.recent,
        seen.by_crew,
    )
