"""The whole service under load: a front crosses 400 of 5,000 stations while 20,000 subscriptions listen. Prints JSON.

python -m tests.benchmarks.load [--postgresql] [--pace SECONDS] [--plot FILE.svg]

The service is `hoarline run` in a process of its own; mail server and webhook receivers are in another one. The front's
hour is twelve waves of reports, one every `--pace` seconds (the hour in 4 minutes when left out); with each wave a sixth
of all other stations report as well. Each message counts from the moment at which the feed had the newest report that it
tells of; the feed is asked every 5 seconds, and mails gather for 20 seconds as they do when nothing is set. Everything
stays on this machine.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import AsyncExitStack, ExitStack, closing
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import psutil
from sqlalchemy import insert, make_url, select

from tests.benchmarks.load_front import WAVES, Scene, a_scene, of_the_front, routine
from tests.benchmarks.load_plot import Sample, plotted
from tests.benchmarks.machine import machine
from tests.databases import cluster
from watcher.alerts.model import SubjectKind
from watcher.clock import utc_now
from watcher.demo.feed_files import MetarRow
from watcher.demo.feed_server import FeedServer
from watcher.demo.receivers import MailReceiver, WebhookReceiver
from watcher.notify.mail import token
from watcher.store import schema
from watcher.store.database import Database
from watcher.store.store import Store
from watcher.store.tables import delivery, delivery_event, destination, event, subscription

SECRET = "whsec_YW4gaW52ZW50ZWQgc2VjcmV0IGZvciB0aGUgdGVzdHM="
# The service starts and reads the first file meanwhile.
SETTLE_S = 45.0
LONGEST_S, LEFT_OVER_S = 60.0, 180.0
# A report is asked for and judged within so much; what comes later is not owed to it.
JUDGED_S = 30.0
ARRIVALS = "arrivals.json"
SETTINGS = """
[store]
url = "{store}"
[watch]
stations = "all"
[[feed]]
name = "world"
kind = "bulk"
metar_url = "{feed}"
metar_every = "5s"
[mail]
host = "127.0.0.1"
port = {port}
security = "none"
from = "Hoarline <hoarline@example.org>"
[network]
allow_private = ["127.0.0.0/8"]
[health]
bind = "127.0.0.1:0"
[web]
bind = "127.0.0.1:0"
[service]
contact = "duty@example.org"
"""


@dataclass
class Watched:
    """What is seen from outside while the load runs.

    `published`: when the feed had a report, by station and time. `others_load`: the machine's load average before the
    run. `cpu_s`: processor time that the service has used.
    """

    begun: float
    published: dict[tuple[str, datetime], float] = field(default_factory=dict)
    samples: list[Sample] = field(default_factory=list)
    marks: list[tuple[float, str]] = field(default_factory=list)
    others_load: float = 0.0
    cpu_s: float = 0.0

    def mark(self, words: str) -> None:
        self.marks.append((time.time() - self.begun, words))


async def receive() -> list[tuple[str, float]]:
    """Be the receivers: tell the ports, and once the other side has hung up, return when each message came."""
    arrived: list[tuple[str, float]] = []
    async with MailReceiver() as mail, WebhookReceiver(SECRET, clock=utc_now) as hook:
        mail.on_mail = lambda item: arrived.append((item["Message-ID"].strip("<>").partition("@")[0], time.time()))
        hook.on_post = lambda post: arrived.append((post.id if post.verified else "not verified", time.time()))
        print(json.dumps({"mail": mail.port, "hook": hook.url("/in")}), flush=True)
        await asyncio.to_thread(sys.stdin.read)
    return arrived


def add_people(url: str, scene: Scene, hook: str) -> None:
    now = utc_now()
    always = {"made_at": now, "changed_at": now}
    places = [spec | ({"url": hook} if spec["kind"] == "webhook" else {}) for spec in scene.destinations]
    database = Database(url)
    with database.write() as connection:
        connection.execute(
            insert(destination),
            [
                {
                    "name": spec["name"],
                    "spec": json.dumps(spec),
                    "secret": SECRET if spec["kind"] == "webhook" else None,
                    "confirmed_at": now,
                }
                | always
                for spec in places
            ],
        )
        connection.execute(
            insert(subscription),
            [
                {"name": spec["name"], "spec": json.dumps(spec), "paused": False} | always
                for spec in scene.subscriptions
            ],
        )
    database.close()


async def observe(watched: Watched, store: Store, pid: int) -> None:
    """Note each second what the service holds in memory and owes."""
    process = psutil.Process(pid)
    while True:
        counts = await asyncio.to_thread(store.outbox_counts)
        owed = counts["pending"] + counts["leased"]
        at, used = time.time() - watched.begun, process.cpu_times()
        watched.cpu_s = used.user + used.system
        watched.samples.append(
            Sample(at, process.memory_info().rss / 2**20, owed, counts["sent"], process.cpu_percent())
        )
        await asyncio.sleep(1)


async def blow(feed: FeedServer, scene: Scene, watched: Watched, pace_s: float) -> None:
    """Publish wave after wave. The file always holds the newest report of every station, as the provider's does."""
    rows: dict[str, MetarRow] = {}
    others = [code for code in scene.codes if code not in scene.arrives]
    await publish(feed, rows, [*routine(scene.codes, utc_now(), 0)], watched)
    await asyncio.sleep(SETTLE_S)
    watched.mark("the front arrives")
    for wave in range(WAVES):
        at = utc_now()
        texts = [*routine(others[wave % 6 :: 6], at, wave + 1), *of_the_front(scene, at, wave)]
        next_at = asyncio.get_running_loop().time() + pace_s
        await publish(feed, rows, texts, watched)
        await asyncio.sleep(max(next_at - asyncio.get_running_loop().time(), 0))
    watched.mark("last reports")


