"""A treated aircraft in the running service: a SPECI takes its protection, and whoever follows the station reads it."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from tests.service.night_watch import surroundings
from tests.service.test_service import text, until
from watcher.clock import utc_now
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio


async def protect(*words: str, settings: Path) -> dict[str, object]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", "protect", *words, "--config", str(settings), "--json",
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    told, _ = await process.communicate()
    assert process.returncode == 0
    found = json.loads(told)
    assert isinstance(found, dict)
    return found


async def test_freezing_rain_after_the_treatment_reaches_mail_and_webhook_at_once(tmp_path: Path) -> None:
    async with surroundings(tmp_path, ["XNOR"], every="2s", group_within="20s") as around:
        around.publish([text("XNOR", "-SN", 12)], utc_now())
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.keeper.views["XNOR"].latest is not None)
            started = f"{utc_now() - timedelta(minutes=5):%H%MZ}"
            words = ("start", "XNOR", "--aircraft", "HL-101", "--fluid", "IV", "--mix", "100/0", "--started", started)
            begun = await protect(*words, "--training", settings=around.settings)
            assert begun["standing"] in {"running", "no-limit"}
            around.publish([text("XNOR", "FZRA", 1)], utc_now())
            await until(lambda: any("HL-101" in str(mail["Subject"]) for mail in around.mail.mails))
            await until(lambda: any(post.payload["type"] == "icing.protection.lost" for post in around.webhook.posts))
            status = await protect("status", "XNOR-P1", settings=around.settings)
    told = [post for post in around.webhook.posts if post.payload["type"] == "icing.protection.lost"]
    assert len(told) == 1
    data = told[0].payload["data"]
    assert told[0].verified
    assert (data["level"], data["no_time"], data["episode"]) == ("no-time", "none", None)
    assert data["protection"]["id"] == "XNOR-P1"
    assert data["headline"] == "XNOR HL-101: protection lost, no holdover time exists in this weather"
    (mail,) = [mail for mail in around.mail.mails if "HL-101" in str(mail["Subject"])]
    body = mail.get_body(("plain",))
    assert body is not None
    assert "Clock: no time exists; Type IV 100/0" in body.get_content()
    assert status["standing"] == "none"
