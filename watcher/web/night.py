"""The night page: how likely a parked aircraft is frosted at its departure, when frost begins, ends and is gone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request, Response

from watcher.alerts.model import ParkedLine, StationView
from watcher.alerts.parked import Parked, parked_lines
from watcher.errors import Problem, UsageError
from watcher.notify.wording import plain, when
from watcher.service.night_words import NO_MEASUREMENT, chance
from watcher.units import duration_text, iso_z
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.doors import page_door
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.night_asked import FIELDS, UNTIL, given_of

_MOST_LISTED = 30


@dataclass(frozen=True, slots=True)
class ParkedShown:
    """One aircraft of the settings. `age`: of the report that it rests on; `link`: the night behind it."""

    name: str
    station: str
    departs: str
    chance: str
    outcome: str
    why: str
    next_step: str
    age: str
    link: str


@dataclass(frozen=True, slots=True)
class StationTonight:
    """One watched station as the last forecast of the service has it. `chance`: that frost forms before `until`."""

    code: str
    name: str
    chance: str
    until: str
    link: str


def night_pages(house: House) -> APIRouter:
    """Return the page under ``/night``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/night", methods=["GET", "HEAD"])
    async def night(request: Request) -> Response:
        given, root, now = given_of(request), root_of(request), house.clock()
        if "station" not in given:
            parked = await house.heavy.run(lambda: _parked(house, now, root))
            return _page(house, request, given, NOTHING, parked=parked, tonight=_tonight(house, root))

        def compute() -> list[object]:
            # numpy is loaded with the first question.
            from watcher.web.night_answered import answered, questions_of  # noqa: PLC0415
            from watcher.web.night_shown import night_shown  # noqa: PLC0415

            found = answered(questions_of(given, house.views(), now))
            return [night_shown(answer, given, root, small=len(found) > 1) for answer in found]

        try:
            shown = await house.heavy.run(compute)
        except UsageError as error:
            return _page(house, request, given, amiss(map(_in_words, error.problems), FIELDS), status=422)
        return _page(house, request, given, NOTHING, nights=shown)

    return router


def _in_words(problem: Problem) -> Problem:
    """Return a problem whose remedy calls the other field as the page does."""
    return replace(problem, remedy=problem.remedy.replace("hangar_exit", "when it leaves the hangar"))


def _page(
    house: House,
    request: Request,
    given: Mapping[str, str],
    wrong: Amiss,
    *,
    status: int = 200,
    nights: Sequence[object] = (),
    parked: Sequence[ParkedShown] = (),
    tonight: Sequence[StationTonight] = (),
) -> Response:
    return show(
        house,
        request,
        "night.html",
        status=status,
        given={"until": UNTIL, **given},
        amiss=wrong,
        nights=nights,
        parked=parked,
        tonight=tonight,
        stations=[(code, plain(view.station.name or "")) for code, view in sorted(house.views().items())],
        no_measurement=NO_MEASUREMENT,
        as_of=when(house.clock(), None),
    )


def _parked(house: House, now: datetime, root: str) -> list[ParkedShown]:
    views = house.views()
    sections = house.settings.text.parked
    known = [item.parked(house.watch.stations.get(item.station).zone) for item in sections]
    by_name = {(item.name, item.station): item for item in known}
    return [_line(line, by_name[line.name, line.station], now, root) for line in parked_lines(views, known, now)]


def _line(line: ParkedLine, parked: Parked, now: datetime, root: str) -> ParkedShown:
    craft = parked.aircraft
    known = {
        "fuel_c": None if craft.fuel_c is None else f"{craft.fuel_c:g}",
        "sky": None if craft.sheltered == 1.0 else f"{craft.sheltered:g}",
        "emissivity": None if craft.emissivity is None else f"{craft.emissivity:g}",
    }
    query = {"station": line.station, "until": iso_z(line.departs_at)} | {k: v for k, v in known.items() if v}
    return ParkedShown(
        name=plain(line.name),
        station=line.station,
        departs=line.departs,
        chance=chance(line.chance) if line.chance is not None else "not known",
        outcome=plain(line.outcome),
        why=plain(line.why),
        next_step=line.next_step,
        age=duration_text(now - line.observed_at) if line.observed_at is not None else "",
        link=f"{root}/night?{urlencode(query)}",
    )


def _tonight(house: House, root: str) -> list[StationTonight]:
    """Return the stations for which the service has a frost forecast, the likeliest first."""
    views = (view for view in house.views().values() if view.night is not None and view.night.p_any is not None)
    return [_station(view, root) for view in sorted(views, key=_order)[:_MOST_LISTED]]


def _order(view: StationView) -> tuple[float, str]:
    assert view.night is not None
    return -(view.night.p_any or 0.0), view.station.code


def _station(view: StationView, root: str) -> StationTonight:
    night, code = view.night, view.station.code
    assert night is not None
    return StationTonight(
        code=code,
        name=plain(view.station.name or ""),
        chance=chance(night.p_any or 0.0),
        until=when(night.ends_at, view.station.zone),
        link=f"{root}/night?station={code}",
    )
