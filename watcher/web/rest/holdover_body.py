"""The `holdover` contract as models, for the description of the API; a test holds the two equal."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from watcher.web.rest.fields import NoTimeWord, Time


class FiguresBody(BaseModel):
    """What the tables say: minutes as whole numbers, null where there are none."""

    outcome: Literal["not-needed", "time", "allowance", "special", "out-of-season", "unknown", "none"]
    column: str | None
    lower_min: int | None
    upper_min: int | None
    no_time: NoTimeWord | None
    table: str | None
    season: str | None
    authority: str | None
    training: bool = Field(description="The figures are old ones, for training only.")
    basis: Literal["official", "seen", "memory"] | None
    why: str
    caution: str


class HoldoverBody(FiguresBody):
    """One look-up. Minutes only from tables in force, or marked as training."""

    allowance_min: int | None
    asked: list[str] = Field(description="Every table that was looked into.")
    current: bool | None = Field(description="Whether all of those are in force; null: there were none.")
    confidence: Literal["high", "medium", "low"] | None
    raw: str | None = Field(description="The report that was asked of; null: the weather was given by hand.")
    observed_at: Time | None
    report_age_min: float | None
