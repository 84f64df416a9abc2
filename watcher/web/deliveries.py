"""The deliveries: every message with what it told, how it went, and a button for what did not arrive."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from watcher.notify.wording import plain, when
from watcher.store.model import Again, Delivery, DeliveryState
from watcher.web.deliveries_shown import AGAIN, MEANINGS, STATES, named_in, row_of
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_fields
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.problems import Refusal

_ON_A_PAGE = 50


@dataclass(frozen=True, slots=True)
class _Asked:
    """Which messages somebody wants to see. `id`: one alone. `before`: the message that the page before ended with."""

    state: DeliveryState | None = None
    destination: str | None = None
    about: str | None = None
    id: str | None = None
    before: str | None = None

    def query(self, **other: str | None) -> str:
        """Return what stands in the address for it, with some of it changed; it begins at the first page."""
        given = {
            "state": self.state.value if self.state is not None else None,
            "destination": self.destination,
            "about": self.about,
            **other,
        }
        return urlencode({name: value for name, value in given.items() if value is not None})


def delivery_pages(house: House) -> APIRouter:
    """Return the pages under ``/deliveries``."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/deliveries", methods=["GET", "HEAD"], dependencies=[Depends(page_door(house, "read"))])
    async def look(request: Request) -> Response:
        return await _list(house, request, _asked(request.query_params))

    @router.post("/deliveries", dependencies=[Depends(page_door(house, "manage"))])
    async def again(request: Request) -> Response:
        wanted = (await form_fields(request)).get("again", "")
        if not wanted:
            raise Refusal(422, "Press the button beside the message that is to go again; nothing was changed.")
        became = await asyncio.to_thread(house.store.send_again, wanted, house.clock())
        query = urlencode({"id": wanted, "became": became.value})
        return RedirectResponse(f"{root_of(request)}/deliveries?{query}", 303)

    return router


async def _list(house: House, request: Request, what: _Asked) -> Response:
    store = house.store
    counts = await asyncio.to_thread(store.outbox_counts)
    if what.id is not None:
        one = await asyncio.to_thread(store.delivery, what.id)
        found: Sequence[Delivery] = [one] if one is not None else []
    else:
        state = what.state.value if what.state is not None else None
        found = await asyncio.to_thread(
            store.deliveries,
            _ON_A_PAGE + 1,
            state,
            destination=what.destination,
            about=what.about,
            before=what.before,
        )
    shown = found[:_ON_A_PAGE]
    events = await asyncio.to_thread(store.events_named, named_in(shown))
    return show(
        house,
        request,
        "deliveries.html",
        rows=[row_of(item, events) for item in shown],
        asked=what,
        counts=[(state, STATES[state], MEANINGS[state], counts[state.value]) for state in DeliveryState],
        destinations=await _destinations(house, what),
        became=_became(request.query_params.get("became")),
        next=what.query(before=shown[-1].id) if len(found) > _ON_A_PAGE else None,
        as_of=when(house.clock(), None),
        may_manage=visitor_of(request).may("manage"),
    )


async def _destinations(house: House, what: _Asked) -> list[str]:
    """Return the names to choose from; one that is asked for and is gone by now still has messages."""
    directory = await asyncio.to_thread(house.management.directory)
    asked_for = [what.destination] if what.destination is not None else []
    return sorted({*directory.destinations, *asked_for})


def _asked(query: Mapping[str, str]) -> _Asked:
    """Return what an address asks for; a state that is none is passed over."""
    given = {name: plain(value) or None for name, value in query.items()}
    return _Asked(
        state=next((item for item in DeliveryState if item.value == given.get("state")), None),
        destination=given.get("destination"),
        about=given.get("about"),
        id=given.get("id"),
        before=given.get("before"),
    )


def _became(word: str | None) -> tuple[bool, str] | None:
    """Return whether a message goes again, and the words for it; None where nobody asked."""
    known = next((item for item in Again if item.value == word), None)
    return (known is Again.DUE, AGAIN[known]) if known is not None else None
