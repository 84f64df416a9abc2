"""Asks the owner of a mailbox whether they want the alerts, and tries whether a destination takes a message."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime
from secrets import token_hex

from watcher.alerts.subscribers import CONFIRM_WITHIN
from watcher.errors import DeliveryError
from watcher.links import LinkMaker, confirmation_code
from watcher.net import Guard, HttpClients
from watcher.notify.confirmation import build_confirmation
from watcher.notify.mail import Envelope
from watcher.notify.message import Links, trial_message
from watcher.service.directory import KnownDestination
from watcher.service.parts import Channels, destination_of, load_templates
from watcher.settings import Settings


async def try_out(settings: Settings, known: KnownDestination, now: datetime) -> str | None:
    """Send one message that is marked as a test; return None when it was taken, else why not."""
    async with _channels(settings) as channels:
        channel = channels.channel(destination_of(known))
        if channel is None:
            return "mail cannot be sent: the settings need the section [mail]"
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
    async with _channels(settings) as channels:
        if channels.smtp is None:
            return "mail cannot be sent: the settings need the section [mail]"
        envelope = Envelope(channels.smtp.server.from_address, address, name, text.service.contact)
        pages = text.service.public_url if text.web.bind is not None else None
        mail = build_confirmation(
            envelope,
            code=confirmation_code(key, name, address),
            confirm_url=LinkMaker(pages, key).confirm(name, address) if pages is not None else None,
            expires_at=now + CONFIRM_WITHIN,
            now=now,
        )
        try:
            await channels.smtp.send(address, mail.as_bytes())
        except DeliveryError as error:
            return str(error)
    return None


@asynccontextmanager
async def _channels(settings: Settings) -> AsyncIterator[Channels]:
    text = settings.text
    async with HttpClients(Guard(text.network.allow_private), contact=text.service.contact) as http:
        channels = Channels(settings, http, load_templates(settings))
        try:
            yield channels
        finally:
            await channels.aclose()
