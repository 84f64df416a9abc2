"""Who wants what: 20,000 subscriptions against a turn in which alerts open at 400 of 5,000 stations. Prints JSON.

Of the subscriptions 70 % name five stations, 15 % a country, 14 % a circle of 50 to 500 km, 1 % want every station;
hours, quiet hours, flags and levels are mixed. The stations are the packaged table's, drawn with a seed.

python -m tests.benchmarks.match
"""

from __future__ import annotations

import gc
import json
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from importlib import resources
from random import Random
from statistics import median
from time import perf_counter, process_time
from typing import TypeVar

from tests.benchmarks.machine import machine
from watcher.alerts.changes import StationChange
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import (
    Episode,
    Event,
    EventBody,
    EventType,
    Phase,
    Policy,
    StationState,
    StationView,
    SubjectKind,
)
from watcher.alerts.subscribers import Circle, Hours, Recipient, Subscription
from watcher.alerts.tell import Telling, after_telling, tell
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Flag, Kind, Level
from watcher.stations import StationTable

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
STATIONS, CHANGED, SUBSCRIPTIONS, DESTINATIONS = 5000, 400, 20_000, 5000
ROUNDS = 7
ZONES = ("Europe/Oslo", "Europe/London", "America/Chicago", "America/New_York", "America/Anchorage", "Asia/Tokyo")
RULES = Rulebook((), "")
T = TypeVar("T")
Spent = tuple[float, float]


@dataclass(frozen=True)
class World:
    """The stations after the turn, what changed in it, and who listens."""

    views: tuple[StationView, ...]
    changes: tuple[StationChange, ...]
    subscriptions: tuple[Subscription, ...]
    recipients: tuple[Recipient, ...]


def stations(random: Random) -> list[Station]:
    table = StationTable.load()
    text = resources.files("watcher").joinpath("stations.csv").read_text(encoding="utf-8")
    codes = [line.partition(",")[0] for line in text.splitlines()[1:]]
    return sorted((table.get(code) for code in random.sample(codes, STATIONS)), key=lambda station: station.code)


def opened(station: Station, random: Random) -> StationChange:
    """Return a station at which one or two episodes have just opened."""
    flags = random.sample((Flag.DEICING_LIKELY, Flag.SNOW, Flag.FREEZING_PRECIPITATION), random.choice((1, 2)))
    levels = random.choices((Level.PREPARE, Level.TREAT, Level.NO_TIME), (5, 4, 1), k=len(flags))
    episodes = tuple(
        Episode(station.code, n, flag, Kind.OBSERVED, level, Phase.PRESENT, NOW, NOW, opened_at=NOW, seq=1)
        for n, (flag, level) in enumerate(zip(flags, levels, strict=True), 1)
    )
    events = tuple(
        Event(
            SubjectKind.EPISODE,
            episode.id,
            1,
            EventType.OPENED,
            NOW,
            EventBody(station.code, None, None, "", "", "", flag=episode.flag, level=episode.level),
        )
        for episode in episodes
    )
    view = StationView(station, StationState(station.code), episodes=episodes)
    return StationChange(station.code, 0, view, episodes=episodes, events=events)


def subscription(number: int, known: list[Station], countries: list[str], random: Random) -> Subscription:
    kind = random.choices(("stations", "country", "circle", "everywhere"), (70, 15, 14, 1))[0]
    middle = random.choice(known)
    circle = Circle(middle.latitude_deg or 0.0, middle.longitude_deg or 0.0, random.uniform(50, 500))
    return Subscription(
        name=f"subscription-{number}",
        destinations=tuple(f"destination-{n}" for n in random.sample(range(DESTINATIONS), random.choice((1, 1, 2)))),
        stations=frozenset(station.code for station in random.sample(known, 5)) if kind == "stations" else None,
        countries=frozenset({random.choice(countries)}) if kind == "country" else frozenset(),
        circles=(circle,) if kind == "circle" else (),
        flags=random.choice((None, None, frozenset({Flag.SNOW}), frozenset({Flag.DEICING_LIKELY, Flag.NO_HOLDOVER}))),
        min_level=random.choice((Level.NOTE, Level.PREPARE, Level.TREAT)),
        hours=random.choice((None, hours(random))),
        quiet=random.choice((None, None, hours(random))),
        remind_every=random.choice((None, None, timedelta(hours=1))),
    )


