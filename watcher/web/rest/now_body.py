"""The `now` contract as a model, for the description of the API; a test holds the two equal."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from watcher.web.rest.fields import FlagWord, KindWord, LevelWord, NoTimeWord, Share, Time

Verdict = Literal["true", "false", "unknown"]
Value = bool | float | str | list[str] | None


class BecauseBody(BaseModel):
    """One comparison that a rule made."""

    field: str
    op: str
    threshold: Value | list[float]
    value: Value
    margin: float | None = Field(description="Distance from the threshold, positive where it is true.")
    verdict: Verdict
    off: float | None = Field(description="The threshold at which it stops to hold.")
    unit: str
    age_min: float | None
    negated: bool


class FindingBody(BaseModel):
    """What one rule says now, with all its reasons."""

    rule: str
    flag: FlagWord
    level: LevelWord
    no_time: NoTimeWord | None
    kind: KindWord
    verdict: Verdict
    why: str
    because: list[BecauseBody]


class ExpectationBody(FindingBody):
    """What one rule says of a period to come, by the TAF or the frost forecast."""

    certainty: str
    probability: Share | None
    begins_at: Time = Field(alias="from")
    until: Time


class UnreadableBody(BaseModel):
    """A text of the station that came in lately and could not be read."""

    raw: str
    error: str


class NowBody(BaseModel):
    """All that is known of a station now: the `now` contract."""

    station: str
    at: Time
    report_age_min: float | None
    raw: str | None
    forecast_raw: str | None
    facts: dict[str, Value] = Field(description="The named values that rules may use; null: not known.")
    findings: list[Annotated[ExpectationBody | FindingBody, Field(union_mode="left_to_right")]]
    level: LevelWord | None = Field(description="The highest among the findings that are true now.")
    unreadable: list[UnreadableBody]
    caution: str
