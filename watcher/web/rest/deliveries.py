"""Deliveries as programs read them: what each message told, how it went, and sending one again."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Annotated, Literal

from fastapi import Path, Query, Request, Response
from pydantic import BaseModel, Field

from watcher.notify.wording import plain
from watcher.store.model import Again, Delivery, ToldLine
from watcher.units import iso_z
from watcher.web.api import ApiRouter, Gate
from watcher.web.deliveries_shown import AGAIN
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.paging import links_of, opened, piece_of
from watcher.web.problems import Refusal
from watcher.web.rest.fields import NAME, KindWord, LevelWord, PieceAsked, Time

_State = Literal["pending", "leased", "sent", "dead", "expired"]
_DeliveryId = Annotated[str, Path(description="Its name, such as msg_3f9a02c47d1be8605a7794c2e1b.", pattern=NAME)]


class ToldBody(BaseModel):
    """One event that a message tells. `reminder`: which reminder of it; 0: none."""

    event: str
    about: str = Field(description="The episode, station, protection or line of digests.")
    told_as: str
    level: LevelWord | None
    kind: KindWord | None
    reminder: int
    meant_for: str | None = Field(description="The destination that it was meant for, where this one is its fallback.")
    meant_for_why: Literal["silent", "refused", "off"] | None = Field(description="Why it did not reach that one.")


class DeliveryBody(BaseModel):
    """One message to one destination."""

    delivery: str = Field(description="The same in every attempt; receivers know a repetition by it.")
    destination: str
    state: _State = Field(description="pending, leased: owed. sent: taken. dead: refused for good. expired: too late.")
    attempts: int
    made_at: Time
    due_at: Time
    valid_until: Time
    settled_at: Time | None
    last_error: str | None
    told: list[ToldBody]


class DeliveriesBody(BaseModel):
    """Some deliveries, the newest first. `next`: asks for those before them; null: there are no more."""

    items: list[DeliveryBody]
    next: str | None


class DeliveriesQuestion(PieceAsked):
    """Which deliveries are asked for."""

    state: _State | None = Field(None, description="Only those in it.")
    destination: str | None = Field(None, pattern=NAME, description="Only those to it.")
    about: str | None = Field(None, pattern=NAME, description="Only those that tell of it, such as XNOR-17.")


def delivery_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/deliveries``."""
    router = ApiRouter(gate, "/deliveries", "deliveries")

    @router.reads("", DeliveriesBody)
    async def list_deliveries(request: Request, asked: Annotated[DeliveriesQuestion, Query()]) -> Response:
        """List messages that were made for destinations, the newest first, and how each went."""
        place = opened(asked.next, 1)

        def read() -> tuple[Delivery, ...]:
            return house.store.deliveries(
                asked.limit + 1,
                asked.state,
                destination=asked.destination,
                about=asked.about,
                before=place[0] if place is not None else None,
            )

        found = await asyncio.to_thread(read)
        piece = piece_of(found, asked.limit, (found[: asked.limit][-1].id if found else "",))
        rows = [delivery_as_contract(item) for item in piece.items]
        return answer(request, {"items": rows, "next": piece.next}, headers=links_of(request, piece.next))

    @router.reads("/{delivery}", DeliveryBody, 404)
    async def read_delivery(request: Request, delivery: _DeliveryId) -> Response:
        """Return one message, finished ones too while they are kept."""
        return answer(request, delivery_as_contract(await _known(house, delivery)))

    @router.acts("POST", "/{delivery}/again", DeliveryBody, 404, 409, scope="manage")
    async def send_delivery_again(request: Request, delivery: _DeliveryId) -> Response:
        """Let a message that did not arrive be due now, under its own name, so that no receiver takes it twice.

        Refused (409) where it arrived, where something newer was made for the same destination, and where what it says
        no longer holds.
        """
        became = await asyncio.to_thread(house.store.send_again, delivery, house.clock())
        if became is not Again.DUE:
            raise Refusal(404 if became is Again.UNKNOWN else 409, AGAIN[became])
        house.news()
        return answer(request, delivery_as_contract(await _known(house, delivery)))

    return router


def delivery_as_contract(item: Delivery) -> dict[str, object]:
    """Return a delivery as JSON has it: unknown is null, times end in Z."""
    return {
        "delivery": item.id,
        "destination": item.destination,
        "state": item.state.value,
        "attempts": item.attempts,
        "made_at": iso_z(item.made_at),
        "due_at": iso_z(item.due_at),
        "valid_until": iso_z(item.valid_until),
        "settled_at": _iso(item.settled_at),
        "last_error": plain(item.last_error) if item.last_error is not None else None,
        "told": [_told(line) for line in item.told],
    }


def _told(line: ToldLine) -> dict[str, object]:
    return {
        "event": line.event_id,
        "about": line.subject_id,
        "told_as": line.told_as.value,
        "level": line.level.word if line.level is not None else None,
        "kind": line.kind.value if line.kind is not None else None,
        "reminder": line.repeat,
        "meant_for": plain(line.instead.meant_for) if line.instead is not None else None,
        "meant_for_why": line.instead.why.value if line.instead is not None else None,
    }


async def _known(house: House, delivery: str) -> Delivery:
    found = await asyncio.to_thread(house.store.delivery, delivery)
    if found is None:
        raise Refusal(404, AGAIN[Again.UNKNOWN])
    return found


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None
