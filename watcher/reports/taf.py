"""TAF texts to forecasts: split into its periods, each read with the same token readers as a METAR.

Sources: WMO-No. 306, FM 51 TAF; ICAO Annex 3, chapter 6, for when one is issued. Military groups of icing (6....) and
turbulence (5....) are aloft and raise nothing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from watcher.reports.body import Body, read_body
from watcher.reports.dating import WrongTime, nearest_date, report_date
from watcher.reports.metar import STATION
from watcher.reports.model import Forecast, ForecastTemperature, Period, Unreadable

_ISSUED = re.compile(r"(\d{6})(Z?)")
_VALID = re.compile(r"(\d{2})(\d{2})/(\d{2})(\d{2})")
_VALID_OLD = re.compile(r"(\d{2})(\d{2})(\d{2})")
_FROM = re.compile(r"FM(\d{2})(\d{2})(\d{2})?")
_HOURS = re.compile(r"(\d{2})(\d{2})")
_PROBABILITY = re.compile(r"PROB(30|40)")
_EXTREME = re.compile(r"T([XN])?(M?\d{2})/(\d{2})?(\d{2})Z?")
_ALOFT = re.compile(r"[56]\d{5}")
_NOT_PRESENT = re.compile(r"QNH\d{4}INS|WS\d{3}/\d{5,6}KT|LAST|NO|AMDS?|SKED|AFT(?:ER)?|CNL|FCST|COR|\d{4}Z?")

# ICAO Annex 3, 6.2: not earlier than one hour before the beginning of its validity.
_EARLIEST_ISSUE = timedelta(hours=1)

Change = Literal["BASE", "FM", "BECMG", "TEMPO", "PROB"]


@dataclass(frozen=True, slots=True)
class _Part:
    """One change group before it is read: its kind, its probability, its own times (None: those of the whole)."""

    change: Change
    probability: Literal[30, 40] | None
    begins_at: datetime | None
    ends_at: datetime | None
    tokens: tuple[str, ...]


def decode_taf(text: str, *, received_at: datetime, raw: str) -> Forecast | Unreadable:
    """Return what a TAF says.

    Parameters
    ----------
    text
        Normalised, without the leading word TAF.
    received_at
        Gives month and year.
    raw
        The text as received.
    """
    tokens = text.split()
    marks = []
    while tokens and tokens[0] in {"TAF", "AMD", "COR", "RTD"}:
        marks.append(tokens.pop(0))
    if not tokens or STATION.fullmatch(tokens[0]) is None:
        return Unreadable(raw, "no station where one should stand")
    station = tokens.pop(0)
    while tokens and tokens[0] in {"AMD", "COR", "RTD"}:
        marks.append(tokens.pop(0))
    doubts: list[str] = []
    try:
        issued_at, tokens = _issued(tokens, received_at, doubts, is_first=not marks)
        return _forecast(station, issued_at, tokens, marks, doubts, raw)
    except WrongTime as error:
        return Unreadable(raw, str(error), station)


def _issued(
    tokens: list[str], received_at: datetime, doubts: list[str], *, is_first: bool
) -> tuple[datetime, list[str]]:
    """Return when a forecast was issued, and the tokens after that.

    Six digits without Z are a time of issue only before a validity: the form before 2008 has its validity so. Without
    a time of issue, a forecast that is neither amended nor corrected and is in force or will be within the hour is
    taken for as old as it can be, so that it comes before every other one of its validity.
    """
    match = _ISSUED.fullmatch(tokens[0]) if tokens else None
    if match is not None and (match[2] or _goes_on(tokens[1:])):
        if not match[2]:
            doubts.append(f"{tokens[0]}: a time without Z")
        return report_date(match[1], received_at), tokens[1:]
    if is_first and tokens and _VALID.fullmatch(tokens[0]):
        begins_at, ends_at = _validity(tokens[0], received_at) or (received_at, received_at)
        if begins_at - _EARLIEST_ISSUE <= received_at < ends_at:
            doubts.append(f"{tokens[0]}: no time of issue before it, taken for an hour before it begins")
            return begins_at - _EARLIEST_ISSUE, tokens
    raise WrongTime(f"{tokens[0] if tokens else 'nothing'}: no time of issue")


def _goes_on(tokens: Sequence[str]) -> bool:
    """Return whether tokens go on as after a time of issue: with a validity, or NIL."""
    after = next((token for token in tokens if token not in {"AMD", "COR"}), "")
    return after == "NIL" or (_VALID.fullmatch(after) or _VALID_OLD.fullmatch(after)) is not None


def _forecast(  # noqa: PLR0917 - private, called once
    station: str, issued_at: datetime, tokens: list[str], marks: list[str], doubts: list[str], raw: str
) -> Forecast | Unreadable:
    while tokens and tokens[0] in {"AMD", "COR"}:
        marks.append(tokens.pop(0))
    amendment, correction = "AMD" in marks, bool({"COR", "RTD"} & set(marks))
    if "NIL" in tokens[:2]:
        return Forecast(
            station, issued_at, raw, amendment=amendment, correction=correction, nil=True, doubts=tuple(doubts)
        )
    validity = _validity(tokens[0], issued_at) if tokens else None
    if validity is None:
        return Unreadable(raw, f"{tokens[0] if tokens else 'nothing'}: no period of validity", station)
    begins_at, ends_at = validity
    rest = tokens[1:]
    cancelled = "CNL" in rest[:1]
    rest, temps = _take_temperatures(rest, begins_at, doubts)
    parts = [] if cancelled else _split(rest, begins_at, ends_at, doubts)
    periods = _periods(parts, begins_at, ends_at, doubts)
    return Forecast(
        station,
        issued_at,
        raw,
        begins_at=begins_at,
        ends_at=ends_at,
        amendment=amendment,
        correction=correction,
        cancelled=cancelled,
        periods=periods,
        temps=temps,
        doubts=tuple(doubts),
    )


def _validity(token: str, issued_at: datetime) -> tuple[datetime, datetime] | None:
    match = _VALID.fullmatch(token)
    if match is not None:
        begins_at = nearest_date(int(match[1]), int(match[2]), 0, issued_at)
        ends_at = nearest_date(int(match[3]), int(match[4]), 0, begins_at + timedelta(hours=12))
        return (begins_at, ends_at) if ends_at > begins_at else None
    match = _VALID_OLD.fullmatch(token)
    if match is None:
        return None
    begins_at = nearest_date(int(match[1]), int(match[2]), 0, issued_at)
    return begins_at, _next_hour(int(match[3]), begins_at)


def _next_hour(hour: int, after: datetime) -> datetime:
    """Return the first time after `after` at a full hour of the day; 24 is midnight."""
    date = after.replace(hour=hour % 24, minute=0)
    return date if date > after else date + timedelta(days=1)


def _take_temperatures(
    tokens: list[str], begins_at: datetime, doubts: list[str]
) -> tuple[list[str], tuple[ForecastTemperature, ...]]:
    """Take TX and TN out; a group without X or N follows one that had it and is of the same kind."""
    rest: list[str] = []
    temps: list[ForecastTemperature] = []
    kind: Literal["max", "min"] = "max"
    for token in tokens:
        match = _EXTREME.fullmatch(token)
        if match is None:
            rest.append(token)
            continue
        if match[1]:
            kind = "max" if match[1] == "X" else "min"
        value = -float(match[2][1:]) if match[2].startswith("M") else float(match[2])
        try:
            hour = int(match[4])
            at = (
                nearest_date(int(match[3]), hour, 0, begins_at + timedelta(hours=12))
                if match[3]
                else _next_hour(hour, begins_at - timedelta(hours=1))
            )
        except (WrongTime, ValueError) as error:
            doubts.append(f"{token}: {error}")
            continue
        temps.append(ForecastTemperature(kind, value, at))
    return rest, tuple(temps)


def _split(tokens: Sequence[str], begins_at: datetime, ends_at: datetime, doubts: list[str]) -> list[_Part]:
    parts: list[_Part] = []
    change: Change = "BASE"
    probability: Literal[30, 40] | None = None
    start, stop = begins_at, ends_at
    gathered: list[str] = []
    index = 0
    in_remark = False

    def close() -> None:
        parts.append(_Part(change, probability, start, stop, tuple(gathered)))
        gathered.clear()

    while index < len(tokens):
        token = tokens[index]
        index += 1
        from_match, prob_match = _FROM.fullmatch(token), _PROBABILITY.fullmatch(token)
        if from_match is None and prob_match is None and token not in {"BECMG", "TEMPO", "INTER"}:
            # Some centres write remarks between the groups: they last until the next group.
            in_remark = in_remark or token == "RMK"
            if not in_remark and not _says_nothing_here(token):
                gathered.append(token)
            continue
        in_remark = False
        close()
        if from_match is not None:
            change, probability, stop = "FM", None, ends_at
            start = _from_time(from_match, begins_at, doubts)
            continue
        probability = None
        if prob_match is not None:
            probability = 30 if prob_match[1] == "30" else 40
            change = "PROB"
            if index < len(tokens) and tokens[index] in {"TEMPO", "INTER"}:
                change, index = "TEMPO", index + 1
        else:
            change = "BECMG" if token == "BECMG" else "TEMPO"
        start, stop = begins_at, ends_at
        span = _span(tokens[index], begins_at) if index < len(tokens) else None
        if span is None:
            doubts.append(f"{token}: without its own times, taken for the whole period")
        else:
            start, stop = span
            index += 1
    close()
    return parts


def _says_nothing_here(token: str) -> bool:
    """Return whether a token is about what is aloft, or about the forecast itself."""
    is_visibility = len(token) == 4 and token.isdigit()
    return not is_visibility and (_ALOFT.fullmatch(token) or _NOT_PRESENT.fullmatch(token)) is not None


def _from_time(match: re.Match[str], begins_at: datetime, doubts: list[str]) -> datetime:
    try:
        if match[3] is not None:
            return nearest_date(int(match[1]), int(match[2]), int(match[3]), begins_at + timedelta(hours=12))
        return _next_hour(int(match[1]), begins_at - timedelta(hours=1)).replace(minute=int(match[2]))
    except (WrongTime, ValueError) as error:
        doubts.append(f"{match[0]}: {error}")
        return begins_at


def _span(group: str, begins_at: datetime) -> tuple[datetime, datetime] | None:
    match = _VALID.fullmatch(group)
    try:
        if match is not None:
            start = nearest_date(int(match[1]), int(match[2]), 0, begins_at + timedelta(hours=12))
            stop = nearest_date(int(match[3]), int(match[4]), 0, start + timedelta(hours=6))
            return (start, stop) if stop > start else None
        match = _HOURS.fullmatch(group)
        if match is None or int(match[1]) > 24 or int(match[2]) > 24:
            return None
        start = _next_hour(int(match[1]), begins_at - timedelta(hours=1))
        return start, _next_hour(int(match[2]), start)
    except WrongTime:
        return None


def _periods(parts: Sequence[_Part], begins_at: datetime, ends_at: datetime, doubts: list[str]) -> tuple[Period, ...]:
    """Read the parts; BASE and FM last until the next FM."""
    starts = sorted(part.begins_at for part in parts if part.change == "FM" and part.begins_at is not None)
    periods = []
    for part in parts:
        start, stop = part.begins_at or begins_at, part.ends_at or ends_at
        if part.change in {"BASE", "FM"}:
            stop = next((later for later in starts if later > start), ends_at)
        body = read_body(" ".join(part.tokens))
        doubts.extend(body.doubts)
        periods.append(_period(part, start, stop, body))
    return tuple(periods)


def _period(part: _Part, start: datetime, stop: datetime, body: Body) -> Period:
    wind = body.wind
    named = bool(body.weather) or body.weather_ends or body.cavok or part.change in {"BASE", "FM"}
    return Period(
        change=part.change,
        probability=part.probability,
        begins_at=start,
        ends_at=stop,
        wind_from_deg=wind.from_deg if wind is not None else None,
        wind_variable=wind.variable if wind is not None else False,
        wind_kt=wind.kt if wind is not None else None,
        gust_kt=wind.gust_kt if wind is not None else None,
        visibility_m=body.visibility_m,
        visibility_bound=body.visibility_bound,
        vertical_visibility_ft=body.vertical_visibility_ft,
        cavok=body.cavok,
        weather=body.weather if named else None,
        weather_ends=body.weather_ends,
        clouds=body.clouds,
        weather_unread_may_freeze=body.unread_may_freeze or body.unread_may_be_wet,
    )
