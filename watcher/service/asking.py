"""Asks the owner of a mailbox whether they want the alerts, and tries whether a destination takes a message."""

from __future__ import annotations

import asyncio
import hmac
from datetime import datetime
from secrets import token_hex

from watcher.alerts.subscribers import CONFIRM_WITHIN
from watcher.errors import DeliveryError, Problem, UsageError
from watcher.links import LinkMaker, confirmation_code
from watcher.notify.confirmation import build_confirmation
from watcher.notify.mail import Envelope
from watcher.notify.message import Links, trial_message
from watcher.service.channels import NO_MAIL, hand_over, opened_channels
from watcher.service.destinations import destination_of
from watcher.service.directory import KnownDestination
from watcher.service.manage import Management
from watcher.settings import Settings
from watcher.store.store import Store


async def try_out(settings: Settings, known: KnownDestination, now: datetime) -> str | None:
    """Send one message that is marked as a test; return None when it was taken, else why not."""
    async with opened_channels(settings) as channels:
        channel = channels.channel(destination_of(known))
        if channel is None:
            return NO_MAIL
        links = Links(board=settings.text.service.public_url)
        message = trial_message(known.name, now, delivery_id=f"msg_test_{token_hex(8)}", links=links)
        try:
            await channel.send(message, now)
        except DeliveryError as error:
            return str(error)
    return None


async def ask_owner(settings: Settings, name: str, address: str, key: bytes, now: datetime) -> str | None:
    """Send the mail that asks for a confirmation; return None when it was taken, else why not."""
    text = settings.text
    async with opened_channels(settings) as channels:
        if channels.smtp is None:
            return NO_MAIL
        envelope = Envelope(channels.smtp.server.from_address, address, name, text.service.contact)
        pages = text.service.public_url if text.web.bind is not None else None
        mail = build_confirmation(
            envelope,
            code=confirmation_code(key, name, address),
            confirm_url=LinkMaker(pages, key).confirm(name, address) if pages is not None else None,
            expires_at=now + CONFIRM_WITHIN,
            now=now,
        )
        return await hand_over(channels.smtp, address, mail)


def unconfirmed(known: KnownDestination) -> str:
    """Return the address of a destination whose owner has not agreed yet; UsageError where none is waited for."""
    if known.confirmed or known.section.address is None:
        raise UsageError([Problem(f'destination "{known.name}"', "needs no confirmation")])
    return known.section.address


async def ask_again(settings: Settings, management: Management, name: str, key: bytes, now: datetime) -> str | None:
    """Give the owner of a mailbox seven days from now, and ask them; return None when the mail was taken, else why not.

    Raises
    ------
    UsageError
        Nobody waits for a confirmation of it.
    """
    address = unconfirmed(await asyncio.to_thread(management.destination, name))
    await asyncio.to_thread(management.change_destination, name, {}, None, now)
    return await ask_owner(settings, name, address, key, now)


def confirm_by_code(  # noqa: PLR0917 - who, where, what and when
    management: Management, store: Store, name: str, code: str, key: bytes, now: datetime
) -> None:
    """Note that the owner of a mailbox agreed, by the code of the mail.

    Raises
    ------
    UsageError
        It is another code, or too old, or nobody waits for one.
    """
    address = unconfirmed(management.destination(name))
    right = hmac.compare_digest(confirmation_code(key, name, address).encode(), code.strip().encode())
    if not right or not store.confirm_destination(name, address, now):
        remedy = "let the mail be sent again"
        raise UsageError([Problem(f'code "{code}"', "is too old" if right else "is not the code of the mail", remedy)])
