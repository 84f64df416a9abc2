"""The morning list: who needs treatment, where and when to call, and how full bays and rigs will be.

Each departure is first looked at alone, at every place, and gets the best that those before it leave; then all that go
to one site queue for its bays and rigs, member by member, and what that does to the protection is counted. Their order
in the file does not matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from watcher.errors import Problem, UsageError, nearest
from watcher.outlook.night.model import Aircraft, NightQuestion
from watcher.outlook.night.tally import quantiles_of
from watcher.physics.arrays import Array
from watcher.physics.surface import Part
from watcher.treatment.application import FluidRules
from watcher.treatment.case import BEYOND, Case, Reach, case_of, part_of, queue_of, reach_of
from watcher.treatment.cover import covers
from watcher.treatment.departures import Departure, contradictions
from watcher.treatment.falling import Mask
from watcher.treatment.kinds import Contamination
from watcher.treatment.listed import Data, Line, Morning, Range, to_treat
from watcher.treatment.load import Treated, load_of
from watcher.treatment.lookups import Known, Lookups
from watcher.treatment.need import need_of, needs_of
from watcher.treatment.option import Trial, option_of, trial_at
from watcher.treatment.parse_departures import Listed, Progress
from watcher.treatment.places import assigned
from watcher.treatment.plan import not_known
from watcher.treatment.planned import Need
from watcher.treatment.profiles import Fleet, Operations
from watcher.treatment.spread import values_of
from watcher.treatment.tables import Tables
from watcher.treatment.usable import two_steps_with
from watcher.treatment.weather_ahead import LYING, Ahead, ahead_of

DONE = frozenset({Progress.TREATED, Progress.CANCELLED})


@dataclass(frozen=True, slots=True)
class Desk:
    """What the list is made from: stations with their weather and operations, aircraft, fluids and tables.

    `weather`: what is known of each station; of the aircraft, the list says it.
    """

    weather: Mapping[str, NightQuestion]
    operations: Mapping[str, Operations]
    fleet: Fleet
    fluids: FluidRules
    tables: Tables
    training: bool = False


@dataclass(frozen=True, slots=True)
class _Entry:
    """One departure on the way to its line. `needs`: members in which there is anything to treat."""

    listed: Listed
    case: Case | None = None
    lookups: Lookups | None = None
    need: Need | None = None
    needs: Mask | None = None
    trial: Trial | None = None
    why: str = ""


def morning(listed: Sequence[Listed], desk: Desk, now: datetime, *, members: int = 200) -> Morning:
    """Return the morning list.

    Parameters
    ----------
    listed
        The departures with what has been reported back of them.
    desk
        What it is made from.
    now
        Aware UTC.
    members
        Size of the ensemble, at least 2.

    Raises
    ------
    UsageError
        With everything that is wrong in any departure.
    """
    left = [each for each in listed if each.departure.off_block <= now]
    ahead = [each for each in listed if each.departure.off_block > now]
    _check(ahead, desk, now)
    ordered = sorted(ahead, key=lambda each: (each.departure.off_block, each.departure.station, each.departure.name))
    entries = _placed(_entries(ordered, desk, now, members))
    lines, treated, litres = _together(entries, desk)
    notes = _notes(entries, left)
    return Morning(now, members, tuple(lines), load_of(treated), litres, _data(ordered, desk), notes)


def _check(listed: Iterable[Listed], desk: Desk, now: datetime) -> None:
    problems: list[Problem] = []
    for each in listed:
        departure, where = each.departure, f"departure {each.departure.name}"
        problems += contradictions(departure, now, where)
        if departure.aircraft not in desk.fleet.profiles:
            what = f'aircraft "{departure.aircraft}" is not in {desk.fleet.file}'
            problems.append(Problem(where, what, nearest(departure.aircraft, desk.fleet.profiles)))
        if departure.station in desk.operations:
            problems += not_known(departure, desk.operations[departure.station])
        else:
            what = f"station {departure.station} has no operations"
            problems.append(Problem(where, what, nearest(departure.station, desk.operations)))
    if problems:
        raise UsageError(problems)


def _entries(listed: Sequence[Listed], desk: Desk, now: datetime, members: int) -> list[_Entry]:
    """Return the departures with their hours ahead; aircraft of which the same is known share them."""
    until = max((max(each.departure.off_block, each.departure.ctot or now) for each in listed), default=now) + BEYOND
    asked: dict[tuple[str, str, Aircraft], tuple[NightQuestion, Part]] = {}
    keys = []
    for each in listed:
        part = part_of(desk.fleet.profiles[each.departure.aircraft])
        key = each.departure.station, part.name, each.departure.parked
        keys.append(key)
        question = replace(desk.weather[key[0]], now=now, until=until, aircraft=each.departure.parked)
        asked.setdefault(key, (question, part))
    found = dict(zip(asked, ahead_of(list(asked.values()), members=members), strict=True))
    known = Known()
    lookups = {
        key: Lookups(ahead, desk.tables, desk.fluids, now, training=desk.training, known=known)
        for key, ahead in found.items()
        if ahead is not None
    }
    return [_entry(each, found[key], lookups.get(key), desk, now) for each, key in zip(listed, keys, strict=True)]


def _entry(listed: Listed, ahead: Ahead | None, lookups: Lookups | None, desk: Desk, now: datetime) -> _Entry:
    departure = listed.departure
    if ahead is None:
        return _Entry(listed, why=f"No temperature of {departure.station} is known: no answer.")
    case = case_of(departure, desk.fleet.profiles[departure.aircraft], desk.operations[departure.station], ahead, now)
    return _Entry(listed, case, lookups, need_of(case), needs_of(case))


def _placed(entries: Sequence[_Entry]) -> list[_Entry]:
    """Return the departures with place and fluid, each the best that those before it leave."""
    tried = [_alone(entry) for entry in entries]
    open_ones = [(entry, trials) for entry, trials in tried if trials]
    shares = [1.0 if entry.need is None else entry.need.p_any for entry, _ in open_ones]
    found = iter(assigned([trials for _, trials in open_ones], shares))
    return [replace(entry, trial=next(found)) if trials else entry for entry, trials in tried]


def _alone(entry: _Entry) -> tuple[_Entry, list[Trial]]:
    """Return what each place comes to for a departure if it were alone; where there is none, the entry says why."""
    case, lookups = entry.case, entry.lookups
    if entry.listed.progress in DONE:
        return replace(entry, why=f"{entry.listed.progress.value.capitalize()}."), []
    if case is None or lookups is None:
        return entry, []
    refused, trials = [], []
    for site in case.operations.sites:
        if case.departure.place in {None, site.place}:
            trial = trial_at(case, site, lookups)
            if isinstance(trial, str):
                refused.append(f"{site.name} {trial}")
            else:
                trials.append(trial)
    return (entry, trials) if trials else (replace(entry, why=f"Nobody treats it: {'; '.join(refused)}."), [])


def _together(entries: Sequence[_Entry], desk: Desk) -> tuple[list[Line], list[Treated], dict[tuple[str, str], Range]]:
    """Return the lines after all have queued for their sites, in the order of treatment, and what loads the sites."""
    groups: dict[tuple[str, str], list[_Entry]] = {}
    for entry in entries:
        if entry.trial is not None:
            groups.setdefault((entry.listed.departure.station, entry.trial.site.name), []).append(entry)
    treated = [each for group in groups.values() for each in _queued(group)]
    by_name = {_name(each.trial.case.departure): each for each in treated}
    amounts: dict[tuple[str, str], list[Array]] = {}
    lines = [_line(entry, by_name.get(_name(entry.listed.departure)), desk, amounts) for entry in entries]
    litres = {key: _range(np.sum(each, axis=0)) for key, each in sorted(amounts.items())}
    return _numbered(lines), treated, litres


def _name(departure: Departure) -> tuple[str, str]:
    return departure.station, departure.name


def _queued(group: Sequence[_Entry]) -> list[Treated]:
    """Return the departures of one site after they have queued; who needs no treatment stands in nobody's way."""
    reaches: list[Reach] = []
    needs: list[Mask] = []
    for entry in group:
        assert entry.trial is not None
        trial = entry.trial
        reaches.append(reach_of(trial.case, trial.site, two_steps=two_steps_with(trial.cover.fluid)))
        # Where it cannot be told whether it needs treatment, it takes its place in the queue.
        needs.append(np.ones(trial.case.ahead.members, np.bool_) if entry.needs is None else entry.needs)
    begins = queue_of(reaches, needs)
    found = []
    for entry, reach, begin, need in zip(group, reaches, begins, needs, strict=True):
        assert entry.trial is not None
        assert entry.lookups is not None
        chain = reach.chain(begin)
        fluid, profile = entry.trial.cover.fluid, reach.case.profile
        cover = covers(entry.lookups, [fluid], profile, chain.final_start, chain.take_off)[0]
        found.append(Treated(Trial(reach.case, reach.site, chain, cover), reach, begin, need))
    return found


