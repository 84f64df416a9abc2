"""Chat rooms against a real receiver on this machine: taken, refused, slow, moved, gone, and never a word of the address."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from email.utils import format_datetime
from typing import Any

import pytest

from tests.net.loopback import loopback, ok
from tests.notify.letters import SAMPLES
from watcher.demo.receivers import WebhookReceiver
from watcher.errors import DeliveryError
from watcher.net import Guard, HttpClients
from watcher.notify.chat import ChatChannel
from watcher.notify.message import CAUTION
from watcher.notify.model import ChatDestination
from watcher.notify.samples import NOW
from watcher.notify.templating import Templates

pytestmark = pytest.mark.anyio

TEMPLATES = Templates.load()
PATH = "/hooks/T0/B0/a-token-that-lets-anybody-write"


@asynccontextmanager
async def room(
    allowed: tuple[str, ...] = ("127.0.0.0/8",), text_field: str = "text", timeout_s: float = 10.0, **answers: Any
) -> AsyncIterator[tuple[WebhookReceiver, ChatChannel]]:
    async with (
        WebhookReceiver("whsec_" + "QUJD" * 8, clock=lambda: NOW, **answers) as receiver,
        HttpClients(Guard(allowed)) as http,
    ):
        destination = ChatDestination("ramp-room", receiver.url(PATH), text_field)
        yield receiver, ChatChannel(destination, http, TEMPLATES, timeout_s=timeout_s)


async def refusal_of(channel: ChatChannel) -> DeliveryError:
    with pytest.raises(DeliveryError) as refused:
        await channel.send(SAMPLES["opened"], NOW)
    assert len(str(refused.value)) <= 200
    assert str(refused.value).isprintable()
    assert "a-token" not in str(refused.value)
    return refused.value


@pytest.mark.parametrize("kind", SAMPLES)
async def test_a_message_arrives_as_one_text(kind: str) -> None:
    message = SAMPLES[kind]
    async with room() as (receiver, channel):
        await channel.send(message, NOW)
    (post,) = receiver.posts
    assert post.path == PATH
    assert post.headers["content-type"] == "application/json; charset=utf-8"
    assert list(post.payload) == ["text"]
    assert post.payload["text"].endswith(CAUTION)


async def test_a_single_event_says_what_to_do_why_and_how_old_it_is() -> None:
    async with room() as (receiver, channel):
        await channel.send(SAMPLES["opened"], NOW)
    assert receiver.posts[0].payload["text"].splitlines() == [
        "XNOR treat: freezing rain or freezing drizzle since 0550Z, -1/-2, not ended",
        "Next step: Call treatment for departures now and plan it close to take-off.",
        "Why: FZDZ is reported. Air -1 °C (at most +1 °C, margin 2).",
        "12 min old: SPECI XNOR 120550Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011",
        "Take this in hand: https://icing.example.org/take/sample-token?as=duty-desk&episode=XNOR-4",
        "Board: https://icing.example.org/ Stop: https://icing.example.org/stop/sample-token?to=duty-desk&from=mail",
        CAUTION,
    ]


async def test_a_room_that_calls_its_text_otherwise_gets_it_under_that_name() -> None:
    async with room(text_field="content") as (receiver, channel):
        await channel.send(SAMPLES["foreign letters"], NOW)
    assert "Ærnøby Лёд 氷" in receiver.posts[0].payload["content"]


@pytest.mark.parametrize("status", [400, 401, 404, 500, 502])
async def test_other_refusals_may_be_tried_again(status: int) -> None:
    async with room(status=status, headers={"Retry-After": "7"}) as (_, channel):
        error = await refusal_of(channel)
    assert str(status) in str(error)
    assert (error.permanent, error.gone, error.retry_after_s) == (False, False, None)


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize(("asked", "seconds"), [
    ("120", 120.0), (format_datetime(NOW.replace(microsecond=0) + timedelta(seconds=90), usegmt=True), 90.0), ("soon", None),
])  # fmt: skip
async def test_a_busy_room_says_how_long_to_wait(status: int, asked: str, seconds: float | None) -> None:
    """RFC 9110, 10.2.3 and RFC 6585, 4: seconds or a date."""
    async with room(status=status, headers={"Retry-After": asked}) as (_, channel):
        error = await refusal_of(channel)
    assert error.retry_after_s == seconds
    assert not error.permanent


async def test_a_room_that_is_gone_says_so_for_good() -> None:
    async with room(status=410) as (_, channel):
        error = await refusal_of(channel)
    assert error.gone
    assert error.permanent


@pytest.mark.parametrize("status", [301, 302, 307, 308])
async def test_a_redirect_is_a_failure_and_goes_nowhere(status: int) -> None:
    async with room() as (elsewhere, _):
        async with room(status=status, headers={"Location": elsewhere.url()}) as (_, channel):
            error = await refusal_of(channel)
        assert elsewhere.posts == []
    assert "redirect" in str(error)


async def test_a_room_at_a_private_address_is_not_reached_unless_allowed() -> None:
    async with room(allowed=()) as (receiver, channel):
        await refusal_of(channel)
    assert receiver.posts == []


async def test_a_slow_room_may_be_tried_again() -> None:
    async with room(timeout_s=0.05, delay_s=5.0) as (_, channel):
        error = await refusal_of(channel)
    assert not error.permanent


async def test_a_room_that_quotes_its_address_does_not_spread_it() -> None:
    answer = ok(f"no room at {PATH}".encode(), status="404 Not Found")
    async with loopback(answer, keep=True) as served, HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = ChatChannel(ChatDestination("ramp-room", served.url(path=PATH)), http, TEMPLATES)
        error = await refusal_of(channel)
    assert "no room at /…" in str(error)


@pytest.mark.parametrize(("path", "said", "shown"), [
    ("/in?key=K-5up3rs3cret&token=T0ps3cret", "no room for key K-5up3rs3cret and T0ps3cret", "no room for key … and …"),
    ("/in?key=K-5up3rs3cret&token=T0ps3cret", '{"at": "\\/in?key=K-5up3rs3cret&amp;token=T0ps3cret"}', '{"at": "/…"}'),
    ("/hooks/T0/B0/T0ps3cret", "unknown token T0ps3cret in room B0", "unknown token … in room B0"),
    ("/hooks/T0/B0/T0ps3cret", '{"no_room": "hooks\\/T0\\/B0\\/T0ps3cret"}', '{"no_room": "…"}'),
    ("/hooks/T0/B0/T0ps3cret", "t0ps3cret and \\u00540ps3cret are none", "… and … are none"),
    ("/v1/bot77:T0ps3cret/send", "token T0ps3cret has expired", "token … has expired"),
    ("/x/T0p%2Bs3cret", "no T0p+s3cret, no T0p%2Bs3cret", "no …, no …"),
    ("/x/T0p+s3cret", "no T0p%2Bs3cret", "no …"),
    ("/hooks/a", "invalid_payload", "invalid_payload"),
])  # fmt: skip
async def test_no_part_of_the_address_is_repeated_and_the_reason_is(path: str, said: str, shown: str) -> None:
    async with (
        loopback(ok(said.encode(), status="403 Forbidden"), keep=True) as served,
        HttpClients(Guard(("127.0.0.0/8",))) as http,
    ):
        channel = ChatChannel(ChatDestination("ramp-room", served.url(path=path)), http, TEMPLATES)
        error = await refusal_of(channel)
    assert str(error) == f"the receiver answered HTTP 403 {shown}"


def test_the_address_does_not_show_when_a_destination_is_printed() -> None:
    assert "a-token" not in repr(ChatDestination("ramp-room", f"https://chat.example.org{PATH}"))


@pytest.mark.parametrize(("url", "text_field"), [("", "text"), ("https://chat.example.org/", "")])
def test_a_destination_without_address_or_field_is_none(url: str, text_field: str) -> None:
    with pytest.raises(ValueError, match="lacks"):
        ChatDestination("ramp-room", url, text_field)
