"""METAR and SPECI texts to observations. Present is what stands before RMK and the first trend, nothing after it."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Literal

from watcher.reports.body import Body, read_body
from watcher.reports.dating import WrongTime, report_date
from watcher.reports.model import Observation, Unreadable
from watcher.reports.remarks import RemarkValues, read_remarks

STATION = re.compile(r"[A-Z][A-Z0-9]{3}")
_HEAD = re.compile(
    r"((?:(?:COR|AUTO|RTD) )*)([A-Z][A-Z0-9]{3})((?: (?:COR|AUTO|RTD|NIL))*) (\d{2})(\d{2})(\d{2})(Z?)(?: |$)"
)
_COLOUR = r"(?:BLU\+?|WHT|GRN|YLO[12]?|AMB|RED)"
# The first letters alone rule out most groups, and twice as fast.
_TREND = re.compile(
    rf" (?=[ABFGINPRTWY])(?=(?:TEMPO|BECMG|NOSIG|INTER|FM\d{{4}}|PROB\d{{2}}|(?:BLACK)?{_COLOUR}{{1,2}}|BLACK)(?: |$))"
)
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
    present, *trend = _TREND.split(main)
    head = _HEAD.match(present)
    if head is None:
        return _without_head(present.split(), raw)
    before, station, after, day, hour, minute, zulu = head.groups()
    try:
        observed_at = report_date(int(day), int(hour), int(minute), received_at)
    except WrongTime as error:
        return Unreadable(raw, str(error), station)
    tokens = present[head.end() :].split()
    body = read_body([*(before + after).split(), *tokens] if before or after else tokens)
    if not zulu:
        body.doubts.append(f"{day}{hour}{minute}: a time without Z")
    values = read_remarks(remark, observed_at, tuple(body.runway_state))
    return _observation(kind, station, observed_at, raw, body, values, tuple(trend))


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
    trend: tuple[str, ...],
) -> Observation:
    temp, dew = _temperatures(body, values)
    wind = body.wind
    nil = body.nil
    # By place, in the order of the fields: by name it takes half as long again, and this is done for every report.
    return Observation(
        kind,
        station,
        observed_at,
        raw,
        body.auto,
        body.correction,
        nil,
        *temp,
        *dew,
        wind.from_deg if wind is not None else None,
        wind.variable if wind is not None else False,
        wind.kt if wind is not None else None,
        wind.gust_kt if wind is not None else None,
        body.visibility_m,
        body.visibility_bound,
        body.vertical_visibility_ft,
        body.cavok,
        tuple([group.text for group in body.weather]) if body.weather else (),
        body.weather_observable and not nil,
        tuple(body.recent) if body.recent else (),
        tuple(body.clouds) if body.clouds is not None else None,
        body.pressure_hpa,
        None if nil else _freezing_or_frozen(body, values, temp[0]),
        values.remarks,
        trend,
        tuple(body.doubts) if body.doubts else (),
    )


def _freezing_or_frozen(body: Body, values: RemarkValues, temp_c: float | None) -> bool | None:
    if body.weather and any(group.freezes for group in body.weather):
        return True
    if body.unread_may_freeze:
        return None
    if temp_c is not None and temp_c > _WARM_ENOUGH_C:
        return False
    remarks = values.remarks
    blind = remarks.freezing_rain_sensor_off or remarks.present_weather_sensor_off or not body.weather_observable
    return None if blind else False


_Triple = tuple[float | None, float | None, float | None]
_UNKNOWN: _Triple = (None, None, None)


def _temperatures(body: Body, values: RemarkValues) -> tuple[_Triple, _Triple]:
    """Return temperature and dew point; tenths from the remarks replace whole degrees where the two agree."""
    group = body.temperature
    temp: _Triple = group.temp_c if group is not None and group.temp_c is not None else _UNKNOWN
    dew: _Triple = group.dew_point_c if group is not None and group.dew_point_c is not None else _UNKNOWN
    if values.temp_c is not None:
        temp = _finer(temp, values.temp_c, "temperature", body)
    if values.dew_point_c is not None:
        dew = _finer(dew, values.dew_point_c, "dew point", body)
    temp = _possible(temp, "temperature", body)
    dew = _possible(dew, "dew point", body)
    if temp[0] is not None and dew[0] is not None and dew[0] > temp[0] + 1:
        body.doubts.append(f"dew point {dew[0]:g}: above the temperature {temp[0]:g}, left out")
        dew = _UNKNOWN
    return temp, dew


def _finer(whole: _Triple, tenths: float, name: str, body: Body) -> _Triple:
    if whole[0] is not None and abs(whole[0] - tenths) > 1.0:
        body.doubts.append(f"{name} {tenths:g} in the remarks: does not agree with {whole[0]:g}, passed over")
        return whole
    return tenths, round(tenths - 0.05, 2), round(tenths + 0.05, 2)


def _possible(value: _Triple, name: str, body: Body) -> _Triple:
    if value[0] is None or _COLDEST_C <= value[0] <= _WARMEST_C:
        return value
    body.doubts.append(f"{name} {value[0]:g}: not possible, left out")
    return _UNKNOWN
