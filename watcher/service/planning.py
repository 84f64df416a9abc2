"""How a departure and a morning list are planned, from the files of one rules folder.

One way for commands, pages and the API. numpy is loaded with the first plan, not with this module.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from watcher.alerts.latest import question_of
from watcher.alerts.model import StationView
from watcher.errors import Problem, UsageError, nearest
from watcher.outlook.night.model import NightQuestion
from watcher.service.tables_folder import load_fluid_rules, load_tables
from watcher.service.treatment_files import load_fleet, load_operations
from watcher.settings import Settings
from watcher.treatment.application import FluidRules
from watcher.treatment.departures import Departure
from watcher.treatment.listed import Morning
from watcher.treatment.parse_departures import Listed, Progress
from watcher.treatment.planned import Plan
from watcher.treatment.profiles import Fleet, Operations
from watcher.treatment.tables import Tables

MEMBERS = 200


@dataclass(frozen=True, slots=True)
class Treatments:
    """What treatments are planned from: aircraft, stations, fluids and holdover tables."""

    fleet: Fleet
    operations: Mapping[str, Operations]
    fluids: FluidRules
    tables: Tables

    @property
    def zones(self) -> Mapping[str, str]:
        """The IANA zone of each station that has operations."""
        return {code: each.zone for code, each in self.operations.items()}


def operations_at(stations: Mapping[str, Operations], code: str, where: str = "station") -> Operations:
    """Return how a station treats; UsageError, at `where`, names the nearest one."""
    if code not in stations:
        what = f'"{code}" has no operations' if code else "is not given"
        raise UsageError([Problem(where, what, nearest(code, stations))])
    return stations[code]


def load_treatments(
    folder: Path | None, *, operations: Mapping[str, Operations] | None = None, tables: Tables | None = None
) -> Treatments:
    """Return what treatments are planned from.

    Parameters
    ----------
    folder
        One's own rules, laid over the shipped ones; None: the shipped ones.
    operations, tables
        In place of those of the folder.

    Raises
    ------
    RulesError
        A file cannot be used.
    """
    return Treatments(
        load_fleet(folder),
        load_operations(folder) if operations is None else operations,
        load_fluid_rules(folder),
        load_tables(folder) if tables is None else tables,
    )


def rules_folder_of(settings: Settings) -> Path | None:
    """Return the folder of one's own rules that the settings name; None: there is none."""
    folder = settings.text.rules.folder
    return settings.path(folder) if folder is not None else None


def plan_departure(
    departure: Departure,
    view: StationView,
    treatments: Treatments,
    now: datetime,
    *,
    members: int = MEMBERS,
    training: bool = False,
    others: Sequence[Listed] = (),
) -> Plan:
    """Return the plan of one departure in the weather that is known of its station.

    Parameters
    ----------
    departure
        With its times.
    view
        What is known of its station.
    treatments
        What it is planned from.
    now
        Aware UTC.
    members, training
        As in `watcher.treatment.plan.plan`.
    others
        Departures that may stand in the way; those of another station do not, nor those that have left, are treated or
        cancelled.

    Raises
    ------
    UsageError
        With everything that cannot be.
    """
    from watcher.treatment.plan import plan  # noqa: PLC0415 - loads numpy

    gone = {Progress.TREATED, Progress.CANCELLED}
    rivals = [
        each
        for each in others
        if each.departure.station == departure.station and each.progress not in gone and each.departure.off_block > now
    ]
    return plan(
        departure,
        question_of(view, now, departure.off_block),
        operations_at(treatments.operations, departure.station),
        treatments.fleet.profile(departure.aircraft),
        treatments.fluids,
        treatments.tables,
        now,
        members=members,
        training=training,
        others=tuple((each.departure, treatments.fleet.profile(each.departure.aircraft)) for each in rivals),
    )


def plan_morning(
    listed: Sequence[Listed],
    weather: Mapping[str, NightQuestion],
    treatments: Treatments,
    now: datetime,
    *,
    members: int = MEMBERS,
    training: bool = False,
) -> Morning:
    """Return the morning list of departures, in the weather that is known of each of their stations.

    Raises
    ------
    UsageError
        With everything that is wrong in any departure.
    """
    from watcher.treatment.morning import Desk, morning  # noqa: PLC0415 - loads numpy

    desk = Desk(weather, treatments.operations, treatments.fleet, treatments.fluids, treatments.tables, training)
    return morning(listed, desk, now, members=members)
