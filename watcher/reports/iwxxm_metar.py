"""An IWXXM METAR or SPECI element as a text report, with the values that the text would round."""

from __future__ import annotations

from collections.abc import Iterator

from lxml import etree

from watcher.reports.iwxxm_groups import (
    Exact,
    Found,
    Groups,
    add_cloud,
    add_conditions,
    add_visibility,
    add_weather,
    add_wind,
)
from watcher.reports.iwxxm_runway import add_runway_states, add_sea, add_visual_ranges, add_wind_shear
from watcher.reports.iwxxm_told import Told, instant, period
from watcher.reports.iwxxm_values import (
    CELSIUS,
    HECTOPASCALS,
    Quantity,
    Reading,
    by_name,
    children,
    code_of,
    first,
    is_true,
    nil_of,
    station_of,
)
from watcher.reports.weather import parse_weather
from watcher.units import HECTOPASCALS_PER_INCH_OF_MERCURY

_COLDEST_C, _WARMEST_C = -99.0, 99.0
_CHANGES = {"BECOMING": "BECMG", "TEMPORARY_FLUCTUATIONS": "TEMPO", "NO_SIGNIFICANT_CHANGES": "NOSIG"}


def told_by_observation(node: etree._Element, kind: str) -> Told:
    """Return what a METAR or SPECI element says.

    Parameters
    ----------
    node
        The element, of any version from 3.0 on.
    kind
        METAR or SPECI, its local name.
    """
    reading = Reading(node)
    found = by_name(node)
    station = station_of(reading, first(found, "aerodrome"))
    issued, observed = first(found, "issueTime"), first(found, "observationTime")
    at = instant(reading.target(observed)) if observed is not None else None
    at = at or (instant(reading.target(issued)) if issued is not None else None)
    if station is None or at is None:
        return Told(kind, "", station, at, {}, error="no station is named" if station is None else "it has no time")
    groups = Groups()
    tenths = _add_present(groups, first(found, "observation"), reading)
    groups.words += _trends(found, reading)
    groups.words += ["RMK", tenths] if tenths else []
    head = [kind, "COR" if node.get("reportStatus") == "CORRECTION" else "", station, f"{at:%d%H%M}Z"]
    head.append("AUTO" if is_true(node, "automatedStation") else "")
    text = " ".join(word for word in [*head, *groups.words] if word)
    exact = {"observed_at": at, **groups.exact}
    return Told(kind, text, station, at, exact, may_freeze=groups.may_freeze, doubts=tuple(reading.doubts))


def _add_present(groups: Groups, observation: etree._Element | None, reading: Reading) -> str:
    """Add what was observed, and return the remark that carries the tenths of temperatures; empty without any."""
    if observation is None or nil_of(observation) is not None or not len(observation):
        groups.words.append("NIL")
        return ""
    found = by_name(observation[0])
    add_wind(groups, first(found, "surfaceWind"), reading)
    if is_true(observation[0], "cloudAndVisibilityOK"):
        groups.words.append("CAVOK")
    else:
        _add_seen(groups, found, reading)
    tenths = _add_temperatures(groups, found, reading)
    _add_pressure(groups, first(found, "qnh"), reading)
    _add_recent(groups, found, reading)
    add_wind_shear(groups, found, reading)
    add_sea(groups, found, reading)
    add_runway_states(groups, found, reading)
    return tenths


def _add_seen(groups: Groups, found: Found, reading: Reading) -> None:
    """Add what CAVOK stands for: visibility, visual ranges, weather, cloud."""
    visibility = first(found, "visibility")
    if visibility is not None:
        seen = by_name(visibility[0]) if len(visibility) else {}
        add_visibility(groups, seen, reading, nil=not seen)
    add_visual_ranges(groups, found, reading)
    add_weather(groups, found.get("presentWeather", ()), reading)
    for cloud in found.get("cloud", ()):
        add_cloud(groups, cloud, reading)


