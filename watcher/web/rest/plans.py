"""Plans of departures and morning lists, asked by a program as `hoarline depart` and `hoarline morning` ask them."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import Query, Request, Response
from pydantic import Field, ValidationError

from watcher.alerts.latest import question_of
from watcher.alerts.model import StationView
from watcher.errors import Problem, UsageError
from watcher.notify.message import CAUTION
from watcher.outlook.night.model import NightQuestion
from watcher.service.planning import MEMBERS, plan_departure, plan_morning
from watcher.treatment.listed import Morning
from watcher.treatment.morning_contract import as_contract as morning_as_contract
from watcher.treatment.morning_contract import as_csv
from watcher.treatment.parse_departures import (
    COLUMNS,
    Listed,
    parse_departures,
    read_departure,
    read_departures,
)
from watcher.treatment.plan_contract import as_contract as plan_as_contract
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.problems import FieldProblem, Refusal
from watcher.web.rest.fields import Asked
from watcher.web.rest.plan_bodies import MOST_DEPARTURES, MOST_MEMBERS, MorningAsked, MorningBody, PlanAsked, PlanBody

_CSV, _JSON = "text/csv", "application/json"


class MorningQuestion(Asked):
    """How the list is made."""

    station: str | None = Field(None, max_length=10, description="Of the departures that name none.")
    training: bool = Field(False, description="Give minutes and verdicts of old tables, marked as such.")
    members: int = Field(MEMBERS, ge=20, le=MOST_MEMBERS, description="Size of the ensemble.")


def departure_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route under ``/api/v1/departures``."""
    router = ApiRouter(gate, "/departures", "treatment")

    @router.acts("POST", "/plan", PlanBody, scope="read")
    async def plan(request: Request, body: PlanAsked) -> Response:
        """Plan the treatment of one departure: where, with what, when to call, whether it is protected at take-off.

        Nothing is kept. The same question at the same time has the same answer.
        """
        treatments, views, now = house.treatments, dict(house.views()), house.clock()

        def planned() -> dict[str, Any]:
            zones, only = treatments.zones, _only(house)
            departure = read_departure(body.cells(), now=now, zones=zones, station=only).departure
            rows = [other.cells() for other in body.others]
            others = _at("others", lambda: read_departures(rows, now=now, zones=zones, station=only))
            made = plan_departure(
                departure,
                _view(house, views, departure.station),
                treatments,
                now,
                members=body.members,
                training=body.training,
                others=others,
            )
            return plan_as_contract(made, CAUTION)

        return answer(request, await house.heavy.run(planned))

    return router


def morning_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route under ``/api/v1/morning``."""
    router = ApiRouter(gate, "/morning", "treatment")

    @router.acts(
        "POST",
        "",
        MorningBody,
        415,
        scope="read",
        openapi_extra=_taken(),
        also={200: _given()},
        response_class=Response,
    )
    async def make_morning_list(request: Request, asked: Annotated[MorningQuestion, Query()]) -> Response:
        """List departures: who needs treatment, what lies on them, where, in which order, when to call.

        Departures come as CSV, with the columns of `hoarline morning`, or as JSON. The list goes back as CSV to whoever
        accepts that and no JSON. Nothing is kept.
        """
        read, now = _reader(request, await request.body()), house.clock()
        views = dict(house.views())

        def made() -> Morning:
            listed = read(house, asked.station)
            codes = {each.departure.station for each in listed}
            weather: dict[str, NightQuestion] = {
                code: question_of(_view(house, views, code), now, now) for code in sorted(codes)
            }
            return plan_morning(listed, weather, house.treatments, now, members=asked.members, training=asked.training)

        found = await house.heavy.run(made)
        if _wants_csv(request):
            return Response(as_csv(found), headers={"Cache-Control": "no-store"}, media_type=_CSV)
        return answer(request, morning_as_contract(found, CAUTION))

    return router


_Read = Callable[[House, str | None], tuple[Listed, ...]]


def _reader(request: Request, body: bytes) -> _Read:
    """Return what reads the departures of a body; Refusal (415, 422) where it is neither of the two kinds."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == _CSV:
        text = _text(body)
        return lambda house, station: _few(
            parse_departures(
                text, "body", now=house.clock(), zones=house.treatments.zones, station=station or _only(house)
            )
        )
    if kind == _JSON:
        asked = _asked(body)
        rows = [each.cells() for each in asked.departures]
        return lambda house, station: _at(
            "body.departures",
            lambda: read_departures(
                rows,
                now=house.clock(),
                zones=house.treatments.zones,
                station=asked.station or station or _only(house),
            ),
        )
    raise Refusal(415, f"Send departures as {_CSV} or {_JSON}.")


def _asked(body: bytes) -> MorningAsked:
    try:
        return MorningAsked.model_validate(json.loads(body))
    except ValidationError as error:
        wrong = tuple(
            FieldProblem(field=".".join(map(str, ("body", *one["loc"]))), what=one["msg"]) for one in error.errors()
        )
        raise _unusable(*wrong) from error
    except (ValueError, RecursionError) as error:
        raise _unusable(FieldProblem(field="body", what="is no JSON")) from error


def _text(body: bytes) -> str:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _unusable(FieldProblem(field="body", what="is not readable as UTF-8 text")) from error
    if "\0" in text or not text.strip():
        raise _unusable(FieldProblem(field="body", what="is empty, or no text"))
    return text


def _few(listed: tuple[Listed, ...]) -> tuple[Listed, ...]:
    if not 0 < len(listed) <= MOST_DEPARTURES:
        raise UsageError([Problem("body", f"has {len(listed)} departures", f"1 to {MOST_DEPARTURES}")])
    return listed


def _at(place: str, read: Callable[[], tuple[Listed, ...]]) -> tuple[Listed, ...]:
    """Return what is read; what is wrong with it is told at its place in the body."""
    try:
        return read()
    except UsageError as error:
        raise UsageError(
            [Problem(f"{place}.{item.where}", item.what, item.remedy) for item in error.problems]
        ) from error


def _unusable(*wrong: FieldProblem) -> Refusal:
    return Refusal(422, "The request cannot be used as it is; see errors.", errors=wrong)


def _only(house: House) -> str | None:
    """Return the one station that treats, where there is no other."""
    stations = tuple(house.treatments.operations)
    return stations[0] if len(stations) == 1 else None


def _view(house: House, views: Mapping[str, StationView], code: str) -> StationView:
    """Return what is known of a station: as the last turn left it, else as the store has it."""
    found = views.get(code)
    return found if found is not None else house.store.load([house.watch.stations.get(code)], now=house.clock())[code]


def _wants_csv(request: Request) -> bool:
    accepted = request.headers.get("accept", "")
    return _CSV in accepted and _JSON not in accepted


def _taken() -> dict[str, Any]:
    """Return the description of the two kinds of body."""
    head = "flight,aircraft,off_block,station\n"
    csv = {"schema": {"type": "string", "description": f"Columns: {', '.join(COLUMNS)}."}, "example": head}
    schema = MorningAsked.model_json_schema(ref_template="#/components/schemas/{model}")
    schema.pop("$defs", None)
    return {"requestBody": {"required": True, "content": {_JSON: {"schema": schema}, _CSV: csv}}}


def _given() -> dict[str, Any]:
    return {"model": MorningBody, "content": {_CSV: {"schema": {"type": "string"}}}}
