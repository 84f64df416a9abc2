"""From the text of an operations file to how each station treats aircraft. All that is wrong is said at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar
from zoneinfo import ZoneInfo

from pydantic import Field

from watcher.errors import Problem, RulesError, nearest
from watcher.treatment.kinds import Place
from watcher.treatment.profiles import (
    Code,
    Duration,
    Name,
    OfferedFluid,
    Operations,
    Runway,
    Sentence,
    Site,
    Source,
    TreatmentTime,
)
from watcher.treatment.written import STRICT, checked, rows, tables, twice, values

_LISTS = ("site", "time", "fluid")


@dataclass(frozen=True, slots=True)
class _Head:
    __pydantic_config__: ClassVar = STRICT

    code: Code
    zone: Name
    push_back: Duration
    engine_start: Duration
    queue: Annotated[Mapping[Runway, Duration], Field(min_length=1)]
    source: Source
    local: tuple[Sentence, ...] = ()


def parse_operations(text: str, name: str) -> dict[str, Operations]:
    """Return the operations of each station of one file, by its code.

    Parameters
    ----------
    text
        TOML.
    name
        Of the file, for messages.

    Raises
    ------
    RulesError
        With everything that is wrong, or when there is no station in it.
    """
    problems: list[Problem] = []
    found: list[tuple[str, Operations]] = []
    for number, row in enumerate(rows(tables(text, name, ["station"]), "station", name, problems), 1):
        where = f'{name}: station "{row.get("code", f"number {number}")}"'
        station = _station(row, where, problems)
        if station is not None:
            found.append((where, station))
    problems.extend(twice(((where, station.station) for where, station in found), "code"))
    if not found and not problems:
        problems.append(Problem(name, "there is no station", "write [[station]]"))
    if problems:
        raise RulesError(problems)
    return {station.station: station for _, station in found}


def _station(row: Mapping[str, Any], where: str, problems: list[Problem]) -> Operations | None:
    before = len(problems)
    head = checked(_Head, {key: value for key, value in row.items() if key not in _LISTS}, where, problems, _LISTS)
    sites = values(Site, row, "site", where, problems)
    times = values(TreatmentTime, row, "time", where, problems)
    fluids = [fluid for _, fluid in values(OfferedFluid, row, "fluid", where, problems)]
    problems.extend(twice(((place, site.name) for place, site in sites), "name"))
    problems.extend(
        twice(((place, f"{time.size}, {time.contamination}") for place, time in times), "size and contamination")
    )
    if head is None or len(problems) > before:
        return None
    problems.extend((*_zone(head.zone, where), *_sites(head, sites), *_places(sites, fluids, where)))
    return Operations(
        station=head.code,
        zone=head.zone,
        sites=tuple(site for _, site in sites),
        times={(time.size, time.contamination): time for _, time in times},
        fluids=tuple(fluids),
        push_back=head.push_back,
        engine_start=head.engine_start,
        queue=head.queue,
        local=head.local,
        source=head.source,
    )


def _zone(zone: str, where: str) -> Iterator[Problem]:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        yield Problem(f"{where}: zone", f'"{zone}" is not known', "an IANA name such as Europe/Oslo")


def _sites(head: _Head, sites: Sequence[tuple[str, Site]]) -> Iterator[Problem]:
    """Yield what does not fit: a runway without a queue, a pad without a way to it, a way to where nobody taxis."""
    for where, site in sites:
        for runway in site.taxi_out:
            if runway not in head.queue:
                yield Problem(f"{where}: taxi_out", f'runway "{runway}" has no queue', nearest(runway, head.queue))
        if (site.place is Place.PAD) is not (site.taxi_in is not None):
            what = "a pad needs taxi_in" if site.place is Place.PAD else "only a pad has taxi_in"
            yield Problem(where, what, "minutes from the stand to it, as p10, p50 and p90")


def _places(sites: Sequence[tuple[str, Site]], fluids: Sequence[OfferedFluid], where: str) -> Iterator[Problem]:
    if not sites:
        yield Problem(where, "there is no site", "write [[station.site]]")
    offered = {place for fluid in fluids for place in fluid.places}
    for place in sorted({site.place for _, site in sites} - offered):
        yield Problem(where, f"no fluid is offered at {place}", "add it to places of a [[station.fluid]]")
