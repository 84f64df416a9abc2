"""The values that decoding gives: Observation, Forecast, Unreadable, and the Report that carries one.

Unknown is None. Times are aware UTC. Field names are those of the `decode` contract.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, NamedTuple

VisibilityBound = Literal["exact", "at_least", "below"]


@dataclass(frozen=True, slots=True)
class CloudLayer:
    """One cloud group. `amount`: FEW, SCT, BKN, OVC; NSC, NCD, SKC, CLR (no `base_ft`); None for `///`."""

    amount: str | None
    base_ft: int | None
    type: str | None = None


@dataclass(frozen=True, slots=True)
class Remarks:
    """What the remarks say that matters for ice."""

    ice_accretion: bool = False
    freezing_rain_sensor_off: bool = False
    present_weather_sensor_off: bool = False
    precipitation_sensor: Literal["AO1", "AO2"] | None = None
    snow_depth_cm: float | None = None
    runway_state: tuple[str, ...] = ()
    began: tuple[tuple[str, datetime], ...] = ()
    ended: tuple[tuple[str, datetime], ...] = ()


class Observation(NamedTuple):
    """A decoded METAR or SPECI. Nominal values with the interval that rounding leaves (`_low`, `_high`).

    A named tuple, for it is made for every report of the world: a frozen dataclass of this size takes three times as
    long. `weather_unread_may_freeze`: a group could not be read and may mean something freezing or frozen; what could
    be read stands in `weather` all the same. `source`: the XML that `raw` was made from, where it is finer than `raw`
    can say; None: `raw` says it all.
    """

    kind: Literal["METAR", "SPECI"]
    station: str
    observed_at: datetime
    raw: str
    auto: bool = False
    correction: str | None = None
    nil: bool = False
    temp_c: float | None = None
    temp_c_low: float | None = None
    temp_c_high: float | None = None
    dew_point_c: float | None = None
    dew_point_c_low: float | None = None
    dew_point_c_high: float | None = None
    wind_from_deg: int | None = None
    wind_variable: bool = False
    wind_kt: float | None = None
    gust_kt: float | None = None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    vertical_visibility_ft: int | None = None
    cavok: bool = False
    weather: tuple[str, ...] = ()
    weather_observable: bool = True
    recent_weather: tuple[str, ...] = ()
    clouds: tuple[CloudLayer, ...] | None = None
    pressure_hpa: float | None = None
    freezing_or_frozen: bool | None = False
    remarks: Remarks = Remarks()
    trend: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    weather_unread_may_freeze: bool = False
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """One group of a TAF. Values that the group does not name are None (BECMG, TEMPO and PROB carry only what changes).

    `weather` None: not named; empty with `weather_ends` true: NSW. `weather_unread_may_freeze`: a group could not be
    read and may mean something freezing or frozen, rain and drizzle too; what could be read stands in `weather`.
    """

    change: Literal["BASE", "FM", "BECMG", "TEMPO", "PROB"]
    probability: Literal[30, 40] | None
    begins_at: datetime
    ends_at: datetime
    wind_from_deg: int | None = None
    wind_variable: bool = False
    wind_kt: float | None = None
    gust_kt: float | None = None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    vertical_visibility_ft: int | None = None
    cavok: bool = False
    weather: tuple[str, ...] | None = None
    weather_ends: bool = False
    clouds: tuple[CloudLayer, ...] | None = None
    weather_unread_may_freeze: bool = False


@dataclass(frozen=True, slots=True)
class ForecastTemperature:
    """A TX or TN group."""

    kind: Literal["max", "min"]
    temp_c: float
    at: datetime


@dataclass(frozen=True, slots=True)
class Forecast:
    """A decoded TAF. `begins_at`, `ends_at`: its validity (`from`, `until` in the contract). `source`: as above."""

    station: str
    issued_at: datetime
    raw: str
    begins_at: datetime | None = None
    ends_at: datetime | None = None
    amendment: bool = False
    correction: bool = False
    cancelled: bool = False
    nil: bool = False
    periods: tuple[Period, ...] = ()
    temps: tuple[ForecastTemperature, ...] = ()
    doubts: tuple[str, ...] = ()
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A text that is no report that could be read. It is kept, counted and shown."""

    raw: str
    error: str
    station: str | None = None


Decoded = Observation | Forecast | Unreadable


@dataclass(frozen=True, slots=True)
class Report:
    """One report as received, with what it says.

    `text_hash`: 16 hex digits over the normalised text without the type word (`reports.identity.text_hash`), so that
    the same report from two feeds is one report.
    """

    decoded: Decoded
    text_hash: str
    feed: str
    received_at: datetime
