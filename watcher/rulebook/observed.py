"""From an observation to the facts that rules may use."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.rulebook.derive import (
    UNSEEN,
    UNSEEN_FREEZING_RAIN,
    Interval,
    cloud_facts,
    groups_of,
    humidity_facts,
    light_facts,
    snow_word,
    weather_facts,
)
from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.history import Moment
from watcher.rulebook.words import Kind

_HOUR = timedelta(hours=1)
# Routine reports are an hour apart at most stations; one a little late still speaks of the past hour, of what fell as
# of what did not.
_PAST_HOUR = timedelta(minutes=75)
_WET_FOR = timedelta(hours=3)
# Common practice, no source: above it freezing precipitation that went unseen is not to be feared.
_COLD_ENOUGH_TO_FREEZE_C = 3.0


def observed_facts(observation: Observation, *, station: Station, history: Sequence[Moment], now: datetime) -> Facts:
    """Return the facts of one report.

    Parameters
    ----------
    observation
        The report.
    station
        Where it was made; without a position the sun is unknown.
    history
        The reports before it, oldest first.
    now
        The present, for the age of the report.
    """
    temp = _interval(observation.temp_c_low, observation.temp_c_high)
    dew = _interval(observation.dew_point_c_low, observation.dew_point_c_high)
    values, intervals = humidity_facts(observation.temp_c, observation.dew_point_c, temp, dew)
    weather = weather_facts(
        observation.weather,
        observable=_observable(observation),
        freezing_or_frozen=observation.freezing_or_frozen,
        unseen=_unseen(observation),
    )
    light = light_facts(station, observation.observed_at)
    night = light.get("is_night")
    assert night is None or isinstance(night, bool)
    values.update(weather)
    values.update(light)
    values.update(cloud_facts(observation.clouds, observation.vertical_visibility_ft, cavok=observation.cavok))
    values["snow_intensity"] = snow_word(observation.weather, weather, observation.visibility_m, temp, night)
    values.update(_plain_facts(observation, now))
    values.update(_past_facts(observation, history))
    return Facts(
        station=observation.station,
        at=observation.observed_at,
        kind=Kind.OBSERVED,
        values=values,
        intervals=intervals,
        reported_at=observation.observed_at,
    )


def moment_of(observation: Observation) -> Moment:
    """Return the short form of a report that the history keeps."""
    falls = fell(observation.weather)
    warm = observation.temp_c is not None and observation.temp_c > 0
    wet = leaves_water(observation.weather, warm=warm) or leaves_water(_recent(observation), warm=warm)
    unseen = not _observable(observation) or _cannot_tell_precipitation(observation)
    return Moment(
        observed_at=observation.observed_at,
        routine=observation.kind == "METAR",
        temp_c=observation.temp_c,
        precipitation=True if falls else None if unseen else False,
        wet=True if wet else None if unseen else False,
    )


def fell(texts: Iterable[str]) -> bool:
    """Return whether one of these weather groups is precipitation at the station."""
    return any(group.falls for group in groups_of(texts))


def leaves_water(texts: Iterable[str], *, warm: bool) -> bool:
    """Return whether one of these weather groups is rain or drizzle, or frozen precipitation that melts in warm air."""
    return any(group.is_liquid_precipitation or (warm and group.is_frozen_precipitation) for group in groups_of(texts))


def _interval(low: float | None, high: float | None) -> Interval | None:
    return None if low is None or high is None else (low, high)


def _observable(observation: Observation) -> bool:
    return observation.weather_observable and not observation.remarks.present_weather_sensor_off


def _cannot_tell_precipitation(observation: Observation) -> bool:
    """Return whether the station, by its kind, reports no precipitation that falls (FMH-1: AO1)."""
    ao1 = observation.auto and observation.remarks.precipitation_sensor == "AO1"
    return ao1 and not fell(observation.weather)


def _unseen(observation: Observation) -> frozenset[str]:
    """Return the marks for what may be there unseen while it is cold enough for it to freeze."""
    unread = observation.weather_unread_may_freeze
    if observation.freezing_or_frozen is not None and not unread and not _cold(observation):
        return frozenset()
    rain_sensor_off = observation.remarks.freezing_rain_sensor_off
    marks = {UNSEEN_FREEZING_RAIN} if rain_sensor_off else set()
    # Where no group was left unread, a sensor that is off is why nothing can be ruled out.
    unexplained = observation.freezing_or_frozen is None and not rain_sensor_off
    if unread or unexplained or not _observable(observation) or _cannot_tell_precipitation(observation):
        marks.add(UNSEEN)
    return frozenset(marks)


def _cold(observation: Observation) -> bool:
    return observation.temp_c is None or observation.temp_c <= _COLD_ENOUGH_TO_FREEZE_C


def _plain_facts(observation: Observation, now: datetime) -> dict[str, Value]:
    remarks = observation.remarks
    return {
        "wind_kt": observation.wind_kt,
        "gust_kt": observation.gust_kt,
        "visibility_m": observation.visibility_m,
        "vertical_visibility_ft": observation.vertical_visibility_ft,
        "recent_weather": _recent(observation),
        "report_age_min": (now - observation.observed_at).total_seconds() / 60,
        "doubtful": bool(observation.doubts),
        "weather_unread_may_freeze": observation.weather_unread_may_freeze,
        "ice_accretion": remarks.ice_accretion,
        "freezing_rain_sensor_off": remarks.freezing_rain_sensor_off,
        "present_weather_sensor_off": remarks.present_weather_sensor_off,
        "auto": observation.auto,
        "precipitation_sensor": remarks.precipitation_sensor,
        "snow_depth_cm": remarks.snow_depth_cm,
        "pressure_hpa": observation.pressure_hpa,
    }


def _recent(observation: Observation) -> frozenset[str]:
    if not observation.recent_weather and not observation.remarks.ended:
        return frozenset()
    since = observation.observed_at - _HOUR
    return frozenset(observation.recent_weather) | {code for code, at in observation.remarks.ended if at >= since}


def _past_facts(observation: Observation, history: Sequence[Moment]) -> dict[str, Value]:
    past = [*history, moment_of(observation)]
    return {
        "precipitation_last_h": _precipitation_last_h(past, fell_lately=fell(_recent(observation))),
        "wet_since_freezing": _wet_since_freezing(past),
        "hours_below_zero": _hours_below_zero(past),
    }


def _precipitation_last_h(past: Sequence[Moment], *, fell_lately: bool) -> bool | None:
    now = past[-1].observed_at
    recent = [moment.precipitation for moment in past if now - moment.observed_at <= _PAST_HOUR]
    if fell_lately or True in recent:
        return True
    covered = any(timedelta(0) < now - moment.observed_at <= _PAST_HOUR for moment in past)
    return False if covered and None not in recent else None


def _wet_since_freezing(past: Sequence[Moment]) -> bool | None:
    latest = past[-1]
    if latest.temp_c is None:
        return None
    if latest.temp_c > 0:
        return False
    recent = [moment.wet for moment in past if latest.observed_at - moment.observed_at <= _WET_FOR]
    if True in recent:
        return True
    return False if len(recent) > 1 and None not in recent else None


def _hours_below_zero(past: Sequence[Moment]) -> float | None:
    latest = past[-1]
    if latest.temp_c is None:
        return None
    if latest.temp_c > 0:
        return 0.0
    since = latest.observed_at
    for moment in reversed(past):
        if moment.temp_c is None or moment.temp_c > 0:
            break
        since = moment.observed_at
    return (latest.observed_at - since).total_seconds() / 3600
