"""Sends a sheet that a command has made, such as the morning list, to mailboxes: as text and as a page, at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from watcher.errors import Problem, UsageError, nearest
from watcher.notify.mail import Envelope, addressed, set_bodies, token
from watcher.service.channels import NO_MAIL, Channels, hand_over, opened_channels
from watcher.service.directory import Directory, KnownDestination
from watcher.settings import Settings


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is sent. `headline`: the subject, which stands alone. `page`: a whole HTML page."""

    headline: str
    text: str
    page: str


def mailboxes(directory: Directory, names: Iterable[str]) -> list[KnownDestination]:
    """Return the mailboxes of these names; UsageError for what is none, or may be sent nothing."""
    known, found, problems = directory.destinations, [], []
    for name in names:
        item = known.get(name)
        where = f'destination "{name}"'
        if item is None:
            problems.append(Problem(where, "is not known", nearest(name, known) if known else "there is none"))
        elif item.section.kind != "email":
            problems.append(Problem(where, "is no mailbox", "a list goes by mail only"))
        elif not item.recipient.open:
            problems.append(Problem(where, "gets nothing", "see hoarline destination list"))
        else:
            found.append(item)
    if problems:
        raise UsageError(problems)
    return found


async def send_sheet(
    settings: Settings, boxes: Iterable[KnownDestination], sheet: Sheet, now: datetime
) -> dict[str, str | None]:
    """Hand a sheet to the mail server for each mailbox; return by name None, or why it was not taken."""
    refused: dict[str, str | None] = {}
    async with opened_channels(settings) as channels:
        for box in boxes:
            refused[box.name] = await _send(channels, box, sheet, settings.text.service.contact, now)
    return refused


async def _send(channels: Channels, box: KnownDestination, sheet: Sheet, contact: str, now: datetime) -> str | None:
    assert box.section.address is not None
    if channels.smtp is None:
        return NO_MAIL
    envelope = Envelope(channels.smtp.server.from_address, box.section.address, box.name, contact)
    identity = token("sheet", box.name, now.isoformat(), sheet.headline, sheet.text)
    mail = addressed(envelope, sheet.headline, identity, now)
    set_bodies(mail, sheet.text, sheet.page, boundary=identity)
    return await hand_over(channels.smtp, box.section.address, mail)
