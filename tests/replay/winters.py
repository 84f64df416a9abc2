"""Invented winters: any number of invented stations, whole winters of half-hourly reports, always the same for a seed.

Air and weather are drawn as smooth noise, so that spells begin, pause and end as real ones do. Columns and texts come
from the same draw (a test decodes the texts and holds the two equal). Nothing here is a climatology.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.replay.winter_texts import CLOUDS, WEATHER, with_forecast_text, with_text
from watcher.replay.gathering.gather import Partition
from watcher.replay.table import FORECAST, OBSERVED
from watcher.reports.station import Station

BEGINS_AT = datetime(2023, 11, 1, 0, 20, tzinfo=UTC)
_HALF_HOUR_US = 30 * 60 * 1_000_000
_DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_PER_DAY = 48

Floats = NDArray[np.float64]
Places = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Winter:
    """Some stations over some days. `received`: say when each report came in, some of them hours late."""

    stations: int = 12
    days: int = 30
    seed: int = 1
    begins_at: datetime = BEGINS_AT
    received: bool = False

    @property
    def codes(self) -> tuple[str, ...]:
        """XA00, XA01, ... XAZZ, XB00, ..."""
        return tuple(code(number) for number in range(self.stations))


def code(number: int) -> str:
    """The code of the n-th invented station."""
    letter, rest = divmod(number, 36 * 36)
    return f"X{_DIGITS[10 + letter]}{_DIGITS[rest // 36]}{_DIGITS[rest % 36]}"


def positions(winter: Winter) -> Mapping[str, Station]:
    """Where the stations lie: between 48 and 70 degrees north."""
    rng = np.random.default_rng((winter.seed, 7))
    north, east = rng.uniform(48, 70, winter.stations), rng.uniform(-10, 30, winter.stations)
    height = rng.uniform(0, 600, winter.stations)
    return {
        name: Station(
            name,
            f"Invented {name}",
            latitude_deg=round(float(north[i]), 2),
            longitude_deg=round(float(east[i]), 2),
            elevation_m=round(float(height[i])),
        )
        for i, name in enumerate(winter.codes)
    }


def observed(winter: Winter) -> pl.DataFrame:
    """The table of a winter, as a partition has it."""
    return pl.concat([_station(winter, number) for number in range(winter.stations)])


def forecasts(winter: Winter) -> pl.DataFrame:
    """The TAFs of a winter: every six hours for a day, right about the air mass, often wrong about the hour."""
    return pl.concat([_forecasts(winter, number) for number in range(winter.stations)])


def lines(winter: Winter) -> Iterator[str]:
    """The reports and TAFs as an archive of plain lines, `time TAB report`, in the order in which they were made."""
    frames = [
        observed(winter).select(pl.col("observed_at").alias("at"), "order", "raw"),
        forecasts(winter).select(pl.col("issued_at").alias("at"), "order", "raw"),
    ]
    every = pl.concat(frames).sort("order")
    for at, raw in every.select("at", "raw").iter_rows():
        yield f"{at:%Y-%m-%dT%H:%M:%SZ}\t{raw}"


def partitions(winter: Winter, folder: Path, *, rows_each: int = 1_000_000, tafs: bool = True) -> tuple[Partition, ...]:
    """Write the table of a winter, a file for every so many rows, and never more than one file in memory."""
    folder.mkdir(parents=True, exist_ok=True)
    each = max(1, rows_each // (winter.days * _PER_DAY))
    made = []
    for first in range(0, winter.stations, each):
        numbers = range(first, min(first + each, winter.stations))
        frame = pl.concat([_station(winter, number) for number in numbers])
        reports = folder / f"{code(first)}-reports.parquet"
        frame.write_parquet(reports)
        twin = folder / f"{code(first)}-forecasts.parquet" if tafs else None
        if twin is not None:
            pl.concat([_forecasts(winter, number) for number in numbers]).write_parquet(twin)
        made.append(Partition(reports, twin, tuple(code(number) for number in numbers), frame.height))
    return tuple(made)


@dataclass(frozen=True, slots=True)
class _Air:
    """The draw of one station, a value for each half hour."""

    at_us: Places
    temp_c: Floats
    dew_point_c: Floats
    weather: Places
    visibility_m: Places
    clouds: Places
    wind_from_deg: Places
    wind_kt: Places
    pressure_hpa: Places
    tenths: bool


def _smooth(rng: np.random.Generator, steps: int, hours: float) -> Floats:
    """Noise of variance one whose values an hour apart are alike, and which has no corners."""
    keep = np.exp(-0.5 / hours)
    spun_up = rng.standard_normal(steps + 400)
    twice = lfilter([1.0], [1.0, -keep], lfilter([1.0], [1.0, -keep], spun_up))[400:]
    # The variance of noise through the same first-order filter twice: (1 + a^2) / (1 - a^2)^3.
    return np.asarray(twice * np.sqrt((1 - keep**2) ** 3 / (1 + keep**2)))


def _air(winter: Winter, number: int) -> _Air:
    rng = np.random.default_rng((winter.seed, 1, number))
    steps = winter.days * _PER_DAY
    start_us = int(winter.begins_at.timestamp() * 1e6)
    at_us = start_us + np.arange(steps, dtype=np.int64) * _HALF_HOUR_US
    day = (np.arange(steps) + 1) / _PER_DAY
    season = np.cos((day - 75.0) / 365.25 * 2 * np.pi)
    base = rng.uniform(0.5, 5.0)
    warmest = np.cos((day % 1 - 0.56) * 2 * np.pi)
    temp = base - 7.0 * season + 4.5 * _smooth(rng, steps, 18) + (2.0 - 1.2 * season) * warmest
    moist = _smooth(rng, steps, 7)
    dew = temp - np.maximum(0.0, 2.6 - 2.0 * moist + 0.6 * warmest)
    tenths = number % 4 == 3
    scale = 10 if tenths else 1
    temp, dew = np.rint(temp * scale) / scale, np.minimum(np.rint(dew * scale), np.rint(temp * scale)) / scale
    weather = _weather(rng, steps, temp, dew, moist)
    return _Air(
        at_us=at_us,
        temp_c=temp,
        dew_point_c=dew,
        weather=weather,
        visibility_m=_visibility(rng, weather),
        clouds=_clouds(rng, weather, moist),
        wind_from_deg=(np.rint(18 + 8 * _smooth(rng, steps, 20)) % 36).astype(np.int64) * 10,
        wind_kt=np.maximum(0, np.rint(7 + 5 * _smooth(rng, steps, 6))).astype(np.int64),
        pressure_hpa=np.rint(1010 + 12 * _smooth(rng, steps, 30)).astype(np.int64),
        tenths=tenths,
    )


def _weather(rng: np.random.Generator, steps: int, temp: Floats, dew: Floats, moist: Floats) -> Places:
    """Which of WEATHER: none unless moist; then by temperature, and near zero by a warm layer that is not seen."""
    lift, aloft = 0.75 * moist + 0.66 * _smooth(rng, steps, 5), _smooth(rng, steps, 9)
    falls, hard = lift > 1.05, lift > 2.0
    names = np.zeros(steps, np.int64)

    def put(where: Mask, light: str, plain: str | None = None) -> None:
        names[where] = WEATHER.index(light)
        if plain is not None:
            names[where & hard] = WEATHER.index(plain)

    put(falls & (temp > 2), "-RA", "RA")
    put(falls & (temp > 2) & (aloft < -1), "-DZ")
    put(falls & (temp <= 2) & (temp > 0), "RASN")
    put(falls & (temp <= 0), "-SN", "SN")
    put(falls & (temp <= 0) & hard & (lift > 2.8), "+SN")
    put(falls & (temp <= 1) & (temp > -7) & (aloft > 1.5), "-FZRA", "FZRA")
    put(falls & (temp <= 0) & (temp > -9) & (aloft < -1.5), "-FZDZ")
    put(falls & (temp <= 0) & (aloft > 1.2) & (aloft < 1.35), "-PL")
    mist = ~falls & (temp - dew <= 0.5)
    put(mist, "BR")
    foggy = mist & (_smooth(rng, steps, 4) > 0.9)
    put(foggy & (temp > 0), "FG")
    put(foggy & (temp <= 0), "FZFG")
    put(rng.random(steps) < 0.004, "//")
    return names


_REACH_M = {"": 10000, "BR": 3000, "FG": 300, "FZFG": 250, "-SN": 4000, "SN": 1500, "+SN": 600, "RASN": 3500}


def _visibility(rng: np.random.Generator, weather: Places) -> Places:
    usual = np.array([_REACH_M.get(name, 7000) for name in WEATHER])[weather]
    drawn = np.clip(np.rint(usual * rng.uniform(0.6, 1.6, weather.size) / 100) * 100, 100, 9000).astype(np.int64)
    return np.where(usual == 10000, 10000, drawn)


def _clouds(rng: np.random.Generator, weather: Places, moist: Floats) -> Places:
    names = np.clip(np.rint(2 + 1.6 * moist + 0.5 * rng.standard_normal(weather.size)), 0, 5).astype(np.int64)
    foggy = np.isin(weather, [WEATHER.index("FG"), WEATHER.index("FZFG")])
    names[foggy] = next(i for i, cloud in enumerate(CLOUDS) if cloud.cover == "VV")
    return names


def _station(winter: Winter, number: int) -> pl.DataFrame:
    """The table of one station: routine reports, SPECIs where the weather changes, corrections, NILs and gaps."""
    air = _air(winter, number)
    rng = np.random.default_rng((winter.seed, 2, number))
    steps = air.at_us.size
    changed = np.flatnonzero(np.diff(air.weather) != 0)
    changed = changed[rng.random(changed.size) < 0.7]
    corrected = np.flatnonzero(rng.random(steps) < 0.002)
    rows = np.concatenate([np.arange(steps), changed + 1, corrected])
    special = np.concatenate([np.zeros(steps, bool), np.ones(changed.size, bool), np.zeros(corrected.size, bool)])
    again = np.concatenate([np.zeros(steps + changed.size, bool), np.ones(corrected.size, bool)])
    ahead_us = np.where(special, rng.choice([10, 15, 20], rows.size) * 60_000_000, 0)
    at_us = air.at_us[rows] - ahead_us
    nil = ~special & ~again & (rng.random(rows.size) < 0.001)
    superseded = np.isin(rows, corrected) & ~again & ~special
    frame = pl.DataFrame(
        {
            "at_us": at_us,
            "again": again,
            "special": special,
            "nil": nil & ~superseded,
            "superseded": superseded,
            "temp": air.temp_c[rows] + again,
            "dew": air.dew_point_c[rows],
            "weather_place": air.weather[rows],
            "visibility": air.visibility_m[rows],
            "cloud_place": air.clouds[rows],
            "from_deg": air.wind_from_deg[rows],
            "speed": air.wind_kt[rows],
            "pressure": air.pressure_hpa[rows],
        }
    ).filter(~pl.Series(_gaps(rng, steps)[rows]))
    frame = with_text(frame, code(number), tenths=air.tenths)
    minutes = (pl.col("at_us") - air.at_us[0]) // 60_000_000 + 60
    frame = frame.with_columns(order=(minutes * 4 + pl.col("again")) * winter.stations + number, source=pl.lit(None))
    return _received(winter, rng, frame).select(OBSERVED.keys()).cast(OBSERVED).sort("observed_at", "order")


def _gaps(rng: np.random.Generator, steps: int) -> Mask:
    """Which half hours are missing: one now and then, and some nights long."""
    missing = rng.random(steps) < 0.004
    for begins in rng.choice(steps, max(1, steps // 1500)):
        missing[begins : begins + int(rng.integers(4, 30))] = True
    return missing


def _received(winter: Winter, rng: np.random.Generator, frame: pl.DataFrame) -> pl.DataFrame:
    if not winter.received:
        return frame.with_columns(received_at=pl.lit(None))
    late = rng.random(frame.height) < 0.01
    minutes = np.where(late, rng.integers(35, 240, frame.height), rng.integers(2, 8, frame.height))
    us = pl.col("at_us") + pl.Series(minutes * 60_000_000) + 60_000_000 * pl.col("again")
    return frame.with_columns(received_at=us.cast(pl.Datetime("us", "UTC")))


def _forecasts(winter: Winter, number: int) -> pl.DataFrame:
    air = _air(winter, number)
    rng = np.random.default_rng((winter.seed, 3, number))
    issued = np.arange(9, air.at_us.size, 12)
    last = air.at_us.size - 1
    turn = issued + rng.integers(4, 30, issued.size)
    frame = pl.DataFrame(
        {
            "at_us": air.at_us[issued] + 10 * 60_000_000,
            "turn_us": air.at_us[issued] + (turn - issued) * _HALF_HOUR_US,
            "first": air.weather[np.minimum(issued + 2, last)],
            "then": air.weather[np.clip(turn + rng.integers(-3, 4, issued.size), 0, last)],
            "from_deg": air.wind_from_deg[issued],
            "speed": air.wind_kt[issued],
        }
    )
    frame = with_forecast_text(frame, code(number))
    minutes = (pl.col("at_us") - air.at_us[0]) // 60_000_000 + 60
    frame = frame.with_columns(
        order=(minutes * 4 + 2) * winter.stations + number,
        received_at=pl.lit(None),
        cancelled=pl.lit(value=False),
        source=pl.lit(None),
    )
    return frame.select(FORECAST.keys()).cast(FORECAST)
