"""The destinations: added, changed, paused, tried out; a mailbox gets nothing before its owner has agreed."""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from lxml import html

from tests.web.board_scenes import SETTINGS, Morning, morning
from tests.web.browsing import DESK, PHONE, sign_in, window
from tests.web.telling_scenes import listen, read, send, words
from watcher.demo.receivers import MailReceiver
from watcher.links import confirmation_code
from watcher.outlook.night.model import Night
from watcher.store.store import Store

pytestmark = pytest.mark.anyio


@pytest.fixture
async def receiver() -> AsyncIterator[MailReceiver]:
    """A real mail server on loopback."""
    async with MailReceiver() as opened:
        yield opened


@pytest.fixture
async def mailing(
    tmp_path: Path, judged_morning: tuple[Path, dict[str, Night]], receiver: MailReceiver
) -> AsyncIterator[Morning]:
    """The invented morning, whose mail goes to that server."""
    source, by_station = judged_morning
    shutil.copyfile(source, tmp_path / "morning.db")
    store = Store.open(f"sqlite:///{tmp_path / 'morning.db'}")
    settings = SETTINGS.replace("port = 2525", f"port = {receiver.port}")
    try:
        async with morning(store, by_station, settings) as board:
            await board.sign_in("read", "manage", name="Operations")
            yield board
    finally:
        store.close()


def stored(opened: Morning) -> list[str]:
    return [item.name for item in opened.store.people().destinations]


async def test_each_destination_says_whether_anything_arrives_there(opened: Morning) -> None:
    await opened.sign_in("read")
    listen(opened)
    send(opened, "dead")
    shown = words(await read(opened, "/destinations"))
    for part in ("duty-desk", "in the settings", "duty@example.org", "nothing yet", "550 no such mailbox here"):
        assert part in shown
    assert "northern stations" in shown
    opened.store.disable_destination("duty-desk", "stopped by its reader", opened.clock[0])
    assert "switched off stopped by its reader, since 12 Jan 0601Z" in words(await read(opened, "/destinations"))


async def test_a_new_mailbox_is_asked_and_gets_nothing_before_it_agrees(
    mailing: Morning, receiver: MailReceiver
) -> None:
    answer = await mailing.post("/destinations/new", kind="email", name="crew room", address="crew@example.org")
    assert answer.status_code == 201
    assert "A mail went to crew@example.org" in words(answer)
    (mail,) = receiver.mails
    assert mail["To"] == "crew@example.org"
    shown = words(await read(mailing, "/destinations/crew%20room"))
    assert "waits for its owner" in shown
    code = confirmation_code(mailing.house.key, "crew room", "crew@example.org")
    assert code in mail.get_body(("plain",)).get_content()  # type: ignore[union-attr]
    wrong = await mailing.post("/destinations/crew%20room", do="confirm", code="00000000")
    assert wrong.status_code == 422
    assert "is not the code of the mail" in words(wrong)
    assert "It is confirmed" in words(await mailing.post("/destinations/crew%20room", do="confirm", code=code))
    assert "waits for its owner" not in words(await read(mailing, "/destinations/crew%20room"))


async def test_another_address_has_to_agree_again(mailing: Morning, receiver: MailReceiver) -> None:
    await mailing.post("/destinations/new", kind="email", name="crew", address="crew@example.org")
    mailing.store.confirm_destination("crew", "crew@example.org", mailing.clock[0])
    same = await mailing.post("/destinations/crew", do="change", address="crew@example.org", group_within="60s")
    assert "It is changed" in words(same)
    assert len(receiver.mails) == 1
    other = await mailing.post("/destinations/crew", do="change", address="night@example.org", group_within="")
    assert "A mail went to night@example.org" in words(other)
    assert mailing.house.management.destination("crew").confirmed is False
    assert mailing.house.management.destination("crew").section.group_within is None
    again = await mailing.post("/destinations/crew", do="ask")
    assert "A mail went to night@example.org" in words(again)
    assert [mail["To"] for mail in receiver.mails] == ["crew@example.org", "night@example.org", "night@example.org"]


async def test_a_mail_server_that_refuses_is_said(mailing: Morning, receiver: MailReceiver) -> None:
    receiver.answer = "550 no such user"
    answer = await mailing.post("/destinations/new", kind="email", name="crew", address="crew@example.org")
    assert "was not taken" in words(answer)
    assert "550" in words(answer)


async def test_a_test_message_is_marked_and_its_result_stands_on_the_page(
    mailing: Morning, receiver: MailReceiver
) -> None:
    well = await mailing.post("/destinations/duty-desk", do="test")
    assert (well.status_code, len(receiver.mails)) == (200, 1)
    assert "It took the test message at 12 Jan 0600Z" in words(well)
    assert "Test message" in receiver.mails[0]["Subject"]
    receiver.answer = "451 later"
    badly = await mailing.post("/destinations/duty-desk", do="test")
    assert badly.status_code == 422
    assert "It did not take the test message" in words(badly)


