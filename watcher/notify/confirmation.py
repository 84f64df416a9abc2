"""The mail that asks the owner of an address whether they want the alerts, before any alert goes there."""

from __future__ import annotations

from datetime import datetime
from email.message import EmailMessage
from shlex import quote

from watcher.notify.escaping import WebAddress
from watcher.notify.mail import Envelope, addressed, set_bodies, token
from watcher.notify.message import CAUTION
from watcher.notify.templating import shipped
from watcher.notify.wording import plain, when
from watcher.settings.addresses import bare_address
from watcher.units import duration_text, iso_z


def build_confirmation(
    envelope: Envelope, *, code: str, confirm_url: str | None, expires_at: datetime, now: datetime
) -> EmailMessage:
    """Return the whole mail. Nothing happens unless its reader answers.

    Parameters
    ----------
    envelope
        Between whom; the address is the one that is asked.
    code
        What the operator enters once the owner of the address has told it to them.
    confirm_url
        A page with a button that says yes; None without a public address.
    expires_at
        When code and page stop being good.
    now
        The Date.
    """
    context = {
        "address": envelope.address,
        "destination": plain(envelope.destination),
        "confirm_url": WebAddress(confirm_url) if confirm_url is not None else None,
        "code": code,
        "command": f"hoarline destination confirm {quote(plain(envelope.destination))} {quote(code)}",
        "expires": when(expires_at, None),
        "good_for": duration_text(expires_at - now),
        "caution": CAUTION,
        "contact": plain(envelope.contact) or bare_address(envelope.sender),
    }
    # The code stays out of the identity: servers write that into their logs.
    identity = token("confirmation", envelope.destination, envelope.address, iso_z(now), iso_z(expires_at))
    mail = addressed(envelope, f"Do you want icing alerts at {envelope.address}?", identity, now)
    text, page = shipped("confirmation.txt").render(context), shipped("confirmation.html").render(context)
    set_bodies(mail, text, page, boundary=token("body", identity))
    return mail
