"""The holdover look-up, asked by a program as `hoarline holdover` asks it."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import Query, Request, Response
from pydantic import Field, StringConstraints

from watcher.errors import Gathered, Problem, UsageError
from watcher.service.holdover_asking import Asked as Given
from watcher.service.holdover_asking import answer_as_contract, by_hand, of_view
from watcher.treatment.holdover import look_up
from watcher.treatment.parse_asked import authority_of, fluid_type, mix_of, surface_of
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.rest.fields import CODE, Asked
from watcher.web.rest.holdover_body import HoldoverBody
from watcher.web.rest.stations import known_view

_Written = Annotated[str, StringConstraints(min_length=1, max_length=60)]
_WEATHER = ("temp", "weather", "visibility")


class HoldoverQuestion(Asked):
    """The fluid, and the weather by hand or of a station's latest report."""

    fluid: _Written = Field(description="Fluid of the final application.", examples=["Type IV"])
    mix: _Written | None = Field(None, description="Fluid and water; not for Type I.", examples=["100/0"])
    station: Annotated[str, StringConstraints(pattern=CODE)] | None = Field(None, description="Its latest report.")
    temp: _Written | None = Field(None, description="Air temperature, °C: -2 as reported, -2.3, M02.")
    weather: _Written | None = Field(None, description='Weather as reported: "-SN BR"; none.')
    visibility: _Written | None = Field(None, description="Prevailing visibility: 2500 (metres), 1 1/2SM.")
    night: bool | None = Field(None, description="Left out: the worse of both; of a report, as it is.")
    surface: Literal["aluminium", "composite", "unknown"] = Field("unknown", description="unknown: the worse.")
    flaps_set: bool = Field(False, description="Flaps or slats set before or during the treatment.")
    frost: bool = Field(False, description="Active frost: skin at or below 0 °C and at or below the frost point.")
    cold_soaked: bool | None = Field(None, description="Wing colder than the air; left out: it may be.")
    authority: _Written | None = Field(None, description="Whose tables; left out: the strictest of all.")
    training: bool = Field(False, description="Give minutes of old tables, marked as such.")


def holdover_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route under ``/api/v1/holdover``."""
    router = ApiRouter(gate, "/holdover", "treatment")

    @router.reads("", HoldoverBody, 404)
    async def read_holdover(request: Request, asked: Annotated[HoldoverQuestion, Query()]) -> Response:
        """Look up how long a treatment protects, or say why no time exists.

        The worst of all tables, charts and temperatures that the question leaves open counts.
        """
        return answer(request, _answered(house, asked))

    return router


def _answered(house: House, asked: HoldoverQuestion) -> dict[str, Any]:
    now, tables = house.clock(), house.treatments.tables
    read = Gathered()
    given = read.take(lambda: _given(house, asked))
    surface = read.take(lambda: surface_of(asked.surface, "surface"))
    authority = read.take(lambda: authority_of(asked.authority, tables.authorities, "authority"))
    read.check()
    assert given is not None
    assert surface is not None
    question = replace(
        given.question,
        surface=surface,
        flaps_set=asked.flaps_set,
        active_frost=asked.frost,
        cold_soaked_wing=asked.cold_soaked,
        authority=authority,
    )
    return answer_as_contract(look_up(question, tables, now, training=asked.training), given)


def _given(house: House, asked: HoldoverQuestion) -> Given:
    """Return the question about the weather by hand, or of a station's latest report; one of them."""
    fluid, mix = fluid_type(asked.fluid, "fluid"), mix_of(asked.mix, "mix")
    written = any(getattr(asked, name) is not None for name in _WEATHER)
    if written is (asked.station is not None):
        what = "is given, and the weather by hand too" if written else "is not given, nor the weather by hand"
        raise UsageError([Problem("station", what, "give station, or temp with weather and visibility")])
    if asked.station is None:
        return by_hand(fluid, mix, asked.temp, asked.weather, asked.visibility, asked.night)
    return of_view(known_view(house, asked.station), asked.night, fluid, mix, house.clock())
