"""Subscriptions and their preview as the API gives and takes them; the keys are those of the settings."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from watcher.web.rest.fields import CODE, Asked, FlagWord, LevelWord, Time

_Text = Annotated[str, StringConstraints(min_length=1, max_length=80)]
_Code = Annotated[str, StringConstraints(pattern=CODE)]
_Country = Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}$")]
_Clock = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
_Hours = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]-([01][0-9]|2[0-3]):[0-5][0-9]$")]
_MOST = 1000


class Circle(Asked):
    """All stations within a distance of a place."""

    at: _Text = Field(description='The middle: "60.20,11.10", or the code of a station whose place is known.')
    radius_nm: float | None = Field(None, gt=0, le=5400, description="Nautical miles; this or the other.")
    radius_km: float | None = Field(None, gt=0, le=10000, description="Kilometres.")


class Wishes(Asked):
    """What somebody wants to be told; what is left out counts as in the settings. Places add up; none: all stations."""

    stations: Literal["all"] | Annotated[list[_Code], Field(max_length=_MOST)] | None = Field(
        None, description='Station codes, or "all".'
    )
    countries: Annotated[list[_Country], Field(max_length=_MOST)] | None = Field(None, description="ISO 3166 codes.")
    circles: Annotated[list[Circle], Field(max_length=100)] | None = None
    flags: Annotated[list[FlagWord | Literal["all"]], Field(min_length=1, max_length=20)] | None = None
    min_level: LevelWord | None = Field(None, description="The lowest level that opens a message; else prepare.")
    to: Annotated[list[_Text], Field(min_length=1, max_length=100)] | None = Field(
        None, description="Names of destinations."
    )
    hours: _Hours | None = Field(None, description="Local wall time; else always.", examples=["18:00-09:00"])
    quiet: _Hours | None = Field(None, description="Local wall time without messages.", examples=["23:00-04:30"])
    zone: _Text | None = Field(None, description="Time zone of hours, quiet and digest.", examples=["Europe/Oslo"])
    no_time_ignores_hours: bool | None = Field(None, description="Tell no-time, and that it is over, at any hour.")
    digest: Annotated[list[_Clock], Field(max_length=24)] | None = Field(None, description="Local times of a digest.")
    only_digest: bool | None = Field(None, description="Nothing but the digest.")
    remind_every: _Text | None = Field(
        None, description="Tell again so often what nobody has in hand: 1m to 1d.", examples=["30m"]
    )


class NewSubscription(Wishes):
    """A subscription to be added."""

    name: _Text
    to: Annotated[list[_Text], Field(min_length=1, max_length=100)] = Field(description="Names of destinations.")
    paused: bool = Field(False, description="Open nothing for now.")


class SubscriptionChange(Wishes):
    """What is changed of a subscription (RFC 7396): what is left out stays, null leaves a part out from now on."""

    paused: bool | None = Field(None, description="Open nothing for now; what was told is still told its end.")


class PreviewAsked(Wishes):
    """Which subscription is tried on what has passed: one that there is, changed by the wishes, or the wishes alone."""

    name: _Text | None = Field(None, description="Of a subscription; left out: the wishes make one.")
    days: int = Field(7, ge=1, le=31, description="How many days back.")


class CircleBody(BaseModel):
    """All stations within a distance of a place."""

    at: str
    radius_nm: float | None
    radius_km: float | None


class SubscriptionBody(BaseModel):
    """Who wants what, and where it stands; that of the settings is changed there."""

    source: Literal["settings", "store"]
    name: str
    stations: Literal["all"] | list[str] | None
    countries: list[str]
    circles: list[CircleBody]
    flags: list[str]
    min_level: LevelWord
    to: list[str]
    hours: str | None
    quiet: str | None
    zone: str | None
    no_time_ignores_hours: bool
    digest: list[str]
    only_digest: bool
    remind_every: str | None
    paused: bool


class SubscriptionsBody(BaseModel):
    """All subscriptions by name."""

    items: list[SubscriptionBody]


class PreviewItemBody(BaseModel):
    """One event in a message. `reminder`: which reminder of it; 0: none."""

    told_as: str
    event: str
    headline: str
    level: LevelWord | None
    reminder: int


class PreviewMessageBody(BaseModel):
    """One message that would have gone out."""

    destination: str
    at: Time
    level: LevelWord | None
    items: list[PreviewItemBody]


class PreviewDigestBody(BaseModel):
    """One digest that would have gone out."""

    destination: str
    at: Time
    stations: int
    alerts: int
    worst: LevelWord | None


class BusiestBody(BaseModel):
    """The clock hour with the most messages."""

    begins: Time
    messages: int


class PreviewCountsBody(BaseModel):
    """The messages of one destination in figures, digests apart."""

    destination: str
    zone: str
    messages: int
    by_day: dict[str, int]
    at_night: int
    by_level: dict[str, int]
    busiest_hour: BusiestBody | None


class PreviewBody(BaseModel):
    """What a subscription would have told. Aircraft that are parked or treated are not in it."""

    messages: list[PreviewMessageBody]
    digests: list[PreviewDigestBody]
    counts: list[PreviewCountsBody]
    events_reach_back_h: float
