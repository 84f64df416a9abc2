"""What the API says, as JSON: names are never renamed, fields may be added, unknown is null, times end in Z."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer

from watcher.alerts.model import Acknowledgement, Episode, Event, Taken
from watcher.notify.message import CAUTION, age_min
from watcher.notify.wording import plain
from watcher.units import iso_z

Moment = Annotated[datetime, PlainSerializer(iso_z, return_type=str)]


class AcknowledgementBody(BaseModel):
    """Somebody has taken an episode in hand."""

    by: str
    note: str
    at: Moment


class TakenBody(AcknowledgementBody):
    """Who has an episode in hand."""

    level: str = Field(description="How far the episode had risen then; what rises further is nobody's yet.")


class EpisodeBody(BaseModel):
    """One flag at one station from its beginning to its end, with what was last said of it."""

    model_config = ConfigDict(serialize_by_alias=True)

    episode: str
    event: str | None
    station: str
    name: str | None
    flag: str
    level: str
    no_time: str | None
    kind: str
    certainty: str | None
    phase: str
    headline: str | None
    why: str | None
    next_step: str | None
    begins_at: Moment = Field(serialization_alias="from")
    until: Moment | None
    opened_at: Moment | None
    changed_at: Moment
    ended_at: Moment | None
    observed_at: Moment | None
    report_age_min: int | None
    raw: str | None
    forecast_raw: str | None
    acknowledgement: TakenBody | None
    caution: str


def episode_body(episode: Episode, event: Event | None, now: datetime) -> EpisodeBody:
    """Return an episode for programs.

    Parameters
    ----------
    episode
        As it stands.
    event
        The newest about it; None before the first.
    now
        The present; the age of the report is counted to it.
    """
    said = event.body if event is not None else None
    return EpisodeBody(
        episode=episode.id,
        event=event.id if event is not None else None,
        station=episode.station,
        name=_plain(said.name) if said else None,
        flag=episode.flag.value,
        level=episode.level.word,
        no_time=episode.no_time.value if episode.no_time is not None else None,
        kind=episode.kind.value,
        certainty=episode.certainty.value if episode.certainty is not None else None,
        phase=episode.phase.value,
        headline=plain(said.headline) if said else None,
        why=plain(said.why) if said else None,
        next_step=plain(said.next_step) if said else None,
        begins_at=episode.began_at,
        until=episode.until,
        opened_at=episode.opened_at,
        changed_at=episode.changed_at,
        ended_at=episode.ended_at,
        observed_at=said.observed_at if said else None,
        report_age_min=age_min(said.observed_at, now) if said else None,
        raw=_plain(said.raw) if said else None,
        forecast_raw=_plain(said.forecast_raw) if said else None,
        acknowledgement=_taken_body(episode.taken) if episode.taken is not None else None,
        caution=CAUTION,
    )


def acknowledgement_body(given: Acknowledgement) -> AcknowledgementBody:
    """Return who took an episode in hand, for programs."""
    return AcknowledgementBody(by=given.by, note=given.note, at=given.at)


def _taken_body(taken: Taken) -> TakenBody:
    return TakenBody(by=taken.by, note=taken.note, at=taken.at, level=taken.level.word)


def _plain(text: str | None) -> str | None:
    return plain(text) if text is not None else None