async def publish(feed: FeedServer, rows: dict[str, MetarRow], texts: Iterable[str], watched: Watched) -> None:
    fresh = [MetarRow.of(text, utc_now()) for text in texts]
    rows |= {row.station: row for row in fresh}
    await asyncio.to_thread(feed.publish, list(rows.values()), ())
    published = time.time()
    watched.published |= {(row.station, row.observed_at): published for row in fresh}


async def until_nothing_is_owed(watched: Watched) -> bool:
    """Return whether it came to that in time."""
    last = watched.samples[-1].at_s
    while watched.samples[-1].at_s - last < LEFT_OVER_S:
        await asyncio.sleep(1)
        if watched.samples[-1].owed == 0 and watched.samples[-1].at_s - last > 30:
            return True
    return False


@dataclass(frozen=True)
class Line:
    """One line of a message: the report that it tells of, when that made an event, and when somebody was owed it."""

    message: str
    state: str
    station: str
    observed_at: datetime
    event_at: datetime
    owed_at: datetime

    def published(self, watched: Watched) -> float:
        return watched.published[self.station, self.observed_at]


def lines_of(url: str) -> list[Line]:
    """Return each line of each message that tells of a report."""
    database = Database(url)
    query = (
        select(delivery.c.id, delivery.c.state, event.c.body, event.c.at, delivery_event.c.made_at)
        .join(delivery_event, delivery_event.c.delivery_id == delivery.c.id)
        .join(event, event.c.id == delivery_event.c.event_id)
        .where(event.c.subject_kind == SubjectKind.EPISODE.value)
    )
    with database.read() as connection:
        rows = [(name, state, json.loads(body), at, made) for name, state, body, at, made in connection.execute(query)]
    database.close()
    return [
        Line(name, state, body["station"], datetime.fromisoformat(body["observed_at"]), at, made)
        for name, state, body, at, made in rows
        if body["observed_at"] is not None
    ]


def told(url: str, arrived: Sequence[tuple[str, float]], watched: Watched) -> dict[str, Any]:
    """Return how long the messages took, from outside: from the feed's publication to the receiver."""
    lines = lines_of(url)
    # A mail's Message-ID is made of the name of the message.
    name_of = {token(line.message): line.message for line in lines}
    first: dict[str, float] = {}
    for named, at in arrived:
        first.setdefault(name_of.get(named, named), at)
    newest: dict[str, float] = {}
    oldest: dict[str, float] = {}
    for line in lines:
        published = line.published(watched)
        newest[line.message] = max(newest.get(line.message, 0.0), published)
        oldest[line.message] = min(oldest.get(line.message, 9e9), published)
    spans = sorted(first[name] - newest[name] for name in newest if name in first)
    longest = sorted(first[name] - oldest[name] for name in oldest if name in first)
    late = {name for name in oldest if name in first and first[name] - oldest[name] > LONGEST_S}
    states = Counter(state for state in {line.message: line.state for line in lines}.values())
    return {
        "messages": len(newest),
        "lines": len(lines),
        "states": dict(states),
        "never_arrived": sum(name not in first for name in newest),
        "twice": len(arrived) - len(first),
        "from_newest_report_s": quantiles(spans),
        "from_oldest_report_s": quantiles(longest),
        f"within_{LONGEST_S:.0f}_s": len(longest) - len(late),
        "late_because": why_late([line for line in lines if line.message in late], watched),
    }


