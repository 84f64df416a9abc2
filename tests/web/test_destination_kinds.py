"""Rooms, brokers and CAP receivers on the board and in the API: added, changed, tried out, and no secret shown again."""

from __future__ import annotations

import json
from typing import Any

import pytest
from lxml import html

from tests.web.board_scenes import Morning
from tests.web.browsing import DESK, PHONE, WALL, sign_in, window
from tests.web.telling_scenes import read, words

pytestmark = pytest.mark.anyio

FORMS: dict[str, dict[str, str]] = {
    "matrix": {"url": "https://matrix.example.org", "room_id": "!made-up:example.org", "token": "syt_s3cret"},
    "mqtt": {
        "broker": "mqtts://broker.example.org:8883",
        "topic": "hoarline/{station}/{flag}",
        "stand_topic": "hoarline/stand/{station}/{subject}",
        "username": "hoarline",
        "password": "s3cret pass",
    },
    "cap": {"url": "https://cap.example.org/in"},
    "chat": {"room": "https://chat.example.org/s3cret", "shape": "card"},
}
SECRETS = {"matrix": "syt_s3cret", "mqtt": "s3cret pass", "chat": "https://chat.example.org/s3cret"}


async def added(opened: Morning, kind: str, **fields: str) -> Any:
    await opened.sign_in("read", "manage", name="Operations")
    return await opened.post("/destinations/new", kind=kind, name="it", **{**FORMS[kind], **fields})


@pytest.mark.parametrize("kind", FORMS)
async def test_each_kind_is_added_shown_and_changed_without_its_secret(opened: Morning, kind: str) -> None:
    answer = await added(opened, kind)
    assert answer.status_code == 201
    known = opened.house.management.destination("it")
    assert known.section.kind == kind
    if kind != "cap":
        assert known.secrets == (SECRETS[kind],)
        assert "s3cret" not in answer.text
    else:
        assert known.secrets[0] in answer.text
    page = await read(opened, "/destinations/it")
    assert "s3cret" not in page.text
    fields = html.fromstring(page.text).xpath("//form[.//button[@value='change']]//*[@name]")
    filled = {field.get("name"): field.value for field in fields if field.tag in {"input", "select"}}
    changed = await opened.post("/destinations/it", **{**filled, "do": "change"})
    assert "It is changed" in words(changed)
    after = opened.house.management.destination("it")
    assert (after.section.model_dump(), after.secrets) == (known.section.model_dump() | _asked(after), known.secrets)


def _asked(after: Any) -> dict[str, Any]:
    """Return what a form writes out that was left out before."""
    return {"shape": after.section.shape}


@pytest.mark.parametrize(("kind", "fields", "field", "why"), [
    ("matrix", {"room_id": "#alias:example.org"}, "room_id", "is an alias"),
    ("matrix", {"token": ""}, "token", "Is missing"),
    ("matrix", {"token": "two words"}, "token", "access token"),
    ("matrix", {"url": ""}, "url", "Is missing"),
    ("mqtt", {"broker": "https://broker.example.org"}, "broker", "is no broker"),
    ("mqtt", {"broker": "mqtt://broker.example.org"}, "broker", "in the clear"),
    ("mqtt", {"topic": "hoarline/#"}, "topic", "for those who subscribe"),
    ("mqtt", {"topic": ""}, "topic", "Is missing"),
    ("mqtt", {"stand_topic": "hoarline/{station}"}, "stand_topic", "{subject}"),
    ("mqtt", {"password": ""}, "password", "Is missing"),
    ("cap", {"url": "nowhere"}, "url", "is no web address"),
    ("cap", {"secret": "abc"}, "secret", "whsec_"),
])  # fmt: skip
async def test_what_is_wrong_stands_beside_its_field(
    opened: Morning, kind: str, fields: dict[str, str], field: str, why: str
) -> None:
    answer = await added(opened, kind, **fields)
    assert answer.status_code == 422
    (said,) = html.fromstring(answer.text).xpath(f"//*[@id='{field}-amiss']")
    assert why in said.text_content()
    assert opened.store.people().destinations == ()


async def test_a_login_that_is_taken_away_needs_no_password(opened: Morning) -> None:
    await added(opened, "mqtt")
    fields = {name: value for name, value in FORMS["mqtt"].items() if name not in {"username", "password"}}
    changed = await opened.post("/destinations/it", do="change", username="", password="", **fields)
    assert "It is changed" in words(changed)
    assert opened.house.management.destination("it").section.username is None


@pytest.mark.parametrize(("kind", "words_of_kind", "leads_to"), [
    ("matrix", "Matrix room", "!made-up:example.org at https://matrix.example.org"),
    ("mqtt", "MQTT topic", "hoarline/{station}/{flag} at mqtts://broker.example.org:8883"),
    ("cap", "CAP receiver", "https://cap.example.org/in"),
    ("chat", "chat room", "a chat room"),
])  # fmt: skip
async def test_each_kind_says_what_it_is_and_where_it_leads(
    opened: Morning, kind: str, words_of_kind: str, leads_to: str
) -> None:
    await added(opened, kind)
    for path in ("/destinations", "/destinations/it"):
        shown = words(await read(opened, path))
        assert words_of_kind in shown
        assert leads_to in shown
    opened.house.management.add_subscription({"name": "mine", "to": ["it"]}, opened.clock[0])
    assert words_of_kind.lower() in words(await read(opened, "/subscriptions/mine")).lower()


@pytest.mark.parametrize("kind", FORMS)
async def test_programs_add_each_kind_and_get_no_secret_back(opened: Morning, kind: str) -> None:
    headers = {"Authorization": f"Bearer {opened.token('read', 'manage', name='a program')}"}
    fields = {key: value for key, value in FORMS[kind].items() if key not in {"token", "password", "room"}}
    body = {"name": "it", "kind": kind, **fields, **({"secret": SECRETS[kind]} if kind in SECRETS else {})}
    answer = await opened.client.post(f"{opened.origin}/api/v1/destinations", json=body, headers=headers)
    assert answer.status_code == 201, answer.text
    assert answer.json()["kind"] == kind
    assert (answer.json()["secret"] is not None) is (kind == "cap")
    assert "s3cret" not in answer.text
    refused = await opened.client.post(
        f"{opened.origin}/api/v1/destinations",
        json={**body, "name": "other", "address": "a@example.org"},
        headers=headers,
    )
    assert refused.status_code in {400, 422}
    assert "and nothing else" in json.dumps(refused.json())


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, WALL, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_forms_of_each_kind_are_well_in_a_browser(opened: Morning, chromium, size, scheme) -> None:
    await added(opened, "mqtt")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage", name="Browser"), "/destinations")
        for path, name in (
            *((f"/destinations/new?kind={kind}", f"new-{kind}") for kind in FORMS),
            ("/destinations/it", "mqtt"),
        ):
            await seen.page.goto(opened.origin + path)
            await seen.is_well()
            await seen.keep(f"kind-{name}-{size.name}-{scheme}")


@pytest.mark.slow
async def test_by_keyboard_and_without_script_a_room_is_added(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        token = opened.token("read", "manage", name="Browser")
        await sign_in(seen, opened.origin, token, "/destinations/new?kind=matrix")
        await seen.page.focus("input[name=name]")
        for text in ("ramp room", *FORMS["matrix"].values()):
            await seen.page.keyboard.type(text)
            await seen.page.keyboard.press("Tab")
        await seen.page.keyboard.press("Enter")
        await seen.page.wait_for_selector("[role=status]")
    assert opened.house.management.destination("ramp room").secrets == ("syt_s3cret",)
