"""Plays the invented night through the real parts, at a pace of its own.

The feed server, the mail server and the webhook receiver are real ones on this machine; the poller, the decoder, the
rules, the store, the senders and the schedule are those of `hoarline run`. Only the clock is the night's.
"""

from __future__ import annotations

import asyncio
import secrets
import socket
import tempfile
import time
from base64 import b64encode
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from watcher.alerts.model import SubjectKind
from watcher.demo.feed_server import FeedServer
from watcher.demo.night import BEGINS_AT, ENDS_AT, STATIONS, Moment, moments
from watcher.demo.receivers import MailReceiver, WebhookReceiver
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.settings.people import GROUP_WITHIN
from watcher.store.store import Store
from watcher.web.serving import pages_of
from watcher.web.tokens import SCOPES, new_token, token_hash

_FEED = "night"
_USUAL_PORT = 8321
_NIGHT_STEP = timedelta(minutes=10)


@dataclass
class NightClock:
    """The present of the night; moves when told, and by itself once the night has been played."""

    now: datetime = BEGINS_AT
    _ran_on_at: float | None = None

    def __call__(self) -> datetime:
        """Return it."""
        if self._ran_on_at is None:
            return self.now
        return self.now + timedelta(seconds=time.monotonic() - self._ran_on_at)

    def run_on(self) -> None:
        """Go on as clocks do."""
        self._ran_on_at = time.monotonic()


@dataclass
class Stage:
    """What an onlooker is shown.

    `opened`: the address of the board, and a token that may do everything there. `moment`: each moment of the night.
    `arrived`: each headline with the ways on which it arrived. `stay`: the end; the board stays open until it returns.
    """

    opened: Callable[[str, str], None]
    moment: Callable[[Moment, int, int], Awaitable[None]]
    arrived: Callable[[str, Sequence[str]], None]
    stay: Callable[[Summary], Awaitable[None]]


@dataclass
class Summary:
    """What the night made. `undelivered` and `duplicates` are to be 0."""

    reports: int = 0
    unreadable: int = 0
    episodes: int = 0
    events: int = 0
    mails: int = 0
    webhooks: int = 0
    verified: int = 0
    undelivered: int = 0
    duplicates: int = 0
    polls: int = 0
    polls_not_modified: int = 0
    polls_failed: int = 0
    blind_stations: int = 0
    corrections: int = 0
    by_event: dict[str, int] = field(default_factory=dict)


async def play(stage: Stage, *, pause_s: float) -> Summary:
    """Play the whole night.

    Parameters
    ----------
    stage
        Is shown what happens.
    pause_s
        Seconds between two moments of the night; 0: as fast as the parts are.
    """
    clock = NightClock()
    secret = "whsec_" + b64encode(secrets.token_bytes(24)).decode()
    with tempfile.TemporaryDirectory(prefix="hoarline-demo-") as folder:
        async with (
            FeedServer() as feed,
            MailReceiver() as mail,
            WebhookReceiver(secret, clock=clock) as webhook,
        ):
            board = f"127.0.0.1:{_free_port()}"
            path = _write_settings(Path(folder), board, feed, mail, webhook, secret)
            settings = load_settings(path, {})
            service = Service(settings, clock=clock, random=Random(1), pages=pages_of)  # noqa: S311 - spreads retries
            async with service:
                stage.opened(f"http://{board}/", await asyncio.to_thread(_all_powerful, service.store))
                played = _Played(service, feed, mail, webhook, clock, stage)
                await played.night(pause_s)
                clock.run_on()
                summary = await played.summary()
                await stage.stay(summary)
                return summary


