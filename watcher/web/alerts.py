"""The alerts: what stands open, what needs a person first, each one's history, and the button that takes it in hand."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from watcher.alerts.model import Episode, Event, EventType
from watcher.notify.wording import plain, when
from watcher.rulebook.words import Flag, Level
from watcher.web.alerts_history import reached, steps
from watcher.web.alerts_shown import SHOWS, Asked, Stood, alert_of, asked, by_need, flag_words, held, page_of, wanted
from watcher.web.deliveries_shown import named_in, row_of
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_fields
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.levels import level_mark
from watcher.web.problems import Refusal
from watcher.web.take import LONGEST_NAME, LONGEST_NOTE, worse_since, wrong_with

_ON_A_PAGE = 50
# More messages about one alert than this are found on the page of deliveries.
_MOST_DELIVERIES = 200
# Lines of a message that stand elsewhere on the page of an alert, or hold for the time of the message only.
_ELSEWHERE = frozenset({"Next step", "Station", "Taken by", "Note", "Age of data"})


def alert_pages(house: House) -> APIRouter:
    """Return the pages under ``/alerts``."""
    router = APIRouter(include_in_schema=False)
    reading, taking = [Depends(page_door(house, "read"))], [Depends(page_door(house, "acknowledge"))]

    @router.api_route("/alerts", methods=["GET", "HEAD"], dependencies=reading)
    async def look(request: Request) -> Response:
        return await _list(house, request, asked(request.query_params))

    @router.api_route("/alerts/{episode}", methods=["GET", "HEAD"], dependencies=reading)
    async def look_at(episode: str, request: Request) -> Response:
        return await _page(house, request, await _known(house, episode), by=visitor_of(request).name)

    @router.post("/alerts/{episode}", dependencies=taking)
    async def take(episode: str, request: Request) -> Response:
        fields = await form_fields(request)
        by, note = plain(fields.get("by", "")), plain(fields.get("note", ""))
        known = await _known(house, episode)
        wrong = wrong_with(by, note) or worse_since(known[0], fields.get("level"))
        if wrong is not None and known[0].ended_at is None:
            return await _page(house, request, known, by=by, note=note, wrong=wrong, status=422)
        taken = await asyncio.to_thread(house.store.acknowledge, episode, by=by, note=note, now=house.clock())
        if taken is None:
            return await _page(house, request, await _known(house, episode), unsent=note, over=True, status=410)
        if not taken.fresh:
            return await _page(house, request, known, by=by, unsent=note, slower=True)
        house.news()
        return RedirectResponse(f"{root_of(request)}/alerts/{episode}?taken=yes#hand", 303)

    return router


async def _list(house: House, request: Request, what: Asked) -> Response:
    now, views = house.clock(), house.views()
    taken = await asyncio.to_thread(house.store.unnoticed_acknowledgements)
    fresh = {item.episode for item in taken}

    def work() -> list[Stood]:
        alerts = house.store.lately(now).alerts
        return by_need((stood for stood in alerts if stood[0].ended_at is None), fresh)

    everything = await asyncio.to_thread(work)
    free = sum(not held(episode, fresh) for episode, _ in everything)
    if what.show == "ended":
        page, after = await _ended(house, what)
    else:
        page, after = page_of(wanted(everything, what, fresh), what.after, _ON_A_PAGE)
    shown = [alert_of(episode, event, now, taken, views.get(episode.station)) for episode, event in page]
    return show(
        house,
        request,
        "alerts.html",
        alerts=shown,
        asked=what,
        shows=SHOWS,
        levels=sorted(Level, reverse=True),
        flags=[(flag.value, flag_words(flag)) for flag in Flag],
        counts={"open": len(everything), "free": free, "held": len(everything) - free},
        blind=sorted(code for code, view in views.items() if view.state.blind_since is not None),
        next=what.query(after) if after is not None else None,
        as_of=when(now, None),
        mark=level_mark,
        may_take=visitor_of(request).may("acknowledge"),
    )


async def _ended(house: House, what: Asked) -> tuple[Sequence[Stood], str | None]:
    found = await asyncio.to_thread(
        house.store.ended,
        _ON_A_PAGE + 1,
        station=what.station,
        flag=what.flag,
        min_level=what.min_level or Level.NOTE,
        before=what.after,
    )
    page = found[:_ON_A_PAGE]
    return page, page[-1][0].id if len(found) > _ON_A_PAGE else None


async def _known(house: House, name: str) -> tuple[Episode, tuple[Event, ...]]:
    """Return an alert with its events; Refusal (404) where there is none."""
    episode = await asyncio.to_thread(house.store.episode, name)
    events = await asyncio.to_thread(house.store.events_of, name) if episode is not None else ()
    if episode is None or not events:
        detail = f'No alert "{plain(name)}" is kept here. What ended is removed after some days.'
        raise Refusal(404, detail, headline="No such alert")
    return episode, events


async def _page(
    house: House,
    request: Request,
    known: tuple[Episode, tuple[Event, ...]],
    *,
    by: str = "",
    note: str = "",
    wrong: str | None = None,
    unsent: str = "",
    slower: bool = False,
    over: bool = False,
    status: int = 200,
) -> Response:
    """Return the page of one alert. `unsent`: a note of somebody who was not first, or came too late."""
    episode, events = known
    now = house.clock()
    view = house.views().get(episode.station)
    taken = await asyncio.to_thread(house.store.unnoticed_acknowledgements)
    # Who has it stands beside; what it is about is what was said before that.
    said = next((event for event in reversed(events) if event.type is not EventType.TAKEN), events[-1])
    alert = alert_of(episode, said, now, taken, view)
    newest = view.observation.raw if view is not None and view.observation is not None else None
    deliveries = await asyncio.to_thread(house.store.deliveries, _MOST_DELIVERIES, about=episode.id)
    told = await asyncio.to_thread(house.store.events_named, named_in(deliveries))
    return show(
        house,
        request,
        "alert.html",
        status=status,
        alert=alert,
        lines=[line for line in alert.part.lines if line.label not in _ELSEWHERE],
        newest_raw=plain(newest) if newest is not None else None,
        ended=when(episode.ended_at, events[-1].body.zone) if episode.ended_at is not None else None,
        steps=steps(events),
        reached=reached([row_of(item, told) for item in reversed(deliveries)], episode.id),
        by=by[:LONGEST_NAME],
        note=note[:LONGEST_NOTE],
        longest_name=LONGEST_NAME,
        longest_note=LONGEST_NOTE,
        wrong=wrong,
        unsent=unsent,
        slower=slower,
        over=over,
        just_taken="taken" in request.query_params and alert.hand is not None,
        may_take=visitor_of(request).may("acknowledge"),
        mark=level_mark,
    )
