"""The answers to what the night page is asked. Loads numpy, so it is loaded with the first question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from watcher.alerts.model import StationView
from watcher.errors import Gathered, UsageError
from watcher.outlook.night.model import Aircraft
from watcher.service.night_answers import Answer, Asked, answers, worst_first
from watcher.service.night_asking import Parked, craft_of, departure_at, with_local_times
from watcher.web.night_asked import UNTIL, codes_of, parked_of

_MEMBERS = 200
# Only to look at other times by, where the departure cannot be read or no station is known.
_OTHERWISE, _NO_ZONE_KNOWN = timedelta(hours=15), "UTC"


@dataclass(frozen=True, slots=True)
class Question:
    """One station with its departure and the aircraft there: local times differ from zone to zone."""

    view: StationView
    asked: Asked
    craft: Aircraft


def questions_of(given: Mapping[str, str], views: Mapping[str, StationView], now: datetime) -> list[Question]:
    """Return what is asked of each station.

    Parameters
    ----------
    given
        As `given_of` reads it.
    views
        The watched stations.
    now
        The present, aware UTC.

    Raises
    ------
    UsageError
        With everything that is wrong; each problem's place is the name of its field.
    """
    read = Gathered()
    codes = read.take(lambda: codes_of(given.get("station", ""), views)) or []
    parked = parked_of(given, read)
    found = [read.take(partial(_question, views[code], given, parked, now)) for code in codes]
    if not codes:
        # The times are looked at all the same, so that everything that is wrong is said at once.
        read.take(partial(_times, _NO_ZONE_KNOWN, given, parked, now))
    if read.problems:
        # What is wrong at every station is said once.
        raise UsageError(dict.fromkeys(read.problems))
    return [question for question in found if question is not None]


def answered(questions: Sequence[Question]) -> list[Answer]:
    """Return the answers, the likeliest first; stations with one departure and one aircraft are asked together.

    What would change the answer is asked where there is one station; several are shown in short.
    """
    alone = len(questions) == 1
    together: dict[tuple[Asked, Aircraft], list[StationView]] = {}
    for question in questions:
        together.setdefault((question.asked, question.craft), []).append(question.view)
    found = (
        answer
        for (asked, craft), views in together.items()
        for answer in answers(views, asked, craft, _MEMBERS, changes=alone)
    )
    return worst_first(found)


def _question(view: StationView, given: Mapping[str, str], parked: Parked, now: datetime) -> Question:
    departs_at, craft = _times(view.station.zone, given, parked, now)
    return Question(view, Asked(now, departs_at, departs_at), craft)


def _times(zone: str | None, given: Mapping[str, str], parked: Parked, now: datetime) -> tuple[datetime, Aircraft]:
    """Return the departure and the aircraft; UsageError with all that is wrong in their times."""
    read = Gathered()
    text = given.get("until") or (UNTIL if zone is not None else f"{UNTIL}Z")
    departs_at = read.take(lambda: departure_at("until", text, zone, now)) or now + _OTHERWISE
    craft = read.take(lambda: craft_of(with_local_times(parked, zone, now, departs_at), now, departs_at))
    read.check()
    assert craft is not None
    return departs_at, craft