def hours(random: Random) -> Hours:
    begin = random.randrange(24)
    return Hours(time(begin), time((begin + random.choice((8, 12, 16))) % 24), random.choice(ZONES))


def a_world(seed: int = 1) -> World:
    random = Random(seed)
    known = stations(random)
    countries = sorted({station.country for station in known if station.country is not None})
    changes = {station.code: opened(station, random) for station in random.sample(known, CHANGED)}
    views = (
        changes[station.code].after if station.code in changes else StationView(station, StationState(station.code))
        for station in known
    )
    return World(
        views=tuple(views),
        changes=tuple(changes[code] for code in sorted(changes)),
        subscriptions=tuple(subscription(n, known, countries, random) for n in range(SUBSCRIPTIONS)),
        recipients=tuple(Recipient(f"destination-{n}", timedelta(seconds=20)) for n in range(DESTINATIONS)),
    )


def all_over(world: World) -> list[StationChange]:
    """Return the changes of a turn in which all that had opened ends."""
    return [
        replace(change, events=tuple(replace(event, seq=2, type=EventType.CLOSED) for event in change.events))
        for change in world.changes
    ]


def measured(world: World) -> tuple[Telling, dict[str, Spent]]:
    """Return what is told, and the time of each step: built, told, told again, and with nothing new."""
    args = {"rulebook": RULES, "policy": Policy()}
    listeners, build = timed(lambda: Listeners(world.subscriptions, world.recipients))
    _, first = timed(lambda: tell(world.changes, world.views, listeners, {}, now=NOW, **args))
    telling, news = timed(lambda: tell(world.changes, world.views, listeners, {}, now=NOW, **args))
    told = after_telling({}, telling.deliveries, world.changes)
    later = NOW + timedelta(minutes=1)
    again, known = timed(lambda: tell((), world.views, listeners, told, now=later, **args))
    assert again == Telling(), "nothing is told twice"
    over, endings = timed(lambda: tell(all_over(world), (), listeners, told, now=later, **args))
    assert len(over.deliveries) == len(telling.deliveries), "whoever was told is told the end"
    return telling, {
        "build": build,
        "news_first_turn_after_build": first,
        "news": news,
        "nothing_new_a_minute_later": known,
        "all_400_end": endings,
    }


def timed(work: Callable[[], T]) -> tuple[T, Spent]:
    gc.collect()
    begin = perf_counter(), process_time()
    result = work()
    return result, (perf_counter() - begin[0], process_time() - begin[1])


def in_ms(spent: list[Spent]) -> dict[str, float]:
    """Return the time by the clock, and that of this process alone, which a busy machine does not stretch as much."""
    clock, own = zip(*spent, strict=True)
    return {
        "median_ms": round(1000 * median(clock), 1),
        "best_ms": round(1000 * min(clock), 1),
        "cpu_median_ms": round(1000 * median(own), 1),
    }


def main() -> None:
    world = a_world()
    rounds = [measured(world) for _ in range(ROUNDS)]
    telling = rounds[0][0]
    times = {name: [figures[name] for _, figures in rounds] for name in rounds[0][1]}
    cpu_s = median(own for _, own in times["news"])
    by_level = Counter(item.level for item in telling.deliveries)
    print(
        json.dumps(
            {
                "subscriptions": SUBSCRIPTIONS,
                "destinations": DESTINATIONS,
                "stations": STATIONS,
                "changed_stations": CHANGED,
                "open_episodes": sum(len(view.episodes) for view in world.views),
                "deliveries": len(telling.deliveries),
                "by_level": {level.word: by_level[level] for level in Level if by_level[level]},
                **{name: in_ms(spent) for name, spent in times.items()},
                "news_cpu_us_each_delivery": round(1e6 * cpu_s / len(telling.deliveries), 2),
                **machine(),
            }
        )
    )


if __name__ == "__main__":
    main()
