"""From decoded reports to the columns of the table: `observed_frame` and `forecast_frame`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

import polars as pl

from watcher.replay.gathering_standing import with_standing
from watcher.replay.table import FORECAST, OBSERVED, UTC_US
from watcher.reports.model import Forecast, Observation, Remarks
from watcher.rulebook.derive import ceiling_and_cover

_HOUR = timedelta(hours=1)
# Where a column is a field of the observation under the same name, and needs no more than its type.
_FIELDS = {name: Observation._fields.index(name) for name in OBSERVED if name in Observation._fields}
_GROUPS = ("weather", "doubts")
_REMARKS = (
    "ice_accretion",
    "freezing_rain_sensor_off",
    "present_weather_sensor_off",
    "precipitation_sensor",
    "snow_depth_cm",
)
_AT = Observation._fields.index("observed_at")
_RECENT = Observation._fields.index("recent_weather")
_CLOUDS = Observation._fields.index("clouds")
_VERTICAL = Observation._fields.index("vertical_visibility_ft")
_CAVOK = Observation._fields.index("cavok")
_MARKS = Observation._fields.index("remarks")

ObservedEntry = tuple[Observation, datetime | None, int]
ForecastEntry = tuple[Forecast, datetime | None, int]


def observed_frame(observations: Sequence[ObservedEntry]) -> pl.DataFrame:
    """Return the table of some observations, as a partition has it: sorted, each once, with what is in force.

    Parameters
    ----------
    observations
        (what the decoder made of it, when it was received or None, its place in the archive).
    """
    return with_standing(decoded_frame(observations))


def decoded_frame(observations: Sequence[ObservedEntry]) -> pl.DataFrame:
    """Return the same as decoded, in the order given, with nothing said of `in_force` and `passed_over`."""
    if not observations:
        return pl.DataFrame(schema=OBSERVED)
    seen, received, order = zip(*observations, strict=True)
    fields = list(zip(*seen, strict=True))
    columns: dict[str, object] = {name: fields[place] for name, place in _FIELDS.items()}
    for name in _GROUPS:
        columns[name] = ["" if not groups else " ".join(groups) for groups in columns[name]]  # type: ignore[attr-defined]
    columns["doubts"] = ["; ".join(doubts) for doubts in fields[Observation._fields.index("doubts")]]
    columns["observed_at"] = _micros(fields[_AT])
    columns["received_at"] = _micros(received)
    columns["order"] = order
    columns["recent_weather"] = list(map(_recent, fields[_AT], fields[_RECENT], fields[_MARKS]))
    clouds = list(map(ceiling_and_cover, fields[_CLOUDS], fields[_VERTICAL], fields[_CAVOK]))
    columns["ceiling_ft"] = [ceiling for ceiling, _ in clouds]
    columns["cloud_cover"] = [cover for _, cover in clouds]
    for name in _REMARKS:
        columns[name] = [getattr(remarks, name) for remarks in fields[_MARKS]]
    columns["in_force"] = columns["passed_over"] = [None] * len(observations)
    return pl.DataFrame({name: columns[name] for name in OBSERVED}, schema=OBSERVED)


def forecast_frame(forecasts: Iterable[ForecastEntry]) -> pl.DataFrame:
    """Return the table of some forecasts, sorted by station, time of issue and place in the archive."""
    rows = [
        (seen.station, seen.issued_at, received, order, seen.begins_at, seen.ends_at, seen.cancelled, seen.raw)
        for seen, received, order in forecasts
    ]
    frame = pl.DataFrame(rows, schema=FORECAST, orient="row")
    return frame.sort("station", "issued_at", "order")


def _micros(times: Iterable[datetime | None]) -> pl.Series:
    """Return times as a column: from whole numbers it is made five times as fast as from times."""
    micros = [None if at is None else round(at.timestamp() * 1e6) for at in times]
    return pl.Series(micros, dtype=pl.Int64).cast(UTC_US)


def _recent(at: datetime, recent: tuple[str, ...], remarks: Remarks) -> str:
    """Return the fact of that name (rulebook.observed), sorted, so that the same past is the same text."""
    if not remarks.ended:
        return " ".join(sorted(set(recent))) if recent else ""
    return " ".join(sorted({*recent, *(code for code, ended_at in remarks.ended if ended_at >= at - _HOUR)}))
