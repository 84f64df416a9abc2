"""An IWXXM TAF element as a text forecast, with the values that the text would round."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Literal

from lxml import etree

from watcher.reports.iwxxm_groups import Exact, Groups, add_conditions
from watcher.reports.iwxxm_told import Told, instant, period
from watcher.reports.iwxxm_values import CELSIUS, Reading, by_name, children, first, inner, is_true, nil_of, station_of
from watcher.reports.model import ForecastTemperature

_CHANGES = {
    "BECOMING": "BECMG",
    "TEMPORARY_FLUCTUATIONS": "TEMPO",
    "FROM": "FM",
    "PROBABILITY_30": "PROB30",
    "PROBABILITY_30_TEMPORARY_FLUCTUATIONS": "PROB30 TEMPO",
    "PROBABILITY_40": "PROB40",
    "PROBABILITY_40_TEMPORARY_FLUCTUATIONS": "PROB40 TEMPO",
}
_MARKS = {"AMENDMENT": "AMD", "CORRECTION": "COR"}
_MOST_CHANGES = 60
_EXTREMES: tuple[tuple[Literal["max", "min"], str], ...] = (
    ("max", "maximumAirTemperature"),
    ("min", "minimumAirTemperature"),
)

_Span = tuple[datetime, datetime]


def told_by_forecast(node: etree._Element) -> Told:
    """Return what a TAF element of any version from 3.0 on says."""
    reading = Reading(node)
    found = by_name(node)
    station = station_of(reading, first(found, "aerodrome"))
    issued = first(found, "issueTime")
    at = instant(reading.target(issued)) if issued is not None else None
    if station is None or at is None:
        return Told("TAF", "", station, at, {}, error="no station is named" if station is None else "it has no time")
    head = ["TAF", _MARKS.get(node.get("reportStatus", ""), ""), station, f"{at:%d%H%M}Z"]
    text = " ".join(word for word in head if word)
    base = first(found, "baseForecast")
    cancelled = is_true(node, "isCancelReport")
    if not cancelled and (base is None or nil_of(base) is not None):
        return Told("TAF", f"{text} NIL", station, at, {"issued_at": at}, doubts=tuple(reading.doubts))
    spans = [_span(reading, first(found, f"{name}alidPeriod")) for name in ("v", "cancelledReportV")]
    span = spans[0] or spans[1]
    if span is None:
        return Told("TAF", "", station, at, {}, error="it has no period of validity")
    exact: Exact = {"issued_at": at, "begins_at": span[0], "ends_at": span[1]}
    text = f"{text} {_span_group(span)}"
    if cancelled or base is None:
        return Told("TAF", f"{text} CNL", station, at, exact, doubts=tuple(reading.doubts))
    return _whole(text, station, at, exact, (base, *found.get("changeForecast", ())), span, reading)


def _whole(  # noqa: PLR0917 - private, called once
    text: str,
    station: str,
    at: datetime,
    exact: Exact,
    forecasts: tuple[etree._Element, ...],
    span: _Span,
    reading: Reading,
) -> Told:
    if len(forecasts) > _MOST_CHANGES:
        return Told("TAF", "", station, at, {}, error=f"more changes than any forecast has ({len(forecasts) - 1})")
    words, periods, may_freeze = [text], [], False
    temps: list[ForecastTemperature] = []
    for index, forecast in enumerate(forecasts):
        for node in children(forecast, "MeteorologicalAerodromeForecast"):
            groups = Groups()
            words += _change(groups, node, span, reading) if index else ()
            add_conditions(groups, node, reading, none="NSW")
            found = list(_temperatures(node, reading))
            words += [*groups.words, *map(_temperature_group, found)]
            temps += found
            if groups.may_freeze:
                groups.exact["weather_unread_may_freeze"] = True
            periods.append(groups.exact)
            may_freeze = may_freeze or groups.may_freeze
    if temps:
        exact["temps"] = tuple(temps)
    if may_freeze:
        reading.doubts.append("a group of it may mean something freezing that could not be read")
    doubts = tuple(reading.doubts)
    return Told("TAF", " ".join(words), station, at, exact, tuple(periods), may_freeze=may_freeze, doubts=doubts)


def _change(groups: Groups, node: etree._Element, validity: _Span, reading: Reading) -> Iterator[str]:
    indicator = node.get("changeIndicator", "")
    change = _CHANGES.get(indicator)
    if change is None:
        reading.doubts.append("a change of a kind that is not known, taken for TEMPO")
        change = "TEMPO"
    span = _span(reading, inner(node, "phenomenonTime"))
    if span is None:
        reading.doubts.append(f"{change}: without its own times, taken for the whole period")
        span = validity
    groups.exact["begins_at"] = span[0]
    if change == "FM":
        yield f"FM{span[0]:%d%H%M}"
    else:
        groups.exact["ends_at"] = span[1]
        yield f"{change} {_span_group(span)}"


def _span(reading: Reading, node: etree._Element | None) -> _Span | None:
    if node is None:
        return None
    target = reading.target(node)
    begins_at, ends_at = period(target)
    return (begins_at, ends_at) if begins_at is not None and ends_at is not None and ends_at > begins_at else None


def _span_group(span: _Span) -> str:
    """Return 1600/1618: whole hours, midnight at the end as hour 24."""
    ends_at = span[1]
    last = f"{ends_at:%d%H}" if ends_at.hour else f"{ends_at - timedelta(hours=1):%d}24"
    return f"{span[0]:%d%H}/{last}"


def _temperatures(node: etree._Element, reading: Reading) -> Iterator[ForecastTemperature]:
    for each in children(node, "temperature"):
        for group in each:
            found = by_name(group)
            for kind, name in _EXTREMES:
                value = reading.quantity(first(found, name), CELSIUS, "forecast temperature")
                when = first(found, f"{name}Time")
                at = instant(reading.target(when)) if when is not None else None
                if value is not None and at is not None and abs(value.value) < 99:
                    yield ForecastTemperature(kind, value.value + 0.0, at)


def _temperature_group(temp: ForecastTemperature) -> str:
    degrees = int((temp.temp_c + 0.5) // 1)
    return f"T{'X' if temp.kind == 'max' else 'N'}{'M' if degrees < 0 else ''}{abs(degrees):02d}/{temp.at:%d%H}Z"
