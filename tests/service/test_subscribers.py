"""Subscribers of a running service: added while it runs, asked, told once, told who has it, stopped by one click."""

from __future__ import annotations

import asyncio
import re
from contextlib import asynccontextmanager
from random import Random

import httpx
import pytest

from tests.service.night_watch import surroundings
from tests.service.test_service import text, until
from watcher.clock import utc_now
from watcher.errors import UsageError
from watcher.service.asking import ask_owner
from watcher.service.manage import Management
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.web.serving import pages_of

pytestmark = pytest.mark.anyio

PAGES = """
public_url = "https://board.example.org"
[web]
bind = "127.0.0.1:0"
"""


@asynccontextmanager
async def with_pages(service):
    """Open the pages of a service, and let the test know where."""
    async with pages_of(service) as server:
        service.web = server
        yield server


@asynccontextmanager
async def running(folder, stations=("XNOR",), **options):
    """A service with pages, what is around it, and what adds subscribers to it."""
    async with surroundings(folder, list(stations), more=PAGES, **options) as around:
        around.publish([text(code, "-FZDZ", 5) for code in stations], utc_now())
        settings = load_settings(around.settings, {})
        async with Service(settings, random=Random(1), pages=with_pages) as service:
            yield service, around, Management(settings, service.store, service.watch.stations.get)


def linked(mail, page: str) -> str:
    """Return the path of a link in a mail's text."""
    body = mail.get_body(("plain",)).get_content()
    return re.search(rf"https://board\.example\.org(/{page}/\S+)", body)[1].rstrip(".")


async def post(service: Service, path: str, **form: str) -> httpx.Response:
    async with httpx.AsyncClient(trust_env=False) as client:
        origin = {"Origin": "https://board.example.org"}
        return await client.post(f"http://127.0.0.1:{service.web.port}{path}", data=form, headers=origin)


async def test_who_subscribes_while_it_runs_is_told_what_is_open(tmp_path):
    async with running(tmp_path) as (service, around, management):
        await until(lambda: len(around.mail.mails) == 1)
        added = management.add_destination(
            {"name": "late", "kind": "webhook", "url": around.webhook.url("/late")}, around.webhook.secret, utc_now()
        )
        management.add_subscription(
            {"name": "mine", "to": [added.name], "countries": ["NO"], "stations": ["XNOR"]}, utc_now()
        )
        await service.schedule.run_now("tick")
        await until(lambda: any(item.path == "/late" for item in around.webhook.posts))
        (told,) = [item for item in around.webhook.posts if item.path == "/late"]
        assert told.payload["type"] == "icing.episode.opened"
        assert told.verified
        assert len(around.mail.mails) == 1, "nobody else is told again"


async def test_a_mailbox_gets_nothing_before_its_owner_says_yes(tmp_path):
    async with running(tmp_path) as (service, around, management):
        await until(lambda: len(around.mail.mails) == 1)
        management.add_destination(
            {"name": "new", "kind": "email", "address": "new@example.org", "group_within": "0s"}, None, utc_now()
        )
        management.add_subscription({"name": "mine", "to": ["new"]}, utc_now())
        key = service.store.link_key()
        assert await ask_owner(management._settings, "new", "new@example.org", key, utc_now()) is None
        await service.schedule.run_now("tick")
        question = around.mail.mails[-1]
        assert question["To"] == "new@example.org"
        assert len(around.mail.mails) == 2, "the question, and no alert"
        answer = await post(service, linked(question, "confirm"))
        assert answer.status_code == 200
        await until(lambda: len(around.mail.mails) == 3)
        assert "XNOR treat" in around.mail.mails[-1]["Subject"]


async def test_whoever_takes_an_episode_is_named_to_everyone_who_was_told_once(tmp_path):
    async with running(tmp_path) as (service, around, _):
        await until(lambda: around.mail.mails and around.webhook.posts)
        answer = await post(service, linked(around.mail.mails[0], "take"), by="Ramp 2", note="Truck 4 from 0530Z")
        assert answer.status_code == 200
        await until(lambda: len(around.mail.mails) == 2 and len(around.webhook.posts) == 2)
        told = around.webhook.posts[-1].payload
        assert told["type"] == "icing.episode.acknowledged"
        assert (told["data"]["acknowledged_by"], told["data"]["acknowledgement_note"]) == (
            "Ramp 2",
            "Truck 4 from 0530Z",
        )
        assert "taken in hand by Ramp 2" in around.mail.mails[-1]["Subject"]
        again = await post(service, linked(around.mail.mails[0], "take"), by="Desk", note="")
        assert "Ramp 2" in again.text, "somebody was faster"
        await service.schedule.run_now("tick")
        await asyncio.sleep(0.1)
        assert len(around.webhook.posts) == 2


