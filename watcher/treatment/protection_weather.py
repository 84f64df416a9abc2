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
    saw before it fell says nothing of how heavy it is; and the weather where a visibility alone is entered and the crew
    has seen some before, see `crews_weather`.
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


def all_entered(entered: Entered, latest: Seen | None, seen: Iterable[Seen]) -> tuple[Seen, ...]:
    """Return what a crew sees as weather that the aircraft stood in.

    A visibility alone is also that of the snow as it was when the crew saw it, at the temperature of then.

    Parameters
    ----------
    entered
        What it sees.
    latest
        The weather of the latest report; None before the first.
    seen
        All that the aircraft stood in before.
    """
    alone = entered.weather is None and entered.visibility_m is not None
    before = crews_weather(seen, entered.at) if alone else None
    now = as_entered(entered, latest, before)
    if before is None or before.temp_low_c is None or not snows(before.weather):
        return (now,)
    return now, replace(now, temp_low_c=before.temp_low_c, temp_high_c=before.temp_high_c)


def as_entered(entered: Entered, latest: Seen | None, before: Seen | None = None) -> Seen:
    """Return what a crew sees, and beside it what the latest report says.

    Parameters
    ----------
    entered
        What it sees.
    latest
        The weather of the latest report; None before the first.
    before
        What it saw before of which a visibility alone tells, see `crews_weather`; None: nothing.
    """
    at = entered.at
    known = latest if latest is not None else Seen(at, at, None, None, None)
    seen = replace(known, first_at=at, last_at=at, by_crew=True, active_frost=entered.active_frost)
    weather = entered.weather
    if weather is None and before is not None:
        weather = before.weather
    if weather is not None:
        seen = replace(seen, weather=weather, automatic=False)
    if snows(seen.weather) and not snows(known.weather):
        seen = replace(seen, visibility_m=None, visibility_bound=None)
    if entered.visibility_m is not None:
        seen = replace(seen, visibility_m=entered.visibility_m, visibility_bound="exact")
    return seen


def crews_weather(seen: Iterable[Seen], at: datetime) -> Seen | None:
    """Return the weather that a crew saw of which a visibility alone tells more; None: it is that of the report.

    Snow of which nobody told yet how heavy it is comes first, whatever came after it. Else what the crew saw last: snow
    until a report has some, other weather until the next report. Frost is no weather of which the visibility tells.

    Parameters
    ----------
    seen
        All that the aircraft stood in.
    at
        When the visibility was entered.
    """
    by_then = [each for each in seen if each.first_at <= at and not each.recent]
    measured_at = [
        each.last_at
        for each in by_then
        if snows(each.weather) and each.visibility_m is not None and each.temp_low_c is not None
    ]
    crews = [each for each in by_then if each.by_crew and (snows(each.weather) or not each.active_frost)]
    unmeasured = [
        each for each in crews if is_unmeasured_snow(each) and not any(told >= each.last_at for told in measured_at)
    ]
    if unmeasured:
        return max(unmeasured, key=_last_at)
    last = max(crews, key=_last_at, default=None)
    if last is None:
        return None
    reports = [each for each in by_then if not each.by_crew and each.last_at > last.last_at]
    is_over = any(snows(each.weather) or not snows(last.weather) for each in reports)
    return None if is_over else last


def is_unmeasured_snow(seen: Seen) -> bool:
    """Return whether it is snow that a crew saw without saying how far it sees in it."""
    return seen.by_crew and seen.visibility_m is None and snows(seen.weather)


def _last_at(seen: Seen) -> datetime:
    return seen.last_at


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
