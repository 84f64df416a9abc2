"""Matrix rooms against a small homeserver that checks every field, and, among the slow tests, against a whole one.

Source: Matrix specification v1.12, client-server API; sections are named beside the checks.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any

import pytest

from tests.notify.homeserver import (
    ROOM,
    TAKEN_AT_ONCE,
    TOKEN,
    WHOLE,
    SmallHomeserver,
    an_account_in_a_room,
    whole_homeserver,
)
from tests.notify.letters import SAMPLES
from tests.notify.scenes import NOW, a_message
from watcher.alerts.model import DigestLine, EventType
from watcher.errors import DeliveryError
from watcher.net import Guard, HttpClients
from watcher.notify.matrix import MatrixChannel
from watcher.notify.message import CAUTION, Message
from watcher.notify.model import MatrixDestination
from watcher.notify.samples import digest_part
from watcher.notify.templating import LONGEST_CHAT, LONGEST_ROOM_BYTES, Reader, Templates

pytestmark = pytest.mark.anyio

TEMPLATES = Templates.load()
# "m.room.message msgtypes": the tags that a client should show; others are taken out or shown as text.
SHOWN = {"p", "strong", "em", "br", "ol", "ul", "li", "a", "code"}


@asynccontextmanager
async def room(
    allowed: tuple[str, ...] = ("127.0.0.0/8",), token: str = TOKEN, timeout_s: float = 10.0, **answers: Any
) -> AsyncIterator[tuple[SmallHomeserver, MatrixChannel]]:
    async with SmallHomeserver(**answers) as server, HttpClients(Guard(allowed)) as http:
        destination = MatrixDestination("ramp-room", server.url, ROOM, token)
        yield server, MatrixChannel(destination, http, TEMPLATES, timeout_s=timeout_s)


async def refusal_of(channel: MatrixChannel) -> DeliveryError:
    with pytest.raises(DeliveryError) as refused:
        await channel.send(SAMPLES["opened"], NOW)
    assert len(str(refused.value)) <= 200
    assert str(refused.value).isprintable()
    assert "s3cret" not in str(refused.value)
    return refused.value


class Tags(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.addresses: list[str | None] = []
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add(tag)
        assert {name for name, _ in attrs} <= {"href"}
        self.addresses += [value for _, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("kind", SAMPLES)
async def test_every_kind_of_message_is_one_event_as_text_and_as_page(kind: str) -> None:
    message = SAMPLES[kind]
    async with room() as (server, channel):
        await channel.send(message, NOW)
    (event,) = server.events.values()
    assert event["body"].endswith(CAUTION)
    assert len(event["body"]) <= LONGEST_CHAT
    page = Tags(event["formatted_body"])
    assert page.found <= SHOWN
    assert CAUTION in page.text
    assert message.headline.strip()[:40] in page.text
    assert all(str(address).startswith("https://icing.example.org/") for address in page.addresses)


async def test_a_repeat_is_the_same_event() -> None:
    """ "Transaction identifiers": the homeserver tells a repeat by the name of the transaction."""
    async with room() as (server, channel):
        for minutes in (0, 3, 40):
            await channel.send(a_message(), NOW + timedelta(minutes=minutes))
        await channel.send(a_message(message_id="msg_2"), NOW)
    assert server.requests == 4
    assert len(server.events) == 2


@pytest.mark.parametrize(
    ("kind", "rings"), [("opened", True), ("raised", True), ("blind", True), ("several", True), ("ended", False)]
)
async def test_what_is_over_rings_nowhere(kind: str, rings: bool) -> None:
    """ "Push rules": .m.rule.suppress_notices keeps notices silent."""
    async with room() as (server, channel):
        await channel.send(SAMPLES[kind], NOW)
    (event,) = server.events.values()
    assert event["msgtype"] == ("m.text" if rings else "m.notice")


async def test_nothing_in_a_message_calls_anybody() -> None:
    """ "User and room mentions": with m.mentions there, the text alone mentions nobody."""
    async with room() as (server, channel):
        await channel.send(SAMPLES["hostile texts"], NOW)
    (event,) = server.events.values()
    assert event["m.mentions"] == {}
    assert "@" not in event["body"].replace("＠", "")


async def test_a_digest_of_the_world_fits_into_one_event() -> None:
    """ "Size limits": 65,536 bytes for the whole event."""
    part = digest_part("Ærnøby Лёд 氷 " * 20)
    (line, *_) = part.body.lines
    assert isinstance(line, DigestLine)
    many = replace(part, body=replace(part.body, lines=(line,) * 3_000))
    async with room() as (server, channel):
        await channel.send(Message("msg_1", (many,), NOW, NOW + timedelta(hours=1)), NOW)
    (event,) = server.events.values()
    assert len(event["formatted_body"].encode()) <= LONGEST_ROOM_BYTES
    assert "more stations" in event["formatted_body"]


@pytest.mark.parametrize(
    ("status", "code", "words", "permanent", "gone"),
    [
        (401, "M_UNKNOWN_TOKEN", "put a new one", False, False),
        (403, "M_FORBIDDEN", "invite it", False, False),
        (404, "M_NOT_FOUND", "no such room", False, False),
        (404, "M_UNRECOGNIZED", "no address of a Matrix homeserver", False, False),
        (403, "M_USER_DEACTIVATED", "was closed", True, True),
        (413, "M_TOO_LARGE", "larger", True, False),
        (400, "M_BAD_JSON", "M_BAD_JSON", True, False),
        (500, "M_UNKNOWN", "HTTP 500", False, False),
    ],
)
async def test_a_refusal_says_what_to_do_and_whether_to_try_again(
    status: int, code: str, words: str, permanent: bool, gone: bool
) -> None:
    """ "Standard error response". An invitation or a new token soon after must still let the alert through."""
    async with room(refuses=(status, {"errcode": code, "error": f"no {TOKEN}"})) as (_, channel):
        error = await refusal_of(channel)
    assert words in str(error)
    assert (error.permanent, error.gone, error.retry_after_s) == (permanent, gone, None)


@pytest.mark.parametrize(("headers", "body", "seconds"), [
    ({"Retry-After": "12"}, {}, 12.0),
    ({}, {"retry_after_ms": 2_500}, 2.5),
    ({"Retry-After": "7"}, {"retry_after_ms": 99_000}, 7.0),
    ({}, {"retry_after_ms": True}, None),
    ({}, {"retry_after_ms": -5}, None),
    ({}, {}, None),
])  # fmt: skip
async def test_a_busy_homeserver_says_how_long_to_wait(
    headers: dict[str, str], body: dict[str, object], seconds: float | None
) -> None:
    """ "Rate limiting": the header since v1.10, retry_after_ms before."""
    async with room(refuses=(429, {"errcode": "M_LIMIT_EXCEEDED", **body}), headers=headers) as (_, channel):
        error = await refusal_of(channel)
    assert error.retry_after_s == seconds
    assert not error.permanent


@pytest.mark.parametrize("said", [b"ok", b"[]", b"{}", b"<html>"])
async def test_a_yes_that_names_no_event_is_none(said: bytes) -> None:
    """A portal that says 200 to everything has delivered nothing."""
    async with room(says=said) as (_, channel):
        error = await refusal_of(channel)
    assert "names no event" in str(error)


async def test_a_token_that_is_not_known_is_told_by_the_server_itself() -> None:
    async with room(token="another") as (server, channel):
        error = await refusal_of(channel)
    assert "not known there" in str(error)
    assert not server.events


async def test_a_homeserver_at_a_private_address_is_not_reached_unless_allowed() -> None:
    async with room(allowed=()) as (server, channel):
        await refusal_of(channel)
    assert server.requests == 0


@pytest.mark.parametrize("token", ["", "two words", "line\nbreak", "ünicode"])
def test_what_is_no_token_is_refused_and_not_repeated(token: str) -> None:
    with pytest.raises(ValueError, match="access token") as refused:
        MatrixDestination("ramp-room", "https://matrix.example.org", ROOM, token)
    assert not token or token not in str(refused.value)
    assert "s3cret" not in repr(MatrixDestination("ramp-room", "https://matrix.example.org", ROOM, TOKEN))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    if WHOLE is None:
        pytest.skip("HOARLINE_TEST_HOMESERVER names no Python with a homeserver")
    with whole_homeserver(tmp_path_factory.mktemp("homeserver")) as url:
        yield url


@pytest.mark.slow
async def test_a_whole_homeserver_takes_every_kind_once(whole: str) -> None:
    account = an_account_in_a_room(whole, "hoarline")
    async with HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = MatrixChannel(MatrixDestination("ramp", whole, account.room, account.token), http, TEMPLATES)
        for number, message in enumerate(SAMPLES.values()):
            for _ in range(2):
                await channel.send(replace(message, id=f"msg_{number}"), NOW)
    found = account.messages()
    assert len(found) == len(SAMPLES)
    for event, message in zip(found, SAMPLES.values(), strict=True):
        text, page = TEMPLATES.room(message, Reader("ramp", f"To stop these messages: {message.links.stop}"))
        assert event["content"]["formatted_body"] == page
        assert event["content"]["body"] == text
        assert event["sender"] == "@hoarline:example.org"


@pytest.mark.slow
async def test_a_whole_homeserver_asks_who_talks_too_much_to_wait(whole: str) -> None:
    account = an_account_in_a_room(whole, "talker")
    async with HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = MatrixChannel(MatrixDestination("ramp", whole, account.room, account.token), http, TEMPLATES)

        async def talk() -> None:
            for number in range(2 * TAKEN_AT_ONCE):
                await channel.send(a_message(message_id=f"msg_{number}"), NOW)

        with pytest.raises(DeliveryError) as asked:
            await talk()
    assert not asked.value.permanent
    assert asked.value.retry_after_s is not None
    # One more every ten seconds.
    assert 0 < asked.value.retry_after_s <= 11
    # What made the room counts among the first.
    assert len(account.messages()) >= TAKEN_AT_ONCE - 5


@pytest.mark.slow
async def test_a_whole_homeserver_refuses_in_the_words_that_we_know(whole: str) -> None:
    account = an_account_in_a_room(whole, "leaver")
    async with HttpClients(Guard(("127.0.0.0/8",))) as http:

        async def refused(room_id: str, token: str) -> str:
            channel = MatrixChannel(MatrixDestination("ramp", whole, room_id, token), http, TEMPLATES)
            with pytest.raises(DeliveryError) as error:
                await channel.send(a_message(EventType.OPENED), NOW)
            assert not error.value.permanent
            return str(error.value)

        assert "may not write in this room" in await refused("!nowhere:example.org", account.token)
        account.leave()
        assert "may not write in this room" in await refused(account.room, account.token)
        account.logout()
        assert "not known there" in await refused(account.room, account.token)
