"""Small tables of reports by hand, for the tests of scores: columns as the decoder would fill them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from watcher.replay.table import OBSERVED

BEGIN = datetime(2026, 1, 12, tzinfo=UTC)
_PLAIN: dict[str, Any] = {
    "kind": "METAR", "auto": False, "nil": False, "in_force": True, "temp_c": -2.0, "weather": "",
    "weather_observable": True, "recent_weather": "", "freezing_or_frozen": False, "ice_accretion": False,
    "freezing_rain_sensor_off": False, "present_weather_sensor_off": False, "wind_variable": False, "cavok": False,
    "doubts": "", "raw": "", "weather_unread_may_freeze": False,
}  # fmt: skip


def reports(rows: Sequence[dict[str, Any]]) -> pl.LazyFrame:
    """Return the table of some reports; `at` is in minutes after the beginning."""
    filled = []
    for order, row in enumerate(rows):
        given = dict(row)
        at = BEGIN + timedelta(minutes=given.pop("at"))
        station = given.pop("station", "XNOR")
        weather = given.get("weather", "")
        frozen = any(mark in weather for mark in ("FZ", "SN", "PL", "SG", "GS", "GR", "IC", "UP"))
        told = {"freezing_or_frozen": frozen, **given}
        filled.append({**_PLAIN, "station": station, "observed_at": at, "order": order, **told})
    schema = dict(OBSERVED)
    blank = dict.fromkeys(schema)
    frame = pl.DataFrame([{**blank, **row} for row in filled], schema=schema)
    return frame.sort("station", "observed_at", "order").lazy()


def hourly(weather: str, *, station: str = "XNOR", first: int = 0, every: int = 60) -> list[dict[str, Any]]:
    """Return one report an hour from words parted by blanks; `.` is no weather, `?` no report, `/` not observable."""
    found: list[dict[str, Any]] = []
    for number, word in enumerate(weather.split()):
        if word == "?":
            continue
        row: dict[str, Any] = {"station": station, "at": first + every * number}
        if word == "/":
            row |= {"weather_observable": False, "freezing_or_frozen": None}
        elif word != ".":
            row["weather"] = word
        found.append(row)
    return found
