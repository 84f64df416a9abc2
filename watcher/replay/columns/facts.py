"""The facts that rules may use as columns, equal to those the judgement makes of each report."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import partial

import polars as pl
from polars.datatypes import DataType

from watcher.physics.sun import SUNRISE_ELEVATION_DEG
from watcher.replay.columns.air import AIR_COLUMNS, air_facts, reported_for
from watcher.replay.columns.hearing import HEARING, microseconds, with_hearing
from watcher.replay.columns.light import sun_elevation
from watcher.replay.columns.names import NEVER_KNOWN, SNOW_WORDS, column_of
from watcher.replay.columns.past import PAST, REPORTED, past_facts
from watcher.replay.columns.weather_states import STATE, snow_words, weather_states
from watcher.replay.table import OBSERVED
from watcher.reports.station import Station

_LIGHT = ("sun_elevation_deg", "is_night")
_WEATHER = (
    column_of("weather"),
    column_of("freezing_or_frozen"),
    column_of("weather_observable"),
    "freezing_precipitation",
    "frozen_precipitation",
)
_SNOW = "snow_intensity"
# Facts that are made from one reported column.
_FROM_ONE = {"temperature_known": "temp_c", "doubtful": "doubts"}

# The facts that are added to OBSERVED, and the ends of their intervals.
ADDED: Mapping[str, DataType | type[DataType]] = {
    **dict.fromkeys(AIR_COLUMNS, pl.Float64),
    "temperature_known": pl.Boolean,
    "sun_elevation_deg": pl.Float64,
    "is_night": pl.Boolean,
    column_of("weather"): pl.Categorical,
    **dict.fromkeys(_WEATHER[1:], pl.Boolean),
    _SNOW: SNOW_WORDS,
    "precipitation_last_h": pl.Boolean,
    "wet_since_freezing": pl.Boolean,
    "hours_below_zero": pl.Float64,
    "report_age_min": pl.Float64,
    "doubtful": pl.Boolean,
    **dict.fromkeys(sorted(NEVER_KNOWN), pl.Float64),
}


def with_facts(
    frame: pl.LazyFrame, positions: Mapping[str, Station], only: Collection[str] | None = None
) -> pl.LazyFrame:
    """Return the reports in the order in which they are heard, with `heard_at`, `heard` and the facts of each.

    Parameters
    ----------
    frame
        Whole stations, with the columns of `table.OBSERVED`, or with those of `reported_columns(only)`.
    positions
        Stations by code; one that is missing, or without a position, has no light.
    only
        The facts that are wanted (`verdicts.facts_of`), the ends of intervals by their own names; None: all.
        The frost model's are null.

    Returns
    -------
    LazyFrame
        Sorted by `station` and hearing (`hearing.with_hearing`). Facts are in the columns `names.column_of`;
        `weather|fact` and `recent_weather` are groups joined by a blank, the marks of `rulebook.derive` among them. Of
        a number that rounding leaves wide, `<fact>_low` and `<fact>_high`.
    """
    added = _added(only)
    schema = {**frame.collect_schema(), "heard_at": OBSERVED["observed_at"], "heard": pl.Boolean, **added}
    return frame.map_batches(
        partial(_with_facts, positions=positions, added=added),
        schema=schema,
        predicate_pushdown=False,
        projection_pushdown=False,
        slice_pushdown=False,
    )


def reported_columns(only: Collection[str] | None = None) -> list[str]:
    """Return the columns of OBSERVED that must be read for these facts, those for the order of hearing among them."""
    if only is None:
        return list(OBSERVED)
    wanted = {column_of(fact) for fact in only}
    needed = {*HEARING, *(wanted & set(OBSERVED)), *reported_for(wanted)}
    if wanted & {*_WEATHER, _SNOW, *PAST}:
        needed |= set(STATE)
    if wanted & set(PAST):
        needed |= set(REPORTED)
    if _SNOW in wanted:
        needed |= {"visibility_m", "temp_c_low", "temp_c_high"}
    needed |= {source for fact, source in _FROM_ONE.items() if fact in wanted}
    return [name for name in OBSERVED if name in needed]


def _added(only: Collection[str] | None) -> dict[str, DataType | type[DataType]]:
    wanted = ADDED if only is None else {column_of(fact) for fact in only}
    return {name: dtype for name, dtype in ADDED.items() if name in wanted}


def _with_facts(
    frame: pl.DataFrame, *, positions: Mapping[str, Station], added: Mapping[str, DataType | type[DataType]]
) -> pl.DataFrame:
    if frame.is_empty():
        columns = {"heard_at": OBSERVED["observed_at"], "heard": pl.Boolean, **added}
        return frame.with_columns(pl.lit(None, dtype=dtype).alias(name) for name, dtype in columns.items())
    # In one piece: otherwise every question about it would put it together anew.
    frame = with_hearing(frame.rechunk())
    found: list[pl.Series] = []
    if not added.keys().isdisjoint(AIR_COLUMNS):
        found += air_facts(frame, added).get_columns()
    if not added.keys().isdisjoint(_LIGHT):
        found += _light(sun_elevation(frame["station"], frame["observed_at"], positions))
    if not added.keys().isdisjoint({*_WEATHER, _SNOW, *PAST}):
        found += _of_weather(frame, positions, added)
    if "report_age_min" in added:
        # By arrays: an expression multiplies by the inverse of a number, which rounds otherwise.
        age_us = microseconds(frame["heard_at"]) - microseconds(frame["observed_at"])
        found.append(pl.Series("report_age_min", age_us / 1e6 / 60))
    if "temperature_known" in added:
        found += frame.select(temperature_known=pl.col("temp_c").is_not_null()).get_columns()
    if "doubtful" in added:
        found += frame.select(doubtful=pl.col("doubts") != "").get_columns()
    known = {column.name: column for column in found}
    nothing = [pl.lit(None, dtype=dtype).alias(name) for name, dtype in added.items() if name in NEVER_KNOWN]
    return (
        frame.with_columns(known[name] for name in added if name in known)
        .with_columns(nothing)
        .select(*frame.columns, *added)
    )


def _light(elevation: pl.Series) -> list[pl.Series]:
    return [elevation.alias("sun_elevation_deg"), (elevation < SUNRISE_ELEVATION_DEG).alias("is_night")]


def _of_weather(frame: pl.DataFrame, positions: Mapping[str, Station], added: Collection[str]) -> list[pl.Series]:
    """Return the facts about present weather, snow and the past, which all stand on the reported weather."""
    states = weather_states(frame)
    found = [states.column(name.removesuffix("|fact")).alias(name) for name in _WEATHER if name in added]
    if _SNOW in added:
        found.append(snow_words(states, frame, positions).alias(_SNOW))
    if not set(added).isdisjoint(PAST):
        found += past_facts(frame, states.column("precipitation"), states.column("wet")).get_columns()
    return found