async def test_the_secret_that_is_made_is_shown_once(mailing: Morning) -> None:
    answer = await mailing.post("/destinations/new", kind="webhook", name="ops", url="https://ops.example.org/in/key")
    assert answer.status_code == 201
    found = re.findall(r"whsec_[A-Za-z0-9+/=]+", answer.text)
    assert len(set(found)) == 1
    assert mailing.house.management.destination("ops").secrets == (found[0],)
    assert answer.headers["cache-control"] == "no-store"
    assert found[0] not in (await read(mailing, "/destinations/ops")).text


async def test_the_address_of_a_room_is_never_shown_again(mailing: Morning) -> None:
    room = "https://chat.example.org/rooms/secret-path"
    answer = await mailing.post("/destinations/new", kind="chat", name="room", room=room, text_field="")
    assert answer.status_code == 201
    assert "secret-path" not in answer.text
    assert mailing.house.management.destination("room").secrets == (room,)
    kept = await mailing.post("/destinations/room", do="change", room="", text_field="message", group_within="1m")
    assert "It is changed" in words(kept)
    assert mailing.house.management.destination("room").secrets == (room,)


async def test_a_reader_sees_only_where_a_web_address_leads(mailing: Morning) -> None:
    await mailing.post("/destinations/new", kind="webhook", name="ops", url="https://ops.example.org/in/key")
    assert "in/key" in (await read(mailing, "/destinations")).text
    await mailing.sign_in("read", name="reader")
    for path in ("/destinations", "/destinations/ops"):
        shown = (await read(mailing, path)).text
        assert "ops.example.org" in shown
        assert "in/key" not in shown
        assert "<button" not in shown.partition("<main")[2]


@pytest.mark.parametrize(
    ("form", "field", "why"),
    [
        ({"kind": "email", "name": "x", "address": "nobody"}, "address", "is no mail address"),
        ({"kind": "email", "name": "x", "address": ""}, "address", "Is missing"),
        ({"kind": "email", "name": "", "address": "a@example.org"}, "name", "Is missing"),
        ({"kind": "email", "name": "new", "address": "a@example.org"}, "name", "another name"),
        ({"kind": "email", "name": "duty-desk", "address": "a@example.org"}, "name", "there already"),
        ({"kind": "email", "name": "x", "address": "a@example.org", "group_within": "soon"}, "group_within", "soon"),
        ({"kind": "webhook", "name": "x", "url": "ftp://x"}, "url", "is no web address"),
        ({"kind": "webhook", "name": "x", "url": "https://x.example.org", "secret": "abc"}, "secret", "whsec_"),
        ({"kind": "chat", "name": "x", "room": "nowhere"}, "room", "web address"),
        ({"kind": "chat", "name": "x", "room": ""}, "room", "Is missing"),
    ],
)
async def test_what_is_wrong_stands_beside_its_field_and_nothing_is_lost(
    mailing: Morning, form: dict[str, str], field: str, why: str
) -> None:
    answer = await mailing.post("/destinations/new", **form)
    assert answer.status_code == 422
    page = html.fromstring(answer.text)
    (said,) = page.xpath(f"//*[@id='{field}-amiss']")
    assert why in said.text_content()
    for name, value in form.items():
        assert page.xpath(f"//form[contains(@action, '/new')]//input[@name='{name}']/@value") == [value]
    assert stored(mailing) == []


async def test_a_pause_says_why_and_a_resume_ends_it(mailing: Morning) -> None:
    paused = await mailing.post("/destinations/duty-desk", do="pause", reason="Server is moved")
    assert "Server is moved (Operations), since 12 Jan 0600Z" in words(paused)
    assert mailing.house.management.destination("duty-desk").off is not None
    resumed = await mailing.post("/destinations/duty-desk", do="resume")
    assert "It is on again" in words(resumed)
    assert mailing.house.management.destination("duty-desk").off is None


async def test_one_that_a_subscription_names_is_not_removed(mailing: Morning) -> None:
    await mailing.post("/destinations/new", kind="chat", name="room", room="https://chat.example.org/x")
    values = {"name": "mine", "to": ["room"]}
    mailing.house.management.add_subscription(values, mailing.clock[0])
    refused = await mailing.post("/destinations/room", do="remove")
    assert refused.status_code == 422
    assert "is named by mine" in words(refused)
    mailing.house.management.remove_subscription("mine")
    assert (await mailing.post("/destinations/room", do="remove")).status_code == 303
    assert stored(mailing) == []


