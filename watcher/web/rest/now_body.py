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


class HabitHourBody(BaseModel):
    """One hour of the day, UTC."""

    reported: int = Field(description="On so many of the days a report was made in it.")
    gap_min: float | None = Field(
        description="In nine of ten cases the next routine report came within so many minutes."
    )
    auto: float | None = Field(description="Share of its reports that were automatic.")


class HabitsBody(BaseModel):
    """What a station usually does. It never says that there is no ice."""

    known: bool = Field(description="Whether a whole week was heard; before, nothing follows from it.")
    days: int
    reports: int
    begins_at: Time
    ends_at: Time
    late_p50_min: float | None = Field(description="Half of its reports came within so many minutes.")
    late_p90_min: float | None
    late_p99_min: float | None
    silent: list[str] = Field(description="Hours without a report on any day, such as 22-05Z.")
    automatic: list[str]
    hours: list[HabitHourBody] = Field(description="0 to 23 UTC.")


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
    blind_after_min: float | None = Field(description="So old its newest report may become before it is blind.")
    habits: HabitsBody | None = Field(description="What the station usually does, learned; null: nothing was learned.")
    caution: str
