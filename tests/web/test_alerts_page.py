"""The alerts: what needs a person first, each one's history, and who takes it in hand."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from httpx import Response
from lxml import html

from tests.web.board_scenes import Morning
from tests.web.browsing import DESK, PHONE, sign_in, window
from tests.web.scenes import DRIZZLE, DRIZZLE_BODY, MINUTE, said, taken_by
from tests.web.telling_scenes import listen, read, send, words
from watcher.notify.message import CAUTION
from watcher.rulebook.words import Flag, Kind, Level
from watcher.web.alerts_shown import alert_of, by_need, flag_words, page_of

pytestmark = pytest.mark.anyio


def listed(answer: Response) -> list[str]:
    return listed_in(answer.text)


def listed_in(text: str) -> list[str]:
    return [item.get("id") for item in html.fromstring(text).xpath("//ol[@class='alerts']/li")]


def worst(opened: Morning) -> str:
    return max(opened.store.episodes(open_only=True), key=lambda item: item.level).id


async def test_what_needs_a_person_comes_first(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    first = listed(await read(opened, "/alerts"))
    episodes = {item.id: item for item in opened.store.episodes(open_only=True)}
    assert len(first) >= 3
    assert [episodes[name].level for name in first] == sorted((episodes[name].level for name in first), reverse=True)
    done = await opened.post(f"/alerts/{first[0]}", by="Ramp lead", note="Truck 3", level=episodes[first[0]].level.word)
    assert done.status_code == 303
    # It stands in hand at once, before the watcher has taken a turn; the others move up.
    assert listed(await read(opened, "/alerts")) == [*first[1:], first[0]]
    opened.turn()
    answer = await read(opened, "/alerts")
    assert listed(answer) == [*first[1:], first[0]]
    assert "Ramp lead" in words(answer)
    assert "Truck 3" in words(answer)


async def test_each_alert_has_its_next_step_its_reason_and_the_age_of_its_data(opened: Morning) -> None:
    await opened.sign_in("read")
    shown = words(await read(opened, "/alerts"))
    name = worst(opened)
    event = opened.store.newest_event(name)
    assert event is not None
    for part in (
        event.body.headline,
        event.body.next_step,
        event.body.why,
        "newest report 10 min old, of 12 Jan 0550Z (06:50 Europe/Stockholm)",
        CAUTION,
    ):
        assert " ".join(part.split()) in shown
    assert "Take it in hand" not in shown, "a reader is not offered what they may not do"


async def test_a_blind_station_is_named_above_the_list(opened: Morning) -> None:
    await opened.sign_in("read")
    assert "blind XMOR: no usable report" in words(await read(opened, "/alerts"))


async def test_the_list_can_be_narrowed_by_hand_level_flag_and_station(opened: Morning) -> None:
    await opened.sign_in("read")
    episodes = opened.store.episodes(open_only=True)
    assert set(listed(await read(opened, "/alerts?level=no-time"))) == {
        item.id for item in episodes if item.level is Level.NO_TIME
    }
    assert set(listed(await read(opened, "/alerts?station=xnor"))) == {
        item.id for item in episodes if item.station == "XNOR" and item.opened_at is not None
    }
    flag = episodes[0].flag
    assert set(listed(await read(opened, f"/alerts?flag={flag.value}"))) == {
        item.id for item in episodes if item.flag is flag
    }
    everything = listed(await read(opened, "/alerts"))
    opened.store.acknowledge(everything[0], by="Ramp lead", note="", now=opened.clock[0])
    assert listed(await read(opened, "/alerts?show=held")) == everything[:1]
    assert listed(await read(opened, "/alerts?show=free")) == everything[1:]
    assert listed(await read(opened, "/alerts?level=nonsense&flag=no&station=%3Cb%3E&show=x")) == [
        *everything[1:],
        everything[0],
    ]


async def test_ended_alerts_are_found_by_asking_for_them(opened: Morning) -> None:
    await opened.sign_in("read")
    before = set(listed(await read(opened, "/alerts?show=ended")))
    name = next(item.id for item in opened.store.episodes(open_only=True) if item.station == "XFEL")
    for _ in range(5):
        opened.clock[0] = opened.clock[0] + 30 * MINUTE
        opened.report("XFEL", "08006KT CAVOK 08/02 Q1010", "METAR")
    assert name not in listed(await read(opened, "/alerts"))
    assert set(listed(await read(opened, "/alerts?show=ended"))) - before
    page = words(await read(opened, f"/alerts/{name}"))
    assert "This alert is over" in page
    assert "Take it in hand" not in page


async def test_the_page_of_an_alert_tells_its_history_in_order(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    name = worst(opened)
    await opened.post(f"/alerts/{name}", by="Ramp lead", note="Truck 3 <b>", level="no-time")
    opened.turn()
    answer = await read(opened, f"/alerts/{name}")
    events = opened.store.events_of(name)
    steps = html.fromstring(answer.text).xpath("//ol[@class='steps']/li")
    assert len(steps) == len(events) >= 2
    for step, event in zip(steps, events, strict=True):
        assert " ".join(event.body.headline.split()) in " ".join(step.text_content().split())
    assert "Taken by Ramp lead: Truck 3 <b>" in " ".join(steps[-1].text_content().split())
    assert events[0].body.raw is not None
    assert " ".join(events[0].body.raw.split()) in words(answer)


async def test_the_page_says_who_was_told_and_how_it_went(opened: Morning) -> None:
    await opened.sign_in("read")
    listen(opened)
    (message,) = send(opened, "dead")
    delivery = opened.store.delivery(message)
    assert delivery is not None
    name = delivery.told[0].subject_id
    page = html.fromstring((await read(opened, f"/alerts/{name}")).text)
    (table,) = page.xpath("//h2[@id='told']/following-sibling::div//table")
    text = " ".join(table.text_content().split())
    for part in ("duty-desk", "New alert", "given up 12 Jan 0601Z, after 1 try", "550 no such mailbox here"):
        assert part in text


async def test_the_name_of_the_visitor_stands_ready(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge", name="Dispatch east")
    page = html.fromstring((await read(opened, f"/alerts/{worst(opened)}")).text)
    assert page.xpath("//input[@name='by']/@value") == ["Dispatch east"]


async def test_the_second_learns_who_was_first_and_keeps_their_own_words(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    name = worst(opened)
    answers = await asyncio.gather(
        opened.post(f"/alerts/{name}", by="Ramp lead", note="Truck 3", level="no-time"),
        opened.post(f"/alerts/{name}", by="Dispatcher", note="Calling XFEL tower", level="no-time"),
    )
    (slower,) = [answer for answer in answers if answer.status_code == 200]
    (faster,) = [answer for answer in answers if answer.status_code == 303]
    assert faster.headers["location"].endswith(f"/alerts/{name}?taken=yes#hand")
    (kept,) = opened.store.unnoticed_acknowledgements()
    lost = {"Truck 3", "Calling XFEL tower"} - {kept.note}
    shown = words(slower)
    assert "It was already in hand" in shown
    assert f"{kept.by} since 12 Jan 0600Z" in shown
    assert f"Your note went to nobody; tell them yourself: “{lost.pop()}”" in shown
    assert "You have it in hand" in words(await read(opened, f"/alerts/{name}?taken=yes"))


async def test_nobody_takes_in_hand_what_they_have_not_seen(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    name = worst(opened)
    refused = await opened.post(f"/alerts/{name}", by="Ramp lead", note="Truck 3", level="treat")
    assert refused.status_code == 422
    assert "It became worse while you looked: no-time now, treat before" in words(refused)
    assert "Truck 3" in words(refused)
    assert opened.store.unnoticed_acknowledgements() == ()


async def test_what_rises_above_the_level_at_which_it_was_taken_asks_again(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    opened.clock[0] = opened.clock[0] + 20 * MINUTE
    name = next(
        item.id
        for item in opened.store.episodes(open_only=True)
        if item.station == "XNOR" and item.level < Level.NO_TIME
    )
    level = opened.store.episode(name).level  # type: ignore[union-attr]
    await opened.post(f"/alerts/{name}", by="Ramp lead", note="Truck 3", level=level.word)
    opened.turn()
    taken = opened.store.episode(name)
    assert taken is not None
    assert taken.in_hand is not None
    risen = replace(taken, level=Level.NO_TIME)
    event = opened.store.newest_event(name)
    assert event is not None
    alert = alert_of(risen, event, opened.clock[0])
    assert alert.hand is None
    assert alert.before is not None
    assert (alert.before.by, alert.risen_from) == ("Ramp lead", level.word)


@pytest.mark.parametrize(
    ("by", "note", "why"),
    [("", "", "Say who takes it"), ("x" * 81, "", "at most 80 fit"), ("Ramp", "y" * 201, "at most 200 fit")],
)
async def test_what_is_wrong_is_said_and_nothing_is_lost(opened: Morning, by: str, note: str, why: str) -> None:
    await opened.sign_in("read", "acknowledge")
    refused = await opened.post(f"/alerts/{worst(opened)}", by=by, note=note, level="no-time")
    assert refused.status_code == 422
    assert why in words(refused)
    assert opened.store.unnoticed_acknowledgements() == ()


async def test_a_reader_may_look_and_not_take(opened: Morning) -> None:
    await opened.sign_in("read")
    name = worst(opened)
    assert "needs a token with the scope acknowledge" in words(await read(opened, f"/alerts/{name}"))
    assert (await opened.post(f"/alerts/{name}", by="Reader", level="no-time")).status_code == 403
    assert opened.store.unnoticed_acknowledgements() == ()


async def test_a_page_of_somebody_else_takes_nothing(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    foreign = await opened.client.post(
        f"{opened.origin}/alerts/{worst(opened)}",
        data={"by": "x", "level": "no-time"},
        headers={"Origin": "https://elsewhere.example.org"},
    )
    assert foreign.status_code == 403
    assert opened.store.unnoticed_acknowledgements() == ()


async def test_what_is_not_there_is_said(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    answer = await opened.client.get(f"{opened.origin}/alerts/XNOR-999", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert "No such alert" in words(answer)


def test_pages_leave_nothing_out_and_begin_anew_where_their_mark_is_gone() -> None:
    standing = [(replace(DRIZZLE, number=number), said(DRIZZLE, DRIZZLE_BODY)) for number in range(1, 8)]
    names = [episode.id for episode, _ in standing]
    seen: list[str] = []
    after = None
    while True:
        page, after = page_of(standing, after, 3)
        seen += [episode.id for episode, _ in page]
        if after is None:
            break
    assert seen == names
    assert page_of(standing, "XNOR-99", 3)[0] == standing[:3]
    assert page_of([], None, 3) == ([], None)


def test_what_is_there_comes_before_what_is_expected_and_nobodys_before_anybodys() -> None:
    event = said(DRIZZLE, DRIZZLE_BODY)
    there = replace(DRIZZLE, number=1)
    newer = replace(DRIZZLE, number=2, changed_at=DRIZZLE.changed_at + MINUTE)
    ahead = replace(DRIZZLE, number=3, kind=Kind.EXPECTED, changed_at=DRIZZLE.changed_at + 9 * MINUTE)
    worse_and_held = replace(DRIZZLE, number=4, level=Level.NO_TIME, taken=taken_by("Ramp", Level.NO_TIME))
    risen = replace(DRIZZLE, number=5, level=Level.NO_TIME, taken=taken_by("Ramp", Level.TREAT))
    fresh = replace(DRIZZLE, number=6, level=Level.NO_TIME)
    standing = [(item, event) for item in (there, newer, ahead, worse_and_held, risen, fresh)]
    order = [episode.number for episode, _ in by_need(standing, {fresh.id})]
    assert order == [5, 2, 1, 3, 4, 6]


@pytest.mark.parametrize("flag", list(Flag))
def test_a_flag_is_read_as_words(flag: Flag) -> None:
    assert flag_words(flag).replace(" ", "-") == flag.value


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_both_pages_are_well_in_a_browser(opened: Morning, chromium, size, scheme) -> None:
    listen(opened)
    (message,) = send(opened, "dead")
    told = opened.store.delivery(message)
    assert told is not None
    taken = told.told[-1].subject_id
    opened.store.acknowledge(taken, by="Ramp lead, north stand", note="Truck 3 from 0630Z", now=opened.clock[0])
    opened.turn()
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "acknowledge"), "/alerts")
        await seen.is_well()
        await seen.keep(f"alerts-{size.name}-{scheme}")
        await seen.page.goto(f"{opened.origin}/alerts/{worst(opened)}")
        await seen.is_well()
        await seen.keep(f"alert-{size.name}-{scheme}")
        await seen.page.goto(f"{opened.origin}/alerts/{taken}")
        await seen.is_well()
        await seen.keep(f"alert-held-{size.name}-{scheme}")


@pytest.mark.slow
async def test_by_keyboard_an_alert_is_taken_in_hand(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(
            seen, opened.origin, opened.token("read", "acknowledge", name="Ramp lead"), f"/alerts/{worst(opened)}"
        )
        await seen.page.focus("input[name=by]")
        await seen.page.keyboard.press("Tab")
        await seen.page.keyboard.type("Truck 3 from 0630Z")
        await seen.page.keyboard.press("Tab")
        await seen.page.keyboard.press("Enter")
        await seen.page.wait_for_url("**?taken=yes#hand")
        assert "You have it in hand" in await seen.page.inner_text("#hand")
        await seen.is_well()


@pytest.mark.slow
async def test_without_script_it_is_all_there(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "acknowledge"), "/alerts")
        await seen.page.click("text=Take it in hand")
        await seen.page.fill("input[name=by]", "Ramp lead")
        await seen.page.click("main button")
        assert "You have it in hand" in await seen.page.inner_text("#hand")


@pytest.mark.slow
async def test_the_list_changes_at_once_when_something_happens(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, DESK) as (_, seen):
        async with seen.page.expect_request("**/live"):
            await sign_in(seen, opened.origin, opened.token("read"), "/alerts")
        before = listed_in(await seen.page.content())
        opened.report("XTAR", "24012KT 4000 FZRA OVC008 M02/M03 Q1008")
        fresh = {item.id for item in opened.store.episodes(open_only=True) if item.opened_at is not None} - set(before)
        assert fresh
        for name in fresh:
            await seen.page.wait_for_selector(f"#{name}", timeout=8000)
        await seen.is_well()


@pytest.mark.slow
async def test_the_list_keeps_itself_up_to_date_and_says_when_it_cannot(opened: Morning, chromium) -> None:
    look = "document.getElementById('list').dispatchEvent(new Event('news'))"
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read"), "/alerts")
        name = worst(opened)
        opened.store.acknowledge(name, by="Ramp lead", note="", now=opened.clock[0])
        await seen.page.evaluate(look)
        await seen.page.wait_for_selector(f"#{name}.held")
        assert not await seen.page.is_visible("[data-freshness]")
        await seen.page.route("**/alerts*", lambda route: route.abort())
        await seen.page.evaluate(look)
        await seen.page.wait_for_selector("[data-freshness]:visible")
        assert "the service does not answer" in await seen.page.inner_text("[data-freshness]")
        await seen.page.unroute("**/alerts*")
        await seen.page.evaluate(look)
        await seen.page.wait_for_selector("[data-freshness]", state="hidden")
        opened.store.remove_token("desk")
        await seen.page.evaluate(look)
        await seen.page.wait_for_selector("[data-freshness]:visible")
        assert "you are signed out" in await seen.page.inner_text("[data-freshness]")
        assert await seen.page.is_visible(f"#{name}"), "what was there stays to be read"
