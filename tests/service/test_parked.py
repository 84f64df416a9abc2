"""Parked aircraft from the settings to the mail and the webhook of an evening digest, through the real parts."""

from __future__ import annotations

from datetime import UTC, datetime
from random import Random

import pytest

from tests.service.night_watch import surroundings
from tests.service.test_service import until
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio

BEFORE, EVENING = datetime(2026, 1, 12, 16, 55, tzinfo=UTC), datetime(2026, 1, 12, 17, 0, 30, tzinfo=UTC)
FLEET = """
[[subscription]]
name = "evening"
flags = ["freezing-fog"]
to = ["desk", "room"]
digest = ["18:00"]
zone = "Europe/Oslo"
only_digest = true
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
zone = "Europe/Oslo"
[[parked]]
name = "Ship 7"
station = "XBAY"
departs = "07:10"
[[parked]]
name = "Ship 4"
station = "XNOR"
departs = "06:40"
"""


async def test_the_evening_digest_tells_of_the_parked_aircraft_by_mail_and_webhook(tmp_path):
    times = [BEFORE]
    async with surroundings(tmp_path, ["XNOR", "XBAY"], clock=lambda: times[-1], more=FLEET) as around:
        around.publish(["XNOR 121650Z 00000KT CAVOK M02/M04 Q1024"], BEFORE)
        settings = load_settings(around.settings, {})
        async with Service(settings, clock=lambda: times[-1], random=Random(1)) as service:
            await until(lambda: service.keeper.views["XNOR"].latest is not None)
            times.append(EVENING)
            await until(lambda: around.mail.mails and around.webhook.posts)
    (mail,), (post,) = around.mail.mails, around.webhook.posts
    assert " ".join(str(mail["Subject"]).split()) == post.payload["data"]["headline"]
    first, second = post.payload["data"]["parked"]
    assert (first["name"], second["name"]) == ("Ship 4", "Ship 7")
    assert first["departs_at"] == "2026-01-13T05:40:00Z", "no zone is given: that of the station"
    assert first["probability"] > 0.5
    assert second["departs_at"] == "2026-01-13T07:10:00Z", "neither has a zone: UTC"
    assert second["probability"] is None
    text = mail.get_body(("plain",)).get_content()
    assert first["headline"] in " ".join(text.split())
    assert second["headline"] in " ".join(text.split())
