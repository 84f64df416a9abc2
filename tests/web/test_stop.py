"""Stopping messages: by one click of a mail program as RFC 8058 writes it, by the button, and back again."""

from __future__ import annotations

import shlex

import pytest
from lxml import html

from tests.web.scenes import bare
from tests.web.test_take import words

pytestmark = pytest.mark.anyio
ONE_CLICK = "List-Unsubscribe=One-Click"
# RFC 8058, section 8.2, the example of a multipart body.
BOUNDARY = "---FormBoundaryjWmhtjORrn"
MULTIPART = (
    f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="List-Unsubscribe"\r\n\r\nOne-Click\r\n--{BOUNDARY}--\r\n'
)


async def one_click(site, link: str, kind: str):
    if kind == "urlencoded":
        return await site.client.post(
            link, content=ONE_CLICK, headers={"Content-Type": "application/x-www-form-urlencoded"}
        )
    return await site.client.post(
        link, content=MULTIPART, headers={"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}
    )


@pytest.mark.parametrize("kind", ["urlencoded", "multipart"])
async def test_one_click_stops_without_cookie_origin_or_redirect(site, store, kind):
    """RFC 8058, sections 3.1 and 3.2: the post alone must do, in either encoding."""
    done = await one_click(site, site.links.stop("duty-desk"), kind)
    assert done.status_code == 200
    assert done.history == []
    assert "set-cookie" not in done.headers
    assert list(store.disabled_destinations()) == ["duty-desk"]
    assert site.news == ["news"]


async def test_looking_stops_nothing(site, store):
    """RFC 8058, section 3.2: programs that follow links must not unsubscribe anybody."""
    link = site.links.stop("duty-desk")
    seen = await site.client.get(link)
    assert (seen.status_code, (await site.client.head(link)).status_code) == (200, 200)
    assert "Stop all messages to duty-desk?" in words(seen)
    assert (await site.client.get(f"{link}?{ONE_CLICK}")).status_code == 200
    assert store.disabled_destinations() == {}
    assert site.news == []


async def test_the_button_of_the_page_is_the_same_post(site, store):
    seen = await site.client.get(site.links.stop("duty-desk"))
    (form,) = html.fromstring(seen.text).forms
    assert (form.method, dict(form.form_values())) == ("POST", {"List-Unsubscribe": "One-Click"})
    done = await site.press(site.links.stop("duty-desk"), **dict(form.form_values()))
    assert "Stopped: no more messages to duty-desk" in words(done)
    assert "hoarline destination resume duty-desk" in words(done)
    assert store.disabled_destinations()["duty-desk"].reason.startswith("stopped by its reader")


async def test_stopping_twice_is_stopping(site, store):
    link = site.links.stop("duty-desk")
    for _ in range(2):
        assert (await one_click(site, link, "urlencoded")).status_code == 200
    assert list(store.disabled_destinations()) == ["duty-desk"]


async def test_a_stop_by_mistake_is_taken_back_on_the_same_page(site, store):
    link = site.links.stop("duty-desk")
    done = await site.press(link, **{"List-Unsubscribe": "One-Click"})
    (form,) = html.fromstring(done.text).forms
    back = await site.press(link, **dict(form.form_values()))
    assert "Messages go to duty-desk again" in words(back)
    assert store.disabled_destinations() == {}


async def test_only_a_person_at_the_page_takes_a_stop_back(site, store):
    link = site.links.stop("duty-desk")
    await one_click(site, link, "urlencoded")
    assert (await site.client.post(link, data={"again": "yes"})).status_code == 403
    assert list(store.disabled_destinations()) == ["duty-desk"]


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        ("", "application/x-www-form-urlencoded", 422),
        ("List-Unsubscribe=Two-Clicks", "application/x-www-form-urlencoded", 422),
        ("x=1", "application/x-www-form-urlencoded", 422),
        ("&".join(f"f{number}=1" for number in range(50)), "application/x-www-form-urlencoded", 422),
        (ONE_CLICK, "application/json", 415),
        (ONE_CLICK, "", 415),
        (MULTIPART, "multipart/form-data", 422),
        (MULTIPART, "multipart/form-data; boundary=other", 422),
        ("x" * 17_000, "application/x-www-form-urlencoded", 413),
    ],
)
async def test_another_post_stops_nothing_and_says_why(site, store, content, kind, status):
    headers = {"Content-Type": kind} if kind else {}
    answer = await site.client.post(site.links.stop("duty-desk"), content=content, headers=headers)
    assert answer.status_code == status
    assert answer.text
    assert store.disabled_destinations() == {}


async def test_a_post_from_a_foreign_page_stops_nothing(site, store):
    answer = await site.client.post(
        site.links.stop("duty-desk"),
        data={"List-Unsubscribe": "One-Click"},
        headers={"Origin": "https://other.example.org"},
    )
    assert answer.status_code == 403
    assert store.disabled_destinations() == {}


async def test_a_forged_link_stops_nothing(site, store):
    for token in (
        "x",
        bare(site.links.take("XNOR-1", "duty-desk")),
        bare(site.links.confirm("duty-desk", "a@b.example")),
    ):
        answer = await one_click(site, f"{site.origin}/stop/{token}", "urlencoded")
        assert answer.status_code == 404
        assert "nothing was stopped" in words(answer)
    assert store.disabled_destinations() == {}


@pytest.mark.parametrize("name", ["<b>desk</b>", "desk; rm -rf x", "north & 'south'", "bürö 雪"])
async def test_a_hostile_name_is_shown_as_words_and_quoted_for_the_shell(site, store, name):
    done = await one_click(site, site.links.stop(name), "multipart")
    assert name in words(done)
    assert not html.fromstring(done.text).xpath("//b")
    assert list(store.disabled_destinations()) == [name]
    (command,) = html.fromstring(done.text).xpath("//code/text()")
    assert shlex.split(command) == ["hoarline", "destination", "resume", name]
