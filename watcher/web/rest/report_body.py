"""The `decode` contract as models, for the description of the API; a test holds the two equal."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from watcher.web.rest.fields import Time

Bound = Literal["exact", "at_least", "below"]


class CloudBody(BaseModel):
    """A cloud layer; NSC, NCD, SKC and CLR have no base."""

    amount: str | None
    base_ft: int | None
    type: str | None


class WeatherTimeBody(BaseModel):
    """When a kind of weather began or ended, by a remark."""

    weather: str
    at: Time


class RemarksBody(BaseModel):
    """What the remarks say that matters for icing; null: they do not say."""

    ice_accretion: bool
    freezing_rain_sensor_off: bool
    present_weather_sensor_off: bool
    precipitation_sensor: Literal["AO1", "AO2"] | None
    snow_depth_cm: float | None
    runway_state: list[str]
    began: list[WeatherTimeBody]
    ended: list[WeatherTimeBody]


class KeptBody(BaseModel):
    """When and from where a report came in. `superseded`: another of the same time took its place."""

    received_at: Time
    feed: str
    superseded: bool


class ObservationBody(KeptBody):
    """A METAR or SPECI."""

    kind: Literal["METAR", "SPECI"]
    station: str
    observed_at: Time
    auto: bool
    correction: str | None
    nil: bool
    temp_c: float | None
    temp_c_low: float | None
    temp_c_high: float | None
    dew_point_c: float | None
    dew_point_c_low: float | None
    dew_point_c_high: float | None
    wind_from_deg: float | None
    wind_variable: bool
    wind_kt: float | None
    gust_kt: float | None
    visibility_m: float | None
    visibility_bound: Bound | None
    vertical_visibility_ft: float | None
    cavok: bool
    weather: list[str]
    weather_observable: bool
    recent_weather: list[str]
    clouds: list[CloudBody] | None
    pressure_hpa: float | None
    freezing_or_frozen: bool | None
    remarks: RemarksBody
    trend: list[str]
    doubts: list[str]
    raw: str


class PeriodBody(BaseModel):
    """One period of a TAF."""

    change: Literal["BASE", "FM", "BECMG", "TEMPO", "PROB"]
    probability: Literal[30, 40] | None
    begins_at: Time = Field(alias="from")
    until: Time
    wind_from_deg: float | None
    wind_variable: bool
    wind_kt: float | None
    gust_kt: float | None
    visibility_m: float | None
    visibility_bound: Bound | None
    vertical_visibility_ft: float | None
    cavok: bool
    weather: list[str] | None
    weather_ends: bool
    clouds: list[CloudBody] | None


class ExtremeBody(BaseModel):
    """A highest or lowest temperature of a TAF."""

    kind: Literal["max", "min"]
    temp_c: float
    at: Time


class ForecastBody(KeptBody):
    """A TAF."""

    kind: Literal["TAF"]
    station: str
    issued_at: Time
    begins_at: Time | None = Field(alias="from")
    until: Time | None
    amendment: bool
    correction: bool
    cancelled: bool
    nil: bool
    periods: list[PeriodBody]
    temps: list[ExtremeBody]
    doubts: list[str]
    raw: str


ReportBody = Annotated[ObservationBody | ForecastBody, Field(discriminator="kind")]


class ReportsBody(BaseModel):
    """The reports of a time, the newest first. `complete`: False where the limit left older ones out."""

    station: str
    begins_at: Time = Field(alias="from")
    until: Time
    complete: bool
    items: list[ReportBody]
