"""5,000 multipart mails over up to four connections to one server, from message to "taken". Prints JSON.

The server runs in a process of its own and reads each mail's identity. The same with the standard library's smtplib on one
connection, the mails already built, is measured in the same run.

python -m tests.benchmarks.mail
"""

from __future__ import annotations

import asyncio
import json
import re
import smtplib
import sys
from dataclasses import replace
from datetime import timedelta
from time import perf_counter
from typing import Any

from tests.benchmarks.machine import machine
from tests.notify.scenes import NOW, a_message
from watcher.alerts.model import EventType
from watcher.demo.receivers import MailReceiver
from watcher.notify.mail import Envelope, build_mail
from watcher.notify.mail_picture import picture_of
from watcher.notify.message import Message
from watcher.notify.model import EmailDestination, MailServer
from watcher.notify.smtp import MailChannel, SmtpSender
from watcher.notify.templating import Templates
from watcher.outlook.model import Odds
from watcher.pictures.colours import Theme
from watcher.pictures.period_plot import Period, period_picture
from watcher.pictures.sheet import alone
from watcher.raster import png_of
from watcher.rulebook.words import Certainty, Flag, Kind, Level

COUNT = 5_000
CONNECTIONS = (1, 2, 4)
SENDER = "hoarline@example.org"
TEMPLATES = Templates.load()
ODDS = Odds(
    0.78,
    (NOW + timedelta(hours=18), NOW + timedelta(hours=21)),
    (NOW + timedelta(hours=24), NOW + timedelta(hours=26)),
)


async def ours(port: int, connections: int) -> float:
    message = a_message()
    async with SmtpSender(MailServer("127.0.0.1", port, "none", SENDER), connections=connections) as sender:
        channel = MailChannel(EmailDestination("duty-desk", "duty@example.org"), sender, TEMPLATES)
        numbers = iter(range(COUNT))

        async def worker() -> None:
            for number in numbers:
                await channel.send(replace(message, id=f"msg_{connections}_{number}"), NOW)

        begin = perf_counter()
        await asyncio.gather(*(worker() for _ in range(connections)))
        return perf_counter() - begin


def building() -> float:
    """Return the seconds that one mail takes to be written."""
    message, envelope = a_message(), Envelope(SENDER, "duty@example.org", "duty-desk")
    begin = perf_counter()
    for number in range(500):
        build_mail(replace(message, id=f"msg_{number}"), envelope, now=NOW, templates=TEMPLATES).as_bytes()
    return (perf_counter() - begin) / 500


def with_picture() -> dict[str, float]:
    """Return what a picture costs: once for its event, and then in each mail about it."""
    message, envelope = expected_frost(), Envelope(SENDER, "duty@example.org", "duty-desk")
    png_of(alone(period_picture(a_period(0)), Theme.LIGHT), width_px=648)  # the library is loaded
    begin = perf_counter()
    for minute in range(20):
        png_of(alone(period_picture(a_period(minute)), Theme.LIGHT), width_px=648)
    drawing = (perf_counter() - begin) / 20
    begin = perf_counter()
    for number in range(500):
        named = replace(message, id=f"msg_{number}")
        mail = build_mail(named, envelope, now=NOW, templates=TEMPLATES, picture=picture_of(named)).as_bytes()
    told = (perf_counter() - begin) / 500
    bare = build_mail(message, envelope, now=NOW, templates=TEMPLATES).as_bytes()
    return {
        "drawing_one_ms": round(1000 * drawing, 2),
        "writing_one_mail_ms": round(1000 * told, 2),
        "bytes_more": len(mail) - len(bare),
    }


def expected_frost() -> Message:
    return a_message(
        EventType.OPENED,
        flag=Flag.FROST_LIKELY,
        level=Level.PREPARE,
        previous_level=None,
        kind=Kind.EXPECTED,
        certainty=Certainty.COMPUTED,
        begins_at=NOW + timedelta(hours=19),
        until=NOW + timedelta(hours=25),
        odds=ODDS,
    )


def a_period(minute: int) -> Period:
    begins_at = NOW + timedelta(hours=19, minutes=minute)
    return Period("XNOR", "frost likely", Level.PREPARE, begins_at, NOW + timedelta(hours=25), ODDS, "Europe/Oslo")


def standard_library(port: int) -> float:
    envelope = Envelope(SENDER, "duty@example.org", "duty-desk")
    mail = build_mail(replace(a_message(), id="msg_bare"), envelope, now=NOW, templates=TEMPLATES).as_bytes()
    with smtplib.SMTP("127.0.0.1", port, local_hostname="localhost") as client:
        begin = perf_counter()
        for _ in range(COUNT // 5):
            client.sendmail(SENDER, ["duty@example.org"], mail)
        return 5 * (perf_counter() - begin)


class Counting(MailReceiver):
    """Keeps the Message-ID alone, so that the server is not what is measured."""

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:  # noqa: N802 - aiosmtpd's name
        found = re.search(rb"^Message-ID: (\S+)\r$", envelope.content, re.MULTILINE)
        assert found is not None
        ids.append(found[1])
        return "250 taken"


ids: list[bytes] = []


async def receive() -> None:
    """Be the mail server: tell the port, and once the other side has hung up, what came in."""
    async with Counting() as receiver:
        print(receiver.port, flush=True)
        await asyncio.to_thread(sys.stdin.read)
        found = {
            "mails": len(ids),
            "different_ids": len(set(ids)),
            "connections": receiver.connections,
        }
        print(json.dumps(found), flush=True)


async def main() -> None:
    server = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.benchmarks.mail", "receive",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert server.stdout is not None
    port = int(await server.stdout.readline())
    rates = {str(connections): round(COUNT / await ours(port, connections)) for connections in CONNECTIONS}
    bare = round(COUNT / await asyncio.to_thread(standard_library, port))
    told, _ = await server.communicate(b"")
    received = json.loads(told)
    assert received["different_ids"] == len(CONNECTIONS) * COUNT + 1, received
    figures = {
        "mails": COUNT,
        "a_second_by_connections": rates,
        "smtplib_one_connection_ready_mails_a_second": bare,
        "four_connections_over_smtplib": round(rates["4"] / bare, 2),
        "writing_one_mail_ms": round(1000 * building(), 2),
        "with_picture": with_picture(),
        "received": received,
        "machine": machine(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    asyncio.run(receive() if "receive" in sys.argv else main())
