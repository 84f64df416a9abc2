"""Treated aircraft as the API gives and takes them; a test holds the answer equal to the `protection` contract."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from watcher.web.rest.fields import CODE, Asked, PlaceWord, Time, When

_Text = Annotated[str, StringConstraints(min_length=1, max_length=60)]
_Written = Annotated[str, StringConstraints(min_length=1, max_length=40)]


class NewProtection(Asked):
    """A treated aircraft whose clocks begin. Times are 0512Z, 2026-01-12T05:12Z, or now."""

    station: Annotated[str, StringConstraints(pattern=CODE)] = Field(examples=["XNOR"])
    aircraft: _Text = Field(description="What people call it.", examples=["stand 12"])
    fluid: _Written = Field(description="Fluid of the final application.", examples=["Type IV"])
    started: _Written = Field(description="Start of the final application.", examples=["0512Z", "now"])
    mix: _Written | None = Field(None, description="Fluid and water; not for Type I.", examples=["100/0"])
    ended: _Written | None = Field(None, description="End of the treatment, from which bleed waits run.")
    place: PlaceWord | None = None
    profile: _Text | None = Field(None, description="Aircraft profile: its waits, wing and flaps.")
    surface: Literal["aluminium", "composite", "unknown"] | None = None
    lout_c: float | None = Field(None, ge=-80, le=0, description="Lowest temperature of the fluid's use, °C.")
    authority: _Text | None = Field(None, description="Whose tables; left out: the strictest of all.")
    take_off: _Written | None = Field(None, description="When the take-off is expected.")
    flaps_set: bool = Field(False, description="Flaps or slats set before or during the treatment.")
    cold_soaked: bool | None = Field(None, description="Wing colder than the air; left out: it may be.")
    training: bool = Field(False, description="Give minutes of old tables, marked as such.")


class PressAsked(Asked):
    """One thing that is said of a treated aircraft, as by a press on its page."""

    id: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{8,64}$")] = Field(
        description="Chosen by whoever says it: the same one sent again counts once."
    )
    kind: Literal["step", "treated", "seen", "expects", "undo", "took-off", "returned"] = Field(
        description=(
            "step: a step of the checklist is done. treated: the treatment has ended. seen: what the crew sees; it "
            "only ever shortens. expects: when the take-off is expected. undo: the last step or end was said by "
            "mistake. took-off, returned: it is over."
        )
    )
    at: When | None = Field(None, description="When that was; left out: now.")
    step: _Text | None = Field(None, description="step: its id in the checklist.")
    of: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{8,64}$")] | None = Field(
        None, description="undo: the id of what is undone."
    )
    weather: _Written | None = Field(None, description="seen: what falls.", examples=["+SN", "FZRA"])
    visibility: _Written | None = Field(None, description="seen: how far one sees.", examples=["800", "1/2SM"])
    frost: bool = Field(False, description="seen: frost forms on the aircraft.")
    take_off_at: When | None = Field(None, description="expects: the take-off; left out: not known any more.")


class ChecklistBody(BaseModel):
    """The step of the checklist from which the crew goes on."""

    id: str
    who: str
    text: str


class ProtectionBody(BaseModel):
    """How a treated aircraft stands. Minutes only from tables in force, or marked as training."""

    protection: str
    station: str
    aircraft: str
    at: Time
    standing: Literal[
        "no-limit", "running", "allowance", "over", "special", "none", "blind", "unknown", "out-of-season", "ended"
    ]
    minutes_left: int | None
    minutes_to_upper: int | None
    lower_min: int | None
    upper_min: int | None
    allowance_min: int | None
    lower_ends_at: Time | None
    upper_ends_at: Time | None
    allowance_ends_at: Time | None
    engine_bleed_wait_ends: Time | None = Field(description="End of a wait, not a permission.")
    apu_bleed_wait_ends: Time | None = Field(description="End of a wait, not a permission.")
    waits_source: str | None
    next_step: str
    checklist: ChecklistBody | None
    fluid: str
    mix: str | None
    surface: str
    flaps_set: bool
    lout_c: float | None
    cold_soaked_wing: bool | None
    place: PlaceWord | None
    started_at: Time
    treatment_ended_at: Time | None
    take_off_at: Time | None
    why: str | None
    by_crew: bool | None
    open: list[str] = Field(description="What of the weather was left open, and when.")
    blind: bool
    was_blind: bool
    column: str | None
    table: str | None
    season: str | None
    authority: str | None
    asked_authority: str | None
    current: bool | None
    training: bool
    observed_at: Time | None
    report_age_min: int | None
    raw: str | None
    ended_at: Time | None
    ending: Literal["took-off", "returned", "expired"] | None
    caution: str
    link: str | None = Field(description="Its page, for the phone of the crew; only for those who may press there.")


class ProtectionsBody(BaseModel):
    """Treated aircraft: the lost first, then what runs out first, those that have ended last."""

    items: list[ProtectionBody]
