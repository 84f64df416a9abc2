"""Episodes as programs read them and take them in hand."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Annotated, Literal

from fastapi import Path, Query, Request, Response
from pydantic import AfterValidator, BaseModel, Field

from watcher.alerts.model import Phase
from watcher.notify.wording import plain, when
from watcher.rulebook.words import Flag, Level
from watcher.store.model import EpisodesAsked
from watcher.web.api import ApiRouter, Gate
from watcher.web.contract import AcknowledgementBody, EpisodeBody, acknowledgement_body, episode_body
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.paging import links_of, opened, piece_of
from watcher.web.problems import FieldProblem, Refusal
from watcher.web.rest.fields import CODE, Asked, FlagWord, LevelWord, PieceAsked, When
from watcher.web.take import LONGEST_NAME, LONGEST_NOTE

_Name = Annotated[str, AfterValidator(plain), Field(min_length=1, max_length=LONGEST_NAME)]
_Note = Annotated[str, AfterValidator(plain), Field(max_length=LONGEST_NOTE)]
_EpisodeId = Annotated[str, Path(description="Such as XNOR-17.", pattern=r"^[A-Z][A-Z0-9]{3}-[0-9]{1,9}$")]
_OPEN = {"open": True, "ended": False, "all": None}


class TakeBody(Asked):
    """Who takes an episode in hand."""

    by: _Name = Field(description="Who takes it.", examples=["Ramp lead"])
    note: _Note = Field("", description="For the others; control characters become spaces.", examples=["Truck 3"])


class EpisodesQuestion(PieceAsked):
    """Which episodes are asked for."""

    state: Literal["open", "ended", "all"] = Field("open", description="Whether they have ended.")
    station: str | None = Field(None, pattern=CODE, description="Only those there.")
    flag: FlagWord | None = Field(None, description="Only those of it.")
    min_level: LevelWord = Field("note", description="Only those that stand at it or higher.")
    since: When | None = Field(None, description="Only those of which something was told from then on.")


class EpisodesBody(BaseModel):
    """Some episodes, the last to begin first. `next`: asks for those after them; null: there are no more."""

    items: list[EpisodeBody]
    next: str | None


def episode_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/episodes``."""
    router = ApiRouter(gate, "/episodes", "episodes")

    @router.reads("", EpisodesBody)
    async def list_episodes(request: Request, asked: Annotated[EpisodesQuestion, Query()]) -> Response:
        """List episodes that somebody was told of: those that go on, or those that have ended while they are kept."""
        found = await asyncio.to_thread(house.store.told_episodes, _asked(asked), asked.limit + 1)
        last = found[: asked.limit][-1][0] if found else None
        place = (last.began_at.isoformat(), last.id) if last is not None else ("", "")
        piece, now = piece_of(found, asked.limit, place), house.clock()
        items = [episode_body(episode, event, now).model_dump(mode="json") for episode, event in piece.items]
        return answer(request, {"items": items, "next": piece.next}, headers=links_of(request, piece.next))

    @router.reads("/{episode}", EpisodeBody, 404)
    async def read_episode(request: Request, episode: _EpisodeId) -> Response:
        """Return an episode as it stands, ended ones too while they are kept."""
        found = await asyncio.to_thread(house.store.episode, episode)
        if found is None:
            raise _no_such(episode)
        event = await asyncio.to_thread(house.store.newest_event, episode)
        return answer(request, episode_body(found, event, house.clock()).model_dump(mode="json"))

    taken_before = {"model": AcknowledgementBody, "description": "Somebody had taken it before; that one stands."}

    @router.acts(
        "POST",
        "/{episode}/acknowledgement",
        AcknowledgementBody,
        404,
        410,
        scope="acknowledge",
        status=201,
        also={200: taken_before},
    )
    async def acknowledge_episode(request: Request, episode: _EpisodeId, body: TakeBody) -> Response:
        """Take an open episode in hand. Who was first at its level stands; the answer then is 200 and names them."""
        taken = await asyncio.to_thread(house.store.acknowledge, episode, by=body.by, note=body.note, now=house.clock())
        if taken is None:
            raise await _not_open(house, episode)
        if taken.fresh:
            house.news()
        told = acknowledgement_body(taken.acknowledgement).model_dump(mode="json")
        return answer(request, told, status=201 if taken.fresh else 200)

    return router


def _asked(asked: EpisodesQuestion) -> EpisodesAsked:
    place = opened(asked.next, 2)
    return EpisodesAsked(
        open=_OPEN[asked.state],
        station=asked.station,
        flag=Flag(asked.flag) if asked.flag is not None else None,
        min_level=Level.of(asked.min_level),
        changed_since=asked.since,
        before=(_moment(place[0]), place[1]) if place is not None else None,
    )


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        wrong = FieldProblem(field="query.next", what="was not made by this list; begin without it")
        raise Refusal(422, "The request cannot be used as it is; see errors.", errors=(wrong,))
    return moment


async def _not_open(house: House, episode_id: str) -> Refusal:
    episode = await asyncio.to_thread(house.store.episode, episode_id)
    if episode is None or episode.phase is not Phase.ENDED:
        return _no_such(episode_id)
    ended = f" on {when(episode.ended_at, None)}" if episode.ended_at is not None else ""
    return Refusal(410, f"Episode {episode.id} ended{ended}; there is nothing to take in hand.")


def _no_such(episode_id: str) -> Refusal:
    return Refusal(404, f'No episode "{plain(episode_id)}" is open or kept here.')
