"""An event made by hand, the message about it, and a certificate for servers on this machine."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from ipaddress import ip_address
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from watcher.alerts.model import Event, EventBody, EventType, Phase, SubjectKind
from watcher.alerts.outbox import Item
from watcher.notify.message import Links, Message, message_of
from watcher.rulebook.words import Flag, Kind, Level

NOW = datetime(2026, 1, 12, 6, 2, 30, tzinfo=UTC)
OBSERVED_AT = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
VALID_UNTIL = NOW + timedelta(hours=6)
RAW = "METAR XNOR 120550Z 24006KT 4000 -FZDZ BR OVC008 M02/M03 Q1009"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

BODY = EventBody(
    station="XNOR",
    name="Northby",
    zone="Europe/Oslo",
    headline="XNOR treat (was prepare): light freezing drizzle since 0550Z, -2/-3, not ended",
    why="Light freezing drizzle is reported.",
    next_step="Call treatment for departures now and plan it close to take-off.",
    flag=Flag.FREEZING_PRECIPITATION,
    level=Level.TREAT,
    previous_level=Level.PREPARE,
    kind=Kind.OBSERVED,
    phase=Phase.PRESENT,
    begins_at=OBSERVED_AT,
    observed_at=OBSERVED_AT,
    raw=RAW,
)


def an_event(type_: EventType = EventType.RAISED, **fields: Any) -> Event:
    station = type_ in {EventType.BLIND, EventType.SEEING}
    kind, subject = (SubjectKind.STATION, "XNOR") if station else (SubjectKind.EPISODE, "XNOR-17")
    return Event(kind, subject, 2, type_, NOW - timedelta(seconds=30), replace(BODY, **fields))


def a_message(
    type_: EventType = EventType.RAISED,
    *,
    told_as: EventType | None = None,
    public_url: str | None = "https://board.example.org/",
    message_id: str = "msg_1",
    **fields: Any,
) -> Message:
    items = [an_item(type_, told_as=told_as, **fields)]
    return message_of(message_id, items, now=NOW, valid_until=VALID_UNTIL, links=Links(board=public_url))


def an_item(type_: EventType = EventType.RAISED, *, told_as: EventType | None = None, **fields: Any) -> Item:
    event = an_event(type_, **fields)
    return Item(event, told_as or type_, event.body.level, event.subject_id)


@dataclass(frozen=True)
class Tls:
    """`server` for a server at 127.0.0.1, `client` trusts it and nobody else."""

    server: ssl.SSLContext
    client: ssl.SSLContext


@cache
def tls() -> Tls:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "receiver.example.org")])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(datetime(2020, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2100, 1, 1, tzinfo=UTC))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    pem = certificate.public_bytes(serialization.Encoding.PEM)
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with TemporaryDirectory() as folder:
        both = Path(folder) / "both.pem"
        both.write_bytes(private + pem)
        server.load_cert_chain(both)
    return Tls(server, ssl.create_default_context(cadata=pem.decode()))
