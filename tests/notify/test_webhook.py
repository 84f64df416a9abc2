"""Webhooks against a real receiver on this machine: taken, refused, slow, broken off, moved, gone."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any

import pytest
import time_machine
from standardwebhooks.webhooks import Webhook

from tests.net.loopback import loopback, ok
from tests.notify.scenes import BODY, NOW, SECRET, a_message
from watcher.demo.receivers import WebhookReceiver
from watcher.errors import DeliveryError
from watcher.net import Guard, HttpClients
from watcher.notify.message import CAUTION
from watcher.notify.model import WebhookDestination
from watcher.notify.templating import Templates
from watcher.notify.webhook import WebhookChannel

pytestmark = pytest.mark.anyio


@asynccontextmanager
async def receiver_and_channel(
    allowed: tuple[str, ...] = ("127.0.0.0/8",), timeout_s: float = 10.0, **answers: Any
) -> AsyncIterator[tuple[WebhookReceiver, WebhookChannel]]:
    async with WebhookReceiver(SECRET, clock=lambda: NOW, **answers) as receiver, HttpClients(Guard(allowed)) as http:
        yield (
            receiver,
            WebhookChannel(
                WebhookDestination("ops-room", receiver.url(), (SECRET,)), http, Templates.load(), timeout_s=timeout_s
            ),
        )


async def refusal_of(channel: WebhookChannel, now: datetime = NOW) -> DeliveryError:
    with pytest.raises(DeliveryError) as refused:
        await channel.send(a_message(), now)
    assert len(str(refused.value)) <= 200
    assert str(refused.value).isprintable()
    return refused.value


async def test_a_message_arrives_signed_with_the_deliverys_id() -> None:
    async with receiver_and_channel() as (receiver, channel):
        await channel.send(a_message(), NOW)
    (post,) = receiver.posts
    assert post.verified
    assert post.id == "msg_1"
    assert post.headers["content-type"] == "application/json"
    assert post.headers["user-agent"].startswith("Hoarline/")
    assert post.payload["data"]["headline"] == BODY.headline
    assert post.payload["data"]["caution"] == CAUTION


async def test_the_reference_library_verifies_what_arrives() -> None:
    async with receiver_and_channel() as (receiver, channel):
        await channel.send(a_message(name="Ærøskøbing 氷"), NOW)
    (post,) = receiver.posts
    body = json.dumps(post.payload, ensure_ascii=False, separators=(",", ":"))
    with time_machine.travel(NOW, tick=False):
        assert Webhook(SECRET).verify(body, dict(post.headers))["data"]["name"] == "Ærøskøbing 氷"


async def test_a_receiver_with_another_secret_sees_that_it_is_not_ours() -> None:
    async with receiver_and_channel() as (receiver, channel):
        receiver.secret = "whsec_" + "QUJD" * 8
        await channel.send(a_message(), NOW)
    assert not receiver.posts[0].verified


async def test_any_answer_of_the_two_hundreds_is_a_yes() -> None:
    async with receiver_and_channel(status=204) as (receiver, channel):
        await channel.send(a_message(), NOW)
    assert len(receiver.taken) == 1


@pytest.mark.parametrize("status", [400, 401, 404, 413, 500, 502])
async def test_other_refusals_may_be_tried_again(status: int) -> None:
    async with receiver_and_channel(status=status, headers={"Retry-After": "7"}) as (_, channel):
        error = await refusal_of(channel)
    assert str(status) in str(error)
    assert (error.permanent, error.gone, error.retry_after_s) == (False, False, None)


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize(("asked", "seconds"), [
    ("120", 120.0), ((NOW + timedelta(seconds=90)).strftime("%a, %d %b %Y %H:%M:%S GMT"), 90.0), ("soon", None), ("0", 0.0),
])  # fmt: skip
async def test_a_busy_receiver_says_how_long_to_wait(status: int, asked: str, seconds: float | None) -> None:
    async with receiver_and_channel(status=status, headers={"Retry-After": asked}) as (_, channel):
        error = await refusal_of(channel, NOW)
    assert error.retry_after_s == seconds
    assert not error.permanent


async def test_a_receiver_that_is_gone_says_so_for_good() -> None:
    async with receiver_and_channel(status=410) as (_, channel):
        error = await refusal_of(channel)
    assert error.gone
    assert error.permanent


@pytest.mark.parametrize("status", [301, 302, 307, 308])
async def test_a_redirect_is_a_failure_and_goes_nowhere(status: int) -> None:
    async with receiver_and_channel() as (elsewhere, _):
        async with receiver_and_channel(status=status, headers={"Location": elsewhere.url()}) as (_, channel):
            error = await refusal_of(channel)
        assert elsewhere.posts == []
    assert "redirect" in str(error)


async def test_a_receiver_that_breaks_off_its_answer_may_be_tried_again() -> None:
    async with receiver_and_channel(break_off=True) as (receiver, channel):
        error = await refusal_of(channel)
        assert len(receiver.posts) == 1
    assert not error.permanent


async def test_a_slow_receiver_is_given_up_in_bounded_time() -> None:
    async with receiver_and_channel(timeout_s=0.1, delay_s=30.0) as (_, channel):
        error = await refusal_of(channel)
    assert "0.1 s" in str(error)


async def test_an_address_that_the_guard_refuses_gets_nothing() -> None:
    async with receiver_and_channel(allowed=()) as (receiver, channel):
        error = await refusal_of(channel)
        assert receiver.posts == []
    assert "allow_private" in str(error)


async def test_a_repeat_has_the_same_id_and_a_new_time() -> None:
    async with receiver_and_channel() as (receiver, channel):
        await channel.send(a_message(), NOW)
        await channel.send(a_message(), NOW + timedelta(seconds=5))
    first, second = receiver.posts
    assert first.id == second.id
    assert int(second.headers["webhook-timestamp"]) - int(first.headers["webhook-timestamp"]) == 5
    assert receiver.duplicates == 1


async def test_several_go_side_by_side() -> None:
    async with receiver_and_channel() as (receiver, channel):
        await asyncio.gather(*(channel.send(a_message(message_id=f"msg_{n}"), NOW) for n in range(20)))
    assert len({post.id for post in receiver.posts}) == 20
    assert receiver.duplicates == 0


async def test_a_receiver_that_quotes_its_address_does_not_spread_it() -> None:
    answer = ok(b'{"reason": "no key T0ps3cret here"}', status="403 Forbidden")
    async with loopback(answer, keep=True) as served, HttpClients(Guard(("127.0.0.0/8",))) as http:
        destination = WebhookDestination("ops-room", served.url(path="/in?key=T0ps3cret"), (SECRET,))
        error = await refusal_of(WebhookChannel(destination, http, Templates.load()))
    assert str(error) == 'the receiver answered HTTP 403 {"reason": "no key … here"}'
