"""The page behind a take link: an alert as it stands, and a button for whoever takes it in hand."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from watcher.alerts.model import Acknowledgement, Episode, Event, Phase, Taken
from watcher.links import Take, read_take
from watcher.notify.message import Part, part_of
from watcher.notify.wording import plain, when
from watcher.rulebook.words import Level
from watcher.web.forms import form_fields
from watcher.web.house import House
from watcher.web.pages import page
from watcher.web.problems import Refusal

LONGEST_NAME = 80
LONGEST_NOTE = 200
# Labels of a message's lines: what one must know before pressing, and what stands elsewhere on the page.
_FIRST = {"Why", "Age of data"}
_ELSEWHERE = {"Next step", "Station", "Taken by", "Note"}


@dataclass(frozen=True, slots=True)
class Hand:
    """Who has an alert, in words for a page."""

    by: str
    note: str
    since: str


def take_pages(house: House) -> APIRouter:
    """Return the pages under ``/take``. Looking changes nothing; only the button does."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/take/{token}", methods=["GET", "HEAD"])
    async def look(token: str) -> HTMLResponse:
        take = _allowed(house.key, token)
        episode, part = await _open_alert(house, take.episode, house.clock())
        return _alert_page(episode, part, name=plain(take.destination))

    @router.post("/take/{token}")
    async def press(token: str, request: Request) -> HTMLResponse:
        take = _allowed(house.key, token)
        house.origin.check(request, absent_is_fine=False)
        fields = await form_fields(request)
        by, note = plain(fields.get("by", "")), plain(fields.get("note", ""))
        now = house.clock()
        episode, part = await _open_alert(house, take.episode, now)
        wrong = wrong_with(by, note) or worse_since(episode, fields.get("level"))
        if wrong is not None:
            return _alert_page(episode, part, name=by, note=note, wrong=wrong, status=422)
        taken = await asyncio.to_thread(house.store.acknowledge, take.episode, by=by, note=note, now=now)
        if taken is None:
            # It ended between the look and the press.
            episode, part = await _open_alert(house, take.episode, now)
            raise Refusal(409, "This alert cannot be taken in hand just now. Open the link again.")
        if taken.fresh:
            house.news()
        hand = hand_of(taken.acknowledgement, part.body.zone)
        return page("taken.html", part=part, episode=episode, hand=hand, fresh=taken.fresh)

    return router


def _allowed(key: bytes, token: str) -> Take:
    take = read_take(key, token)
    if take is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here. Open it from the message again; where it was broken "
            "over two lines, put it together.",
            headline="No alert behind this link",
        )
    return take


async def _open_alert(house: House, episode_id: str, now: datetime) -> tuple[Episode, Part]:
    """Return an episode that goes on, with what is known of it; Refusal (410) when it is over."""
    episode = await asyncio.to_thread(house.store.episode, episode_id)
    event = await asyncio.to_thread(house.store.newest_event, episode_id) if episode is not None else None
    if episode is None or event is None:
        raise Refusal(
            410,
            "It ended long ago, and its record has been removed. There is nothing to take in hand.",
            headline="This alert is over",
        )
    if episode.phase is Phase.ENDED:
        raise _over(episode, event)
    return episode, part_of(event, now)


def _over(episode: Episode, event: Event) -> Refusal:
    ended = f" on {when(episode.ended_at, event.body.zone)}" if episode.ended_at is not None else ""
    about = f"{plain(event.body.name)}, " if event.body.name else ""
    return Refusal(
        410,
        f"{about}{episode.flag.value}, last level {episode.level.word}: it ended{ended}, and there is nothing left to "
        f"take in hand. {plain(event.body.next_step)}",
        headline=f"{episode.station}: this alert is over",
    )


def _alert_page(
    episode: Episode, part: Part, *, name: str, note: str = "", wrong: str | None = None, status: int = 200
) -> HTMLResponse:
    taken = episode.taken
    return page(
        "take.html",
        status=status,
        part=part,
        episode=episode,
        first=[line for line in part.lines if line.label in _FIRST],
        rest=[line for line in part.lines if line.label not in _FIRST | _ELSEWHERE],
        hand=hand_of(taken, part.body.zone) if taken is not None else None,
        risen_from=taken.level.word if taken is not None and taken.level < episode.level else None,
        name=name[:LONGEST_NAME],
        note=note[:LONGEST_NOTE],
        longest_name=LONGEST_NAME,
        longest_note=LONGEST_NOTE,
        wrong=wrong,
    )


def hand_of(taken: Taken | Acknowledgement, zone: str | None) -> Hand:
    """Return who has an alert, in words; `zone`: of the station."""
    return Hand(plain(taken.by), plain(taken.note), when(taken.at, zone))


def wrong_with(by: str, note: str) -> str | None:
    """Return why nobody can take an alert in hand with this name and note; None where they can."""
    if not by:
        return "Say who takes it, so that the others know whom to ask."
    if len(by) > LONGEST_NAME:
        return f"The name has {len(by)} characters; at most {LONGEST_NAME} fit."
    if len(note) > LONGEST_NOTE:
        return f"The note has {len(note)} characters; at most {LONGEST_NOTE} fit."
    return None


def worse_since(episode: Episode, seen: str | None) -> str | None:
    """Return why to look again: nobody takes in hand what they have not seen."""
    if seen is None or seen not in {level.word for level in Level} or Level.of(seen) >= episode.level:
        return None
    return f"It became worse while you looked: {episode.level.word} now, {seen} before. Read it again, then take it."
