"""The stations of partitions rehearsed by several processes, some stations at a time, each result kept when it is made.

What is kept already is not made again, so that a run that was broken off goes on from there.
"""

from __future__ import annotations

import multiprocessing
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from heapq import merge
from itertools import islice
from math import ceil
from operator import attrgetter
from pathlib import Path

from watcher.alerts.model import Event, Policy
from watcher.replay.gathering.model import Partition
from watcher.replay.gathering.stored import stored_reports
from watcher.replay.rehearsal.files import Kept, clear_drafts, content_of, keep, kept_in, key_of, read_events, read_runs
from watcher.replay.rehearsal.model import Span, StationRun
from watcher.replay.rehearsal.station import rehearse_station
from watcher.replay.work.worker import begin_worker
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook

# So many parts at least, so that work is shared evenly and little is lost when a run is broken off; and so many at
# most, for the results of all are open at once when they are put in one order.
LEAST_PARTS, MOST_PARTS = 8, 250
# Stations that are rehearsed together where these bounds leave it open.
AT_ONCE = 4


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """All that a rehearsal made, in files that are read station by station, or event by event.

    `fingerprint`: of the rulebook. `made`, `found`: how many stations were rehearsed now, and had been before.
    """

    fingerprint: str
    kept: tuple[Kept, ...]
    made: int
    found: int

    def runs(self, *, events: bool = False) -> Iterator[StationRun]:
        """Yield the stations, without their events unless they are asked for."""
        for kept in self.kept:
            yield from _with_events(kept) if events else read_runs(kept)

    def events(self) -> Iterator[Event]:
        """Yield the events of all stations by time."""
        return merge(*(read_events(kept) for kept in self.kept), key=attrgetter("at"))


def _with_events(kept: Kept) -> Iterator[StationRun]:
    by_station: dict[str, list[Event]] = defaultdict(list)
    for event in read_events(kept):
        by_station[event.body.station].append(event)
    for run in read_runs(kept):
        yield replace(run, events=tuple(by_station.pop(run.station, ())))


@dataclass(frozen=True, slots=True)
class _Part:
    """Some stations of a partition, and all that their result rests on."""

    partition: Partition
    stations: tuple[Station, ...]
    rulebook: Rulebook
    policy: Policy
    span: Span
    kept: Kept


def rehearse(
    partitions: Iterable[Partition],
    folder: Path,
    *,
    station_of: Callable[[str], Station],
    rulebook: Rulebook,
    policy: Policy,
    span: Span,
    only: frozenset[str] | None = None,
    processes: int = 1,
    fresh: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Rehearsal:
    """Rehearse the stations of partitions.

    Parameters
    ----------
    partitions
        What `gather` made.
    folder
        Where results are kept.
    station_of
        Gives the station of a code.
    rulebook, policy
        The rules and the settings of the judgement.
    span
        Which reports count, and to when stations are watched.
    only
        The stations that count, None: all.
    processes
        How many work at once; 1: this one alone.
    fresh
        Make again what is kept already.
    progress
        Told how many stations are done, and of how many.

    Raises
    ------
    HoarlineError
        When the folder does not take a result.
    """
    clear_drafts(folder)
    parts = list(_parts(partitions, folder, station_of, rulebook, policy, span, only))
    missing = [part for part in parts if fresh or not part.kept.taken()]
    total = sum(len(part.stations) for part in parts)
    done = found = total - sum(len(part.stations) for part in missing)
    if progress is not None:
        progress(done, total)
    for part in _made(missing, processes):
        done += len(part.stations)
        if progress is not None:
            progress(done, total)
    return Rehearsal(rulebook.fingerprint, tuple(part.kept for part in parts), done - found, found)


def _parts(  # noqa: PLR0917 - private, called once
    partitions: Iterable[Partition],
    folder: Path,
    station_of: Callable[[str], Station],
    rulebook: Rulebook,
    policy: Policy,
    span: Span,
    only: frozenset[str] | None,
) -> Iterator[_Part]:
    counted = [(item, [code for code in item.stations if only is None or code in only]) for item in partitions]
    total = sum(len(codes) for _, codes in counted)
    at_once = max(1, min(AT_ONCE, total // LEAST_PARTS), ceil(total / MOST_PARTS))
    for partition, codes in counted:
        if not codes:
            continue
        content = content_of(path for path in (partition.reports, partition.forecasts) if path is not None)
        for together in (codes[first : first + at_once] for first in range(0, len(codes), at_once)):
            stations = tuple(station_of(code) for code in together)
            key = key_of(content, stations, rulebook.fingerprint, policy, span)
            yield _Part(partition, stations, rulebook, policy, span, kept_in(folder, key))


def _made(parts: Sequence[_Part], processes: int) -> Iterator[_Part]:
    """Make what is missing; yield each part when it is kept."""
    if processes <= 1 or len(parts) <= 1:
        for part in parts:
            _rehearse_part(part)
            yield part
        return
    # A fresh interpreter for each: a fork would copy the threads of the library that reads the columns.
    context = multiprocessing.get_context("spawn")
    workers = min(processes, len(parts))
    with ProcessPoolExecutor(workers, mp_context=context, initializer=begin_worker) as pool:
        waiting = iter(parts)
        running: dict[Future[None], _Part] = {}
        try:
            while True:
                for part in islice(waiting, 2 * workers - len(running)):
                    running[pool.submit(_rehearse_part, part)] = part
                if not running:
                    return
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    future.result()
                    yield running.pop(future)
        except BaseException:
            # What is under way is made again by the next run; nobody should wait for it now.
            pool.shutdown(wait=False, cancel_futures=True)
            for worker in multiprocessing.active_children():
                worker.terminate()
            raise


def _rehearse_part(part: _Part) -> None:
    found = (_rehearse_one(part, station) for station in part.stations)
    keep(part.kept, [run for run in found if run is not None])


def _rehearse_one(part: _Part, station: Station) -> StationRun | None:
    reports = _in_time(stored_reports(part.partition, [station.code]), part.span)
    return rehearse_station(station, reports, rulebook=part.rulebook, policy=part.policy, until=part.span.watched_until)


def _in_time(reports: Iterable[Report], span: Span) -> Iterator[Report]:
    for report in reports:
        if span.until is not None and report.received_at >= span.until:
            return
        if span.begin is None or report.received_at >= span.begin:
            yield report
