"""What an event says to programs that read the list or the stream: the body of a webhook, with its number."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from watcher.alerts.model import EventType
from watcher.web.contract import Moment
from watcher.web.rest.fields import FlagWord, KindWord, LevelWord, NoTimeWord, PhaseWord


class EventData(BaseModel):
    """What the event is about. Unknown is null; fields may be added, never renamed."""

    model_config = ConfigDict(serialize_by_alias=True, validate_by_name=True)

    episode: str | None = Field(examples=["XNOR-17"], description="Null where it is about something else.")
    event: str | None = Field(description="Its name, the same in every message about it.")
    station: str | None
    name: str | None
    flag: FlagWord | None
    level: LevelWord | None
    previous_level: LevelWord | None
    no_time: NoTimeWord | None = Field(description="Why no holdover time exists: none, allowance or special.")
    kind: KindWord | None
    certainty: str | None
    probability: float | None = Field(description="From 0 to 1, of what was computed.")
    begins_between: tuple[Moment, Moment] | None
    ends_between: tuple[Moment, Moment] | None
    phase: PhaseWord | None
    headline: str = Field(description="The one line that stands alone.")
    why: str
    next_step: str
    begins_at: Moment | None = Field(alias="from")
    until: Moment | None
    observed_at: Moment | None
    report_age_min: int | None = Field(description="Counted to the time of the event.")
    raw: str | None
    forecast_raw: str | None
    acknowledged_by: str | None
    acknowledgement_note: str | None
    stations: list[dict[str, object]] | None = Field(description="Of a digest.")
    parked: list[dict[str, object]] | None = Field(description="Of a digest.")
    protection: dict[str, object] | None = Field(description="The treated aircraft that it is about.")
    valid_until: Moment
    meant_for: str | None = Field(description="Of a message to a fallback; always null here.")
    meant_for_why: str | None = Field(description="Of a message to a fallback; always null here.")
    acknowledge_url: str | None = Field(description="Of one destination; always null here.")
    board_url: str | None
    caution: str


class EventLineBody(BaseModel):
    """One event, as its webhook says it."""

    number: int = Field(description="Higher than that of every event before; never given twice.")
    type: EventType
    timestamp: Moment
    data: EventData


class EventListBody(BaseModel):
    """Some events, oldest first."""

    items: list[EventLineBody]
    next: int = Field(description="The `after` with which to go on.")
    more: bool = Field(description="Whether there is more now; an answer may hold fewer than `limit` and yet go on.")
    removed_to: int | None = Field(
        description="Events up to this number that were over are removed, some after `after` among them; null: none."
    )
