"""From decoded reports to the columns of the table: `observed_frame` and `forecast_frame`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from operator import attrgetter

import polars as pl

from watcher.replay.table import FORECAST, OBSERVED, UTC_US
from watcher.reports.model import Forecast, Observation, Remarks
from watcher.rulebook.derive import ceiling_and_cover

# Few enough to stay near the processor while they are turned into columns.
AT_ONCE = 512

_HOUR = timedelta(hours=1)
_GROUPS = ("weather", "recent_weather", "doubts", "observed_at")
# Where a column is a field of the observation under the same name, and needs no more than its type.
_FIELDS = {
    name: Observation._fields.index(name) for name in OBSERVED if name in Observation._fields and name not in _GROUPS
}
_REMARKS = (
    "ice_accretion",
    "freezing_rain_sensor_off",
    "present_weather_sensor_off",
    "precipitation_sensor",
    "snow_depth_cm",
)
_OF_REMARKS = attrgetter(*_REMARKS)
_AT, _WEATHER, _DOUBTS, _RECENT, _CLOUDS, _VERTICAL, _CAVOK, _MARKS = map(
    Observation._fields.index,
    (
        "observed_at", "weather", "doubts", "recent_weather", "clouds", "vertical_visibility_ft", "cavok", "remarks",
    ),
)  # fmt: skip

ObservedEntry = tuple[Observation, datetime | None, int]
ForecastEntry = tuple[Forecast, datetime | None, int]


def observed_frame(observations: Sequence[ObservedEntry]) -> pl.DataFrame:
    """Return the table of some observations, as a partition has it: sorted, each once, with what is in force.

    Parameters
    ----------
    observations
        (what the decoder made of it, when it was received or None, its place in the archive).
    """
    # Loads the judgement, whose rule it is; the processes that decode need none.
    from watcher.replay.standing import with_standing  # noqa: PLC0415

    return with_standing(decoded_frame(observations))


def decoded_frame(observations: Sequence[ObservedEntry]) -> pl.DataFrame:
    """Return the same as decoded, in the order given, with nothing said of `in_force` and `passed_over`."""
    columns = Columns()
    for first in range(0, len(observations), AT_ONCE):
        columns.add(observations[first : first + AT_ONCE])
    return columns.frame()


class Columns:
    """Takes observations, some hundred at a time, and keeps of them what the table has."""

    def __init__(self) -> None:
        self._values: dict[str, list[object]] = {name: [] for name in OBSERVED}

    def add(self, observations: Sequence[ObservedEntry]) -> None:
        """Take some more."""
        if not observations:
            return
        seen, received, order = zip(*observations, strict=True)
        fields = list(zip(*seen, strict=True))
        values = self._values
        for name, place in _FIELDS.items():
            values[name].extend(fields[place])
        values["weather"].extend([" ".join(groups) if groups else "" for groups in fields[_WEATHER]])
        values["doubts"].extend(["; ".join(doubts) if doubts else "" for doubts in fields[_DOUBTS]])
        values["observed_at"].extend(map(_micros, fields[_AT]))
        values["received_at"].extend(map(_micros, received))
        values["order"].extend(order)
        values["recent_weather"].extend(
            [
                _recent(at, recent, remarks) if recent or remarks.ended else ""
                for at, recent, remarks in zip(fields[_AT], fields[_RECENT], fields[_MARKS], strict=True)
            ]
        )
        clouds = map(ceiling_and_cover, fields[_CLOUDS], fields[_VERTICAL], fields[_CAVOK])
        for name, column in zip(("ceiling_ft", "cloud_cover"), zip(*clouds, strict=True), strict=True):
            values[name].extend(column)
        for name, column in zip(_REMARKS, zip(*map(_OF_REMARKS, fields[_MARKS]), strict=True), strict=True):
            values[name].extend(column)

    def frame(self) -> pl.DataFrame:
        """Return all that was taken, in that order, as decoded."""
        count = len(self._values["order"])
        values: dict[str, list[object]] = {**self._values, "in_force": [None] * count, "passed_over": [None] * count}
        return pl.DataFrame([_column(name, values[name]) for name in OBSERVED])


def forecast_frame(forecasts: Iterable[ForecastEntry]) -> pl.DataFrame:
    """Return the table of some forecasts, sorted by station, time of issue and place in the archive."""
    rows = [
        (seen.station, seen.issued_at, received, order, seen.begins_at, seen.ends_at, seen.cancelled, *_texts(seen))
        for seen, received, order in forecasts
    ]
    frame = pl.DataFrame(rows, schema=FORECAST, orient="row")
    return frame.sort("station", "issued_at", "order")


def _texts(seen: Forecast) -> tuple[str, str | None]:
    return seen.raw, seen.source


def _column(name: str, values: list[object]) -> pl.Series:
    # From whole numbers a column is made five times as fast as from times.
    made_as = pl.Int64 if OBSERVED[name] == UTC_US else OBSERVED[name]
    return pl.Series(name, values, dtype=made_as).cast(OBSERVED[name])


# The reports of an archive share their times.
@lru_cache(maxsize=4096)
def _micros(at: datetime | None) -> int | None:
    return None if at is None else round(at.timestamp() * 1e6)


def _recent(at: datetime, recent: tuple[str, ...], remarks: Remarks) -> str:
    """Return the fact of that name (rulebook.observed), sorted, so that the same past is the same text."""
    return " ".join(sorted({*recent, *(code for code, ended_at in remarks.ended if ended_at >= at - _HOUR)}))
