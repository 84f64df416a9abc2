"""An archive heard again report by report through the judgement itself, then told and compared. Prints JSON.

An invented winter (`tests/replay/winters.py`), half-hourly reports with SPECIs, silences and six-hourly forecasts, is
rehearsed by the shipped rules with one process and with two, found again, told, and held against other rules. The same
is done without forecasts, for they are the half of the work.

python -m tests.benchmarks.replay_rehearsal [STATIONS] [DAYS]
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import TypeVar

from tests.benchmarks.machine import machine
from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import Policy
from watcher.replay.comparison.episodes import compare, rule_changes
from watcher.replay.comparison.model import Side
from watcher.replay.messages import AT_ONE_DESK, ONE_DESK, message_loads
from watcher.replay.rehearsal.model import Span
from watcher.replay.rehearsal.pool import Rehearsal, rehearse
from watcher.replay.rehearsal.totals import totals_of
from watcher.rulebook.model import Rulebook
from watcher.service.rules_folder import load_rulebook

YEAR_OF_100_STATIONS = 100 * 365 * 48
T = TypeVar("T")


def main(stations: int = 16, days: int = 60) -> None:
    """Measure and print."""
    found: dict[str, object] = {"stations": stations, "days": days}
    for name, tafs in (("with_forecasts", True), ("without_forecasts", False)):
        with TemporaryDirectory() as folder:
            found[name] = measured(Winter(stations=stations, days=days, seed=4), Path(folder), tafs=tafs)
    found["peak_mib"] = round(max(getrusage(who).ru_maxrss for who in (RUSAGE_SELF, RUSAGE_CHILDREN)) / 1024)
    print(json.dumps({**found, "machine": machine()}, indent=1))


def measured(winter: Winter, folder: Path, *, tafs: bool) -> dict[str, object]:
    """Return what one archive takes."""
    book, places = load_rulebook(), positions(winter)
    parts = partitions(winter, folder / "table", tafs=tafs)
    until = winter.begins_at + timedelta(days=winter.days)

    def again(kept: str, processes: int, rules: Rulebook) -> Callable[[], Rehearsal]:
        return partial(
            rehearse,
            parts,
            folder / kept,
            station_of=places.__getitem__,
            rulebook=rules,
            policy=Policy(),
            span=Span(until),
            processes=processes,
        )

    one_s, one_cpu_s, _ = timed(again("one", 1, book))
    two_s, two_cpu_s, rehearsed = timed(again("two", 2, book))
    found_s, _, _ = timed(again("two", 2, book))
    stricter = Rulebook(tuple(rule for rule in book.rules if rule.name != "cold-and-moist"), "stricter")
    _, _, other = timed(again("other", 2, stricter))
    told = partial(
        message_loads,
        rehearsed.events(),
        [ONE_DESK],
        [AT_ONE_DESK],
        station_of=places.__getitem__,
        begin=winter.begins_at,
        until=until,
        policy=Policy(),
    )
    told_s, _, (load,) = timed(told)
    sides = [Side("", 0, each.fingerprint, ()) for each in (book, stricter)]
    compared_s, _, comparison = timed(
        lambda: compare(
            rehearsed.runs(), other.runs(), now=sides[0], other=sides[1], rules=rule_changes(book, stricter)
        )
    )
    totals = totals_of(rehearsed.runs())
    heard = totals.reports + totals.forecasts
    return {
        "reports": totals.reports,
        "forecasts": totals.forecasts,
        "episodes": totals.episodes,
        "messages": load.messages,
        "one_process_reports_a_s": round(heard / one_s),
        "two_processes_reports_a_s": round(heard / two_s),
        "one_process_reports_a_processor_s": round(heard / one_cpu_s),
        "two_processes_reports_a_processor_s": round(heard / two_cpu_s),
        "year_of_100_half_hourly_stations_min": round(YEAR_OF_100_STATIONS * two_s / totals.reports / 60, 1),
        "found_again_s": round(found_s, 2),
        "told_s": round(told_s, 2),
        "compared_s": round(compared_s, 2),
        "differences": len(comparison.differences) + comparison.left_out,
    }


def timed(work: Callable[[], T]) -> tuple[float, float, T]:
    """Return how many seconds something took by the clock, how many of processors, and what it gave."""
    begun, cpu_before = perf_counter(), cpu_s()
    found = work()
    return perf_counter() - begun, cpu_s() - cpu_before, found


def cpu_s() -> float:
    """Return the processor time of this process and of its children that have ended, in seconds."""
    used = [getrusage(who) for who in (RUSAGE_SELF, RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
