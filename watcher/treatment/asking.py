"""From a report to the question that a look-up is asked."""

from __future__ import annotations

from watcher.reports.model import Observation
from watcher.rulebook.facts import Facts
from watcher.treatment.question import HoldoverQuestion
from watcher.treatment.words import FluidType


def question_of(observation: Observation, facts: Facts, *, fluid: FluidType, mix: str | None) -> HoldoverQuestion:
    """Return the look-up for a fluid in the weather of a report; the rest is changed with `dataclasses.replace`.

    Parameters
    ----------
    observation
        The report.
    facts
        Its facts: what may fall unseen, and whether it is night.
    fluid, mix
        As in `HoldoverQuestion`.
    """
    weather, night = facts.values.get("weather"), facts.values.get("is_night")
    return HoldoverQuestion(
        fluid=fluid,
        mix=mix,
        temp_low_c=observation.temp_c_low,
        temp_high_c=observation.temp_c_high,
        weather=tuple(sorted(weather)) if isinstance(weather, frozenset) else None,
        visibility_m=observation.visibility_m,
        visibility_bound=observation.visibility_bound,
        night=night if isinstance(night, bool) else None,
        automatic=observation.auto,
    )
