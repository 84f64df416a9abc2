"""The API: episodes as programs read them and take them in hand."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Response
from fastapi.security import HTTPBearer
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from watcher.alerts.model import Phase
from watcher.notify.wording import plain, when
from watcher.web.contract import AcknowledgementBody, EpisodeBody, acknowledgement_body, episode_body
from watcher.web.doors import api_door
from watcher.web.house import House
from watcher.web.problems import ProblemBody, Refusal
from watcher.web.take import LONGEST_NAME, LONGEST_NOTE

PREFIX = "/api/v1"
_Name = Annotated[str, AfterValidator(plain), Field(min_length=1, max_length=LONGEST_NAME)]
_Note = Annotated[str, AfterValidator(plain), Field(max_length=LONGEST_NOTE)]
_EpisodeId = Annotated[str, Path(description="Such as XNOR-17.", pattern=r"^[A-Z][A-Z0-9]{3}-[0-9]{1,9}$")]


class TakeBody(BaseModel):
    """Who takes an episode in hand."""

    model_config = ConfigDict(extra="forbid")

    by: _Name = Field(description="Who takes it.")
    note: _Note = Field("", description="For the others; control characters become spaces.")


def problems(*statuses: int) -> dict[int | str, dict[str, object]]:
    """Return the description of refusals for OpenAPI; all have the one shape."""
    return {status: {"model": ProblemBody} for status in statuses}


def episode_api(house: House) -> APIRouter:
    """Return the routes under ``/api/v1/episodes``."""
    router = APIRouter(
        prefix=f"{PREFIX}/episodes",
        tags=["episodes"],
        dependencies=[Depends(HTTPBearer(auto_error=False, description="A token of `hoarline token add`."))],
    )

    @router.get("/{episode}", dependencies=[Depends(api_door(house, "read"))], responses=problems(401, 403, 404, 422))
    async def read_episode(episode: _EpisodeId) -> EpisodeBody:
        """Return an episode as it stands, ended ones too while they are kept."""
        found = await asyncio.to_thread(house.store.episode, episode)
        if found is None:
            raise _no_such(episode)
        event = await asyncio.to_thread(house.store.newest_event, episode)
        return episode_body(found, event, house.clock())

    @router.post(
        "/{episode}/acknowledgement",
        status_code=201,
        dependencies=[Depends(api_door(house, "acknowledge"))],
        responses={
            200: {"model": AcknowledgementBody, "description": "Somebody had taken it before; that one stands."},
            **problems(400, 401, 403, 404, 410, 413, 422),
        },
    )
    async def acknowledge_episode(episode: _EpisodeId, body: TakeBody, response: Response) -> AcknowledgementBody:
        """Take an open episode in hand. Who was first at its level stands; the answer then is 200 and names them."""
        taken = await asyncio.to_thread(house.store.acknowledge, episode, by=body.by, note=body.note, now=house.clock())
        if taken is None:
            raise await _not_open(house, episode)
        if taken.fresh:
            house.news()
        else:
            response.status_code = 200
        return acknowledgement_body(taken.acknowledgement)

    return router


async def _not_open(house: House, episode_id: str) -> Refusal:
    episode = await asyncio.to_thread(house.store.episode, episode_id)
    if episode is None or episode.phase is not Phase.ENDED:
        return _no_such(episode_id)
    ended = f" on {when(episode.ended_at, None)}" if episode.ended_at is not None else ""
    return Refusal(410, f"Episode {episode.id} ended{ended}; there is nothing to take in hand.")


def _no_such(episode_id: str) -> Refusal:
    return Refusal(404, f'No episode "{plain(episode_id)}" is open or kept here.')
