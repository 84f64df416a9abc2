"""Figures of the store: a turn of the whole world, a restart with 5,000 stations, the outbox. Prints JSON.

python -m tests.benchmarks.store
"""

from __future__ import annotations

import gzip
import json
import platform
import sqlite3
import statistics
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from sqlalchemy import event

from tests.store.scenes import a_change, a_delivery, an_episode, an_event
from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.judge import judge
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy, StationState, StationView
from watcher.alerts.outbox import Settled
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import tell
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.reports.station import Station
from watcher.rulebook.observed import moment_of
from watcher.service.rules_folder import load_rulebook
from watcher.store.store import Store

WORLD = Path(__file__).parent.parent / "data" / "reports" / "awc-metars-cache-20141218.csv.gz"
NOW = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)
DESTINATIONS = tuple(f"destination-{n}" for n in range(50))
LISTENERS = Listeners([Subscription("all", DESTINATIONS[:10])], [Recipient(name) for name in DESTINATIONS])
STATIONS, HISTORY_H, EVERY_MIN = 5000, 12, 30
DELIVERIES = 10_000
TURNS = 40
GATHERED = timedelta(seconds=20)
ROUNDS = 5


def code_of(number: int) -> str:
    return f"{'KLMNP'[number // 1000]}{number % 1000:03d}"


def seconds(work: Callable[[], object]) -> float:
    begin = perf_counter()
    work()
    return perf_counter() - begin


def rounded(times: Sequence[float]) -> dict[str, float]:
    return {"median_ms": round(1000 * statistics.median(times), 1), "worst_ms": round(1000 * max(times), 1)}


def heard(text: str, received_at: datetime, observed_at: datetime | None = None, kind: str | None = None) -> Report:
    decoded = decode_report(text, received_at=received_at, kind=kind, observed_at=observed_at, second_reader=False)
    return Report(decoded, text_hash(text), "world", received_at)


def a_turn_of_the_world() -> Changes:
    """Return the real first turn: 4,538 reports, the shipped rules, ten destinations that want everything."""
    rows = parse_metar_csv(gzip.decompress(WORLD.read_bytes())).reports
    reports = [heard(row.text, NOW, row.observed_at, row.kind) for row in rows]
    codes = sorted({report.decoded.station for report in reports if isinstance(report.decoded, Observation)})
    views = {code: StationView(Station(code), StationState(code)) for code in codes}
    rulebook = load_rulebook()
    made = judge(views, reports, rulebook=rulebook, policy=Policy(), now=NOW)
    views |= {change.station: change.after for change in made}
    telling = tell(made, views.values(), LISTENERS, {}, rulebook=rulebook, policy=Policy(), now=NOW)
    return Changes(NOW, tuple(change for change in made if not change.quiet), telling.deliveries)


def shared(changes: Changes) -> Changes:
    """Return the same changes for destinations that gather what comes up within 20 seconds."""
    return replace(
        changes, deliveries=tuple(replace(item, group_within=timedelta(seconds=20)) for item in changes.deliveries)
    )


def one_report_each(changes: Changes) -> Changes:
    """Return changes of as many stations, each new, with one report and nothing to tell."""
    one = next(change for change in changes.stations if change.reports)
    return Changes(
        NOW,
        tuple(
            replace(one, station=code_of(n), expects_version=0, episodes=(), events=(), superseded=())
            for n in range(4538)
        ),
    )


def sync_less(store: Store) -> None:
    """Turn synchronous from FULL to NORMAL, to see what FULL costs."""
    writer = store._database._writer
    event.listen(writer, "connect", lambda connection, _: connection.execute("PRAGMA synchronous = NORMAL").close())
    writer.dispose()


