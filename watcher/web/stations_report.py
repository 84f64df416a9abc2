"""A station's reports as its page shows them: the text with what matters for icing marked, and the same in words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.notify.wording import plain
from watcher.pictures.taf_chart import change_word, freezes, period_words
from watcher.reports.model import Forecast, Observation, Unreadable
from watcher.reports.weather import parse_weather
from watcher.reports.weather_words import cloud_words, weather_words
from watcher.store.model import KeptReport
from watcher.units import duration_text
from watcher.web.times import Shown, shown_at

_TIME_GROUP = re.compile(r"\d{6}Z")
_TEMPERATURES = re.compile(r"M?\d\d/(M?\d\d|//)?")
# Groups besides weather and temperature that speak of ice: FMH-1 remarks, and TX and TN of FM 51.
_OTHERS = {
    re.compile(r"T[XN]M?\d\d/\d{4}Z"): "highest or lowest temperature",
    re.compile(r"T[01]\d{3}[01]\d{3}"): "temperature and dew point in tenths",
    re.compile(r"ICG|I[136]\d{3}"): "ice building up",
    re.compile(r"FZRANO"): "freezing-rain sensor off",
    re.compile(r"PWINO"): "present-weather sensor off",
}


@dataclass(frozen=True, slots=True)
class Group:
    """One group of a report. `ice`: what it means for icing; "" where it means nothing for it."""

    text: str
    ice: str


@dataclass(frozen=True, slots=True)
class Row:
    """One line in words. `doubt`: what rounding leaves, or what is not known about it."""

    name: str
    said: str
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """A report as received, with its age, and in words."""

    kind: str
    at: Shown
    age: str
    groups: tuple[Group, ...]
    rows: tuple[Row, ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PeriodShown:
    """One period of a TAF in words. `ice`: it brings something freezing or frozen."""

    change: str
    said: str
    ice: bool


@dataclass(frozen=True, slots=True)
class Received:
    """One report of the past hours. `marks`: what is special about it, in words; `delay`: from its time to here."""

    at: Shown
    day: str
    age: str
    kind: str
    marks: tuple[str, ...]
    groups: tuple[Group, ...]
    delay: str
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unread:
    """A text that could not be read, with the reason."""

    raw: str
    error: str


def groups_of_text(raw: str) -> tuple[Group, ...]:
    """Return the groups of a report; what stands before its time says nothing of the weather."""
    found, begun = [], False
    for token in plain(raw).split():
        found.append(Group(token, _ice(token) if begun else ""))
        begun = begun or _TIME_GROUP.fullmatch(token) is not None
    return tuple(found)


def _ice(token: str) -> str:
    weather = parse_weather(token.removeprefix("RE") if len(token) > 3 else token)
    if weather is not None:
        matters = weather.freezes or weather.falls or "FG" in weather.phenomena
        return (weather_words(weather.text) or "") if matters else ""
    if _TEMPERATURES.fullmatch(token):
        return "temperature and dew point"
    return next((words for shape, words in _OTHERS.items() if shape.fullmatch(token)), "")


def observation_text(seen: Observation, zone: str | None, now: datetime) -> Text:
    """Return the latest report for the page."""
    return Text(
        kind=seen.kind,
        at=shown_at(seen.observed_at, zone),
        age=_age(now - seen.observed_at),
        groups=groups_of_text(seen.raw),
        rows=tuple(_rows(seen)),
        doubts=tuple(plain(doubt) for doubt in seen.doubts),
    )


def forecast_text(seen: Forecast, zone: str | None, now: datetime) -> Text:
    """Return the TAF for the page; its periods are told by `periods_of`."""
    return Text(
        kind="TAF" + (" AMD" if seen.amendment else " COR" if seen.correction else ""),
        at=shown_at(seen.issued_at, zone),
        age=_age(now - seen.issued_at),
        groups=groups_of_text(seen.raw),
        rows=tuple(_forecast_rows(seen)),
        doubts=tuple(plain(doubt) for doubt in seen.doubts),
    )


def periods_of(seen: Forecast | None, zone: str | None) -> tuple[PeriodShown, ...]:
    """Return the periods of a TAF in words."""
    if seen is None:
        return ()
    return tuple(
        PeriodShown(change_word(period), period_words(period, zone), freezes(period)) for period in seen.periods
    )


def received(kept: Sequence[KeptReport], zone: str | None, now: datetime) -> tuple[Received, ...]:
    """Return reports as a list, the newest first."""
    return tuple(_received(item, zone, now) for item in kept)


def unread(texts: Sequence[Unreadable]) -> tuple[Unread, ...]:
    """Return what could not be read."""
    return tuple(Unread(plain(text.raw), plain(text.error)) for text in texts)


def _received(kept: KeptReport, zone: str | None, now: datetime) -> Received:
    seen = kept.report.decoded
    assert not isinstance(seen, Unreadable)
    at = seen.issued_at if isinstance(seen, Forecast) else seen.observed_at
    return Received(
        at=shown_at(at, zone),
        day=f"{at:%d %b}",
        age=_age(now - at),
        kind="TAF" if isinstance(seen, Forecast) else seen.kind,
        marks=tuple(_marks(kept, seen)),
        groups=groups_of_text(seen.raw),
        delay=duration_text(max(kept.report.received_at - at, timedelta(0))),
        doubts=tuple(plain(doubt) for doubt in seen.doubts),
    )


def _marks(kept: KeptReport, seen: Observation | Forecast) -> Iterator[str]:
    if isinstance(seen, Forecast):
        yield from (word for word, is_so in (("amended", seen.amendment), ("cancelled", seen.cancelled)) if is_so)
    elif seen.auto:
        yield "automatic"
    if seen.correction:
        yield "corrected"
    if seen.nil:
        yield "empty"
    if kept.superseded:
        yield "replaced by another of the same time"


def _rows(seen: Observation) -> Iterator[Row]:
    if seen.nil:
        yield Row("Report", "empty: the station sent no observation")
        return
    yield Row("Temperature", *_rounded(seen.temp_c, seen.temp_c_low, seen.temp_c_high))
    yield Row("Dew point", *_rounded(seen.dew_point_c, seen.dew_point_c_low, seen.dew_point_c_high))
    yield Row("Wind", _wind(seen))
    yield Row("Visibility", _visibility(seen))
    if seen.vertical_visibility_ft is not None:
        yield Row("Vertical visibility", f"{seen.vertical_visibility_ft} ft")
    yield Row("Weather", _weather(seen), _unseen(seen))
    if seen.recent_weather:
        yield Row("Recent weather", ", ".join(map(_worded, seen.recent_weather)))
    yield Row("Cloud", "none below 5000 ft" if seen.cavok else cloud_words(seen.clouds))
    yield Row("Pressure", "not reported" if seen.pressure_hpa is None else f"{seen.pressure_hpa:.0f} hPa")
    yield from _remarks(seen)
    if seen.trend:
        yield Row("Trend", "; ".join(map(plain, seen.trend)))


def _rounded(value: float | None, low: float | None, high: float | None) -> tuple[str, str]:
    """Return a temperature, and the interval that a whole degree stands for."""
    if value is None:
        return "not reported", ""
    said = f"{round(value, 1) + 0.0:g} °C"
    return said, f"{low + 0.0:g} to {high + 0.0:g} °C by rounding" if low is not None and high is not None else ""


def _wind(seen: Observation) -> str:
    if seen.wind_kt is None:
        return "not reported"
    if seen.wind_kt == 0:
        return "calm"
    known = "not known" if seen.wind_from_deg is None else f"{seen.wind_from_deg:03d}°"
    gusts = f", gusts {seen.gust_kt:.0f} kt" if seen.gust_kt is not None else ""
    return f"{'variable' if seen.wind_variable else known}, {seen.wind_kt:.0f} kt{gusts}"


def _visibility(seen: Observation) -> str:
    if seen.cavok:
        return "10 km or more"
    if seen.visibility_m is None:
        return "not reported"
    if seen.visibility_bound == "at_least":
        return f"{_metres(seen.visibility_m)} or more"
    return f"{'below ' if seen.visibility_bound == 'below' else ''}{_metres(seen.visibility_m)}"


def _metres(visibility_m: float) -> str:
    return "10 km" if visibility_m >= 9999 else f"{visibility_m:.0f} m"


def _weather(seen: Observation) -> str:
    if seen.weather:
        return ", ".join(map(_worded, seen.weather))
    return "none reported" if seen.weather_observable else "the station cannot tell it"


def _unseen(seen: Observation) -> str:
    return "something freezing or frozen cannot be ruled out" if seen.freezing_or_frozen is None else ""


def _worded(code: str) -> str:
    words = weather_words(code)
    return plain(code) if words is None else f"{words} ({code})"


def _remarks(seen: Observation) -> Iterator[Row]:
    remarks = seen.remarks
    said = [
        words
        for words, is_so in (
            ("ice builds up", remarks.ice_accretion),
            ("freezing-rain sensor off", remarks.freezing_rain_sensor_off),
            ("present-weather sensor off", remarks.present_weather_sensor_off),
            ("the sensor cannot tell rain from snow (AO1)", remarks.precipitation_sensor == "AO1"),
        )
        if is_so
    ]
    if remarks.snow_depth_cm is not None:
        said.append(f"snow on the ground {remarks.snow_depth_cm:g} cm")
    said += [f"runway {plain(each)}" for each in remarks.runway_state]
    if said:
        yield Row("Remarks", "; ".join(said))


def _forecast_rows(seen: Forecast) -> Iterator[Row]:
    if seen.cancelled or seen.nil:
        yield Row("TAF", "cancelled: nothing is expected from it" if seen.cancelled else "empty")
    for temp in seen.temps:
        word = "Highest" if temp.kind == "max" else "Lowest"
        yield Row(f"{word} temperature", f"{temp.temp_c + 0.0:g} °C at {temp.at:%d/%H%MZ}")


def _age(age: timedelta) -> str:
    return duration_text(max(age, timedelta(0)))
