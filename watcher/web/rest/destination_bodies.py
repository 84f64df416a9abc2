"""Destinations as the API gives and takes them. Secrets go in and never come out, but once: when one is made."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from watcher.settings.people import ChatShape, DestinationKind
from watcher.web.rest.fields import Asked

_Text = Annotated[str, StringConstraints(min_length=1, max_length=500)]


class DestinationBody(BaseModel):
    """Where messages can go. No secret is told."""

    name: str
    source: Literal["settings", "store"]
    kind: DestinationKind
    to: str = Field(
        description="The mail address, room or topic; of a web address the server alone, without the scope manage."
    )
    state: str
    confirmed: bool = Field(description="Its owner agreed; those of the settings are the operator's word.")
    disabled: str | None = Field(description="Why it is switched off; null: it is not.")
    fallback: str | None = Field(description="Which destination is told instead while it cannot be; null: none.")


class DestinationsBody(BaseModel):
    """All destinations by name."""

    items: list[DestinationBody]


class NewDestination(Asked):
    """A destination to be added, under the keys that its section in the settings would have."""

    name: _Text
    kind: DestinationKind
    address: _Text | None = Field(None, description="email: the address; its owner is asked by mail first.")
    url: _Text | None = Field(None, description="webhook, cap: where to post. matrix: the homeserver's address.")
    secret: _Text | None = Field(
        None,
        description="webhook, cap: whsec_…, left out: one is made and told once. chat: the room's web address. "
        "matrix: the access token. mqtt: the password.",
    )
    shape: ChatShape | None = Field(None, description="chat: what the room takes; left out: a text as it is.")
    text_field: _Text | None = Field(None, description="chat: name of the JSON field that the room reads.")
    room_id: _Text | None = Field(None, description="matrix: id of the room.", examples=["!made-up:example.org"])
    broker: _Text | None = Field(None, description="mqtt: where.", examples=["mqtts://broker.example.org:8883"])
    topic: _Text | None = Field(None, description="mqtt: under which topic.", examples=["hoarline/{station}/{flag}"])
    stand_topic: _Text | None = Field(None, description="mqtt: topic at which the broker keeps how each alert stands.")
    username: _Text | None = Field(None, description="mqtt: login, over mqtts only.")
    group_within: _Text | None = Field(
        None, description="email, chat, matrix: what happens in so long makes one message: 20s.", examples=["20s"]
    )
    fallback: _Text | None = Field(
        None, description="Name of the destination that is told instead while this one cannot be; none of kind cap."
    )


class DestinationChange(Asked):
    """What is changed of a destination; what is left out stays."""

    address: _Text | None = None
    url: _Text | None = None
    secret: _Text | None = None
    shape: ChatShape | None = None
    text_field: _Text | None = None
    room_id: _Text | None = None
    broker: _Text | None = None
    topic: _Text | None = None
    stand_topic: _Text | None = None
    username: _Text | None = None
    group_within: _Text | None = None
    fallback: _Text | None = Field(None, description="null: nobody is told in its place any more.")


class Pause(Asked):
    """Why a destination is switched off."""

    reason: _Text = Field("paused by a program", description="Shown to whoever asks why.")


class AddedBody(DestinationBody):
    """A destination that was added or changed. `secret`: made just now and told this once; null: none was made."""

    secret: str | None
    asked: bool = Field(description="Its owner was asked by mail; it gets nothing before they agree.")
    not_asked_why: str | None = Field(description="Why the mail to its owner was not taken; null: no such thing.")


class TrialBody(BaseModel):
    """How a message that is marked as a test was taken. `error`: why it was not."""

    destination: str
    taken: bool
    error: str | None