def committing(folder: Path) -> dict[str, object]:
    world = a_turn_of_the_world()
    plain = one_report_each(world)
    small = Changes(NOW, (a_change("XNOR"),))
    times: dict[str, list[float]] = {
        name: [] for name in ("world", "told", "again", "shared", "plain", "small_full", "small_normal", "bare")
    }
    rows = 0
    for turn in range(ROUNDS):
        with closing(Store.open(f"sqlite:///{folder}/world-{turn}.db")) as store:
            times["world"].append(seconds(lambda store=store: store.commit(world)))
            times["told"].append(seconds(lambda store=store: store.told(NOW)))
            nothing_new = Changes(NOW, deliveries=world.deliveries)
            times["again"].append(seconds(lambda store=store, changes=nothing_new: store.commit(changes)))
        rows, bare_s = bare_copy(folder / f"world-{turn}.db", folder / f"bare-{turn}.db")
        times["bare"].append(bare_s)
        with closing(Store.open(f"sqlite:///{folder}/shared-{turn}.db")) as store:
            times["shared"].append(seconds(lambda store=store: store.commit(shared(world))))
        with closing(Store.open(f"sqlite:///{folder}/plain-{turn}.db")) as store:
            times["plain"].append(seconds(lambda store=store: store.commit(plain)))
    for name in ("small_full", "small_normal"):
        with closing(Store.open(f"sqlite:///{folder}/{name}.db")) as store:
            if name == "small_normal":
                sync_less(store)
            for turn in range(100):
                change = replace(small.stations[0], expects_version=turn)
                times[name].append(seconds(lambda c=change, s=store: s.commit(Changes(NOW, (c,)))))
    return {
        "station_changes": len(world.stations),
        "reports": sum(len(change.reports) for change in world.stations),
        "episodes": sum(len(change.episodes) for change in world.stations),
        "deliveries": len(world.deliveries),
        "rows": rows,
        "world_turn": rounded(times["world"]),
        "world_turn_shared": rounded(times["shared"]),
        "told_of_all": rounded(times["told"]),
        "all_that_is_owed_asked_for_again": rounded(times["again"]),
        "rows_by_the_bare_driver": rounded(times["bare"]),
        "world_turn_over_bare_driver": round(statistics.median(times["world"]) / statistics.median(times["bare"]), 2),
        "4538_new_stations_with_a_report": rounded(times["plain"]),
        "one_station": rounded(times["small_full"]),
        "one_station_synchronous_normal": rounded(times["small_normal"]),
    }


