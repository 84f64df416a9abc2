"""What the holdover tables say of a station's latest report, for each fluid; minutes only from tables in force."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from watcher.alerts.model import StationView
from watcher.service.holdover_asking import of_view
from watcher.treatment.holdover import look_up
from watcher.treatment.holdover_words import headline, table_words
from watcher.treatment.question import Holdover, Outcome
from watcher.treatment.tables import Tables
from watcher.treatment.words import FluidType

MIXES = ("100/0", "75/25", "50/50")
_SHORT = {
    Outcome.NOT_NEEDED: "none needed",
    Outcome.ALLOWANCE: "no holdover time",
    Outcome.SPECIAL: "no holdover time",
    Outcome.OUT_OF_SEASON: "no minutes",
    Outcome.UNKNOWN: "no answer",
    Outcome.NONE: "no holdover time",
}


@dataclass(frozen=True, slots=True)
class CellShown:
    """One fluid in one mix. `big`: the minutes (`timed`), or what there is instead; `mix`: "" for Type I."""

    mix: str
    big: str
    timed: bool
    said: str
    link: str


@dataclass(frozen=True, slots=True)
class FluidShown:
    """One type of fluid in its mixes."""

    fluid: str
    cells: tuple[CellShown, ...]


@dataclass(frozen=True, slots=True)
class HoldoverShown:
    """The tables' answers.

    `same`: what they all say, "" where they differ or give times. `why`: of it. `note`: what the report does not say.
    `tables`: of the figures, each with season, authority and state. `in_force`: tables of this season are installed.
    """

    fluids: tuple[FluidShown, ...]
    same: str
    why: str
    note: str
    tables: tuple[str, ...]
    in_force: bool


def holdover_shown(view: StationView, tables: Tables, now: datetime, root: str) -> HoldoverShown | None:
    """Return the answers of the tables; None where there is no report to ask of.

    Parameters
    ----------
    view
        What is known of the station.
    tables
        Those that there are; without `training` no minutes come from one that is not in force.
    now
        Aware UTC.
    root
        Of the addresses.
    """
    if view.observation is None:
        return None
    asked = [
        (fluid, mix, of_view(view, None, fluid, mix, now))
        for fluid in FluidType
        for mix in (MIXES if fluid.thickened else (None,))
    ]
    answers = [(fluid, mix, look_up(each.question, tables, now)) for fluid, mix, each in asked]
    first = answers[0][2]
    same = first.outcome is not Outcome.TIME and all(answer.outcome is first.outcome for *_, answer in answers)
    return HoldoverShown(
        fluids=tuple(
            FluidShown(
                fluid.value,
                tuple(
                    _cell(view.station.code, each, mix, answer, root) for each, mix, answer in answers if each is fluid
                ),
            )
            for fluid in FluidType
        ),
        same=headline(first) if same else "",
        why=first.why if same else "",
        note=asked[0][2].note,
        tables=tuple(dict.fromkeys(words for *_, answer in answers if (words := table_words(answer)))),
        in_force=any(each.in_force(now.date()) for each in tables.sets),
    )


def _cell(code: str, fluid: FluidType, mix: str | None, answer: Holdover, root: str) -> CellShown:
    query = {"station": code, "fluid": fluid.value, **({"mix": mix} if mix is not None else {})}
    timed = answer.outcome is Outcome.TIME
    return CellShown(mix or "", _big(answer), timed, headline(answer), f"{root}/holdover?{urlencode(query)}")


def _big(answer: Holdover) -> str:
    if answer.outcome is not Outcome.TIME:
        return _SHORT[answer.outcome]
    same = answer.lower_min == answer.upper_min
    return f"{answer.lower_min}{'' if same else f' to {answer.upper_min}'} min"
