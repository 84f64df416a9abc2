"""Asks the owner of a mailbox whether they want the alerts, and tries whether a destination takes a message."""

from __future__ import annotations

from datetime import datetime
from secrets import token_hex

from watcher.alerts.subscribers import CONFIRM_WITHIN
from watcher.errors import DeliveryError
from watcher.links import LinkMaker, confirmation_code
from watcher.notify.confirmation import build_confirmation
from watcher.notify.mail import Envelope
from watcher.notify.message import Links, trial_message
from watcher.service.directory import KnownDestination
from watcher.service.parts import NO_MAIL, destination_of, hand_over, opened_channels
from watcher.settings import Settings


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
