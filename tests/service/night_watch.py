"""A whole service on this machine: real feed, real mail server, real webhook receiver, settings written as a user would."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tests.chosen import database_at
from watcher.clock import utc_now
from watcher.demo.feed_server import FeedServer
from watcher.demo.receivers import MailReceiver, WebhookReceiver

SECRET = "whsec_YW4gaW52ZW50ZWQgc2VjcmV0IGZvciB0aGUgdGVzdHM="


@dataclass
class Surroundings:
    """What a service needs around it, and its settings file."""

    folder: Path
    feed: FeedServer
    mail: MailReceiver
    webhook: WebhookReceiver
    settings: Path

    def publish(self, texts: Sequence[str], now: datetime, tafs: Sequence[str] = ()) -> None:
        self.feed.publish_texts(texts, tafs, now)


@asynccontextmanager
async def surroundings(
    folder: Path,
    stations: Sequence[str],
    *,
    every: str = "200ms",
    clock=utc_now,
    group_within: str = "0s",
    more: str = "",
    of_room: str = "",
) -> AsyncIterator[Surroundings]:
    async with FeedServer() as feed, MailReceiver() as mail, WebhookReceiver(SECRET, clock=clock) as webhook:
        (folder / "room.secret").write_text(SECRET)
        settings = folder / "hoarline.toml"
        codes = ", ".join(f'"{code}"' for code in stations)
        settings.write_text(f"""
[store]
url = "{database_at(folder / "hoarline.db")}"
[watch]
stations = [{codes}]
tick = "{every}"
[[feed]]
name = "world"
kind = "bulk"
metar_url = "{feed.metar_url}"
taf_url = "{feed.taf_url}"
metar_every = "{every}"
taf_every = "1h"
[mail]
host = "{mail.host}"
port = {mail.port}
security = "none"
from = "Hoarline <hoarline@example.org>"
[network]
allow_private = ["127.0.0.0/8"]
[[destination]]
name = "desk"
kind = "email"
address = "duty@example.org"
group_within = "{group_within}"
[[destination]]
name = "room"
kind = "webhook"
url = "{webhook.url("/in")}"
secret_file = "room.secret"
{of_room}
[[subscription]]
name = "all of it"
flags = ["freezing-precipitation"]
to = ["desk", "room"]
[health]
bind = "127.0.0.1:0"
[service]
contact = "duty@example.org"
{more}
""")
        yield Surroundings(folder, feed, mail, webhook, settings)
