"""The plan of one departure: each place of treatment with its times, its fluid, and whether the protection lasts.

Read `plan` first, then `option.py`: the way to the bay and on to the take-off (`case.py`, `chain.py`), the wait for it
(`queue.py`), and what the fluid gives in the weather on the way (`cover.py`), all member by member.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from watcher.errors import Problem, UsageError, nearest
from watcher.outlook.night.model import NightQuestion
from watcher.treatment.application import FluidRules
from watcher.treatment.case import Case, asked_of, case_of, part_of
from watcher.treatment.choice import choose
from watcher.treatment.departures import Departure, contradictions
from watcher.treatment.kinds import Flaps
from watcher.treatment.lookups import Lookups
from watcher.treatment.need import need_of
from watcher.treatment.option import closed, fluid_name, option_of, trial_at
from watcher.treatment.planned import Option, Plan
from watcher.treatment.profiles import AircraftProfile, Operations
from watcher.treatment.tables import Tables
from watcher.treatment.usable import lowest_use_c
from watcher.treatment.weather_ahead import ahead_of

# Waiting for a slot is worth saying from here on. [min] Common practice, no source.
_EARLY_MIN = 3


def plan(  # noqa: PLR0917 - each is one thing a plan hangs on
    departure: Departure,
    weather: NightQuestion,
    operations: Operations,
    profile: AircraftProfile,
    fluids: FluidRules,
    tables: Tables,
    now: datetime,
    *,
    members: int = 200,
    training: bool = False,
    others: Sequence[tuple[Departure, AircraftProfile]] = (),
) -> Plan:
    """Return the plan of a departure.

    Parameters
    ----------
    departure
        With its times.
    weather
        What is known of the station: reports, TAF. Until when it asks does not count.
    operations, profile
        Of the station and of the aircraft.
    fluids
        The rules for fluids; the station offers its own.
    tables
        Of holdover times.
    now
        Aware UTC.
    members
        Size of the ensemble, at least 2.
    training
        Allow tables that are not in force, marked as such.
    others
        Other departures that are known, with the place at which they are treated: they may stand in the way.

    Raises
    ------
    UsageError
        Times that contradict each other, a fluid or runway that the station does not have; all at once.
    """
    wrong = [*contradictions(departure, now, f"departure {departure.name}"), *not_known(departure, operations)]
    if wrong:
        raise UsageError(wrong)
    ahead = ahead_of([(asked_of(departure, weather, now), part_of(profile))], members=members)[0]
    made = replace(_blank(departure, profile, weather, now), members=members)
    if ahead is None:
        return replace(made, why=f"No temperature of {departure.station} is known, from a report or a TAF: no answer.")
    case = case_of(departure, profile, operations, ahead, now)
    lookups = Lookups(ahead, tables, fluids, now, training=training)
    rivals = [case_of(other, its, operations, ahead, now) for other, its in others if other.place is not None]
    sites = [site for site in operations.sites if departure.place in {None, site.place}]
    trials = [(site, trial_at(case, site, lookups, rivals)) for site in sites]
    options = tuple(closed(site, trial) if isinstance(trial, str) else option_of(trial) for site, trial in trials)
    need = need_of(case)
    choice, why = choose(options, need, departure)
    notes = (*_slot_notes(options), *ahead.notes, *_notes(case, fluids, others))
    return replace(made, runway=case.runway, need=need, options=options, choice=choice, why=why, notes=notes)


def _blank(departure: Departure, profile: AircraftProfile, weather: NightQuestion, now: datetime) -> Plan:
    return Plan(
        departure=departure,
        profile=profile,
        runway=None,
        made_at=now,
        members=0,
        need=None,
        options=(),
        choice=None,
        why="",
        notes=(),
        observed_at=None if weather.latest is None else weather.latest.observed_at,
        forecast_issued_at=None if weather.forecast is None else weather.forecast.issued_at,
    )


def not_known(departure: Departure, operations: Operations) -> list[Problem]:
    """Return what a departure names that its station does not have."""
    where, problems = f"departure {departure.name}", []
    names = [fluid_name(fluid) for fluid in operations.fluids]
    if departure.fluid is not None and departure.fluid not in names:
        problems.append(Problem(where, f'fluid "{departure.fluid}" is not offered', nearest(departure.fluid, names)))
    if departure.runway is not None and departure.runway not in operations.queue:
        what = f'runway "{departure.runway}" is not known'
        problems.append(Problem(where, what, nearest(departure.runway, operations.queue)))
    if departure.place is not None and not operations.at(departure.place):
        places = sorted({site.place.value for site in operations.sites})
        what = f"{operations.station} does not treat at {departure.place}"
        problems.append(Problem(where, what, f"allowed: {', '.join(places)}"))
    return problems


def _slot_notes(options: Sequence[Option]) -> list[str]:
    """Return where the slot makes a treated aircraft wait, which a later off-block would spare."""
    return [
        f"{option.place.value} ({option.site}): ready {option.early_min} min before the slot opens; the holdover time "
        "runs meanwhile, a later off-block would spare it."
        for option in options
        if option.early_min >= _EARLY_MIN
    ]


def _notes(case: Case, fluids: FluidRules, others: Sequence[tuple[Departure, AircraftProfile]]) -> list[str]:
    """Return what was taken for something that is not known, in sentences."""
    notes = []
    departure, profile = case.departure, case.profile
    if departure.runway is None and len(case.operations.queue) > 1:
        notes.append(f"The runway is not given: {case.runway} is taken.")
    if profile.flaps_during_treatment is None:
        notes.append("Whether flaps are set during the treatment is not known: the shorter time counts.")
    elif profile.flaps_during_treatment is Flaps.EXTENDED:
        notes.append("Flaps are set during the treatment: holdover times are shortened.")
    unsure = [fluid_name(each) for each in case.operations.fluids if lowest_use_c(each, fluids) is None]
    if unsure:
        notes.append(f"The lowest temperature of use is not known, so they cannot be used: {', '.join(unsure)}.")
    unplaced = [other.name for other, _ in others if other.place is None]
    if unplaced:
        notes.append(f"Left out of the queue, for no place is given: {', '.join(sorted(unplaced))}.")
    return notes
