"""Plans and morning lists as the API gives and takes them; a test holds the answers equal to the contracts."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field, StringConstraints

from watcher.web.rest.fields import Asked, PlaceWord, Share, Time
from watcher.web.rest.holdover_body import FiguresBody

# More are several lists.
MOST_DEPARTURES = 1000
MOST_MEMBERS = 1000
_Cell = Annotated[str, StringConstraints(max_length=60)]
_Needed = Annotated[str, StringConstraints(min_length=1, max_length=60)]
_Chances = dict[Literal["frost", "snow", "ice", "deep-snow"], Share]
Verdict = Literal["fits", "tight", "does-not-fit"]


class DepartureAsked(Asked):
    """One departure, under the names of the columns of a list. Times are 0540Z, 06:40 local or 2026-01-12T05:40Z."""

    flight: _Needed = Field(description="What the departure is called, once each.", examples=["XA 12"])
    aircraft: _Needed = Field(description="Name of a profile.")
    off_block: _Needed = Field(description="Off-block time (TOBT).", examples=["0640Z"])
    station: _Cell = Field("", description="Code; may be left out where only one station treats.", examples=["XNOR"])
    tsat: _Cell = Field("", description="Start-up approval.")
    ctot: _Cell = Field("", description="Slot time.")
    place: _Cell = Field("", description="stand, after-push or pad, where it is fixed.")
    fluid: _Cell = Field("", description="Type and mix, where it is fixed.", examples=["Type IV 100/0"])
    runway: _Cell = Field("", description="Such as 19.")
    contamination: _Cell = Field("", description="Seen by a person: frost, snow, ice or deep-snow.")
    arrived: _Cell = Field("", description="Since when it stands outside.")
    hangar_exit: _Cell = Field("", description="When it leaves the hangar.")
    fuel_c: float | _Cell = Field("", description="Temperature of the fuel in the wings, °C.")
    report: _Cell = Field("", description="inspected clean 0410Z, treated 0500Z, hangared, cancelled.")

    def cells(self) -> dict[str, str]:
        """Return the fields as a list has them."""
        return {name: str(value) for name, value in self.model_dump().items()}


class PlanAsked(DepartureAsked):
    """One departure to be planned, and those that may stand in its way."""

    others: list[DepartureAsked] = Field(
        [], max_length=MOST_DEPARTURES, description="Departures that may stand in its way."
    )
    training: bool = Field(False, description="Give minutes and verdicts of old tables, marked as such.")
    members: int = Field(200, ge=20, le=MOST_MEMBERS, description="Size of the ensemble.")


class MorningAsked(Asked):
    """The departures of a morning."""

    departures: Annotated[list[DepartureAsked], Field(min_length=1, max_length=MOST_DEPARTURES)]
    station: _Cell | None = Field(None, description="Of the departures that name none.")


class MomentsBody(BaseModel):
    """A time: it comes before these in 10, 50 and 90 of 100 members."""

    p10: Time
    p50: Time
    p90: Time


class RangeBody(BaseModel):
    """A figure in 10, 50 and 90 of 100 members."""

    p10: float
    p50: float
    p90: float


class NeedBody(BaseModel):
    """Whether there is anything to treat when the treatment would begin."""

    p_any: Share
    p_protection: Share
    kinds: _Chances
    likeliest: Literal["frost", "snow", "ice", "deep-snow"] | None


class ListedNeedBody(BaseModel):
    """Whether there is anything to treat, of a list's line."""

    p_any: Share
    p_protection: Share
    kinds: _Chances


class StageBody(BaseModel):
    """One step of the chain; `from` and `to` in half of the members."""

    name: str
    begins_at: Time = Field(alias="from")
    to: Time
    begins: MomentsBody
    ends: MomentsBody


class OptionHoldoverBody(FiguresBody):
    """What the tables say of the option's fluid, and when its clocks end."""

    starts_at: Time
    lower_ends_at: Time | None
    upper_ends_at: Time | None
    in_season: bool | None


class OptionBody(BaseModel):
    """Treatment at one site."""

    place: PlaceWord
    site: str
    provider: str
    not_offered: str | None = Field(description="Why it cannot be done here; null: it can.")
    engines: Literal["running", "off"] | None
    call_by: Time | None
    call_late: bool
    steps: list[StageBody]
    times: dict[Literal["ERZT", "ECZT", "EEZT", "TTOT"], MomentsBody] | None
    fluid: str | None
    holdover: OptionHoldoverBody | None
    engine_bleed_wait_ends: Time | None = Field(description="End of a wait, not a permission.")
    apu_bleed_wait_ends: Time | None = Field(description="End of a wait, not a permission.")
    take_off: MomentsBody | None
    p_within_lower: Share | None
    p_within_upper: Share | None
    p_no_time: Share | None
    p_slot: Share | None
    early_min: int
    fuel_kg: float | None
    verdict: Verdict | None
    why: str


class PlanBody(BaseModel):
    """The plan of one departure: the `depart` contract."""

    station: str
    departure: str
    aircraft: str
    tobt: Time
    tsat: Time | None
    ctot: Time | None
    runway: str | None
    made_at: Time
    members: int
    training: bool
    need: NeedBody | None
    options: list[OptionBody]
    choice: PlaceWord | None
    choice_site: str | None
    why: str
    notes: list[str]
    observed_at: Time | None
    report_age_min: int | None
    forecast_issued_at: Time | None
    caution: str


class ListedBody(BaseModel):
    """One departure of the list. `order`: in which aircraft come to be treated; null: not expected to be, or done."""

    order: int | None
    station: str
    flight: str
    aircraft: str
    off_block: Time
    ctot: Time | None
    report: str
    tsat: Time | None
    reported_at: Time | None
    treat: bool
    need: ListedNeedBody | None
    kind: str | None
    call_by: Time | None
    place: PlaceWord | None
    site: str | None
    fluid: str | None
    verdict: Verdict | None
    take_off: MomentsBody | None
    p_slot: Share | None
    holdover_lower_min: int | None
    holdover_upper_min: int | None
    p_within_lower: Share | None
    p_within_upper: Share | None
    table: str | None
    season: str | None
    in_season: bool | None
    authority: str | None
    training: bool
    wait_min: RangeBody | None
    litres: RangeBody | None
    why: str


class HalfHourBody(BaseModel):
    """The load of one site in half an hour."""

    station: str
    site: str
    place: PlaceWord
    begins_at: Time = Field(alias="from")
    bays: int
    rigs: int
    aircraft: RangeBody
    bays_busy: RangeBody
    rigs_busy: RangeBody
    wait_min: RangeBody
    p_broken: Share | None


class SizeLitresBody(RangeBody):
    """The fluid for all aircraft of a size at a station."""

    station: str
    size: Literal["small", "medium", "large"]


class StationDataBody(BaseModel):
    """What the figures of a station rest on."""

    station: str
    zone: str
    observed_at: Time | None
    report_age_min: int | None
    forecast_issued_at: Time | None


class MorningBody(BaseModel):
    """The morning list, and the load by site and half hour."""

    made_at: Time
    members: int
    training: bool
    departures: list[ListedBody]
    load: list[HalfHourBody]
    litres: list[SizeLitresBody]
    stations: list[StationDataBody]
    notes: list[str]
    caution: str
