"""A broken receiver and the mailbox behind it, over real HTTP and SMTP: it is told in time, once, and to the end."""

from __future__ import annotations

import asyncio
from collections import Counter
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest

from tests.faults.by_hand import Morning, morning, until
from tests.faults.recorder import kept_at
from tests.faults.test_receivers import ICY, MILD, STATIONS, WORSE, _only_the_desk, all_arrives
from watcher.store.due import first_due

pytestmark = [pytest.mark.anyio, pytest.mark.timeout(90)]

BACKUP = """
[[destination]]
name = "backup"
kind = "email"
address = "backup@example.org"
group_within = "0s"
[caretaker]
to = ["desk"]
settle = "0s"
"""


async def pass_by(at: Morning, minutes: float, weather: dict[str, str] | None = None) -> None:
    """Let time pass and a turn be taken, and what is due be tried."""
    at.clock.now += timedelta(minutes=minutes)
    if weather is not None:
        at.offer(weather)
    await at.turn()
    at.service.sender.wake()
    await until(lambda: all_was_tried(at))


def all_was_tried(at: Morning) -> bool:
    """Return whether nothing is on its way, and what is due waits for a destination that rests, or behind another."""

    def due() -> list[int]:
        store = at.service.store
        left_alone = {*at.service.sender._rests.left_alone(at.clock.now), *store.disabled_destinations()}
        # It locks rows for a moment, where there are locks of rows.
        with store._database.write() as connection:
            return first_due(connection, at.clock.now, limit=100, per_destination=4, left_alone=left_alone)

    # Asked again at the end: what arrives meanwhile lets the next one about the same go.
    return not due() and not at.service.store.outbox_counts()["leased"] and not due()


def all_mails(at: Morning) -> list[EmailMessage]:
    """Return what came, each once: under a clock that jumps, a lease may end before its claim is back."""
    return list({str(mail["Message-ID"]): mail for mail in at.around.mail.mails}.values())


def backup_mails(at: Morning) -> list[EmailMessage]:
    return [mail for mail in all_mails(at) if "backup@" in str(mail["To"])]


def told_backup(at: Morning) -> Counter[tuple[str, str, str]]:
    """Return how often the backup was told what, for whom and why."""
    return Counter(
        (line["told_as"].rpartition(".")[2], line["meant_for"], line["detour"])
        for line in kept_at(at.url).lines
        if line["destination"] == "backup"
    )


async def test_whom_a_webhook_does_not_reach_the_mailbox_behind_it_does(url: str, tmp_path: Path) -> None:
    async with morning(url, tmp_path, STATIONS, more=BACKUP, of_room='fallback = "backup"') as at:
        at.around.webhook.status = 500
        await pass_by(at, 10, ICY)
        await until(lambda: at.around.webhook.posts)
        await pass_by(at, 10, ICY)
        assert told_backup(at) == {}, "it may come back by itself"
        await pass_by(at, 6)
        await until(lambda: len(backup_mails(at)) == 2)
        assert told_backup(at) == {("opened", "room", "silent"): 2}
        for mail in backup_mails(at):
            assert str(mail["Subject"]).startswith("For room: X")
            text = mail.get_body(("plain",))
            assert text is not None
            assert "Meant for room, which does not answer. backup is its fallback." in text.get_content()

        await pass_by(at, 10, WORSE)
        await until(lambda: len(backup_mails(at)) == 4)
        assert told_backup(at)["raised", "room", "silent"] == 2, "once it is broken, at once"
        await at.service._take_care()
        await until(lambda: any("are late" in str(mail["Subject"]) for mail in at.around.mail.mails))
        (unwell,) = [mail for mail in all_mails(at) if "are late" in str(mail["Subject"])]
        text = unwell.get_body(("plain",))
        assert text is not None
        assert "The fallback backup is told for room." in text.get_content()

        at.around.webhook.status = 200
        await all_arrives(at)
        assert sum(told_backup(at).values()) == 4, "what came through by now is not told again"
        for _ in range(5):
            await pass_by(at, 10, MILD)
        await all_arrives(at)
        assert told_backup(at)["closed", "room", "silent"] == 2, "what it was told of it is told the end of"
        assert at.findings() == []
        assert at.findings(("desk", "room", "backup")) == []


async def test_the_end_of_what_a_room_had_heard_reaches_the_mailbox_behind_it(url: str, tmp_path: Path) -> None:
    async with morning(url, tmp_path, STATIONS, more=BACKUP, of_room='fallback = "backup"') as at:
        await pass_by(at, 10, ICY)
        await all_arrives(at)
        at.around.webhook.status = 500
        for _ in range(7):
            await pass_by(at, 10, MILD)
        await until(lambda: len(backup_mails(at)) == 2)
        assert told_backup(at) == {("closed", "room", "silent"): 2}
        at.around.webhook.status = 200
        await all_arrives(at)
        assert at.findings() == []


async def test_when_a_receiver_wants_no_more_the_mailbox_behind_it_goes_on(url: str, tmp_path: Path) -> None:
    async with morning(url, tmp_path, STATIONS, more=BACKUP, of_room='fallback = "backup"') as at:
        at.around.webhook.status = 410
        await pass_by(at, 10, ICY)
        await until(at.service.store.disabled_destinations)
        await pass_by(at, 1)
        await until(lambda: len(backup_mails(at)) == 2)
        await pass_by(at, 10, WORSE)
        await until(lambda: len(backup_mails(at)) == 4)
        # A message that is refused with 410 may be noticed a turn before the destination is known to be off.
        assert {key[1:] for key in told_backup(at)} <= {("room", "off"), ("room", "refused")}
        at.around.webhook.status = 200
        await asyncio.to_thread(at.service.store.enable_destination, "room")
        await pass_by(at, 1)
        await all_arrives(at)
        opened = [line for line in kept_at(at.url).lines if line["destination"] == "room" and line["state"] == "sent"]
        assert [line["told_as"] for line in opened] == ["icing.episode.opened"] * 2, "told how things stand, once"
        for _ in range(5):
            await pass_by(at, 10, MILD)
        await all_arrives(at)
        assert told_backup(at)["closed", "room", "off"] == 2
        assert at.findings(("desk", "backup")) == []


async def test_what_a_mail_server_refuses_goes_to_the_room_behind_the_mailbox(sqlite: str, tmp_path: Path) -> None:
    lost = """
[[destination]]
name = "nobody"
kind = "email"
address = "nobody@example.org"
fallback = "backup"
[[subscription]]
name = "another desk"
flags = ["freezing-precipitation"]
to = ["nobody"]
"""
    async with morning(sqlite, tmp_path, STATIONS, more=BACKUP + lost) as at:

        async def only_known(talk: object, session: object, envelope: object, address: str, options: object) -> str:
            if address != "backup@example.org":
                return await _only_the_desk(talk, session, envelope, address, options)  # type: ignore[arg-type]
            envelope.rcpt_tos.append(address)  # type: ignore[attr-defined]
            return "250 OK"

        vars(at.around.mail)["handle_RCPT"] = only_known
        await pass_by(at, 10, ICY)
        await pass_by(at, 1)
        await until(lambda: any(line["state"] == "dead" for line in kept_at(at.url).lines))
        await pass_by(at, 1)
        await until(lambda: len(backup_mails(at)) == 2)
        assert told_backup(at) == {("opened", "nobody", "refused"): 2}
        for _ in range(5):
            await pass_by(at, 10, MILD)
        await all_arrives(at)
        assert told_backup(at)["closed", "nobody", "refused"] == 2
        assert at.findings() == []