def why_late(lines: Iterable[Line], watched: Watched) -> dict[str, int]:
    """Count late messages by what kept them.

    `no_report`: the event came long after the report that it names, as what only time brings does. `hours`: the event
    was there, and whoever asked for it wanted to hear nothing at that hour. `service`: neither.
    """
    why: dict[str, str] = {}
    for line in sorted(lines, key=lambda line: line.published(watched), reverse=True):
        if line.event_at.timestamp() - line.published(watched) > JUDGED_S:
            why[line.message] = "no_report"
        elif (line.owed_at - line.event_at).total_seconds() > JUDGED_S:
            why[line.message] = "hours"
        else:
            why[line.message] = "service"
    return dict(Counter(why.values()))


def quantiles(spans: Sequence[float]) -> dict[str, float]:
    if not spans:
        return {}
    at = {"median": 0.5, "p95": 0.95, "p99": 0.99}
    found = {name: round(spans[int(part * (len(spans) - 1))], 1) for name, part in at.items()}
    return found | {"longest": round(spans[-1], 1)}


async def run(url: str, folder: Path, scene: Scene, pace_s: float) -> tuple[Watched, bool]:
    """Let the front pass; return what was seen from outside, and whether all was sent in the end."""
    pipe, arrivals = asyncio.subprocess.PIPE, folder / ARRIVALS
    command = (sys.executable, "-m", "tests.benchmarks.load", "receive", str(arrivals))
    receivers = await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe)
    assert receivers.stdout is not None
    ports = json.loads(await receivers.stdout.readline())
    await asyncio.to_thread(add_people, url, scene, ports["hook"])
    async with AsyncExitStack() as stack:
        feed = await stack.enter_async_context(FeedServer())
        written = SETTINGS.format(store=url, feed=feed.metar_url, port=ports["mail"])
        settings = folder / "hoarline.toml"
        await asyncio.to_thread(settings.write_text, written, encoding="utf-8")
        log = stack.enter_context((folder / "log").open("wb"))
        service = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "watcher.cli", "run", "--config", str(settings), stdout=log, stderr=log
        )
        store = stack.enter_context(closing(Store.open(url)))
        watched = Watched(time.time(), others_load=round(os.getloadavg()[0], 1))
        looking = asyncio.create_task(observe(watched, store, service.pid))
        try:
            await blow(feed, scene, watched, pace_s)
            emptied = await until_nothing_is_owed(watched)
        finally:
            looking.cancel()
            service.terminate()
            await service.wait()
            await receivers.communicate(b"")
    return watched, emptied


def measured(url: str, folder: Path, pace_s: float, plot: Path | None) -> dict[str, Any]:
    schema.upgrade(url)
    scene = a_scene()
    watched, emptied = asyncio.run(run(url, folder, scene, pace_s))
    kind = make_url(url).get_backend_name()
    if plot is not None:
        title = f"{len(scene.codes)} stations, {len(scene.subscriptions)} subscriptions, {kind}"
        plot.write_text(plotted(watched.samples, watched.begun, watched.marks, title), encoding="utf-8")
    arrived = json.loads((folder / ARRIVALS).read_text(encoding="utf-8"))
    calm = [sample.memory_mib for sample in watched.samples if sample.at_s < SETTLE_S]
    return {
        "database": kind,
        "stations": len(scene.codes),
        "crossed": len(scene.arrives),
        "subscriptions": len(scene.subscriptions),
        "destinations": len(scene.destinations),
        "waves": WAVES,
        "pace_s": pace_s,
        "everything_sent": emptied,
        **told(url, arrived, watched),
        "most_owed": max(sample.owed for sample in watched.samples),
        "memory_before_the_front_mib": round(max(calm), 1),
        "memory_at_most_mib": round(max(sample.memory_mib for sample in watched.samples), 1),
        "service_cpu_s": round(watched.cpu_s, 1),
        "seconds": round(watched.samples[-1].at_s),
        "load_of_others_before": watched.others_load,
        "samples": [asdict(sample) for sample in watched.samples[::15]],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--postgresql", action="store_true", help="on a temporary server; left out: an SQLite file")
    parser.add_argument("--pace", type=float, default=20.0, help="seconds between two waves")
    parser.add_argument("--plot", type=Path, help="where the drawing goes, SVG")
    asked = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hoarline-load-")))
        url = f"sqlite:///{folder}/load.db"
        if asked.postgresql:
            url = stack.enter_context(stack.enter_context(cluster()).database())
        found = measured(url, folder, asked.pace, asked.plot)
    print(json.dumps(found | machine(), indent=2))


if __name__ == "__main__":
    if sys.argv[1:2] == ["receive"]:
        Path(sys.argv[2]).write_text(json.dumps(asyncio.run(receive())), encoding="utf-8")
    else:
        main()
