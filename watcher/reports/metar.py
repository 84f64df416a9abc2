"""METAR and SPECI texts to observations. Present is what stands before RMK and the first trend, nothing after it."""

from __future__ import annotations

import re
from datetime import datetime
from functools import lru_cache
from typing import Literal

from watcher.reports.body import Body, read_body
from watcher.reports.dating import WrongTime, report_date
from watcher.reports.groups import Temperature, Wind
from watcher.reports.model import Observation, Remarks, Unreadable
from watcher.reports.remarks import RemarkValues, read_remarks

STATION = re.compile(r"[A-Z][A-Z0-9]{3}")
_HEAD = re.compile(r"((?:(?:COR|AUTO|RTD) )*)([A-Z][A-Z0-9]{3})((?: (?:COR|AUTO|RTD|NIL))*) (\d{6})(Z?)(?: |$)")
_NO_WIND = Wind(None, variable=False, kt=None, gust_kt=None)
_WARM_ENOUGH_C = 3.0
_COLDEST_C, _WARMEST_C = -80.0, 60.0

Kind = Literal["METAR", "SPECI"]


def decode_metar(text: str, *, received_at: datetime, kind: Kind, raw: str) -> Observation | Unreadable:
    """Return what a METAR or SPECI says.

    Parameters
    ----------
    text
        Normalised, without the type word.
    received_at
        Gives month and year.
    kind
        METAR or SPECI, as the text or the feed says.
    raw
        The text as received.
    """
    main, remark = _partition_remarks(text)
    head = _HEAD.match(main)
    if head is None:
        return _without_head(main.split(), raw)
    before, station, after, time, zulu = head.groups()
    try:
        observed_at = report_date(time, received_at)
    except WrongTime as error:
        return Unreadable(raw, str(error), station)
    groups = main[head.end() :]
    body = read_body(f"{before}{after} {groups}" if before or after else groups, until_trend=True)
    if body.visibility_m is None and body.clouds is None and not body.weather:
        _tell_nothing_seen(body, groups)
    if not zulu:
        body.doubts += (f"{time}: a time without Z",)
    values = read_remarks(remark, observed_at, body.runway_state)
    return _observation(kind, station, observed_at, raw, body, values)


def _tell_nothing_seen(body: Body, groups: str) -> None:
    """Say that the weather is not known where visibility and cloud are not either: no weather is then no absence.

    An automatic station that sends nothing of the three, but its temperature or pressure, has no eyes: no doubt.
    """
    if body.vertical_visibility_ft is not None or body.nil or not body.weather_observable:
        return
    body.weather_observable = False
    if not body.temperature and not body.pressure_hpa and "//" not in groups:
        body.doubts += ("weather: not known, the report ends early",)
    elif not body.auto or "//" in groups:
        body.doubts += ("weather: not known, as visibility and cloud",)


def _without_head(tokens: list[str], raw: str) -> Unreadable:
    """Say what is wrong with a text that does not begin with a station and a time."""
    words = [token for token in tokens if token not in {"COR", "AUTO", "RTD", "NIL"}]
    if not words or STATION.fullmatch(words[0]) is None:
        return Unreadable(raw, "no station where one should stand")
    if len(words) == 1:
        return Unreadable(raw, "no time after the station", words[0])
    return Unreadable(raw, f"{words[1]}: no time of observation", words[0])


def _partition_remarks(text: str) -> tuple[str, str]:
    before, found, after = text.partition(" RMK")
    return before, after.removeprefix("S").strip() if found else ""


def _observation(  # noqa: PLR0917 - private, called once
    kind: Kind,
    station: str,
    observed_at: datetime,
    raw: str,
    body: Body,
    values: RemarkValues,
) -> Observation:
    temps, doubts = _temperatures(body.temperature, values.temp_c, values.dew_point_c)
    nil = body.nil
    unread = (body.unread_may_be_wet or body.unread_may_freeze) and not nil and _unread_may_freeze(body, temps[0])
    # In the order of the fields, in half the time that it takes by name; this is done for every report.
    return Observation._make(
        (
            kind,
            station,
            observed_at,
            raw,
            body.auto,
            body.correction,
            nil,
            *temps,
            *(body.wind or _NO_WIND),
            body.visibility_m,
            body.visibility_bound,
            body.vertical_visibility_ft,
            body.cavok,
            body.weather,
            body.weather_observable and not nil,
            body.recent,
            body.clouds,
            body.pressure_hpa,
            None if nil else _freezing_or_frozen(body, values.remarks, temps[0], unread=unread),
            values.remarks,
            body.trend,
            body.doubts + doubts,
            unread,
            None,
        )
    )


def _unread_may_freeze(body: Body, temp_c: float | None) -> bool:
    """Return whether what could not be read may freeze: rain or drizzle where it is not warm."""
    return body.unread_may_freeze or (body.unread_may_be_wet and not (temp_c is not None and temp_c > _WARM_ENOUGH_C))


def _freezing_or_frozen(body: Body, remarks: Remarks, temp_c: float | None, *, unread: bool) -> bool | None:
    if body.weather_freezes:
        return True
    if unread:
        return None
    if temp_c is not None and temp_c > _WARM_ENOUGH_C:
        return False
    blind = remarks.freezing_rain_sensor_off or remarks.present_weather_sensor_off or not body.weather_observable
    return None if blind else False


_Triple = tuple[float | None, float | None, float | None]
_UNKNOWN: _Triple = (None, None, None)


# The same few thousand are in all reports.
@lru_cache(maxsize=16384)
def _temperatures(
    group: Temperature | None, temp_tenths_c: float | None, dew_tenths_c: float | None
) -> tuple[tuple[float | None, ...], tuple[str, ...]]:
    """Return temperature and dew point, each with its interval, and doubts.

    Tenths from the remarks replace whole degrees where the two agree.
    """
    doubts: list[str] = []
    temp: _Triple = group.temp_c if group is not None and group.temp_c is not None else _UNKNOWN
    dew: _Triple = group.dew_point_c if group is not None and group.dew_point_c is not None else _UNKNOWN
    if temp_tenths_c is not None:
        temp = _finer(temp, temp_tenths_c, "temperature", doubts)
    if dew_tenths_c is not None:
        dew = _finer(dew, dew_tenths_c, "dew point", doubts)
    temp = _possible(temp, "temperature", doubts)
    dew = _possible(dew, "dew point", doubts)
    if temp[0] is not None and dew[0] is not None and dew[0] > temp[0] + 1:
        doubts.append(f"dew point {dew[0]:g}: above the temperature {temp[0]:g}, left out")
        dew = _UNKNOWN
    return (*temp, *dew), tuple(doubts)


def _finer(whole: _Triple, tenths: float, name: str, doubts: list[str]) -> _Triple:
    if whole[0] is not None and abs(whole[0] - tenths) > 1.0:
        doubts.append(f"{name} {tenths:g} in the remarks: does not agree with {whole[0]:g}, passed over")
        return whole
    return tenths, round(tenths - 0.05, 2), round(tenths + 0.05, 2)


def _possible(value: _Triple, name: str, doubts: list[str]) -> _Triple:
    if value[0] is None or _COLDEST_C <= value[0] <= _WARMEST_C:
        return value
    doubts.append(f"{name} {value[0]:g}: not possible, left out")
    return _UNKNOWN
