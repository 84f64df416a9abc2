"""What a digest says of a parked aircraft: headline, reason and next step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.alerts.model import Contaminant, StationView
from watcher.outlook.night.model import Night, PartNight
from watcher.units import clock_z, percent

# From here on an aircraft is called likely frosted, and treatment is booked; or a slot is kept. Common practice, no
# source.
LIKELY, POSSIBLE = 0.5, 0.2
_HALF_A_DAY = timedelta(hours=12)

NO_MEASUREMENT = (
    "No measurement of an aircraft's wing stands behind the chances of parked aircraft: a thin panel and natural "
    "ground at night stand in for one. Check each aircraft by hand."
)

_ON_IT: Mapping[Contaminant, str] = {
    Contaminant.PRECIPITATION: "with snow or freezing precipitation on it",
    Contaminant.FROZEN_RESIDUAL: "with frozen water on it",
    Contaminant.DEPOSIT: "frosted",
    Contaminant.ACTIVE_FROST: "frosted",
}
_IN_FULL: Mapping[Contaminant, str] = {
    Contaminant.PRECIPITATION: "snow or freezing precipitation on it",
    Contaminant.FROZEN_RESIDUAL: "frozen water",
    Contaminant.DEPOSIT: "deposit",
    Contaminant.ACTIVE_FROST: "frost forming",
}
_PARTS = {"dry_bay": "the dry bay", "tank_full": "a full tank", "tank_part": "a part full tank"}

# Common practice, no source: who arranges what, and in which order, differs between operators.
_BOOK: Mapping[Contaminant, str] = {
    Contaminant.PRECIPITATION: "Book treatment before {at} and plan it close to take-off; check by hand first.",
    Contaminant.FROZEN_RESIDUAL: "Book treatment before {at}; check upper surfaces, hinges and brakes by hand first.",
    Contaminant.DEPOSIT: "Book frost removal before {at}; check by hand first.",
    Contaminant.ACTIVE_FROST: "Book frost removal close to {at}, since frost still forms then; check by hand first.",
}
_KEEP_A_SLOT = "Check by hand before {at} and keep a treatment slot until then."
_CHECK = "Check by hand before {at}; nothing to book for it now."
_UNKNOWN = "Check by hand before {at} and ask for the weather by other means; nothing here rules frost out."


@dataclass(frozen=True, slots=True)
class Outlook:
    """An aircraft at its departure.

    `night` ends at the departure, `after` some hours later. `part`, `later`: the part of the wing that is told, in
    each. `chances`: of each contaminant on it at the departure.
    """

    night: Night
    after: Night
    part: PartNight
    later: PartNight
    chances: Mapping[Contaminant, float]
    contaminant: Contaminant

    @property
    def chance(self) -> float:
        """That anything frozen is on the part at the departure."""
        return self.chances[self.contaminant]

    @property
    def treatment_for(self) -> Contaminant:
        """What treatment is booked for: precipitation needs more than frost, and frost that still forms comes back."""
        for contaminant in (Contaminant.PRECIPITATION, Contaminant.ACTIVE_FROST):
            if self.chances[contaminant] >= LIKELY:
                return contaminant
        return self.contaminant

    @property
    def begins_at(self) -> datetime | None:
        """When frost begins, where it is likely enough to say."""
        onset = self.part.onset
        return onset.p50 if onset is not None and min(self.chance, self.part.p_any) >= POSSIBLE else None

    @property
    def begins_between(self) -> tuple[datetime, datetime] | None:
        """Between which times it begins, where they differ."""
        onset = self.part.onset
        if self.begins_at is None or onset is None or onset.p10 is None or onset.p90 is None:
            return None
        return (onset.p10, onset.p90) if onset.p10 < onset.p90 else None

    @property
    def lies(self) -> bool:
        """Whether a deposit at the departure is likely enough to say when it is gone."""
        return self.chances[Contaminant.DEPOSIT] >= POSSIBLE and self.later.deposit_end is not None

    @property
    def gone_at(self) -> datetime | None:
        """When the deposit is gone; None where it is not worth a word, or lies on past what was looked at."""
        return self.later.deposit_end.p50 if self.lies and self.later.deposit_end is not None else None


def departure_text(departs_at: datetime, zone: str, now: datetime) -> str:
    """Return when it departs, Z first and local second: ``0540Z (06:40 Europe/Oslo)``.

    The day of the month stands before it, as in a report, where it is on another day and half a day or more ahead.
    Local time is left out where it is the same.
    """
    local = departs_at.astimezone(ZoneInfo(zone))
    far = departs_at - now >= _HALF_A_DAY and departs_at.date() != now.date()
    clock = f"{departs_at:%d}/{clock_z(departs_at)}" if far else clock_z(departs_at)
    return f"{clock} ({local:%H:%M} {zone})" if local.utcoffset() else clock


def outcome_of(outlook: Outlook | None, missing: str) -> str:
    """Return how likely what is on it, from when it forms and until when it lies.

    `missing`: what is not known where there is no outlook.
    """
    if outlook is None:
        return f"chance of frost not known, {missing}"
    times = [words for words in (_begins(outlook), _gone(outlook)) if words is not None]
    what = f"{percent(outlook.chance)} {_what(outlook)}"
    return f"{what}; {', '.join(times)}" if times else what


def _what(outlook: Outlook) -> str:
    what, falls = _ON_IT[outlook.contaminant], outlook.chances[Contaminant.PRECIPITATION]
    if outlook.contaminant is Contaminant.PRECIPITATION or falls < POSSIBLE:
        return what
    # What has fallen counts as a deposit too, so that not all of it is frost.
    what = "with a deposit on it" if outlook.contaminant is Contaminant.DEPOSIT else what
    return f"{what}, {percent(falls)} {_ON_IT[Contaminant.PRECIPITATION]}"


def _begins(outlook: Outlook) -> str | None:
    """Return from when frost forms; the times are those of the computed nights in which it does."""
    if outlook.begins_at is None:
        return None
    likely = outlook.part.p_any >= LIKELY
    if outlook.begins_at <= outlook.night.begins_at:
        return "frost forms now" if outlook.part.steps[0].p_active_frost >= LIKELY else "frost possible from now on"
    between = outlook.begins_between
    around = f" ({clock_z(between[0])}-{clock_z(between[1])})" if between is not None else ""
    return f"{'frost' if likely else 'frost, if any,'} from about {clock_z(outlook.begins_at)}{around}"


def _gone(outlook: Outlook) -> str | None:
    if not outlook.lies:
        return None
    if outlook.gone_at is None:
        return f"deposit not gone before {clock_z(outlook.after.ends_at)}"
    return f"deposit gone about {clock_z(outlook.gone_at)}"


def why_of(outlook: Outlook | None, view: StationView | None, missing: str) -> str:
    """Return what stands behind the line; `missing`: what is not known where there is no outlook."""
    blind_since = view.state.blind_since if view is not None else None
    blind = f" The station is blind since {clock_z(blind_since)}." if blind_since is not None else ""
    if outlook is None:
        return f"It cannot be computed: {missing}.{blind}"
    chances = sorted(outlook.chances.items(), key=lambda item: -item[1])
    listed = ", ".join(f"{_IN_FULL[contaminant]} {percent(chance)}" for contaminant, chance in chances)
    step, night = outlook.part.steps[-1], outlook.night
    taf = f"the TAF of {clock_z(night.forecast_issued_at)}" if night.forecast_issued_at is not None else "no TAF"
    report = f"the report of {clock_z(night.observed_at)}" if night.observed_at is not None else "no report"
    skin = step.skin_c
    return (
        f"At departure on {_PARTS[outlook.part.part]}: {listed}; skin {round(skin.p50)} °C ({round(skin.p10)} to "
        f"{round(skin.p90)}), frost point {round(step.frost_point_c.p50)} °C. Computed from {report} and {taf}.{blind}"
    )


def next_step_of(outlook: Outlook | None, departs_at: datetime) -> str:
    """Return the next step by the chance."""
    at = clock_z(departs_at)
    if outlook is None:
        return _UNKNOWN.format(at=at)
    if outlook.chance >= LIKELY:
        return _BOOK[outlook.treatment_for].format(at=at)
    return (_KEEP_A_SLOT if outlook.chance >= POSSIBLE else _CHECK).format(at=at)
