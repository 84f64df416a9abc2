"""What a holdover look-up is asked, by hand or of a station's latest report, and its answer as the contract has it.

One way for commands, pages and the API.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.alerts.latest import facts_of
from watcher.alerts.model import StationView
from watcher.errors import Gathered, Problem, UsageError
from watcher.notify.message import CAUTION
from watcher.treatment.asking import question_of
from watcher.treatment.parse_asked import temperature_of, visibility_of, weather_of
from watcher.treatment.protection import FRESH
from watcher.treatment.question import Holdover, HoldoverQuestion, as_contract
from watcher.treatment.words import FluidType
from watcher.units import duration_text, iso_z


@dataclass(frozen=True, slots=True)
class Asked:
    """The question, and which report it is about; None: given by hand. `note`: what that report does not say."""

    question: HoldoverQuestion
    raw: str | None = None
    observed_at: datetime | None = None
    age: timedelta | None = None
    note: str = ""


def by_hand(  # noqa: PLR0917 - each is one thing that a person may write
    fluid: FluidType,
    mix: str | None,
    temp: str | None,
    weather: str | None,
    visibility: str | None,
    night: bool | None,
    *,
    front: str = "",
) -> Asked:
    """Return the question about weather that a person wrote; None is not known.

    Parameters
    ----------
    fluid, mix, night
        As in `HoldoverQuestion`.
    temp, weather, visibility
        As written.
    front
        What stands before the names of those three in messages, such as ``--``.

    Raises
    ------
    UsageError
        With everything that cannot be read.
    """
    read = Gathered()
    degrees = None if temp is None else read.take(lambda: temperature_of(temp, f"{front}temp"))
    seen = None if visibility is None else read.take(lambda: visibility_of(visibility, f"{front}visibility"))
    groups = None if weather is None else read.take(lambda: weather_of(weather, f"{front}weather"))
    read.check()
    low, high = degrees or (None, None)
    metres, bound = seen or (None, None)
    return Asked(
        HoldoverQuestion(
            fluid=fluid,
            mix=mix,
            temp_low_c=low,
            temp_high_c=high,
            weather=groups,
            visibility_m=metres,
            visibility_bound=bound,
            night=night,
        )
    )


def of_view(view: StationView, night: bool | None, fluid: FluidType, mix: str | None, now: datetime) -> Asked:
    """Return the question about a station's latest report; a report too old to say what falls now leaves it open.

    Raises
    ------
    UsageError
        There is no report.
    """
    facts = facts_of(view, now)
    observation = view.observation
    if facts is None or observation is None:
        remedy = "is it watched? hoarline now shows what is known of it"
        raise UsageError([Problem(f"station {view.station.code}", "has no report", remedy)])
    question = question_of(observation, facts, fluid=fluid, mix=mix)
    question = replace(question, night=night if night is not None else question.night)
    age = now - observation.observed_at
    note = ""
    if age > FRESH or view.state.blind_since is not None:
        note = f"The report is {duration_text(age)} old: what falls now is not known."
        question = replace(question, weather=None)
    return Asked(question, observation.raw, observation.observed_at, age, note)


def answer_as_contract(answer: Holdover, asked: Asked) -> dict[str, object]:
    """Return the `holdover` contract with the report that was asked."""
    return {
        **as_contract(answer, CAUTION),
        "raw": asked.raw,
        "observed_at": iso_z(asked.observed_at) if asked.observed_at is not None else None,
        "report_age_min": round(asked.age.total_seconds() / 60, 1) if asked.age is not None else None,
    }