def _line(entry: _Entry, treated: Treated | None, desk: Desk, amounts: dict[tuple[str, str], list[Array]]) -> Line:
    if treated is None:
        return Line(entry.listed, None, entry.need, None, None, None, entry.why)
    case = treated.trial.case
    litres = _litres(treated, desk)
    if litres is not None:
        key = case.departure.station, case.profile.size.value
        amounts.setdefault(key, []).append(np.where(treated.needs, litres, 0.0))
    wait = np.where(treated.needs, treated.begins - treated.reach.approach.arrives, 0.0)
    option = option_of(treated.trial)
    return Line(
        listed=entry.listed,
        number=None,
        need=entry.need,
        option=option,
        wait_min=_range(wait),
        litres=None if litres is None else _range(litres),
        why=option.why,
    )


def _litres(treated: Treated, desk: Desk) -> Array | None:
    """Return the litres of both steps for every member; None where a figure is not known."""
    case, lies = treated.trial.case, treated.trial.case.lies_at(treated.trial.case.off_block)
    two_steps = two_steps_with(treated.trial.cover.fluid)
    scores = treated.trial.case.spray_scores
    litres = np.zeros(len(lies))
    for code in np.unique(lies):
        need = desk.fleet.needs.get((case.profile.size, LYING[code] or Contamination.FROST))
        if need is None or (two_steps and need.anti_icing is None):
            return None
        where = lies == code
        litres[where] = values_of(need.de_icing, scores[where])
        if two_steps and need.anti_icing is not None:
            litres[where] += values_of(need.anti_icing, scores[where])
    return litres


