"""The page behind a take link: what it shows, that only its button changes anything, and who was first."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from lxml import html

from tests.web.scenes import DRIZZLE, DRIZZLE_BODY, NOW, ended, put, served, taken_by
from watcher.alerts.model import EventType
from watcher.links import LinkMaker
from watcher.notify.message import CAUTION
from watcher.rulebook.words import Level

pytestmark = pytest.mark.anyio


def words(answer) -> str:
    """What a person reads on a page, on one line."""
    return " ".join(html.fromstring(answer.text).find("body").text_content().split())


def field(answer, name: str) -> str | None:
    found = html.fromstring(answer.text).xpath(f"//*[@name='{name}']")
    return (found[0].get("value") or found[0].text or "").strip() if found else None


async def test_the_page_shows_what_one_must_know_before_pressing(site, store):
    put(store, DRIZZLE)
    seen = await site.client.get(site.links.take("XNOR-1", "duty-desk"))
    assert seen.status_code == 200
    shown = words(seen)
    for part in (
        "XNOR Northby",
        DRIZZLE_BODY.headline,
        DRIZZLE_BODY.why,
        DRIZZLE_BODY.next_step,
        "10 min at 0600Z; report of 12 Jan 0550Z (06:50 Europe/Oslo)",
        DRIZZLE_BODY.raw,
        CAUTION,
    ):
        assert part in shown
    assert field(seen, "by") == "duty-desk"
    assert field(seen, "note") == ""
    assert "In hand" not in shown


async def test_looking_changes_nothing(site, store):
    put(store, DRIZZLE)
    link = site.links.take("XNOR-1", "duty-desk")
    for _ in range(3):
        assert (await site.client.get(link)).status_code == 200
    head = await site.client.head(link)
    assert (head.status_code, head.content) == (200, b"")
    assert store.unnoticed_acknowledgements() == ()
    assert site.news == []


async def test_the_button_takes_it_and_says_so(site, store):
    put(store, DRIZZLE)
    done = await site.press(site.links.take("XNOR-1", "duty-desk"), by="Ramp lead", note="Truck 3 from 0630Z")
    assert done.status_code == 200
    assert "You have it in hand" in words(done)
    assert "Ramp lead since 12 Jan 0600Z (07:00 Europe/Oslo)" in words(done)
    (kept,) = store.unnoticed_acknowledgements()
    assert (kept.episode, kept.by, kept.note, kept.at) == ("XNOR-1", "Ramp lead", "Truck 3 from 0630Z", NOW)
    assert site.news == ["news"]


async def test_whoever_is_slower_learns_who_was_first(site, store):
    put(store, DRIZZLE)
    link = site.links.take("XNOR-1", "duty-desk")
    await site.press(link, by="Ramp lead", note="Truck 3")
    second = await site.press(link, by="Dispatcher", note="mine")
    assert second.status_code == 200
    shown = words(second)
    assert "It was already in hand" in shown
    assert "Ramp lead since 12 Jan 0600Z" in shown
    assert "Note: Truck 3" in shown
    assert [item.by for item in store.unnoticed_acknowledgements()] == ["Ramp lead"]
    assert site.news == ["news"]


async def test_of_many_at_once_one_has_it_and_all_are_told_whom(site, store):
    put(store, DRIZZLE)
    link = site.links.take("XNOR-1", "duty-desk")
    answers = await asyncio.gather(*(site.press(link, by=f"person {number}") for number in range(8)))
    assert {answer.status_code for answer in answers} == {200}
    first = [answer for answer in answers if "You have it in hand" in words(answer)]
    (kept,) = store.unnoticed_acknowledgements()
    assert len(first) == 1
    assert all(f"{kept.by} since" in words(answer) for answer in answers)
    assert site.news == ["news"]


async def test_who_has_it_stands_on_the_page_and_the_button_is_gone(site, store):
    put(store, replace(DRIZZLE, taken=taken_by("Ramp lead", note="Truck 3")))
    seen = await site.client.get(site.links.take("XNOR-1", "duty-desk"))
    assert "In hand Ramp lead since 12 Jan 0555Z (06:55 Europe/Oslo). Note: Truck 3" in words(seen)
    assert not html.fromstring(seen.text).xpath("//form")


async def test_what_became_worse_can_be_taken_again(site, store):
    worse = replace(DRIZZLE, level=Level.NO_TIME, taken=taken_by("Ramp lead", Level.TREAT))
    put(store, worse, replace(DRIZZLE_BODY, level=Level.NO_TIME))
    link = site.links.take("XNOR-1", "duty-desk")
    seen = await site.client.get(link)
    assert "Taken in hand before it became worse Ramp lead since" in words(seen)
    assert "It was treat then. At no-time nobody has it yet." in words(seen)
    assert "You have it in hand" in words(await site.press(link, by="Dispatcher"))


async def test_nobody_takes_what_became_worse_unseen(site, store):
    put(store, DRIZZLE)
    link = site.links.take("XNOR-1", "duty-desk")
    seen = field(await site.client.get(link), "level")
    put(store, replace(DRIZZLE, level=Level.NO_TIME, seq=2), replace(DRIZZLE_BODY, level=Level.NO_TIME), version=1)
    again = await site.press(link, by="Ramp lead", note="Truck 3", level=seen)
    assert again.status_code == 422
    assert "It became worse while you looked: no-time now, treat before." in words(again)
    assert (field(again, "by"), field(again, "note")) == ("Ramp lead", "Truck 3")
    assert store.unnoticed_acknowledgements() == ()
    assert "You have it in hand" in words(await site.press(link, by="Ramp lead", level=field(again, "level")))


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"by": ""}, "Say who takes it"),
        ({"by": " \t\u200b\u202e"}, "Say who takes it"),
        ({"note": "Truck 3"}, "Say who takes it"),
        ({"by": "n" * 81}, "The name has 81 characters; at most 80 fit."),
        ({"by": "Ramp lead", "note": "n" * 201}, "The note has 201 characters; at most 200 fit."),
    ],
)
async def test_what_cannot_be_kept_is_told_on_the_page_with_what_was_written(site, store, fields, told):
    put(store, DRIZZLE)
    answer = await site.press(site.links.take("XNOR-1", "duty-desk"), **fields)
    assert answer.status_code == 422
    assert told in words(answer)
    assert field(answer, "note") == fields.get("note", "")[:200]
    assert store.unnoticed_acknowledgements() == ()


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</textarea><form action=https://other.example.org>",
    "{{ 7 * 7 }}{% raw %}",
    "\u202eevil\u2066 \x00\x1b[31m\r\nSet-Cookie: a=b",
    "'; DROP TABLE episode; --",
    "&lt;b&gt; &#60;",
    "Ærøskøbing 雪 ❄️ é",
)


@pytest.mark.parametrize("text", HOSTILE)
async def test_hostile_names_and_notes_are_words_and_nothing_else(site, store, text):
    put(store, DRIZZLE)
    done = await site.press(site.links.take("XNOR-1", "desk"), by=text, note=text)
    tree = html.fromstring(done.text)
    assert done.status_code == 200
    assert not tree.xpath("//script | //img | //form")
    assert not any(ord(letter) < 32 and letter != "\n" for letter in done.text)
    assert "\u202e" not in done.text
    (kept,) = store.unnoticed_acknowledgements()
    assert " ".join(kept.by.split()) in words(done)


@pytest.mark.parametrize("text", HOSTILE)
async def test_a_hostile_report_or_destination_is_words_and_nothing_else(site, store, text):
    body = replace(DRIZZLE_BODY, headline=text, why=text, next_step=text, name=text, raw=text)
    put(store, replace(DRIZZLE, taken=None), body)
    destination = text.replace("\x00", "")
    tree = html.fromstring((await site.client.get(site.links.take("XNOR-1", destination))).text)
    assert not tree.xpath("//script | //img")
    assert len(tree.xpath("//form")) == 1
    assert len(tree.xpath("//input[@name='by']")) == 1


async def test_an_ended_alert_says_when_it_ended(site, store):
    over = replace(DRIZZLE_BODY, next_step="Aircraft treated or parked before this stay in need of a check.")
    put(store, ended(), over, type_=EventType.CLOSED)
    link = site.links.take("XNOR-1", "duty-desk")
    for answer in (await site.client.get(link), await site.press(link, by="Ramp lead")):
        assert answer.status_code == 410
        assert "XNOR: this alert is over" in words(answer)
        assert "it ended on 12 Jan 0624Z (07:24 Europe/Oslo)" in words(answer)
        assert over.next_step in words(answer)
        assert CAUTION in words(answer)
    assert store.unnoticed_acknowledgements() == ()


async def test_an_alert_whose_record_is_gone_is_over_too(site):
    answer = await site.client.get(site.links.take("XNOR-1", "duty-desk"))
    assert answer.status_code == 410
    assert "its record has been removed" in words(answer)


class EndsMeanwhile:
    """The store, when an alert ends between the look at it and the taking."""

    def __init__(self, store):
        self._store = store

    def __getattr__(self, name):
        return getattr(self._store, name)

    def acknowledge(self, episode, **given):
        put(self._store, ended(replace(DRIZZLE, seq=2)), version=1, type_=EventType.CLOSED)
        return self._store.acknowledge(episode, **given)


async def test_an_alert_that_ends_while_it_is_taken_is_over(store):
    put(store, DRIZZLE)
    async with served(EndsMeanwhile(store)) as site:
        answer = await site.press(site.links.take("XNOR-1", "duty-desk"), by="Ramp lead")
    assert answer.status_code == 410
    assert "it ended on 12 Jan 0624Z" in words(answer)


@pytest.mark.parametrize(
    "token", ["x", "take", "A" * 44, "..%2f..%2fetc", "%00", "a" * 5000, "\u0661", "x?by=me", "%ff%fe"]
)
async def test_a_forged_link_opens_a_page_in_plain_words(site, store, token):
    put(store, DRIZZLE)
    for method in ("GET", "POST"):
        answer = await site.client.request(
            method,
            f"{site.origin}/take/{token}",
            headers={"Origin": site.origin},
            data={"by": "me"} if method == "POST" else None,
        )
        assert answer.status_code == 404
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        assert "link" in words(answer) or "nothing at this address" in words(answer)
    assert store.unnoticed_acknowledgements() == ()


async def test_a_link_made_with_another_key_or_for_another_purpose_takes_nothing(site, store):
    put(store, DRIZZLE)
    other = LinkMaker(site.origin, bytes(32)).take("XNOR-1", "duty-desk")
    stop = site.links.stop("duty-desk").replace("/stop/", "/take/")
    for link in (other, stop):
        assert (await site.press(link, by="Ramp lead")).status_code == 404


@pytest.mark.parametrize("origin", [None, "null", "https://other.example.org", "http://127.0.0.1:1", ""])
async def test_a_form_from_somebody_elses_page_takes_nothing(site, store, origin):
    put(store, DRIZZLE)
    headers = {} if origin is None else {"Origin": origin}
    answer = await site.client.post(site.links.take("XNOR-1", "desk"), data={"by": "me"}, headers=headers)
    assert answer.status_code == 403
    assert "nothing was changed" in words(answer)
    assert store.unnoticed_acknowledgements() == ()


async def test_behind_a_proxy_the_public_address_is_the_origin(store):
    """A proxy may name itself in Host, and may keep the path of the public address or take it off."""
    put(store, DRIZZLE)
    public = "https://ops.example.org/ice"
    async with served(store, public_url=public) as site:
        link = site.links.take("XNOR-1", "desk")
        kept = link.replace(site.origin, f"{site.origin}/ice")
        for address in (link, kept):
            assert (await site.client.get(address)).status_code == 200
        wrong = await site.client.post(
            kept, data={"by": "me"}, headers={"Origin": "https://ops.example.org.evil.example"}
        )
        assert wrong.status_code == 403
        assert store.unnoticed_acknowledgements() == ()
        right = await site.client.post(kept, data={"by": "me"}, headers={"Origin": "https://ops.example.org"})
        assert "You have it in hand" in words(right)
        assert (await site.client.get(f"{site.origin}/icetake/x")).status_code == 404
