"""The deliveries: what was told to whom, how it went, and what can go again."""

from __future__ import annotations

import pytest
from lxml import html

from tests.web.board_scenes import Morning
from tests.web.browsing import DESK, PHONE, sign_in, window
from tests.web.scenes import MINUTE
from tests.web.telling_scenes import listen, read, send, words
from watcher.store.model import DeliveryState

pytestmark = pytest.mark.anyio


async def test_each_message_says_what_it_told_and_how_it_went(opened: Morning) -> None:
    await opened.sign_in("read")
    listen(opened)
    (name,) = send(opened, "dead")
    answer = await read(opened, "/deliveries")
    delivery = opened.store.delivery(name)
    assert delivery is not None
    shown = words(answer)
    for line in delivery.told[:6]:
        event = opened.store.newest_event(line.subject_id)
        assert event is not None
        assert " ".join(event.body.headline.split()) in shown
    assert "duty-desk" in shown
    assert "given up 12 Jan 0601Z, after 1 try 550 no such mailbox here" in shown
    assert "1given up refused for good" in shown
    assert "Send again" not in shown, "a reader is not offered what they may not do"


async def test_messages_are_narrowed_by_state_destination_and_alert(opened: Morning) -> None:
    await opened.sign_in("read")
    listen(opened)
    (name,) = send(opened, "sent")
    delivery = opened.store.delivery(name)
    assert delivery is not None
    alert = delivery.told[0].subject_id

    async def rows(query: str) -> int:
        return len(html.fromstring((await read(opened, f"/deliveries?{query}")).text).xpath("//tbody/tr"))

    assert await rows("state=sent") == 1
    assert await rows("state=dead") == 0
    assert await rows("destination=duty-desk") == 1
    assert await rows("destination=nobody") == 0
    assert await rows(f"about={alert}") == 1
    assert await rows("about=XNOR-999") == 0
    assert await rows("state=nonsense") == 1, "what is no state is passed over"
    assert await rows(f"id={name}") == 1
    assert "no longer kept" in words(await read(opened, "/deliveries?id=msg_nothing"))


async def test_one_that_waits_says_when_it_is_tried_next(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    listen(opened)
    (name,) = send(opened, "retry")
    shown = words(await read(opened, "/deliveries"))
    assert "waiting 1 try failed next try 12 Jan 0611Z" in shown
    assert (await opened.post("/deliveries", again=name)).status_code == 303
    delivery = opened.store.delivery(name)
    assert delivery is not None
    assert delivery.due_at == opened.clock[0]


async def test_what_was_given_up_goes_again_under_its_own_name(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    listen(opened)
    (name,) = send(opened, "dead")
    page = html.fromstring((await read(opened, "/deliveries")).text)
    assert page.xpath("//button[@name='again']/@value") == [name]
    answer = await opened.post("/deliveries", again=name)
    assert answer.status_code == 303
    after = await opened.client.get(opened.origin + answer.headers["location"])
    assert "It goes now, under its own name" in words(after)
    assert send(opened, "sent") == [name]
    delivery = opened.store.delivery(name)
    assert delivery is not None
    assert (delivery.state, delivery.attempts) == (DeliveryState.SENT, 2)
    again = await opened.post("/deliveries", again=name)
    refused = await opened.client.get(opened.origin + again.headers["location"])
    assert "is not sent twice" in words(refused)


async def test_what_no_longer_holds_is_not_sent_and_the_page_says_why(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    listen(opened)
    (name,) = send(opened, "dead")
    opened.clock[0] += 30 * MINUTE
    opened.report("XBAY", "24012KT CAVOK 09/04 Q1019", "METAR")
    for _ in range(6):
        opened.clock[0] += 30 * MINUTE
        opened.report("XBAY", "24012KT CAVOK 09/04 Q1019", "METAR")
        opened.report("XNOR", "24012KT CAVOK 09/04 Q1019", "METAR")
    answer = await opened.post("/deliveries", again=name)
    shown = words(await opened.client.get(opened.origin + answer.headers["location"]))
    assert "no longer holds" in shown or "A newer message about the same" in shown
    delivery = opened.store.delivery(name)
    assert delivery is not None
    assert delivery.state is DeliveryState.DEAD


async def test_a_reader_sends_nothing_again(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    listen(opened)
    (name,) = send(opened, "dead")
    assert (await opened.post("/deliveries", again=name)).status_code == 403
    delivery = opened.store.delivery(name)
    assert delivery is not None
    assert delivery.state is DeliveryState.DEAD


async def test_an_empty_wish_is_refused(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    assert (await opened.post("/deliveries", other="x")).status_code == 422


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_page_is_well_in_a_browser(opened: Morning, chromium, size, scheme) -> None:
    listen(opened)
    send(opened, "dead")
    opened.report("XNOR", "34004KT 0800 +SN FZFG OVC003 M04/M05 Q1008")
    send(opened, "retry")
    opened.report("XBAY", "34004KT 0800 FZFG OVC003 M04/M04 Q1008")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage"), "/deliveries")
        await seen.is_well()
        await seen.keep(f"deliveries-{size.name}-{scheme}")


@pytest.mark.slow
async def test_by_keyboard_and_without_script_a_message_goes_again(opened: Morning, chromium) -> None:
    listen(opened)
    send(opened, "dead")
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage"), "/deliveries")
        await seen.page.focus("button[name=again]")
        await seen.page.keyboard.press("Enter")
        await seen.page.wait_for_url("**became=due")
        assert "It goes now" in await seen.page.inner_text("[role=status]")