def _numbered(lines: Sequence[Line]) -> list[Line]:
    """Return the lines in the order of treatment, numbered at each station; those without one last."""

    def order(line: Line) -> tuple[object, ...]:
        departure, option = line.listed.departure, line.option
        if not to_treat(line):
            return True, departure.off_block, departure.station, departure.name
        assert option is not None
        assert option.times is not None
        return False, option.times["ECZT"].p50, departure.station, departure.name

    counts: dict[str, int] = {}
    found = []
    for line in sorted(lines, key=order):
        if not to_treat(line):
            found.append(line)
            continue
        station = line.listed.departure.station
        counts[station] = counts.get(station, 0) + 1
        found.append(replace(line, number=counts[station]))
    return found


def _range(values: Array) -> Range:
    return Range(*(round(float(each), 1) for each in quantiles_of(values)))


def _data(listed: Iterable[Listed], desk: Desk) -> tuple[Data, ...]:
    found = []
    for station in sorted({each.departure.station for each in listed}):
        weather = desk.weather[station]
        observed_at = None if weather.latest is None else weather.latest.observed_at
        issued_at = None if weather.forecast is None else weather.forecast.issued_at
        found.append(Data(station, desk.operations[station].zone, observed_at, issued_at))
    return tuple(found)


def _notes(entries: Sequence[_Entry], left: Sequence[Listed]) -> tuple[str, ...]:
    """Return what is not known, each sentence once with its station, and who is not on the list."""
    notes: dict[str, None] = {}
    for entry in entries:
        if entry.case is not None:
            notes |= dict.fromkeys(f"{entry.listed.departure.station}: {note}" for note in entry.case.ahead.notes)
    if left:
        names = ", ".join(sorted(each.departure.name for each in left))
        notes[f"Off-block is past, not planned: {names}."] = None
    return tuple(notes)
