"""The answers of a night for commands, pages and programs: the night, a while after it, what would change it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from watcher.alerts.latest import OLDEST, question_of, without_ended_taf
from watcher.alerts.model import StationView
from watcher.notify.message import CAUTION
from watcher.outlook.night.contract import as_contract
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Aircraft, Night, NightQuestion
from watcher.outlook.night.plan import unanswered
from watcher.outlook.night.sensitivity import Sensitivity, sensitivities, variants
from watcher.units import clock_z, duration_text

# How long after the departure is looked at, for when it ends, and for a departure that is late.
_AFTER = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked: from `now` to `until`, which is `departs_at` where a departure is given."""

    now: datetime
    until: datetime
    departs_at: datetime | None


@dataclass(frozen=True, slots=True)
class Answer:
    """One station's answer.

    `night`: until the departure. `after`: the same night with the hours after the departure, for when frost ends; the
    night itself where no departure is given. `question`: as it was put to the ensemble.
    """

    asked: Asked
    question: NightQuestion
    night: Night
    after: Night
    sensitivity: tuple[Sensitivity, ...]

    def as_contract(self) -> dict[str, Any]:
        """Return the `night` contract with `sensitivity`: the changes that move the answer, the largest first."""
        lines = [{name: _rounded(value) for name, value in asdict(item).items()} for item in self.sensitivity]
        return {**as_contract(self.night, CAUTION), "sensitivity": lines}


def _rounded(value: object) -> object:
    return round(value, 3) + 0.0 if isinstance(value, float) else value


def answers(
    views: Iterable[StationView], asked: Asked, craft: Aircraft, members: int, *, changes: bool = True
) -> list[Answer]:
    """Return the answers, in the order of the views.

    Parameters
    ----------
    views
        What is known of the stations; of one without a position nothing is computed.
    asked
        From when until when.
    craft
        The aircraft, the same at all stations.
    members
        Size of the ensemble.
    changes
        Whether it is asked too what would change the answer, which takes three times as long.
    """
    put = [_put(view, asked, craft, changes=changes) for view in views]
    found = iter(nights([question for item in put for question in item.questions], members=members))
    return [_answer(item, [next(found) for _ in item.questions], asked, members) for item in put]


def worst_first(found: Iterable[Answer]) -> list[Answer]:
    """Return answers in the order in which they want attention; those that could not be computed last."""

    def order(answer: Answer) -> tuple[float, float, str]:
        if answer.night.p_any is None:
            return 1.0, 1.0, answer.night.station
        lying = max(max(part.p_deposit, part.p_frozen_residual) for part in answer.night.parts)
        return -lying, -answer.night.p_any, answer.night.station

    return sorted(found, key=order)


@dataclass(frozen=True, slots=True)
class _Put:
    """What is put to the ensemble for one station: the question, its changes with their words, and the hours after.

    `notes`: what was left out; `missing`: what is not known and must be, then nothing is put.
    """

    question: NightQuestion
    notes: tuple[str, ...]
    missing: tuple[str, ...]
    changed: tuple[tuple[str, NightQuestion], ...]
    late: tuple[NightQuestion, ...]

    @property
    def questions(self) -> tuple[NightQuestion, ...]:
        return () if self.missing else (self.question, *(question for _, question in self.changed), *self.late)


def _put(view: StationView, asked: Asked, craft: Aircraft, *, changes: bool) -> _Put:
    question, notes = _question(view, asked, craft)
    late = () if asked.departs_at is None else (replace(question, until=asked.until + _AFTER),)
    return _Put(question, notes, _missing(question), variants(question) if changes else (), late)


def _answer(put: _Put, found: Sequence[Night], asked: Asked, members: int) -> Answer:
    if put.missing:
        night = unanswered(put.question, members, (*put.notes, *put.missing))
        return Answer(asked, put.question, night, night, ())
    night = replace(found[0], notes=(*put.notes, *found[0].notes))
    changed = [(words, other) for (words, _), other in zip(put.changed, found[1:], strict=False)]
    after = found[-1] if put.late else night
    return Answer(asked, put.question, night, after, sensitivities(night, changed))


def _question(view: StationView, asked: Asked, craft: Aircraft) -> tuple[NightQuestion, tuple[str, ...]]:
    """Return the question with what is fit for it, and what was left out of it in words."""
    question = replace(question_of(view, asked.now, asked.until), aircraft=craft)
    notes = []
    latest, forecast = question.latest, question.forecast
    if latest is not None and asked.now - latest.observed_at > OLDEST:
        age = duration_text(asked.now - latest.observed_at)
        notes.append(f"The last report, of {clock_z(latest.observed_at)}, is {age} old and is not used.")
        question = replace(question, latest=None, history=())
    if forecast is not None and forecast.ends_at is not None and forecast.ends_at <= asked.now:
        notes.append(f"The last TAF ended {duration_text(asked.now - forecast.ends_at)} ago and is not used.")
    return without_ended_taf(question), tuple(notes)


def _missing(question: NightQuestion) -> tuple[str, ...]:
    """Return what is not known and must be, each with what to do."""
    found = []
    station = question.station
    if station.latitude_deg is None or station.longitude_deg is None:
        found.append(
            f"The position of {station.code} is not known, and with it neither sun nor night: give --position, or "
            "write it in the settings as [[station]]."
        )
    temps = question.forecast.temps if question.forecast is not None else ()
    known = question.latest is not None and question.latest.temp_c is not None
    if not known and not any(moment.temp_c is not None for moment in question.history) and not temps:
        found.append(
            f"No temperature of {station.code} is known: no report of the past 6 h has one, and no TAF with TX or TN."
        )
    return tuple(found)
