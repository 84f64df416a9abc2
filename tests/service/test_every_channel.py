"""One service, a destination of every kind: each is told once of each change, and a dead one holds up none."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest
from typer.testing import CliRunner

from tests.notify.homeserver import ROOM, TOKEN, SmallHomeserver
from tests.notify.mosquitto import Mosquitto, Subscriber, mosquitto, read
from tests.notify.test_cap_channel import CapReceiver
from tests.service.night_watch import SECRET, Surroundings, surroundings
from tests.service.test_service import text, until
from watcher.cli import destination
from watcher.cli.check import check
from watcher.clock import utc_now
from watcher.demo.receivers import WebhookReceiver
from watcher.errors import InputError, RulesError
from watcher.service.asking import try_out
from watcher.service.directory import read_directory
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio

NAMES = ("ramp chat", "ramp room", "displays", "public address")


@dataclass
class Everywhere:
    """A service's surroundings with a receiver of every kind. `told`: how many messages each took."""

    around: Surroundings
    chat: WebhookReceiver
    room: SmallHomeserver
    broker: Mosquitto
    displays: Subscriber
    cap: CapReceiver

    @property
    def told(self) -> tuple[int, int, int]:
        return len(self.chat.posts), len(self.room.events), len(self.cap.documents)


@asynccontextmanager
async def everywhere(folder: Path) -> AsyncIterator[Everywhere]:
    with mosquitto(folder) as broker, Subscriber(broker.port, "hoarline/#") as displays:
        async with (
            WebhookReceiver(SECRET, clock=utc_now) as chat,
            SmallHomeserver() as room,
            CapReceiver(SECRET, clock=utc_now) as cap,
        ):
            (folder / "chat.url").write_text(chat.url("/room/abc"))
            (folder / "room.token").write_text(TOKEN)
            more = f"""
[[destination]]
name = "ramp chat"
kind = "chat"
url_file = "chat.url"
shape = "card"
group_within = "0s"
[[destination]]
name = "ramp room"
kind = "matrix"
url = "{room.url}"
room_id = "{ROOM}"
token_file = "room.token"
group_within = "0s"
[[destination]]
name = "displays"
kind = "mqtt"
broker = "mqtt://127.0.0.1:{broker.port}"
topic = "hoarline/{{station}}/{{flag}}/{{level}}"
stand_topic = "hoarline/stand/{{station}}/{{subject}}"
[[destination]]
name = "public address"
kind = "cap"
url = "{cap.url()}"
secret_file = "room.secret"
[[subscription]]
name = "all kinds"
flags = ["freezing-precipitation"]
to = ["ramp chat", "ramp room", "displays", "public address"]
"""
            async with surroundings(folder, ["XNOR"], more=more) as around:
                yield Everywhere(around, chat, room, broker, displays, cap)


async def test_each_kind_is_told_that_it_begins_rises_and_is_over(tmp_path: Path) -> None:
    async with everywhere(tmp_path) as there:
        there.around.publish([text("XNOR", "-FZDZ", 100)], utc_now())
        there.around.publish([text("XNOR", "-FZDZ", 70)], utc_now())
        async with Service(load_settings(there.around.settings, {}), random=Random(1)) as service:
            await until(lambda: min(there.told) >= 1)
            there.around.publish([text("XNOR", "+FZRA", 55)], utc_now())
            await until(lambda: min(there.told) >= 2)
            for minutes in (40, 20, 5):
                there.around.publish([text("XNOR", "", minutes)], utc_now())
                await service.schedule.run_now("metar world")
            await until(lambda: min(there.told) >= 3)
            await until(lambda: service.store.outbox_counts()["pending"] + service.store.outbox_counts()["leased"] == 0)
            counts = service.store.outbox_counts()
            heard = await asyncio.to_thread(there.displays.all_until, "hoarline/over")
    assert (counts["dead"], counts["expired"]) == (0, 0)
    assert there.told == (3, 3, 3), "each once"
    opened, raised, closed = there.cap.read
    assert [one.one("msgType") for one in (opened, raised, closed)] == ["Alert", "Update", "Update"]
    assert str(opened.one("identifier")) in str(closed.one("references"))
    assert str(raised.one("identifier")) in str(closed.one("references"))
    events = [message for message in heard if not message.topic.startswith("hoarline/stand/")]
    assert [read(message)["type"].rpartition(".")[2] for message in events] == ["opened", "raised", "closed"]
    assert [message.topic.split("/")[1:3] for message in events] == [["XNOR", "freezing-precipitation"]] * 3
    stands = [message.payload for message in heard if message.topic.startswith("hoarline/stand/XNOR/XNOR-")]
    assert [bool(payload) for payload in stands] == [True, True, False]
    notices = [event["msgtype"] for event in there.room.events.values()]
    assert notices == ["m.text", "m.text", "m.notice"]


async def test_a_dead_broker_holds_up_nobody_else_and_gets_its_message_when_it_is_back(tmp_path: Path) -> None:
    async with everywhere(tmp_path) as there:
        there.broker.stop()
        there.around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        async with Service(load_settings(there.around.settings, {}), random=Random(1)) as service:
            await until(lambda: min(there.told) >= 1)
            there.broker.start()
            with Subscriber(there.broker.port, "hoarline/XNOR/#") as displays:
                message = await asyncio.to_thread(displays.next)
            await until(lambda: service.store.outbox_counts()["pending"] + service.store.outbox_counts()["leased"] == 0)
    assert read(message)["type"] == "icing.episode.opened"
    assert there.told == (1, 1, 1)


async def test_a_test_message_is_taken_by_each_kind_and_leaves_nothing_behind(tmp_path: Path) -> None:
    async with everywhere(tmp_path) as there:
        settings = load_settings(there.around.settings, {})
        known = read_directory(settings).destinations
        for name in NAMES:
            assert await try_out(settings, known[name], utc_now()) is None
        heard = await asyncio.to_thread(there.displays.all_until, "hoarline/over")
    assert there.told == (1, 1, 1)
    assert [(message.topic, read(message)["type"]) for message in heard] == [("hoarline/all/test/none", "icing.test")]
    assert there.cap.read[0].one("status") == "Test"


async def test_a_test_message_that_is_not_taken_says_why_by_command(tmp_path: Path) -> None:
    async with everywhere(tmp_path) as there:
        there.room.refuses = (403, {"errcode": "M_FORBIDDEN"})
        there.broker.stop()
        told = {}
        for name in ("ramp room", "displays"):
            done = await asyncio.to_thread(
                CliRunner().invoke, destination.app, ["test", name, "--config", str(there.around.settings)]
            )
            assert done.exit_code == 1
            told[name] = done.output
    assert "may not write in this room" in told["ramp room"]
    assert "no connection" in told["displays"]


async def test_check_looks_at_brokers_and_homeservers_too(tmp_path: Path) -> None:
    async with everywhere(tmp_path) as there:
        settings = there.around.settings
        await asyncio.to_thread(check, config=settings)
        settings.write_text(settings.read_text().replace('allow_private = ["127.0.0.0/8"]', ""))
        done = await asyncio.to_thread(_checked, settings)
    for name in ("ramp room", "displays", "public address"):
        assert f'destination "{name}": 127.0.0.1: refused to connect' in done


def _checked(settings: Path) -> str:
    with pytest.raises((InputError, RulesError)) as refused:
        check(config=settings)
    return str(refused.value)