@dataclass
class _Played:
    """A night on its way."""

    service: Service
    feed: FeedServer
    mail: MailReceiver
    webhook: WebhookReceiver
    clock: NightClock
    stage: Stage
    shown_mails: int = 0
    shown_posts: int = 0

    async def night(self, pause_s: float) -> None:
        night = tuple(moments())
        for index, moment in enumerate(night):
            await self._until(moment.at)
            self.feed.publish_texts(moment.metars, moment.tafs, moment.at)
            self.feed.fault = moment.fault
            await self._poll()
            # A failing feed is left alone for a while; its next answer is a good one.
            self.feed.fault = None
            self._show()
            await self.stage.moment(moment, index + 1, len(night))
            await asyncio.sleep(pause_s)

    async def _until(self, moment: datetime) -> None:
        """Let the night's time pass, with a poll that finds nothing new every ten minutes."""
        while self.clock.now + _NIGHT_STEP < moment:
            self.clock.now += _NIGHT_STEP
            await self._poll()
        self.clock.now = moment

    async def _poll(self) -> None:
        for job in (f"taf {_FEED}", f"metar {_FEED}", "nights", "tick"):
            await self.service.schedule.run_now(job)
        # What came up together waits for company, and goes as one mail.
        self.clock.now += GROUP_WITHIN
        await self._delivered()

    async def _delivered(self) -> None:
        """Wait until everything that is owed now was sent; what is still owed after ten seconds is in the summary."""
        self.service.sender.wake()
        for _ in range(1000):
            counts = await asyncio.to_thread(self.service.store.outbox_counts)
            if not counts["pending"] and not counts["leased"]:
                return
            await asyncio.sleep(0.01)

    def _show(self) -> None:
        """Show each headline once, with the ways on which it arrived."""
        arrived: dict[str, list[str]] = {}
        for mail in self.mail.mails[self.shown_mails :]:
            arrived.setdefault(" ".join(str(mail["Subject"]).split()), []).append("mail")
        for post in self.webhook.posts[self.shown_posts :]:
            way = "webhook" if post.verified else "webhook with a WRONG SIGNATURE"
            arrived.setdefault(str(post.payload["data"]["headline"]), []).append(way)
        for headline, ways in arrived.items():
            self.stage.arrived(headline, ways)
        self.shown_mails, self.shown_posts = len(self.mail.mails), len(self.webhook.posts)

    async def summary(self) -> Summary:
        store = self.service.store
        events = [event for _, event in await asyncio.to_thread(store.events_after, 0, 100_000)]
        counts = await asyncio.to_thread(store.outbox_counts)
        statuses = self.feed.statuses
        by_event: dict[str, int] = {}
        for event in events:
            name = event.type.value.rsplit(".", 1)[1]
            by_event[name] = by_event.get(name, 0) + 1
        mail_ids = [mail["Message-ID"] for mail in self.mail.mails]
        return Summary(
            reports=self.service.poller.reports_received,
            unreadable=len(await asyncio.to_thread(store.unreadable, 1000)),
            episodes=len({event.subject_id for event in events if event.subject_kind is SubjectKind.EPISODE}),
            events=len(events),
            mails=len(self.mail.mails),
            webhooks=len(self.webhook.posts),
            verified=sum(post.verified for post in self.webhook.posts),
            undelivered=sum(count for state, count in counts.items() if str(state) != "sent"),
            duplicates=self.webhook.duplicates + len(mail_ids) - len(set(mail_ids)),
            polls=len(statuses),
            polls_not_modified=statuses.count(304),
            polls_failed=statuses.count(503),
            blind_stations=by_event.get("blind", 0),
            corrections=sum("COR" in moment for moment in _all_texts()),
            by_event=by_event,
        )


def _all_texts() -> set[str]:
    return {text for moment in moments() for text in moment.metars}


def _free_port() -> int:
    """Return the usual port of the board, or another one where that is taken."""
    for wanted in (_USUAL_PORT, 0):
        try:
            with socket.create_server(("127.0.0.1", wanted)) as found:
                port: int = found.getsockname()[1]
                return port
        except OSError:
            continue
    raise AssertionError


def _all_powerful(store: Store) -> str:
    token = new_token()
    store.add_token("demo", token_hash(token), SCOPES, ENDS_AT + timedelta(days=1), BEGINS_AT)
    return token


def _write_settings(  # noqa: PLR0917 - what the night is played with
    folder: Path, board: str, feed: FeedServer, mail: MailReceiver, webhook: WebhookReceiver, secret: str
) -> Path:
    (folder / "room.secret").write_text(secret)
    codes = ", ".join(f'"{station.code}"' for station in STATIONS)
    places = "\n".join(
        f'[[station]]\ncode = "{place.code}"\nname = "{place.name}"\nzone = "{place.zone}"\n'
        f'position = "{place.latitude_deg},{place.longitude_deg},{place.elevation_m}"'
        for place in STATIONS
    )
    path = folder / "hoarline.toml"
    path.write_text(f"""
[store]
url = "sqlite:///{folder / "demo.db"}"
[watch]
stations = [{codes}]
tick = "1h"
[[feed]]
name = "{_FEED}"
kind = "bulk"
metar_url = "{feed.metar_url}"
taf_url = "{feed.taf_url}"
metar_every = "1h"
taf_every = "1h"
[mail]
host = "{mail.host}"
port = {mail.port}
security = "none"
from = "Hoarline <hoarline@example.org>"
[network]
allow_private = ["127.0.0.0/8"]
[[destination]]
name = "duty-desk"
kind = "email"
address = "duty@example.org"
[[destination]]
name = "ops-room"
kind = "webhook"
url = "{webhook.url("/in")}"
secret_file = "room.secret"
[[subscription]]
name = "the whole night"
stations = "all"
to = ["duty-desk", "ops-room"]
[[subscription]]
name = "evening outlook and early morning list"
to = ["duty-desk"]
digest = ["22:30", "04:30"]
zone = "Europe/Oslo"
only_digest = true
[[parked]]
name = "Ship 4"
station = "XNOR"
departs = "06:40"
[[parked]]
name = "Ship 7"
station = "XBAY"
departs = "07:10"
fuel_c = 4.0
[health]
bind = "127.0.0.1:0"
[web]
bind = "{board}"
open_reading = true
[service]
contact = "duty@example.org"
public_url = "http://{board}"
{places}
""")
    return path
