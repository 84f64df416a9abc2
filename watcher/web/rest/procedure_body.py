"""The `procedure` contract as models, for the description of the API; a test holds the two equal."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from watcher.web.rest.fields import PlaceWord


class SituationBody(BaseModel):
    """What is known of the aircraft that is treated; null: not known."""

    engines: Literal["running", "off"] | None
    apu: Literal["running", "off"] | None
    propeller: bool | None
    temp_c: float | None
    holdover: Literal["running", "over"] | None


class StepBody(BaseModel):
    """One step."""

    number: int
    id: str
    who: str
    text: str
    source: str
    when: str | None = Field(description="What it hangs on and is not known here; null: it counts.")
    starts: list[str] = Field(description="The moments that it notes.")
    needs: list[str] = Field(description="The times that must be looked at for it.")
    moves: list[str]
    record: list[str] = Field(description="What is written down at it.")


class StepsBody(BaseModel):
    """The steps of one phase."""

    phase: str
    items: list[StepBody]


class StopBody(BaseModel):
    """A reason to stop the treatment."""

    id: str
    text: str
    source: str


class WaitBody(BaseModel):
    """A wait before bleed air is taken, by the profile of the aircraft; null: not known. Not a permission."""

    clock: str
    minutes: float | None
    source: str | None


class ProcedureBody(BaseModel):
    """The checklist of a place. The aircraft's own manual goes first."""

    place: PlaceWord
    title: str
    first: str
    file: str
    aircraft: str | None
    station: str | None
    local: list[str] | None
    situation: SituationBody
    phases: list[StepsBody]
    stops: list[StopBody]
    waits: list[WaitBody]
    caution: str
