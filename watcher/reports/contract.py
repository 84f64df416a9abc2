"""The JSON of `hoarline decode`: names that are never renamed, unknown as null, times with Z."""

from __future__ import annotations

from watcher.reports.model import CloudLayer, Decoded, Forecast, Observation, Period, Remarks
from watcher.units import iso_z


def as_contract(decoded: Decoded) -> dict[str, object]:
    """Return the JSON object of one decoded report."""
    if isinstance(decoded, Observation):
        return _observation(decoded)
    if isinstance(decoded, Forecast):
        return _forecast(decoded)
    return {"kind": None, "station": decoded.station, "error": decoded.error, "raw": decoded.raw}


def _observation(seen: Observation) -> dict[str, object]:
    return {
        "kind": seen.kind,
        "station": seen.station,
        "observed_at": iso_z(seen.observed_at),
        "auto": seen.auto,
        "correction": seen.correction,
        "nil": seen.nil,
        "temp_c": seen.temp_c,
        "temp_c_low": seen.temp_c_low,
        "temp_c_high": seen.temp_c_high,
        "dew_point_c": seen.dew_point_c,
        "dew_point_c_low": seen.dew_point_c_low,
        "dew_point_c_high": seen.dew_point_c_high,
        "wind_from_deg": seen.wind_from_deg,
        "wind_variable": seen.wind_variable,
        "wind_kt": seen.wind_kt,
        "gust_kt": seen.gust_kt,
        "visibility_m": seen.visibility_m,
        "visibility_bound": seen.visibility_bound,
        "vertical_visibility_ft": seen.vertical_visibility_ft,
        "cavok": seen.cavok,
        "weather": list(seen.weather),
        "weather_observable": seen.weather_observable,
        "recent_weather": list(seen.recent_weather),
        "clouds": _clouds(seen.clouds),
        "pressure_hpa": seen.pressure_hpa,
        "freezing_or_frozen": seen.freezing_or_frozen,
        "remarks": _remarks(seen.remarks),
        "trend": list(seen.trend),
        "doubts": list(seen.doubts),
        "raw": seen.raw,
    }


def _remarks(remarks: Remarks) -> dict[str, object]:
    return {
        "ice_accretion": remarks.ice_accretion,
        "freezing_rain_sensor_off": remarks.freezing_rain_sensor_off,
        "present_weather_sensor_off": remarks.present_weather_sensor_off,
        "precipitation_sensor": remarks.precipitation_sensor,
        "snow_depth_cm": remarks.snow_depth_cm,
        "runway_state": list(remarks.runway_state),
        "began": [{"weather": code, "at": iso_z(at)} for code, at in remarks.began],
        "ended": [{"weather": code, "at": iso_z(at)} for code, at in remarks.ended],
    }


def _forecast(seen: Forecast) -> dict[str, object]:
    return {
        "kind": "TAF",
        "station": seen.station,
        "issued_at": iso_z(seen.issued_at),
        "from": iso_z(seen.begins_at) if seen.begins_at is not None else None,
        "until": iso_z(seen.ends_at) if seen.ends_at is not None else None,
        "amendment": seen.amendment,
        "correction": seen.correction,
        "cancelled": seen.cancelled,
        "nil": seen.nil,
        "periods": [_period(period) for period in seen.periods],
        "temps": [{"kind": temp.kind, "temp_c": temp.temp_c, "at": iso_z(temp.at)} for temp in seen.temps],
        "doubts": list(seen.doubts),
        "raw": seen.raw,
    }


def _period(period: Period) -> dict[str, object]:
    return {
        "change": period.change,
        "probability": period.probability,
        "from": iso_z(period.begins_at),
        "until": iso_z(period.ends_at),
        "wind_from_deg": period.wind_from_deg,
        "wind_variable": period.wind_variable,
        "wind_kt": period.wind_kt,
        "gust_kt": period.gust_kt,
        "visibility_m": period.visibility_m,
        "visibility_bound": period.visibility_bound,
        "vertical_visibility_ft": period.vertical_visibility_ft,
        "cavok": period.cavok,
        "weather": list(period.weather) if period.weather is not None else None,
        "weather_ends": period.weather_ends,
        "clouds": _clouds(period.clouds),
    }


def _clouds(clouds: tuple[CloudLayer, ...] | None) -> list[dict[str, object]] | None:
    if clouds is None:
        return None
    return [{"amount": layer.amount, "base_ft": layer.base_ft, "type": layer.type} for layer in clouds]
