"""A winter week at 500 stations looked back on for one subscription, from the store to the figures. Prints JSON.

Half-hourly reports and six-hourly forecasts of an invented week, drawn with a seed, are judged by the shipped rules at
25 stations; the others get the same stories at shifted times. Two weeks: an ordinary one, with mean temperatures
from -15 to 12 degrees as over a continent, and a hard one in which every station swings around freezing. How many
events a real winter week has is not known here: the density is printed beside the figures.

python -m tests.benchmarks.preview
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from math import cos, pi
from pathlib import Path
from random import Random
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import TypeVar

from tests.benchmarks.machine import machine
from tests.store.scenes import a_change
from watcher.alerts.changes import Changes
from watcher.alerts.judge import judge
from watcher.alerts.model import Event, Policy, StationState, StationView
from watcher.alerts.preview import Preview, preview
from watcher.alerts.subscribers import Hours, Recipient, Subscription
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.words import Level
from watcher.service.rules_folder import load_rulebook
from watcher.store.store import Store

BEGIN, DAYS, WARM_UP = datetime(2026, 1, 12, tzinfo=UTC), 7, timedelta(days=2)
# Unrest, and the mean temperatures of the coldest and the warmest station in degrees Celsius.
WEEKS = {"ordinary_week": (0.25, -15.0, 12.0), "hard_week": (1.0, -1.0, -1.0)}
JUDGED, STATIONS, TURN_MIN, ROUNDS = 25, 500, 10, 5
PRECIPITATION = ("", "", "", "", "BR", "-SN", "SN", "-RA", "-FZDZ", "FZFG")
SUBSCRIPTION = Subscription(
    "desk",
    ("desk",),
    stations=None,
    min_level=Level.PREPARE,
    hours=Hours(time(5), time(22), "Europe/Oslo"),
    digest_at=(time(5), time(17)),
    zone="Europe/Oslo",
    remind_every=timedelta(hours=1),
)
T = TypeVar("T")


def code(number: int) -> str:
    return f"X{chr(65 + number // 676)}{chr(65 + number // 26 % 26)}{chr(65 + number % 26)}"


@dataclass
class Weather:
    """A station's weather: a daily swing, slow drifts, showers that last some hours, silences.

    `unrest`: 1 changes temperatures and showers about every four hours, less makes it so much steadier.
    """

    code: str
    random: Random
    mean_c: float
    unrest: float
    drift_c: float = 0.0
    spread_c: float = 2.0
    falling: str = ""
    silent_until: datetime = BEGIN - timedelta(days=30)

    def texts(self, now: datetime) -> Iterator[str]:
        if now.minute % 30 == TURN_MIN:
            self._move_on(now)
            if now >= self.silent_until:
                temp_c = self.mean_c + self.drift_c - 3 * cos(2 * pi * (now.hour - 3) / 24)
                dew_c = temp_c - self.spread_c
                rest = f"{_as_it_falls(self.falling, temp_c)} OVC012 {_degrees(temp_c)}/{_degrees(dew_c)} Q1010"
                yield f"{self.code} {now - timedelta(minutes=TURN_MIN):%d%H%M}Z 05006KT 4000 {' '.join(rest.split())}"
        if now.hour % 6 == 5 and now.minute == 0:
            begin = now + timedelta(hours=self.random.randint(1, 8))
            end = begin + timedelta(hours=self.random.randint(2, 5))
            change = _as_it_falls(self.random.choice(("-SN", "SN", "-FZDZ", "NSW", "NSW", "BR", "BR")), self.mean_c)
            valid = f"{now:%d%H}/{now + timedelta(hours=24):%d%H}"
            yield f"TAF {self.code} {now:%d%H%M}Z {valid} 05006KT 9999 OVC020 TEMPO {begin:%d%H}/{end:%d%H} 3000 {change}"

    def _move_on(self, now: datetime) -> None:
        self.drift_c = 0.985 * self.drift_c + self.unrest * self.random.gauss(0, 0.5)
        self.spread_c = max(0.0, 0.95 * self.spread_c + self.unrest * self.random.gauss(0.1, 0.4))
        if self.random.random() < self.unrest / 8:
            self.falling = self.random.choice(PRECIPITATION)
        if self.random.random() < self.unrest / 300:
            self.silent_until = now + timedelta(hours=self.random.choice((2, 4, 8)))


def _as_it_falls(weather: str, temp_c: float) -> str:
    """Return rain for what would not reach the ground frozen, snow for rain in the cold."""
    if temp_c > 2 and ("SN" in weather or "FZ" in weather):
        return "-RA"
    return "-SN" if temp_c < 0 and weather == "-RA" else weather


def _degrees(value: float) -> str:
    return f"{'M' if round(value) < 0 else ''}{abs(round(value)):02d}"


def judged_week(unrest: float, coldest_c: float, warmest_c: float) -> list[Event]:
    """Return the events that the shipped rules make of the week and two days before it."""
    book, policy = load_rulebook(), Policy()
    step_c = (warmest_c - coldest_c) / (JUDGED - 1)
    weather = [Weather(code(n), Random(n), coldest_c + n * step_c, unrest) for n in range(JUDGED)]
    views = {
        item.code: StationView(Station(item.code, None, "NO", 60.0, 11.0), StationState(item.code)) for item in weather
    }
    events: list[Event] = []
    for minute in range(0, int((WARM_UP + timedelta(days=DAYS)).total_seconds() // 60), TURN_MIN):
        now = BEGIN - WARM_UP + timedelta(minutes=minute)
        reports = [_report(text, now) for item in weather for text in item.texts(now)]
        made = judge(views, reports, rulebook=book, policy=policy, now=now)
        views.update((change.station, change.after) for change in made)
        events.extend(event for change in made for event in change.events)
    return events


def _report(text: str, now: datetime) -> Report:
    return Report(decode_report(text, received_at=now, second_reader=False), text_hash(text), "world", now)


def of_all_stations(events: list[Event]) -> list[Event]:
    """Return the same stories at twenty times as many stations, each by some minutes later."""
    found = []
    for event in events:
        for copy in range(STATIONS // JUDGED):
            name = code(JUDGED * copy + _number(event.body.station))
            later = event.at + timedelta(minutes=copy)
            body = replace(event.body, station=name)
            subject = event.subject_id.replace(event.body.station, name)
            found.append(replace(event, subject_id=subject, at=later, body=body))
    return sorted(found, key=lambda event: event.at)


def _number(name: str) -> int:
    return (ord(name[1]) - 65) * 676 + (ord(name[2]) - 65) * 26 + ord(name[3]) - 65


def keep(store: Store, events: list[Event]) -> None:
    """Write the events into the store, an hour in each commit."""
    by_hour: dict[datetime, dict[str, list[Event]]] = defaultdict(lambda: defaultdict(list))
    for event in events:
        by_hour[event.at.replace(minute=0)][event.body.station].append(event)
    versions: dict[str, int] = defaultdict(int)
    for hour, by_station in by_hour.items():
        changes = [a_change(name, versions[name], events=tuple(made)) for name, made in by_station.items()]
        for name in by_station:
            versions[name] += 1
        store.commit(Changes(hour, tuple(changes)))


def timed(work: Callable[[], T]) -> tuple[T, float, float]:
    begin = perf_counter(), process_time()
    result = work()
    return result, perf_counter() - begin[0], process_time() - begin[1]


def looked_back(events: tuple[Event, ...]) -> Preview:
    return preview(
        [SUBSCRIPTION],
        [Recipient("desk", timedelta(seconds=20))],
        events,
        stations=lambda name: Station(name, None, "NO", 60.0, 11.0),
        begin=BEGIN,
        until=BEGIN + timedelta(days=DAYS),
        policy=Policy(),
    )


def measured(*weather: float) -> dict[str, object]:
    events = of_all_stations(judged_week(*weather))
    reading, telling = [], []
    with TemporaryDirectory() as folder, closing(Store.open(f"sqlite:///{Path(folder) / 'week.db'}")) as store:
        keep(store, events)
        for _ in range(ROUNDS):
            read, *spent = timed(lambda: store.events_between(BEGIN - WARM_UP, BEGIN + timedelta(days=DAYS)))
            reading.append(spent)
            found, *spent = timed(lambda read=read: looked_back(read))
            telling.append(spent)
    whole = [(first[0] + second[0], first[1] + second[1]) for first, second in zip(reading, telling, strict=True)]
    return {
        "events": len(read),
        "events_a_station_and_week": round(len(read) / STATIONS / (DAYS + WARM_UP.days) * 7, 1),
        "messages": len(found.messages),
        "told": sum(len(message.items) for message in found.messages),
        "digests": len(found.digests),
        "read_and_validated": in_s(reading),
        "told_again": in_s(telling),
        "together": in_s(whole),
    }


def main() -> None:
    weeks = {name: measured(*weather) for name, weather in WEEKS.items()}
    print(json.dumps({"stations": STATIONS, "days": DAYS, "warm_up_days": WARM_UP.days, **weeks, **machine()}))


def in_s(spent: list[list[float]] | list[tuple[float, float]]) -> dict[str, float]:
    """Return the time by the clock, and that of this process alone."""
    return {
        "median_s": round(median(item[0] for item in spent), 3),
        "best_s": round(min(item[0] for item in spent), 3),
        "cpu_median_s": round(median(item[1] for item in spent), 3),
    }


if __name__ == "__main__":
    main()
