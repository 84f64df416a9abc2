"""Aircraft that stand outside: how likely something frozen is on each at its next departure, the likeliest first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from watcher.alerts.hours import following
from watcher.alerts.latest import OLDEST, question_of, without_ended_taf
from watcher.alerts.model import Contaminant, ParkedLine, StationView
from watcher.alerts.parked_words import LIKELY, Outlook, departure_text, next_step_of, outcome_of, why_of
from watcher.outlook.night.model import Aircraft, Night, NightQuestion, NightStep
from watcher.units import duration_text

# How long after the departure is looked at, for when a deposit is gone.
_AFTER = timedelta(hours=6)
# As far as the ensemble reaches, less those hours. A clock that skips a day may put a departure past it.
_FURTHEST = timedelta(hours=36) - _AFTER


@dataclass(frozen=True, slots=True)
class Parked:
    """An aircraft that stands outside and departs every day at a local wall time.

    `zone`: IANA name of the zone of that wall clock. `aircraft`: what is known of it.
    """

    name: str
    station: str
    departs_at: time
    zone: str
    aircraft: Aircraft


def parked_lines(views: Mapping[str, StationView], parked: Sequence[Parked], now: datetime) -> tuple[ParkedLine, ...]:
    """Return a line for each parked aircraft, the most likely frosted first.

    Parameters
    ----------
    views
        What is known of the stations, by code.
    parked
        The aircraft.
    now
        The present; each is asked about its first departure after it.

    Returns
    -------
    tuple
        All of them. One of which nothing can be said stands where an even chance would, and before one with it.
    """
    asked = [_asked(item, views.get(item.station), now) for item in parked]
    otherwise = "no temperature is known"
    try:
        answers = _answers(asked)
    except Exception as error:  # noqa: BLE001 - said in every line; who waits for freezing rain must not wait for frost
        answers, otherwise = {}, f"the computation failed ({type(error).__name__}): tell whoever runs the service"
    lines = [_line(item, answers.get(item.key), item.missing or otherwise, now) for item in asked]
    return tuple(sorted(lines, key=_order))


def _order(line: ParkedLine) -> tuple[float, bool, datetime, str]:
    known = line.chance is not None
    return -(line.chance if line.chance is not None else LIKELY), known, line.departs_at, line.name


_Key = tuple[str, datetime, Aircraft]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked about one aircraft; `missing`: why it is not asked, in words."""

    parked: Parked
    departs_at: datetime
    view: StationView | None
    question: NightQuestion | None
    missing: str | None

    @property
    def key(self) -> _Key:
        """What makes the answers of two aircraft the same."""
        return self.parked.station, self.departs_at, self.parked.aircraft


def _asked(parked: Parked, view: StationView | None, now: datetime) -> _Asked:
    departs_at = following((parked.departs_at,), parked.zone, now)
    assert departs_at is not None
    if view is None:
        return _Asked(parked, departs_at, None, None, "no report")
    question = replace(without_ended_taf(question_of(view, now, departs_at)), aircraft=parked.aircraft)
    return _Asked(parked, departs_at, view, question, _missing(question, departs_at, now))


def _missing(question: NightQuestion, departs_at: datetime, now: datetime) -> str | None:
    """Return what is not known and must be; None when the question can be put."""
    if question.latest is None:
        return "no report"
    age = now - question.latest.observed_at
    if age > OLDEST:
        return f"the newest report is {duration_text(age)} old"
    if question.station.latitude_deg is None or question.station.longitude_deg is None:
        return "the position of the station is not known"
    return "the departure is too far ahead" if departs_at - now > _FURTHEST else None


def _answers(asked: Iterable[_Asked]) -> dict[_Key, tuple[Night, Night]]:
    """Return the nights until each departure, and with the hours after it; asked once for all."""
    questions = {item.key: item.question for item in asked if item.question is not None and item.missing is None}
    if not questions:
        return {}
    # Loaded when there is something to ask, so that whoever lists no aircraft never loads it.
    from watcher.outlook.night.ensemble import nights  # noqa: PLC0415

    put = [late for item in questions.values() for late in (item, replace(item, until=item.until + _AFTER))]
    found = nights(put)
    return dict(zip(questions, zip(found[::2], found[1::2], strict=True), strict=True))


def _line(asked: _Asked, answer: tuple[Night, Night] | None, missing: str, now: datetime) -> ParkedLine:
    parked, view = asked.parked, asked.view
    outlook = outlook_of(*answer) if answer is not None else None
    outcome = outcome_of(outlook, missing)
    departs = departure_text(asked.departs_at, parked.zone, now)
    latest = asked.question.latest if asked.question is not None else None
    line = ParkedLine(
        name=parked.name,
        station=parked.station,
        zone=parked.zone,
        departs_at=asked.departs_at,
        departs=departs,
        chance=outlook.chance if outlook is not None else None,
        contaminant=outlook.contaminant if outlook is not None else None,
        part=outlook.part.part if outlook is not None else None,
        headline=f"{parked.name} at {parked.station}, departs {departs}: {outcome}",
        outcome=outcome,
        why=why_of(outlook, view, missing),
        next_step=next_step_of(outlook, asked.departs_at),
        observed_at=latest.observed_at if latest is not None else None,
    )
    if outlook is None:
        return line
    return replace(
        line,
        frost_begins_at=outlook.begins_at,
        frost_begins_between=outlook.begins_between,
        deposit_gone_at=outlook.gone_at,
    )


def outlook_of(night: Night, after: Night) -> Outlook | None:
    """Return how an aircraft is at its departure, by the part of the wing that is the likeliest to have ice on it.

    `night` ends at the departure, `after` some hours later. None where nothing could be computed.
    """
    if not night.parts:
        return None
    # The part that is the likeliest to be frosted at any time of the night is the one told where several are equal.
    parts = sorted(night.parts, key=lambda part: part.part != night.worst_part)
    part = max(parts, key=lambda part: max(_chances(part.steps[-1]).values()))
    later = next(item for item in after.parts if item.part == part.part)
    chances = _chances(part.steps[-1])
    contaminant = max(chances, key=lambda item: chances[item])
    return Outlook(night, after, part, later, chances, contaminant)


def _chances(step: NightStep) -> dict[Contaminant, float]:
    """Return the chance of each contaminant at a time; of equal ones the first tells more."""
    return {
        Contaminant.PRECIPITATION: step.p_precipitation,
        Contaminant.FROZEN_RESIDUAL: step.p_frozen_residual,
        Contaminant.DEPOSIT: step.p_deposit,
        Contaminant.ACTIVE_FROST: step.p_active_frost,
    }
