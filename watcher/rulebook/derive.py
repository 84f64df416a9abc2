"""The facts that follow from other values, the same for a report and for a forecast."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from watcher.physics.humidity import frost_point_c, relative_humidity_pct
from watcher.physics.sun import is_night, sun_elevation_deg
from watcher.reports.model import CloudLayer
from watcher.reports.station import Station
from watcher.reports.weather import WeatherGroup, parse_weather
from watcher.rulebook.facts import Value
from watcher.rulebook.snow import Snowfall, snowfall

# Stands among the weather groups when precipitation or freezing weather could not be seen or read: its absence is none.
UNSEEN = "//"
# The same for freezing rain and drizzle alone: the sensor that tells them is off, everything else is seen.
UNSEEN_FREEZING_RAIN = "FZ//"

Interval = tuple[float, float]
_AMOUNTS = {"FEW": 1, "SCT": 2, "BKN": 3, "OVC": 4}
_BROKEN = _AMOUNTS["BKN"]
_CLEAR = frozenset({"SKC", "CLR", "NSC", "NCD"})


def humidity_facts(
    temp_c: float | None, dew_point_c: float | None, temp: Interval | None, dew: Interval | None
) -> tuple[dict[str, Value], dict[str, Interval]]:
    """Return temperature, dew point and what follows from both, with intervals.

    Parameters
    ----------
    temp_c, dew_point_c
        Nominal values in °C, None when unknown.
    temp, dew
        What rounding or doubt leaves of them, (low, high) in °C.
    """
    values: dict[str, Value] = {
        "temp_c": temp_c,
        "dew_point_c": dew_point_c,
        "temperature_known": temp_c is not None,
    }
    intervals: dict[str, Interval] = {}
    if temp is not None:
        intervals["temp_c"] = temp
    if dew_point_c is not None:
        values["frost_point_c"] = frost_point_c(dew_point_c)
        if dew is not None:
            intervals["dew_point_c"] = dew
            intervals["frost_point_c"] = (frost_point_c(dew[0]), frost_point_c(dew[1]))
    if temp_c is not None and dew_point_c is not None:
        # Rounding can put the dew point above the temperature; the air is saturated then.
        values["spread_c"] = max(0.0, temp_c - dew_point_c)
        values["relative_humidity_pct"] = min(100.0, relative_humidity_pct(temp_c, dew_point_c))
        if temp is not None and dew is not None:
            intervals["spread_c"] = (max(0.0, temp[0] - dew[1]), max(0.0, temp[1] - dew[0]))
            intervals["relative_humidity_pct"] = (
                min(100.0, relative_humidity_pct(temp[1], dew[0])),
                min(100.0, relative_humidity_pct(temp[0], dew[1])),
            )
    return values, intervals


def light_facts(station: Station, when: datetime) -> dict[str, Value]:
    """Return the sun's elevation and whether it is night; nothing without a position."""
    if station.latitude_deg is None or station.longitude_deg is None:
        return {}
    elevation = sun_elevation_deg(station.latitude_deg, station.longitude_deg, when)
    return {"sun_elevation_deg": elevation, "is_night": is_night(elevation)}


def groups_of(texts: Iterable[str]) -> tuple[WeatherGroup, ...]:
    """Return the parsed groups of weather texts."""
    return tuple(group for text in texts if (group := parse_weather(text)) is not None)


def weather_facts(
    texts: Sequence[str],
    *,
    observable: bool,
    freezing_or_frozen: bool | None,
    unseen: frozenset[str] = frozenset(),
) -> dict[str, Value]:
    """Return the weather groups and what they mean; unknown where they could not be seen or read.

    Parameters
    ----------
    texts
        Present or forecast weather groups.
    observable
        False when the weather is reported as not known.
    freezing_or_frozen
        Whether anything freezing or frozen is in the air, None when it cannot be ruled out.
    unseen
        Marks for what could not be seen: UNSEEN, UNSEEN_FREEZING_RAIN.
    """
    groups = groups_of(texts)
    if freezing_or_frozen is None and not unseen:
        unseen = frozenset({UNSEEN})
    blind = UNSEEN in unseen or not observable
    return {
        "weather": None if not observable and not texts else frozenset(texts) | unseen,
        "freezing_or_frozen": None if unseen and not freezing_or_frozen else freezing_or_frozen,
        "freezing_precipitation": _or_else(
            any(group.is_freezing_precipitation for group in groups), blind=blind or bool(unseen)
        ),
        "frozen_precipitation": _or_else(any(group.is_frozen_precipitation for group in groups), blind=blind),
        "weather_observable": observable,
    }


def _or_else(seen: bool, *, blind: bool) -> bool | None:
    return True if seen else None if blind else False


def snow_word(
    texts: Sequence[str],
    weather: dict[str, Value],
    visibility_m: float | None,
    temp: Interval | None,
    night: bool | None,
) -> str | None:
    """Return the fact `snow_intensity`: a word, "none" where no snow falls, None where it cannot be told."""
    falling = [group for group in groups_of(texts) if group.falls and not {"SN", "SG"}.isdisjoint(group.phenomena)]
    if not falling:
        return None if weather["frozen_precipitation"] is None else Snowfall.NONE.word
    if any(group.sign == "+" for group in falling):
        return Snowfall.HEAVY.word
    if visibility_m is None or temp is None:
        return None
    return snowfall(visibility_m, temp[0], temp[1], night=night).word


def cloud_facts(
    clouds: Sequence[CloudLayer] | None, vertical_visibility_ft: int | None, *, cavok: bool
) -> dict[str, Value]:
    """Return ceiling and largest cloud amount."""
    ceiling_ft, cover = ceiling_and_cover(clouds, vertical_visibility_ft, cavok)
    return {"ceiling_ft": ceiling_ft, "cloud_cover": cover}


def ceiling_and_cover(
    clouds: Sequence[CloudLayer] | None, vertical_visibility_ft: int | None, cavok: bool
) -> tuple[int | None, str | None]:
    """Return the facts `ceiling_ft` and `cloud_cover`; for each None where it is not known or there is none."""
    if vertical_visibility_ft is not None:
        return vertical_visibility_ft, "VV"
    if cavok:
        return None, "CLR"
    if clouds is None:
        return None, None
    cover, most, ceiling_ft = None, -1, None
    for layer in clouds:
        if layer.amount is None:
            continue
        amount = _AMOUNTS.get(layer.amount, 0)
        if amount > most:
            cover, most = layer.amount, amount
        if amount >= _BROKEN and layer.base_ft is not None and (ceiling_ft is None or layer.base_ft < ceiling_ft):
            ceiling_ft = layer.base_ft
    return ceiling_ft, "CLR" if cover in _CLEAR else cover