async def test_a_fallback_is_picked_shown_and_kept_until_it_is_named_no_more(mailing: Morning) -> None:
    await mailing.post("/destinations/new", kind="webhook", name="pager", url="https://pager.example.org/in")
    await mailing.post(
        "/destinations/new", kind="webhook", name="ops-room", url="https://ops.example.org/in", fallback="pager"
    )
    assert mailing.house.management.destination("ops-room").section.fallback == "pager"
    assert "in its place: pager" in words(await read(mailing, "/destinations"))
    assert "pager, while this one does not answer" in words(await read(mailing, "/destinations/ops-room"))
    pager = words(await read(mailing, "/destinations/pager"))
    assert "Stands in forops-room" in pager
    assert "nothing is sent there" not in pager
    refused = await mailing.post("/destinations/pager", do="remove")
    assert "is named by ops-room" in words(refused)
    page = html.fromstring((await read(mailing, "/destinations/pager")).text)
    assert "pager" not in page.xpath("//select[@name='fallback']/option/@value"), "nobody stands in for themselves"
    round_ = await mailing.post(
        "/destinations/pager", do="change", url="https://pager.example.org/in", fallback="ops-room"
    )
    assert round_.status_code == 422
    (said,) = html.fromstring(round_.text).xpath("//*[@id='fallback-amiss']")
    assert "ops-room -> pager -> ops-room" in said.text_content()
    changed = await mailing.post("/destinations/ops-room", do="change", url="https://ops.example.org/in", fallback="")
    assert changed.status_code == 200
    assert mailing.house.management.destination("ops-room").section.fallback is None
    assert (await mailing.post("/destinations/pager", do="remove")).status_code == 303


async def test_those_of_the_settings_are_changed_there(mailing: Morning) -> None:
    shown = words(await read(mailing, "/destinations/duty-desk"))
    assert "It stands in the settings" in shown
    refused = await mailing.post("/destinations/duty-desk", do="remove")
    assert refused.status_code == 422
    assert "stands in the settings and is changed there" in words(refused)


@pytest.mark.parametrize("name", ["a/b", "50% off?", "Øst #1", "<b>x</b>"])
async def test_a_name_may_hold_what_an_address_cannot(mailing: Morning, name: str) -> None:
    await mailing.post("/destinations/new", kind="chat", name=name, room="https://chat.example.org/x")
    page = html.fromstring((await read(mailing, "/destinations")).text)
    (link,) = page.xpath("//th[@scope='row']/a[text()=$name]/@href", name=name)
    answer = await mailing.client.get(mailing.origin + link)
    assert answer.status_code == 200
    assert html.fromstring(answer.text).xpath("//h1/text()") == [name]


async def test_only_whoever_may_manage_changes_anything(opened: Morning) -> None:
    await opened.sign_in("read", "acknowledge")
    for path, form in (
        ("/destinations/new", {"kind": "chat", "name": "x", "room": "https://chat.example.org/x"}),
        ("/destinations/duty-desk", {"do": "pause"}),
    ):
        assert (await opened.post(path, **form)).status_code == 403
    assert stored(opened) == []
    assert opened.store.disabled_destinations() == {}


async def test_what_is_not_there_or_not_a_button_is_said(mailing: Morning) -> None:
    lost = await mailing.client.get(f"{mailing.origin}/destinations/nowhere", headers={"Accept": "text/html"})
    assert lost.status_code == 404
    assert "No such destination" in words(lost)
    assert (await mailing.post("/destinations/duty-desk", do="explode")).status_code == 422


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_pages_are_well_in_a_browser(mailing: Morning, chromium, size, scheme) -> None:
    listen(mailing)
    send(mailing, "dead")
    await mailing.post("/destinations/new", kind="email", name="crew room", address="crew@example.org")
    await mailing.post("/destinations/new", kind="webhook", name="ops-room", url="https://ops.example.org/in",
                       fallback="duty-desk")  # fmt: skip
    await mailing.post("/destinations/ops-room", do="pause", reason="Server is moved")
    async with window(chromium, mailing.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, mailing.origin, mailing.token("read", "manage", name="Browser"), "/destinations")
        for path, name in (
            ("/destinations", "destinations"),
            ("/destinations/duty-desk", "destination-fixed"),
            ("/destinations/crew%20room", "destination"),
            ("/destinations/ops-room", "destination-backed"),
            ("/destinations/new?kind=webhook", "destination-new"),
        ):
            await seen.page.goto(mailing.origin + path)
            await seen.is_well()
            await seen.keep(f"{name}-{size.name}-{scheme}")


@pytest.mark.slow
async def test_by_keyboard_and_without_script_a_mailbox_is_added(
    mailing: Morning, chromium, receiver: MailReceiver
) -> None:
    async with window(chromium, mailing.origin, PHONE, java_script_enabled=False) as (_, seen):
        token = mailing.token("read", "manage", name="Browser")
        await sign_in(seen, mailing.origin, token, "/destinations/new")
        await seen.page.focus("input[name=name]")
        await seen.page.keyboard.type("crew")
        await seen.page.keyboard.press("Tab")
        await seen.page.keyboard.type("crew@example.org")
        await seen.page.keyboard.press("Enter")
        await seen.page.wait_for_selector("[role=status]")
        assert "A mail went to crew@example.org" in await seen.page.inner_text("[role=status]")
    assert len(receiver.mails) == 1
