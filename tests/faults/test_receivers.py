"""Receivers that misbehave over real SMTP and HTTP: everything arrives once they mend, a repeat only under its old name."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP

from tests.faults.by_hand import Morning, morning, until
from tests.faults.recorder import kept_at
from watcher.demo.receivers import MailReceiver
from watcher.notify.webhook import WebhookChannel

pytestmark = [pytest.mark.anyio, pytest.mark.timeout(90)]

STATIONS = ["XNOR", "XBAY"]
ICY, WORSE, MILD = (dict.fromkeys(STATIONS, falls) for falls in ("-FZDZ", "FZRA", "BR"))


async def icing(at: Morning) -> None:
    """Let a night of freezing rain come and go, a report each ten minutes."""
    for weather in (ICY, ICY, WORSE, WORSE, *[MILD] * 5):
        at.clock.now += timedelta(minutes=10)
        at.offer(weather)
        await at.turn()
        at.service.sender.wake()
        await asyncio.sleep(0.05)


async def all_arrives(at: Morning, seconds: float = 30) -> None:
    """Let time pass, a minute each moment, until nothing is owed any more."""
    async with asyncio.timeout(seconds):
        while True:
            counts = await asyncio.to_thread(at.service.store.outbox_counts)
            if not counts["pending"] and not counts["leased"]:
                return
            at.clock.now += timedelta(minutes=1)
            at.service.sender.wake()
            await asyncio.sleep(0.1)


def states(at: Morning, destination: str) -> set[str]:
    return {line["state"] for line in kept_at(at.url).lines if line["destination"] == destination}


WEBHOOK: dict[str, dict[str, Any]] = {
    "late": {"delay_s": 0.8},
    "busy": {"status": 429, "headers": {"Retry-After": "300"}},
    "fault": {"status": 500},
    "breaks off": {"break_off": True},
}


@pytest.mark.parametrize("fault", WEBHOOK)
async def test_a_webhook_receiver_that_fails_for_a_while_misses_nothing(
    sqlite: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    # The default of twenty seconds, made short: the receiver answers with 200 when the sender has given up.
    monkeypatch.setitem(WebhookChannel.__init__.__kwdefaults__, "timeout_s", 0.4)
    async with morning(sqlite, tmp_path, STATIONS) as at:
        with monkeypatch.context() as patch:
            for name, value in WEBHOOK[fault].items():
                patch.setattr(at.around.webhook, name, value)
            await icing(at)
            await until(lambda: at.around.webhook.posts)
            assert "sent" not in states(at, "room")
        await all_arrives(at)
        assert states(at, "room") == {"sent"}
        assert at.findings() == []
        ids = [post.id for post in at.around.webhook.posts]
        assert len(ids) > len(set(ids)), "it was tried more than once, and each time under the same name"
        if fault == "late":
            assert at.recorder.repeats >= 1, "what was taken too late came again, under the same name"


async def test_a_redirect_is_not_followed_and_is_said(sqlite: str, tmp_path: Path) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        at.around.webhook.status, at.around.webhook.headers = 302, {"Location": at.around.webhook.url("/elsewhere")}
        at.offer(ICY)
        await at.turn()
        await until(lambda: at.around.webhook.posts)
        await until(lambda: any(line["last_error"] for line in kept_at(at.url).lines))
        assert {post.path for post in at.around.webhook.posts} == {"/in"}
        errors = {line["last_error"] for line in kept_at(at.url).lines if line["destination"] == "room"}
        assert any("302" in (error or "") for error in errors)


async def test_who_is_gone_is_asked_no_more_and_the_others_hear_all(sqlite: str, tmp_path: Path) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        at.around.webhook.status = 410
        await icing(at)
        await until(at.service.store.disabled_destinations)
        # A second may have been on its way already.
        await until(lambda: not at.service.store.outbox_counts()["leased"])
        asked = len(at.around.webhook.posts)
        await all_arrives(at)
        assert len(at.around.webhook.posts) <= asked
        assert states(at, "desk") == {"sent"}
        assert at.findings(("desk",)) == []


class _Bad:
    """Ways in which a mail server fails; each takes its turn until `mend`."""

    def __init__(self, mail: MailReceiver, fault: str) -> None:
        self.mail, self.fault = mail, fault

    async def __call__(self, talk: SMTP, session: object, envelope: Any) -> str:
        if self.fault == "hangs up instead of an answer":
            assert talk.transport is not None
            talk.transport.close()
            return "421 gone"
        if self.fault == "slow":
            await asyncio.sleep(0.5)
        elif self.fault == "later":
            return "451 4.3.0 later"
        return await MailReceiver.handle_DATA(self.mail, talk, session, envelope)


@contextmanager
def bad_mail(at: Morning, fault: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with monkeypatch.context() as patch:
        if fault == "hangs up in the middle":
            patch.setattr(SMTP, "smtp_DATA", _hang_up)
        else:
            patch.setattr(at.around.mail, "handle_DATA", _Bad(at.around.mail, fault), raising=False)
        yield
    at.around.mail.hang_up()


async def _hang_up(talk: SMTP, _arg: str) -> None:
    await talk.push("354 go on")
    await asyncio.sleep(0.02)
    if talk.transport is not None:
        talk.transport.close()


@pytest.mark.parametrize("fault", ["slow", "later", "hangs up instead of an answer", "hangs up in the middle"])
async def test_a_mail_server_that_fails_for_a_while_misses_nothing(
    sqlite: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        with bad_mail(at, fault, monkeypatch):
            await icing(at)
            await until(lambda: at.around.mail.connections)
            if fault != "slow":
                assert at.around.mail.mails == []
        await all_arrives(at)
        assert states(at, "desk") == {"sent"}
        assert at.findings() == []


TWO_DESKS = """
[[destination]]
name = "nobody"
kind = "email"
address = "nobody@example.org"
[[subscription]]
name = "another desk"
flags = ["freezing-precipitation"]
to = ["nobody"]
"""


async def test_a_recipient_who_is_unknown_costs_the_others_nothing(sqlite: str, tmp_path: Path) -> None:
    async with morning(sqlite, tmp_path, STATIONS, more=TWO_DESKS) as at:
        # The server looks for it when a connection is made.
        vars(at.around.mail)["handle_RCPT"] = _only_the_desk
        await icing(at)
        await all_arrives(at)
        assert states(at, "desk") == {"sent"}
        assert states(at, "nobody") == {"dead"}
        reasons = {line["last_error"] for line in kept_at(at.url).lines if line["destination"] == "nobody"}
        assert all("550" in (reason or "") for reason in reasons)
        assert at.findings() == []


async def _only_the_desk(_talk: SMTP, _session: object, envelope: Any, address: str, options: Sequence[str]) -> str:
    if address == "nobody@example.org":
        return "550 5.1.1 no such user"
    envelope.rcpt_tos.append(address)
    envelope.rcpt_options.extend(options)
    return "250 OK"


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_mail_that_must_be_protected_never_goes_out_in_clear(
    sqlite: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, security: str
) -> None:
    monkeypatch.setattr("tests.faults.by_hand.ENVIRON", {"HOARLINE_MAIL__SECURITY": security})
    async with morning(sqlite, tmp_path, STATIONS) as at:
        at.offer(ICY)
        await at.turn()
        await until(lambda: at.around.mail.connections and at.around.webhook.posts)
        await until(lambda: any(line["last_error"] for line in kept_at(at.url).lines))
        assert at.around.mail.mails == []
        assert states(at, "room") == {"sent"}, "the other way is open"
        assert states(at, "desk") <= {"pending", "leased"}, "it is owed still"