def _add_temperatures(groups: Groups, found: Found, reading: Reading) -> str:
    """Add the group of temperature and dew point, and return the remark that carries their tenths, if they have any."""
    nodes = [first(found, "airTemperature"), first(found, "dewpointTemperature")]
    if nodes == [None, None]:
        return ""
    temp, dew = (_possible(reading.quantity(node, CELSIUS, name), name, reading)
                 for node, name in zip(nodes, ("temperature", "dew point"), strict=True))  # fmt: skip
    groups.words.append(f"{_whole(temp)}/{_whole(dew)}")
    given = [each for each in (temp, dew) if each is not None]
    # 17.0 beside 16.0 may be whole degrees, written so: the wider interval is the safe one.
    tenths = any(each.value % 1 for each in given)
    for name, each in (("temp_c", temp), ("dew_point_c", dew)):
        if each is not None:
            groups.exact |= _interval(name, each, tenths=tenths)
    if tenths and temp is not None and all(each.decimals == 1 for each in given):
        return "T" + "".join(f"{int(each.minus)}{round(abs(each.value) * 10):03d}" for each in given)
    return ""


def _possible(value: Quantity | None, name: str, reading: Reading) -> Quantity | None:
    if value is None or _COLDEST_C <= value.value <= _WARMEST_C:
        return value
    reading.doubts.append(f"{name} {value.written:g}: not possible, left out")
    return None


def _whole(value: Quantity | None) -> str:
    if value is None:
        return "//"
    # Half a degree goes to the warmer one (WMO-No. 306, FM 15, 15.11.1, from memory).
    degrees = int((value.value + 0.5) // 1)
    return f"{'M' if degrees < 0 or (value.minus and degrees == 0) else ''}{abs(degrees):02d}"


def _interval(name: str, value: Quantity, *, tenths: bool) -> Exact:
    """Return nominal, low and high. A whole zero without a sign lost it: it may have been M00 or 00."""
    half = 0.5 * 10.0**-value.decimals if tenths and value.decimals else 0.5
    nominal = value.value
    high = 0.0 if nominal == 0 and value.minus and half == 0.5 else round(nominal + half, value.decimals + 1)
    return {name: nominal + 0.0, f"{name}_low": round(nominal - half, value.decimals + 1), f"{name}_high": high}


def _add_pressure(groups: Groups, node: etree._Element | None, reading: Reading) -> None:
    if node is None:
        return
    qnh = reading.quantity(node, HECTOPASCALS, "QNH")
    if qnh is None or not 100 <= qnh.value < 2000:
        groups.words.append("Q////")
        return
    hundredths = round(qnh.value / HECTOPASCALS_PER_INCH_OF_MERCURY * 100)
    exact = round(qnh.value, 1)
    inches = exact % 1 != 0 and round(hundredths / 100 * HECTOPASCALS_PER_INCH_OF_MERCURY, 1) == exact
    groups.words.append(f"A{hundredths:04d}" if inches else f"Q{int(exact):04d}")
    groups.exact["pressure_hpa"] = exact


def _add_recent(groups: Groups, found: Found, reading: Reading) -> None:
    for node in found.get("recentWeather", ()):
        code = (code_of(node) or "").lstrip("+-")
        if nil_of(node) is not None:
            groups.words.append("RE//")
        elif parse_weather(code) is not None:
            groups.words.append(f"RE{code}")
        else:
            reading.doubts.append(f"recent weather {code or 'without a code'}: not understood")


def _trends(found: Found, reading: Reading) -> Iterator[str]:
    for node in found.get("trendForecast", ()):
        if nil_of(node) == "no-change":
            yield "NOSIG"
        for each in children(node, "MeteorologicalAerodromeTrendForecast"):
            yield from _trend(each, reading)


def _trend(node: etree._Element, reading: Reading) -> Iterator[str]:
    change = _CHANGES.get(node.get("changeIndicator", ""))
    if change is None:
        reading.doubts.append("a trend without a kind of change, passed over")
        return
    yield change
    found = by_name(node)
    indicator, when = first(found, "timeIndicator"), first(found, "phenomenonTime")
    begins_at, ends_at = period(when)
    wanted = (indicator.text or "").strip() if indicator is not None else ""
    if wanted.startswith("FROM") and begins_at is not None:
        yield f"FM{begins_at:%H%M}"
    if wanted.endswith("UNTIL") and ends_at is not None:
        yield f"TL{ends_at:%H%M}"
    moment = begins_at or (instant(when) if when is not None else None)
    if wanted == "AT" and moment is not None:
        yield f"AT{moment:%H%M}"
    trend = Groups()
    add_conditions(trend, node, reading, none="NSW")
    yield from trend.words
