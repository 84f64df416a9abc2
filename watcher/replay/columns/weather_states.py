"""What the reported weather means, read once for each distinct state in which a station can report it.

A state is the groups together with what else the facts about weather are made from: whether the station sees the
weather, which sensors are off, whether anything was left unread, and on which side of 0 and 3 °C the air is. The facts
of each state come from `rulebook.observed`, so they are those of the judgement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import polars as pl
from polars.datatypes import DataType

from watcher.physics.sun import SUNRISE_ELEVATION_DEG
from watcher.replay.columns.light import sun_elevation
from watcher.replay.columns.names import SNOW_WORDS
from watcher.reports.model import Observation, Remarks
from watcher.reports.station import Station
from watcher.rulebook.derive import snow_word
from watcher.rulebook.facts import Value
from watcher.rulebook.observed import moment_of, observed_facts

# What the state of a report is made from.
STATE = (
    "weather",
    "weather_observable",
    "freezing_or_frozen",
    "auto",
    "precipitation_sensor",
    "present_weather_sensor_off",
    "freezing_rain_sensor_off",
    "weather_unread_may_freeze",
    "temp_c",
)
_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)
_NOWHERE = Station("")
# A temperature on each side of what the facts about weather ask of it: not known, 0 or below, up to 3 °C, above.
_TEMPS = (None, -1.0, 2.0, 9.0)
_FREEZING = (None, False, True)
_FLAGS_OF_A_STATE = 1024
# Beyond it sorting takes less memory than a table of all numbers.
_COUNTED_BELOW = 8_000_000


@dataclass(frozen=True, slots=True)
class WeatherStates:
    """The states of some reports. `numbers`: the state of each report, an index into the tables.

    `facts`: one row a state, with the columns of facts and of the past (`precipitation`, `wet`). `snow_open`: snow
    falls whose intensity is for visibility, temperature and light to say.
    """

    numbers: npt.NDArray[np.uint32]
    facts: pl.DataFrame
    snow_open: npt.NDArray[np.bool_]

    def column(self, name: str) -> pl.Series:
        """Return a column of `facts` for every report."""
        return self.facts[name].gather(pl.Series(self.numbers))


def weather_states(frame: pl.DataFrame) -> WeatherStates:
    """Return the weather states of reports with the columns STATE."""
    texts = frame["weather"].cast(pl.Categorical)
    distinct = texts.unique()
    codes = distinct.to_physical().to_numpy()
    places = np.zeros(int(codes.max(initial=0)) + 1, dtype=np.uint32)
    places[codes] = np.arange(len(codes))
    packed = places[texts.to_physical().to_numpy()] * np.uint32(_FLAGS_OF_A_STATE)
    used, numbers = _ranked(packed + frame.select(_flags()).to_series().to_numpy())
    words = distinct.cast(pl.String).to_list()
    rows = [
        _facts(_observation(words[number // _FLAGS_OF_A_STATE], int(number % _FLAGS_OF_A_STATE))) for number in used
    ]
    facts = pl.DataFrame(rows, schema=_SCHEMA, orient="row")
    snow_open = facts.select(
        (pl.col("frozen_precipitation") & pl.col("snow_intensity").is_null()).fill_null(value=False)
    )
    return WeatherStates(numbers, facts, snow_open.to_series().to_numpy())


def snow_words(states: WeatherStates, frame: pl.DataFrame, positions: Mapping[str, Station]) -> pl.Series:
    """Return `snow_intensity` of every report: by its state, else by the charts for each distinct case.

    Parameters
    ----------
    states
        Those of the frame.
    frame
        With `station`, `observed_at`, `visibility_m`, `temp_c_low` and `temp_c_high`.
    positions
        For the light, which is looked at where snow falls only.
    """
    by_state = states.column("snow_intensity")
    rows = np.flatnonzero(states.snow_open[states.numbers])
    if not len(rows):
        return by_state
    snow = frame.select("station", "observed_at", "visibility_m", "temp_c_low", "temp_c_high")[rows]
    night = sun_elevation(snow["station"], snow["observed_at"], positions) < SUNRISE_ELEVATION_DEG
    cases = snow.drop("station", "observed_at").with_columns(night.alias("night"))
    distinct = cases.unique()
    words = [_charted(*case) for case in distinct.iter_rows()]
    answered = distinct.with_columns(word=pl.Series(words, dtype=SNOW_WORDS))
    word = cases.join(answered, on=cases.columns, how="left", maintain_order="left", nulls_equal=True)["word"]
    return by_state.scatter(rows, word)


def _ranked(packed: npt.NDArray[np.uint32]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint32]]:
    """Return the distinct numbers, and for each number its place among them."""
    if packed.max(initial=0) > _COUNTED_BELOW:
        distinct, places = np.unique(packed, return_inverse=True)
        return distinct.astype(np.int64), places.astype(np.uint32)
    used = np.flatnonzero(np.bincount(packed))
    table = np.zeros(int(used.max(initial=0)) + 1, dtype=np.uint32)
    table[used] = np.arange(len(used))
    return used, table[packed]


@lru_cache(maxsize=65_536)
def _charted(
    visibility_m: float | None, temp_c_low: float | None, temp_c_high: float | None, night: bool | None
) -> str | None:
    """Return the word of falling snow that the report does not call heavy: what else falls does not count."""
    interval = None if temp_c_low is None or temp_c_high is None else (temp_c_low, temp_c_high)
    return snow_word(("SN",), {"frozen_precipitation": True}, visibility_m, interval, night)


def _flags() -> pl.Expr:
    """Return all of a state but its groups as one number below 1024."""
    temp = (
        pl.when(pl.col("temp_c").is_null())
        .then(0)
        .when(pl.col("temp_c") <= 0)
        .then(1)
        .when(pl.col("temp_c") <= 3.0)
        .then(2)
        .otherwise(3)
    )
    freezing = pl.col("freezing_or_frozen").cast(pl.Int8).fill_null(-1) + 1
    parts = [
        (temp, 4),
        (freezing, 4),
        (pl.col("weather_observable"), 2),
        (pl.col("auto"), 2),
        (pl.col("precipitation_sensor").eq_missing(pl.lit("AO1")), 2),
        (pl.col("present_weather_sensor_off"), 2),
        (pl.col("freezing_rain_sensor_off"), 2),
        (pl.col("weather_unread_may_freeze"), 2),
    ]
    packed = pl.lit(0, dtype=pl.UInt32)
    for part, size in parts:
        packed = packed * size + part.cast(pl.UInt32)
    return packed.alias("flags")


def _observation(weather: str, flags: int) -> Observation:
    """Return a report in a state; what the facts about weather do not ask is left out."""
    values = []
    for size in (2, 2, 2, 2, 2, 2, 4, 4):
        flags, value = divmod(flags, size)
        values.append(value)
    unread, rain_sensor_off, weather_sensor_off, is_ao1, auto, observable, freezing, temp = values
    return Observation(
        kind="METAR",
        station="",
        observed_at=_ANY_TIME,
        raw="",
        auto=bool(auto),
        temp_c=_TEMPS[temp],
        weather=tuple(weather.split()),
        weather_observable=bool(observable),
        freezing_or_frozen=_FREEZING[freezing],
        remarks=Remarks(
            freezing_rain_sensor_off=bool(rain_sensor_off),
            present_weather_sensor_off=bool(weather_sensor_off),
            precipitation_sensor="AO1" if is_ao1 else None,
        ),
        weather_unread_may_freeze=bool(unread),
    )


_SCHEMA: Mapping[str, DataType | type[DataType]] = {
    "weather": pl.Categorical,
    "freezing_or_frozen": pl.Boolean,
    "weather_observable": pl.Boolean,
    "freezing_precipitation": pl.Boolean,
    "frozen_precipitation": pl.Boolean,
    "snow_intensity": SNOW_WORDS,
    "precipitation": pl.Boolean,
    "wet": pl.Boolean,
}


def _facts(observation: Observation) -> tuple[Value, ...]:
    values = observed_facts(observation, station=_NOWHERE, history=(), now=_ANY_TIME).values
    groups = values["weather"]
    assert groups is None or isinstance(groups, frozenset)
    moment = moment_of(observation)
    return (
        None if groups is None else " ".join(sorted(groups)),
        values["freezing_or_frozen"],
        values["weather_observable"],
        values["freezing_precipitation"],
        values["frozen_precipitation"],
        values["snow_intensity"],
        moment.precipitation,
        moment.wet,
    )
