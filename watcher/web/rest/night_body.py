"""The `night` contract as a model, for the description of the API; a test holds the two equal."""

from __future__ import annotations

from pydantic import BaseModel, Field

from watcher.web.rest.fields import Quantiles, Share, Time, Times


class NightStepBody(BaseModel):
    """One time of the night, of the worst part of the wing."""

    at: Time
    p_active_frost: Share | None
    p_deposit: Share | None
    p_frozen_residual: Share | None
    p_precipitation: Share | None
    skin_c: Quantiles
    temp_c: Quantiles
    frost_point_c: Quantiles


class NightPartBody(BaseModel):
    """The night of one part of the wing."""

    p_any: Share | None
    p_deposit: Share | None
    p_frozen_residual: Share | None
    p_precipitation: Share | None
    onset: Times | None
    end: Times | None
    deposit_end: Times | None
    likely_from: Time | None
    likely_until: Time | None


class SensitivityBody(BaseModel):
    """One change of what is known, and the answer it would give; differences in percentage points."""

    change: str
    p_any: Share
    p_any_points: float
    p_deposit: Share
    p_deposit_points: float


class NightBody(BaseModel):
    """How likely a parked aircraft is frosted: the `night` contract. The top level is that of the worst part."""

    station: str
    begins_at: Time = Field(alias="from")
    until: Time
    members: int
    worst_part: str | None
    steps: list[NightStepBody]
    onset: Times | None
    end: Times | None
    deposit_end: Times | None
    p_any: Share | None
    parts: dict[str, NightPartBody]
    notes: list[str]
    observed_at: Time | None
    report_age_min: int | None
    forecast_issued_at: Time | None
    caution: str
    sensitivity: list[SensitivityBody]
