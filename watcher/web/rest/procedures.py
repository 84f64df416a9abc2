"""The checklist of a place, asked by a program as `hoarline procedure` asks it."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Path, Query, Request, Response
from pydantic import Field, StringConstraints

from watcher.notify.message import CAUTION
from watcher.service.planning import operations_at
from watcher.treatment.kinds import Engines, Place
from watcher.treatment.procedure_sheet import as_contract, sheet_of
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.rest.fields import CODE, Asked, PlaceWord
from watcher.web.rest.procedure_body import ProcedureBody

_Name = Annotated[str, StringConstraints(min_length=1, max_length=60)]
_PlacePath = Annotated[PlaceWord, Path(description="Where the treatment happens.")]


class ProcedureQuestion(Asked):
    """For which aircraft and station."""

    aircraft: _Name | None = Field(None, description="Aircraft profile: its waits and what does not concern it.")
    station: Annotated[str, StringConstraints(pattern=CODE)] | None = Field(None, description="Its local procedure.")
    engines: Literal["running", "off"] | None = Field(
        None, description="Left out: off at the stand, running at the pad, or as the station treats."
    )
    who: Literal["crew", "ground"] | None = Field(None, description="Only the steps of crew or ground.")


def procedure_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route under ``/api/v1/procedures``."""
    router = ApiRouter(gate, "/procedures", "treatment")

    @router.reads("/{place}", ProcedureBody)
    async def read_procedure(
        request: Request, place: _PlacePath, asked: Annotated[ProcedureQuestion, Query()]
    ) -> Response:
        """Return what crew and ground crew do before, during and after a treatment, step by step.

        The aircraft's own manual goes first. A step that hangs on something not known here says on what.
        """
        treatments = house.treatments
        sheet = sheet_of(
            house.procedures[Place(place)],
            profile=treatments.fleet.profile(asked.aircraft) if asked.aircraft is not None else None,
            operations=operations_at(treatments.operations, asked.station) if asked.station is not None else None,
            engines=Engines(asked.engines) if asked.engines is not None else None,
            who=asked.who,
        )
        return answer(request, as_contract(sheet, CAUTION))

    return router