def bare_copy(source: Path, target: Path) -> tuple[int, float]:
    """Write the same rows into the same tables with the standard library alone, in one transaction."""
    Store.open(f"sqlite:///{target}").close()
    with closing(sqlite3.connect(source)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        tables = {
            name: connection.execute(f"SELECT * FROM {name}").fetchall()
            for name in names
            if name not in {"alembic_version", "sqlite_sequence"}
        }
    with closing(sqlite3.connect(target)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        begin = perf_counter()
        for name, rows in tables.items():
            if rows:
                connection.executemany(f"INSERT INTO {name} VALUES ({', '.join('?' * len(rows[0]))})", rows)
        connection.commit()
        return sum(map(len, tables.values())), perf_counter() - begin


def a_station_with_history(number: int) -> StationChange:
    """Return a station with half-hourly reports of the past 12 hours and a forecast; every tenth has an episode."""
    code = code_of(number)
    times = [NOW - timedelta(minutes=EVERY_MIN * n + 10) for n in reversed(range(HISTORY_H * 60 // EVERY_MIN))]
    reports = [heard(f"METAR {code} {at:%d%H%M}Z 05008KT 4000 -SN BR OVC008 M01/M02 Q1008", at) for at in times]
    forecast = heard(f"TAF {code} 180500Z 1806/1906 05008KT 4000 -SN OVC008 BECMG 1810/1812 9999 NSW BKN020", NOW)
    change = a_change(code)
    after = replace(
        change.after,
        latest=reports[-1],
        forecast=forecast,
        history=tuple(moment_of(report.decoded) for report in reports if isinstance(report.decoded, Observation)),
    )
    episodes = (an_episode(1, code),) if number % 10 == 0 else ()
    return replace(change, after=after, reports=(*reports, forecast), episodes=episodes)


def loading(folder: Path) -> dict[str, object]:
    made = [a_station_with_history(number) for number in range(STATIONS)]
    stations = [change.after.station for change in made]
    with closing(Store.open(f"sqlite:///{folder}/load.db")) as store:
        for begin in range(0, STATIONS, 500):
            store.commit(Changes(NOW, tuple(made[begin : begin + 500])))
        views = store.load(stations, now=NOW)
        assert all(len(view.history) == len(made[0].after.history) for view in views.values())
        assert all(view.latest is not None and view.forecast is not None for view in views.values())
        times = [seconds(lambda: store.load(stations, now=NOW)) for _ in range(ROUNDS)]
    return {
        "stations": STATIONS,
        "moments": sum(len(view.history) for view in views.values()),
        "load": rounded(times),
    }


def sending(folder: Path) -> dict[str, object]:
    """10,000 messages to 50 destinations: claimed 200 at a time, settled sent, until none is left."""
    subjects = DELIVERIES // len(DESTINATIONS)
    with closing(Store.open(f"sqlite:///{folder}/send.db")) as store:
        owe_turn(store, 0, range(subjects), None)
        alone = emptied(store, NOW)
        assert store.outbox_counts()["sent"] == DELIVERIES
        # Everyone was told of every episode before, as far into the night as it goes.
        for turn in range(1, TURNS):
            owe_turn(store, turn, range(subjects // TURNS), GATHERED)
            if turn % 10 == 0:
                emptied(store, NOW + 2 * GATHERED * turn)
        emptied(store, NOW + 2 * GATHERED * TURNS)
        owe_turn(store, TURNS, range(subjects), GATHERED)
        gathered = emptied(store, NOW + 2 * GATHERED * (TURNS + 1))
    return {
        "deliveries": DELIVERIES,
        "destinations": len(DESTINATIONS),
        "alone": alone,
        "shared_after_a_long_night": gathered,
    }


def owe_turn(store: Store, turn: int, subjects: range, group_within: timedelta | None) -> None:
    """Owe one event of each subject to every destination."""
    at = NOW + 2 * GATHERED * turn
    events = [an_event(f"XNOR-{number}", turn + 1, at=at) for number in subjects]
    owed = tuple(a_delivery(name, item, group_within=group_within) for item in events for name in DESTINATIONS)
    store.commit(Changes(at, (a_change("XNOR", turn, events=tuple(events)),), owed))


def emptied(store: Store, now: datetime) -> dict[str, object]:
    """Claim and settle until nothing is left; return the figures."""
    claims, settles, sent, events = [], [], list[str](), 0
    while True:
        begin = perf_counter()
        claimed = store.claim(now, limit=200, lease=timedelta(minutes=2), per_destination=4)
        claims.append(perf_counter() - begin)
        if not claimed:
            break
        sent.extend(item.id for item in claimed)
        events += sum(len(item.items) for item in claimed)
        results = [Settled(item.id, "sent") for item in claimed]
        settles.append(seconds(lambda results=results: store.settle(results, now)))
    assert len(sent) == len(set(sent))
    return {
        "messages": len(sent),
        "events": events,
        "claim_of_200": rounded(claims[:-1]),
        "settle_of_200": rounded(settles),
        "messages_claimed_and_settled_a_second": round(len(sent) / (sum(claims) + sum(settles))),
        "events_claimed_and_settled_a_second": round(events / (sum(claims) + sum(settles))),
    }


def main() -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        figures = {
            "machine": {
                "python": platform.python_version(),
                "processor": platform.machine(),
                "system": platform.system(),
            },
            "versions": {"sqlalchemy": version("sqlalchemy"), "sqlite": sqlite3.sqlite_version},
            "commit": committing(folder),
            "restart": loading(folder),
            "outbox": sending(folder),
        }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    main()
