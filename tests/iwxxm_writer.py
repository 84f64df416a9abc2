"""IWXXM of our own for tests: decoded values written as the XML of any version, for invented stations.

The layout is that of the published schemas (http://icao.int/iwxxm/, WMO-No. 306, volume I.3, FM 205), written from
their element names; nothing here is copied from an example.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import count
from xml.sax.saxutils import quoteattr

from watcher.reports.model import CloudLayer, Forecast, Observation, Period
from watcher.units import iso_z

VERSIONS = ("3.0", "2021-2", "2023-1", "2025-2")
NIL = "http://codes.wmo.int/common/nil/"
WEATHER = "http://codes.wmo.int/306/4678/"
AMOUNT = "http://codes.wmo.int/49-2/CloudAmountReportedAtAerodrome/"
CLOUD_TYPE = "http://codes.wmo.int/49-2/SigConvectiveCloudType/"
_NAMES = (
    'xmlns:iwxxm="http://icao.int/iwxxm/{version}" xmlns:gml="http://www.opengis.net/gml/3.2" '
    'xmlns:aixm="http://www.aixm.aero/schema/5.1.1" xmlns:xlink="http://www.w3.org/1999/xlink" '
    'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
)
_COLLECT = 'xmlns:collect="http://def.wmo.int/collect/2014" xmlns:gml="http://www.opengis.net/gml/3.2"'
_CHANGES = {"BECMG": "BECOMING", "TEMPO": "TEMPORARY_FLUCTUATIONS", "FM": "FROM"}


def bulletin(reports: Iterable[str]) -> bytes:
    """Return a collect bulletin of reports that were written here."""
    members = "".join(
        f"<collect:meteorologicalInformation>{each}</collect:meteorologicalInformation>" for each in reports
    )
    name = "<collect:bulletinIdentifier>A_LAXX31XNOR120550_C_XNOR_20260112055000.xml</collect:bulletinIdentifier>"
    whole = (
        f'<collect:MeteorologicalBulletin {_COLLECT} gml:id="uuid.0">{members}{name}</collect:MeteorologicalBulletin>'
    )
    return ('<?xml version="1.0" encoding="UTF-8"?>\n' + whole).encode()


def observation_xml(seen: Observation, version: str = "2023-1", **attributes: str) -> str:
    """Return an observation as XML, without remarks and trend; `attributes` of the report are added or replaced."""
    given = {
        "reportStatus": "CORRECTION" if seen.correction else "NORMAL",
        "automatedStation": str(seen.auto).lower(),
        "permissibleUsage": "OPERATIONAL",
    }
    body = f'<iwxxm:observation xsi:nil="true" nilReason="{NIL}missing"/>'
    if not seen.nil:
        inside = "".join(_seen(seen))
        opening = (
            f'<iwxxm:MeteorologicalAerodromeObservation gml:id="o" cloudAndVisibilityOK="{str(seen.cavok).lower()}">'
        )
        body = f"<iwxxm:observation>{opening}{inside}</iwxxm:MeteorologicalAerodromeObservation></iwxxm:observation>"
    observed = f"<iwxxm:observationTime>{_instant(seen.observed_at)}</iwxxm:observationTime>"
    return _report(seen.kind, version, given | attributes, seen.station, seen.observed_at, observed + body)


def forecast_xml(seen: Forecast, version: str = "2023-1", **attributes: str) -> str:
    """Return a forecast as XML; `attributes` of the report are added or replaced."""
    given = {
        "reportStatus": "AMENDMENT" if seen.amendment else "CORRECTION" if seen.correction else "NORMAL",
        "permissibleUsage": "OPERATIONAL",
    }
    if seen.nil:
        body = f'<iwxxm:baseForecast nilReason="{NIL}missing"/>'
    elif seen.cancelled:
        given["isCancelReport"] = "true"
        span = _span(seen.begins_at, seen.ends_at)
        body = f"<iwxxm:cancelledReportValidPeriod>{span}</iwxxm:cancelledReportValidPeriod>"
    else:
        body = f"<iwxxm:validPeriod>{_span(seen.begins_at, seen.ends_at)}</iwxxm:validPeriod>" + "".join(_periods(seen))
    return _report("TAF", version, given | attributes, seen.station, seen.issued_at, body)


def _report(kind: str, version: str, given: dict[str, str], station: str, at: datetime, body: str) -> str:
    attributes = " ".join(f"{name}={quoteattr(value)}" for name, value in given.items())
    port = (
        '<aixm:AirportHeliport gml:id="a"><aixm:timeSlice><aixm:AirportHeliportTimeSlice gml:id="s"><gml:validTime/>'
        f"<aixm:interpretation>SNAPSHOT</aixm:interpretation><aixm:locationIndicatorICAO>{station}"
        "</aixm:locationIndicatorICAO></aixm:AirportHeliportTimeSlice></aixm:timeSlice></aixm:AirportHeliport>"
    )
    return (
        f'<iwxxm:{kind} {_NAMES.format(version=version)} gml:id="uuid.{station}" {attributes}>'
        f"<iwxxm:issueTime>{_instant(at)}</iwxxm:issueTime><iwxxm:aerodrome>{port}</iwxxm:aerodrome>{body}</iwxxm:{kind}>"
    )


def _instant(at: datetime) -> str:
    return f'<gml:TimeInstant gml:id="t"><gml:timePosition>{iso_z(at)}</gml:timePosition></gml:TimeInstant>'


def _span(begins_at: datetime | None, ends_at: datetime | None) -> str:
    assert begins_at is not None
    assert ends_at is not None
    ends = (
        f"<gml:beginPosition>{iso_z(begins_at)}</gml:beginPosition><gml:endPosition>{iso_z(ends_at)}</gml:endPosition>"
    )
    return f'<gml:TimePeriod gml:id="p">{ends}</gml:TimePeriod>'


def _seen(seen: Observation) -> Iterator[str]:
    yield _celsius("airTemperature", seen.temp_c, seen.temp_c_low, seen.temp_c_high)
    yield _celsius("dewpointTemperature", seen.dew_point_c, seen.dew_point_c_low, seen.dew_point_c_high)
    yield _number("qnh", seen.pressure_hpa, "hPa")
    yield _wind("AerodromeSurfaceWind", seen) if seen.wind_kt is not None else _nil("surfaceWind")
    if not seen.cavok:
        if seen.visibility_m is None:
            yield _nil("visibility")
        else:
            whole = "".join(_visibility(seen.visibility_m, seen.visibility_bound))
            yield (
                "<iwxxm:visibility><iwxxm:AerodromeHorizontalVisibility>"
                f"{whole}</iwxxm:AerodromeHorizontalVisibility></iwxxm:visibility>"
            )
        if not seen.weather_observable:
            yield _nil("presentWeather")
        yield from (_code("presentWeather", WEATHER + code) for code in seen.weather)
        yield _cloud("AerodromeCloud", seen.clouds, seen.vertical_visibility_ft)
    yield from (_code("recentWeather", WEATHER + code) for code in seen.recent_weather)


def _celsius(name: str, value: float | None, low: float | None, high: float | None) -> str:
    if value is None or low is None or high is None:
        return _nil(name)
    if high - low < 0.2:
        return f'<iwxxm:{name} uom="Cel">{value:.1f}</iwxxm:{name}>'
    sign = "-" if high == 0 else ""
    return f'<iwxxm:{name} uom="Cel">{sign}{value:.0f}</iwxxm:{name}>'


def _number(name: str, value: float | None, unit: str) -> str:
    return _nil(name) if value is None else f'<iwxxm:{name} uom="{unit}">{value:g}</iwxxm:{name}>'


def _nil(name: str, reason: str = "notObservable") -> str:
    return f'<iwxxm:{name} uom="N/A" xsi:nil="true" nilReason="{NIL}{reason}"/>'


def _code(name: str, address: str) -> str:
    return f"<iwxxm:{name} xlink:href={quoteattr(address)}/>"


def _wind(name: str, seen: Observation | Period) -> str:
    variable = str(seen.wind_variable).lower()
    inside = [] if seen.wind_variable else [_number("meanWindDirection", seen.wind_from_deg or 0, "deg")]
    inside.append(_number("meanWindSpeed", seen.wind_kt, "[kn_i]"))
    inside += [_number("windGustSpeed", seen.gust_kt, "[kn_i]")] if seen.gust_kt is not None else []
    whole = f'<iwxxm:{name} variableWindDirection="{variable}">{"".join(inside)}</iwxxm:{name}>'
    return f"<iwxxm:surfaceWind>{whole}</iwxxm:surfaceWind>"


def _visibility(metres: float | None, bound: str | None) -> Iterator[str]:
    yield _number("prevailingVisibility", metres, "m")
    if bound in {"at_least", "below"}:
        word = "ABOVE" if bound == "at_least" else "BELOW"
        yield f"<iwxxm:prevailingVisibilityOperator>{word}</iwxxm:prevailingVisibilityOperator>"


def _cloud(name: str, clouds: tuple[CloudLayer, ...] | None, upward_ft: int | None) -> str:
    if upward_ft is not None:
        inside = _number("verticalVisibility", upward_ft, "[ft_i]")
    elif not clouds:
        return _nil("cloud")
    elif clouds[0].amount in {"NSC", "NCD"}:
        reason = "nothingOfOperationalSignificance" if clouds[0].amount == "NSC" else "notDetectedByAutoSystem"
        return f'<iwxxm:cloud nilReason="{NIL}{reason}"/>'
    else:
        inside = "".join(map(_layer, clouds))
    return f'<iwxxm:cloud><iwxxm:{name} gml:id="c">{inside}</iwxxm:{name}></iwxxm:cloud>'


def _layer(layer: CloudLayer) -> str:
    amount = _nil("amount") if layer.amount is None else _code("amount", AMOUNT + layer.amount)
    kind = "" if layer.type is None else _code("cloudType", CLOUD_TYPE + layer.type)
    base = _number("base", layer.base_ft, "[ft_i]")
    return f"<iwxxm:layer><iwxxm:CloudLayer>{amount}{base}{kind}</iwxxm:CloudLayer></iwxxm:layer>"


def _periods(seen: Forecast) -> Iterator[str]:
    numbers = count()
    for period in seen.periods:
        name = "baseForecast" if period.change == "BASE" else "changeForecast"
        change = "" if period.change == "BASE" else f' changeIndicator="{_indicator(period)}"'
        cavok = str(period.cavok).lower()
        when = f"<iwxxm:phenomenonTime>{_span(period.begins_at, period.ends_at)}</iwxxm:phenomenonTime>"
        inside = when + "".join(_named(period)) + ("".join(_extremes(seen)) if period.change == "BASE" else "")
        opening = (
            f'<iwxxm:MeteorologicalAerodromeForecast gml:id="f{next(numbers)}" cloudAndVisibilityOK="{cavok}"{change}>'
        )
        yield f"<iwxxm:{name}>{opening}{inside}</iwxxm:MeteorologicalAerodromeForecast></iwxxm:{name}>"


def _indicator(period: Period) -> str:
    if period.probability is None:
        return _CHANGES[period.change]
    return f"PROBABILITY_{period.probability}" + ("_TEMPORARY_FLUCTUATIONS" if period.change == "TEMPO" else "")


def _named(period: Period) -> Iterator[str]:
    if period.visibility_m is not None and not period.cavok:
        yield from _visibility(period.visibility_m, period.visibility_bound)
    if period.wind_kt is not None:
        yield _wind("AerodromeSurfaceWindForecast", period)
    yield from (_code("weather", WEATHER + code) for code in period.weather or ())
    if period.weather_ends:
        yield f'<iwxxm:weather nilReason="{NIL}nothingOfOperationalSignificance"/>'
    if period.clouds is not None or period.vertical_visibility_ft is not None:
        yield _cloud("AerodromeCloudForecast", period.clouds, period.vertical_visibility_ft)


def _extremes(seen: Forecast) -> Iterator[str]:
    for temp in seen.temps:
        name = f"{temp.kind}imumAirTemperature"
        inside = f'<iwxxm:{name} uom="Cel">{temp.temp_c:g}</iwxxm:{name}><iwxxm:{name}Time>{_instant(temp.at)}</iwxxm:{name}Time>'
        yield f"<iwxxm:temperature><iwxxm:AerodromeAirTemperatureForecast>{inside}</iwxxm:AerodromeAirTemperatureForecast></iwxxm:temperature>"
