"""Who comes in: sessions for people, tokens for programs, the same scopes for both; nobody by somebody else's page."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.web.browsing import sign_in, window
from tests.web.scenes import NOW
from tests.web.test_take import words

pytestmark = pytest.mark.anyio


async def test_a_token_shown_at_the_entrance_signs_in_and_leads_on(opened):
    form = {"token": opened.token("read"), "to": "/?x=1"}
    answer = await opened.client.post(f"{opened.origin}/enter", data=form, headers={"Origin": opened.origin})
    assert (answer.status_code, answer.headers["location"]) == (303, "/?x=1")
    cookie = answer.headers["set-cookie"]
    # RFC 6265bis: out of reach of scripts and of other sites' requests.
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Path=/" in cookie
    front = await opened.client.get(f"{opened.origin}/")
    assert front.status_code == 200
    assert "desk" in words(front)


@pytest.mark.parametrize("given", ["", "hoar_", "hoar_" + "A" * 43, "x" * 5000, "' OR 1=1 --", "hoar_\x00"])
async def test_a_wrong_token_is_told_so_and_begins_no_session(opened, given):
    answer = await opened.post("/enter", token=given, to="/")
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers
    assert "not known here" in words(answer)
    assert given not in answer.text or not given


@pytest.mark.parametrize(
    "to", ["https://other.example.org/", "//other.example.org", "/\\other.example.org", "javascript:x"]
)
async def test_nobody_is_led_out_of_the_house(opened, to):
    form = {"token": opened.token("read"), "to": to}
    answer = await opened.client.post(f"{opened.origin}/enter", data=form, headers={"Origin": opened.origin})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


async def test_a_session_ends_by_leaving_by_time_and_with_its_token(opened):
    await opened.sign_in("read", name="one")
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 200
    kept = dict(opened.client.cookies)
    assert (await opened.post("/leave")).status_code == 303
    opened.client.cookies.update(kept)
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 401
    opened.client.cookies.clear()
    await opened.sign_in("read", name="two")
    opened.clock[0] = NOW + timedelta(hours=12, seconds=1)
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 401
    opened.clock[0] = NOW
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 200
    opened.store.remove_token("two")
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 401


@pytest.mark.parametrize("origin", [None, "null", "https://other.example.org"])
async def test_no_page_of_somebody_else_signs_anybody_in_or_out(opened, origin):
    headers = {"Origin": origin} if origin is not None else {}
    for path in ("/enter", "/leave"):
        answer = await opened.client.post(f"{opened.origin}{path}", data={"token": "x"}, headers=headers)
        assert answer.status_code == 403


async def test_a_link_from_a_mail_is_asked_once_more_from_here(opened):
    await opened.sign_in("read")
    cookies = dict(opened.client.cookies)
    opened.client.cookies.clear()
    page = await opened.client.get(f"{opened.origin}/", headers={"Sec-Fetch-Site": "cross-site"})
    assert page.status_code == 200
    assert 'http-equiv="refresh"' in page.text
    page = await opened.client.get(f"{opened.origin}/", headers={"Sec-Fetch-Site": "same-origin"})
    assert (page.status_code, 'http-equiv="refresh"' in page.text) == (401, False)
    opened.client.cookies.update(cookies)
    assert (await opened.client.get(f"{opened.origin}/")).status_code == 200


async def test_a_session_is_good_for_the_api_too_but_not_from_elsewhere(opened):
    await opened.sign_in("read", "acknowledge")
    episode = next(item for item in opened.store.episodes(open_only=True) if item.opened_at is not None)
    address = f"{opened.origin}/api/v1/episodes/{episode.id}"
    assert (await opened.client.get(address)).status_code == 200
    body = {"by": "desk"}
    assert (await opened.client.post(f"{address}/acknowledgement", json=body)).status_code == 403
    own = {"Origin": opened.origin}
    assert (await opened.client.post(f"{address}/acknowledgement", json=body, headers=own)).status_code == 201


async def test_a_token_that_may_only_read_changes_nothing(opened):
    await opened.sign_in("read")
    answer = await opened.client.post(
        f"{opened.origin}/api/v1/episodes/XFEL-1/acknowledgement", json={"by": "x"}, headers={"Origin": opened.origin}
    )
    assert answer.status_code == 403
    assert 'The token lacks the scope "acknowledge"' in answer.json()["detail"]


async def test_files_have_a_name_for_each_content_and_are_kept(opened):
    await opened.sign_in("read")
    page = (await opened.client.get(f"{opened.origin}/")).text
    address = page.split('rel="stylesheet" href="')[1].split('"')[0]
    answer = await opened.client.get(f"{opened.origin}{address}")
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert "--paper:" in answer.text
    for path in ("/static/../pages.py", "/static/%2e%2e%2fpages.py", "/static/licences", "/static/nothing.css"):
        assert (await opened.client.get(f"{opened.origin}{path}")).status_code == 404


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_entrance_in_a_real_browser(opened, chromium, scheme):
    async with window(chromium, opened.origin, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read"))
        await seen.is_well()
        await seen.page.get_by_role("button", name="Sign out").click()
        await seen.page.wait_for_url(f"{opened.origin}/enter")
        await seen.is_well()
