"""A thousand treated aircraft judged again when a report comes in. Prints JSON.

At one station, and spread over 200 stations that all report at once; every fluid of the shipped tables, begun over two
hours, each having stood in up to five reports. Judged alone, and as a whole turn of the cycle with the store.

python -m tests.benchmarks.protection
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter

from tests.benchmarks.machine import machine
from watcher.alerts.judge import judge
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy, StationState, StationView
from watcher.alerts.protections import move
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.service.cycle import Cycle, Watch
from watcher.service.rules_folder import load_rulebook
from watcher.service.tables_folder import load_tables
from watcher.stations import StationTable
from watcher.store.store import Store
from watcher.treatment.clocks import Answers
from watcher.treatment.protection import Protection, counts_from
from watcher.treatment.tables import Tables
from watcher.treatment.words import FluidType

COUNT, ROUNDS = 1000, 7
NOW = datetime(2026, 1, 12, 6, 20, tzinfo=UTC)
FLUIDS = (
    (FluidType.I, None),
    (FluidType.II, "100/0"),
    (FluidType.II, "75/25"),
    (FluidType.III, "100/0"),
    (FluidType.IV, "100/0"),
    (FluidType.IV, "75/25"),
)
WEATHER = ("-SN", "-SN BR", "SN", "-FZDZ", "FZFG")


def code(number: int) -> str:
    return f"X{chr(65 + number // 676)}{chr(65 + number // 26 % 26)}{chr(65 + number % 26)}"


def report(station: str, observed_at: datetime, random: Random) -> Report:
    weather, visibility = random.choice(WEATHER), random.choice(("2500", "3000", "4000", "6000"))
    temp = random.randint(2, 9)
    text = f"METAR {station} {observed_at:%d%H%M}Z 00000KT {visibility} {weather} OVC008 M0{temp}/M0{temp + 1} Q1010"
    return Report(decode_report(text, received_at=observed_at), text_hash(text), "world", observed_at)


def aircraft(stations: list[Station], random: Random) -> list[Protection]:
    made = []
    for number in range(COUNT):
        started_at = NOW - timedelta(minutes=random.randint(5, 120))
        fluid, mix = random.choice(FLUIDS)
        station = random.choice(stations).code
        since = counts_from(started_at, [])
        made.append(
            Protection(
                f"{station}-P{number + 1}", station, f"HL-{number}", fluid, mix, started_at, since,
                flaps_set=random.random() < 0.2, training=True,
            )
        )  # fmt: skip
    return made


def views_with(
    views: dict[str, StationView], reports: list[Report], book: Rulebook, now: datetime
) -> dict[str, StationView]:
    changes = judge(views, reports, rulebook=book, policy=Policy(), now=now)
    return {**views, **{change.station: change.after for change in changes}}


def by_station(reports: list[Report]) -> dict[str, list[Report]]:
    return {str(getattr(each.decoded, "station", "")): [each] for each in reports}


def judged(count: int, tables: Tables, book: Rulebook) -> dict[str, object]:
    """Return the time to judge all again on a new report at each of so many stations."""
    random = Random(5)
    stations = [Station(code(number), latitude_deg=60.0, longitude_deg=11.0) for number in range(count)]
    views = {station.code: StationView(station, StationState(station.code)) for station in stations}
    live = {each.id: each for each in aircraft(stations, random)}
    seconds, anew = [], []
    answers = Answers(tables)
    for turn in range(5):
        now = NOW + timedelta(minutes=20 * (turn - 5))
        reports = [report(station.code, now, random) for station in stations]
        views = views_with(views, reports, book, now)
        found = move(live.values(), views, by_station(reports), answers, now)
        live.update((each.id, each) for each in found.protections)
    reports = [report(station.code, NOW, random) for station in stations]
    views = views_with(views, reports, book, NOW)
    heard = by_station(reports)
    for _ in range(ROUNDS):
        begun = perf_counter()
        found = move(live.values(), views, heard, answers, NOW)
        seconds.append(perf_counter() - begun)
        anew.append(_timed(lambda: move(live.values(), views, heard, tables, NOW)))
    seen = [len(each.seen) for each in live.values()]
    return {
        "stations": count,
        "protections": len(live),
        "changed": len(found.protections),
        "events": len(found.events),
        "weather_seen_mean": round(sum(seen) / len(seen), 1),
        "judged_first_ms": round(1000 * seconds[0], 1),
        "judged_ms": round(1000 * median(seconds), 1),
        "judged_without_kept_answers_ms": round(1000 * median(anew), 1),
    }


def turned(count: int, tables: Tables, book: Rulebook) -> dict[str, object]:
    """Return the time of whole turns with the store, without and with the aircraft, on a new report at each station."""
    found: dict[str, object] = {"stations": count}
    for name, there in (("turn_without_ms", False), ("turn_with_ms", True)):
        found[name] = round(1000 * _turn(count, tables, book, there=there), 1)
    return found


def _turn(count: int, tables: Tables, book: Rulebook, *, there: bool) -> float:
    random = Random(5)
    stations = [Station(code(number), latitude_deg=60.0, longitude_deg=11.0) for number in range(count)]
    listeners = Listeners([Subscription("all", ("desk",))], [Recipient("desk")])
    with TemporaryDirectory() as folder, closing(Store.open(f"sqlite:///{Path(folder) / 'hoarline.db'}")) as store:
        watch = Watch(
            frozenset(station.code for station in stations),
            StationTable({station.code: station for station in stations}),
            book, Policy(), tables if there else None,
        )  # fmt: skip
        cycle = Cycle(store, watch, listeners)
        cycle.load(NOW - timedelta(minutes=200))
        for each in aircraft(stations, random) if there else ():
            store.add_protection(replace(each, id=""))
        seconds: list[float] = []
        for turn in range(6):
            now = NOW + timedelta(minutes=20 * (turn - 5))
            reports = [report(station.code, now, random) for station in stations]
            seconds.append(_timed(lambda reports=reports, now=now: cycle.turn(reports, now)))  # type: ignore[misc]
        return median(seconds[2:])


def _timed(work: Callable[[], object]) -> float:
    begun = perf_counter()
    work()
    return perf_counter() - begun


def main() -> None:
    tables, book = load_tables(), load_rulebook()
    figures = {
        "judged": [judged(count, tables, book) for count in (1, 200)],
        "turns": [turned(count, tables, book) for count in (1, 200)],
    }
    print(json.dumps({**machine(), **figures}, indent=1))


if __name__ == "__main__":
    main()
