"""What comes to a fallback says for whom it was meant and why it comes this way, on every channel."""

from __future__ import annotations

import json
from html import unescape

import pytest

from tests.notify.scenes import NOW, VALID_UNTIL, an_event
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Detour, Instead, Item
from watcher.notify.message import Message, message_of
from watcher.notify.payload import webhook_body
from watcher.notify.template_fields import Reader
from watcher.notify.templating import Templates


def message(*instead: Instead | None) -> Message:
    items = [
        Item(an_event(), EventType.RAISED, an_event().body.level, f"XNOR-{17 + number}", 0, each)
        for number, each in enumerate(instead)
    ]
    return message_of("msg_1", items, now=NOW, valid_until=VALID_UNTIL)


@pytest.mark.parametrize(("why", "words"), [
    (Detour.SILENT, "Meant for ops-room, which does not answer."),
    (Detour.REFUSED, "Meant for ops-room, which did not take it."),
    (Detour.OFF, "Meant for ops-room, which wants no more messages."),
])  # fmt: skip
@pytest.mark.parametrize("way", ["text", "page", "chat", "room", "card"])
def test_people_read_whom_it_was_meant_for(way: str, why: Detour, words: str) -> None:
    written = getattr(Templates.load(), way)(message(Instead("ops-room", why)), Reader("duty-desk", "Ask."))
    text = (
        written.decode()
        if isinstance(written, bytes)
        else " ".join(filter(None, [*written]))
        if way == "room"
        else written
    )
    assert words in text
    assert "For ops-room: XNOR" in unescape(text).replace("\u2060", "").replace("\xa0", " ")
    if way == "card":
        json.loads(text)


def test_several_for_one_say_so_once_and_several_for_more_each() -> None:
    room, tower = Instead("ops-room", Detour.SILENT), Instead("tower", Detour.OFF)
    assert message(room, room).headline.startswith("For ops-room: ")
    assert message(room, room).instead == "Meant for ops-room, which does not answer."
    both = message(room, tower, None)
    assert not both.headline.startswith("For ")
    assert both.instead == "Meant for ops-room, which does not answer. Meant for tower, which wants no more messages."
    assert sorted(part.headline[:8] for part in both.parts) == ["For ops-", "For towe", "XNOR tre"]
    assert message(None).instead is None


def test_programs_read_it_in_fields_of_their_own() -> None:
    data = webhook_body(message(Instead("ops-room", Detour.REFUSED)))["data"]
    assert isinstance(data, dict)
    assert (data["meant_for"], data["meant_for_why"]) == ("ops-room", "refused")
    assert data["headline"].startswith("For ops-room: XNOR treat")


def test_a_hostile_name_breaks_nothing() -> None:
    hostile = message(Instead("x\r\nBcc: <b>y</b>", Detour.SILENT))
    assert "\n" not in hostile.headline
    assert "\r" not in (hostile.instead or "")