async def test_one_click_stops_a_destination_and_a_command_brings_it_back(tmp_path):
    """RFC 8058, 3.2: one POST with List-Unsubscribe=One-Click, no cookie, no further question."""
    async with running(tmp_path) as (service, around, management):
        await until(lambda: around.mail.mails)
        mail = around.mail.mails[0]
        assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        url = re.search(r"<https://board\.example\.org(/stop/[^>]+)>", mail["List-Unsubscribe"].replace("\r\n", ""))[1]
        async with httpx.AsyncClient(trust_env=False) as client:
            answer = await client.post(
                f"http://127.0.0.1:{service.web.port}{url}", data={"List-Unsubscribe": "One-Click"}
            )
        assert answer.status_code == 200
        await service.schedule.run_now("tick")
        assert not service.people.directory.destinations["desk"].recipient.open
        around.publish([text("XNOR", "FZRA", 2)], utc_now())
        await until(lambda: len(around.webhook.posts) == 2)
        assert len(around.mail.mails) == 1, "the room is told, the desk is not"
        assert management.resume_destination("desk")
        await service.schedule.run_now("tick")
        await until(lambda: len(around.mail.mails) == 2)
        assert "XNOR no-time (was treat)" in around.mail.mails[-1]["Subject"]


async def test_a_region_that_turns_bad_is_one_mail_and_a_webhook_for_each(tmp_path):
    codes = ("XNOR", "XBAY", "XFEL", "XMOR")
    async with running(tmp_path, codes, group_within="1s") as (_, around, _):
        await until(lambda: around.mail.mails and len(around.webhook.posts) == 4)
        await asyncio.sleep(1.2)
        (mail,) = around.mail.mails
        assert mail["Subject"] == "4 changes: XBAY treat, XFEL treat, XMOR treat, XNOR treat"
        assert len({item.id for item in around.webhook.posts}) == 4


async def test_names_of_the_settings_are_read_only(tmp_path):
    async with running(tmp_path) as (_, _, management):
        for refused in (
            lambda: management.remove_destination("desk"),
            lambda: management.change_subscription("all of it", {"min_level": "treat"}, (), utc_now()),
            lambda: management.remove_subscription("all of it"),
        ):
            with pytest.raises(UsageError, match="stands in the settings"):
                refused()
        with pytest.raises(UsageError, match="is there already"):
            management.add_subscription({"name": "all of it", "to": ["desk"]}, utc_now())


@pytest.mark.parametrize(("values", "why"), [
    ({"hours": "18-09", "zone": "Europe/Oslo"}, "are not such as 18:00-09:00"),
    ({"hours": "18:00-09:00"}, "zone belongs to hours"),
    ({"hours": "18:00-09:00", "zone": "Europe/Nowhere"}, "is no time zone"),
    ({"digest": ["25:00"], "zone": "UTC"}, "is no local time"),
    ({"only_digest": True}, "only_digest needs digest times"),
    ({"flags": ["snw"]}, "did you mean snow"),
    ({"stations": ["XZZZ"]}, "XZZZ is not watched"),
    ({"stations": "all", "countries": ["NO"]}, "is every station already"),
    ({"countries": ["Norway"]}, "is no country"),
    ({"circles": [{"at": "QQQQ", "radius_nm": 60}]}, "the place of QQQQ is not known"),
    ({"circles": [{"at": "99,10", "radius_nm": 60}]}, "is no place on earth"),
    ({"circles": [{"at": "60,10"}]}, "radius_nm or radius_km"),
    ({"to": ["dsk"]}, "did you mean desk"),
    ({"to": []}, "at least 1 item"),
    ({"remind_every": "1s"}, "from 1m to 1d"),
    ({"min_level": "tret"}, "did you mean treat"),
    ({"nme": "x"}, '"nme" is not known'),
])  # fmt: skip
async def test_what_cannot_be_meant_is_refused_with_the_reason(tmp_path, values, why):
    async with running(tmp_path) as (_, _, management):
        with pytest.raises(UsageError) as refused:
            management.add_subscription({"name": "mine", "to": ["desk"], **values}, utc_now())
        assert why in str(refused.value)
        assert list(management.directory().subscriptions) == ["all of it"], "and nothing was changed"


@pytest.mark.parametrize("address", ["a@b.example\r\nBcc: all@example.org", "a@b.example\nX: y", "no address", "@x"])
async def test_an_address_that_could_become_a_header_is_refused(tmp_path, address):
    async with running(tmp_path) as (_, _, management):
        with pytest.raises(UsageError, match=r"line break|no mail address"):
            management.add_destination({"name": "evil", "kind": "email", "address": address}, None, utc_now())


async def test_a_renewed_key_ends_all_links_and_the_next_ones_are_good(tmp_path):
    async with running(tmp_path) as (service, around, _):
        await until(lambda: len(around.mail.mails) == 1)
        service.store.renew_link_key()
        await until(lambda: service.key == service.store.link_key())
        for purpose in ("take", "stop"):
            refused = await post(service, linked(around.mail.mails[0], purpose), by="Ramp 3", note="")
            assert refused.status_code >= 400, "nobody signed it, as far as anybody can tell"
        assert service.store.disabled_destinations() == {}
        assert service.store.unnoticed_acknowledgements() == ()
        around.publish([text("XNOR", "FZRA", 1)], utc_now())
        await until(lambda: len(around.mail.mails) == 2)
        taken = await post(service, linked(around.mail.mails[1], "take"), by="Ramp 2", note="")
        assert taken.status_code == 200
