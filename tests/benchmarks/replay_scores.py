"""Scores of the shipped rules over invented winters: 35 million reports from Parquet to scores. Prints one JSON object.

The winters are drawn first (tests/replay/winters.py), a file for every million reports, and are not timed. What is timed
reads them from there: facts, verdicts and episodes of all observed rules, what the reports tell afterwards, every score,
its intervals (1,000 draws of whole stations), and the JSON of it.

python -m tests.benchmarks.replay_scores [--rows 35000000] [--processes 2] [--keep FOLDER]
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import threading
import time
from functools import partial
from pathlib import Path
from typing import Self

import polars as pl
import psutil

from tests.benchmarks.machine import machine
from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import Policy
from watcher.replay.cluster import over_partitions
from watcher.replay.gathering.model import Partition
from watcher.replay.scores.columns import tally_partition
from watcher.replay.scores.contract import to_json
from watcher.replay.scores.score import score
from watcher.replay.scores.tally import together
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

DAYS = 151
A_DAY = 48


class Peak:
    """The resident memory of this process and its children together, looked at ten times a second."""

    def __init__(self) -> None:
        self.mib = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        own = psutil.Process()
        while not self._stop.wait(0.1):
            total = 0
            for process in (own, *own.children(recursive=True)):
                try:
                    total += process.memory_info().rss
                except psutil.Error:
                    continue
            self.mib = max(self.mib, total / 2**20)


def cpu_s() -> float:
    """Processor time of this process and of those that it has waited for."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def drawn(winter: Winter, folder: Path) -> tuple[Partition, ...]:
    """The winter of a folder, drawn where it is not there."""
    found = sorted(folder.glob("*-reports.parquet"))
    if not found:
        return partitions(winter, folder, tafs=False)
    made = []
    for path in found:
        stations = pl.scan_parquet(path).select(pl.col("station").unique().sort()).collect().to_series().to_list()
        rows = pl.scan_parquet(path).select(pl.len()).collect().item()
        made.append(Partition(path, None, tuple(stations), rows))
    return tuple(made)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=35_000_000)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    winter = Winter(stations=max(10, round(asked.rows / (DAYS * A_DAY))), days=DAYS)
    places, book = positions(winter), load_rulebook()
    with tempfile.TemporaryDirectory() as folder:
        parts = drawn(winter, asked.keep or Path(folder))
        work = partial(tally_partition, rulebook=book, positions=places, policy=Policy())
        with Peak() as peak:
            begun, cpu = time.perf_counter(), cpu_s()
            tallied = together(over_partitions(work, parts, processes=asked.processes))
            counted = time.perf_counter()
            scores = score(tallied)
            text = json.dumps(to_json(scores))
            ended, used = time.perf_counter(), cpu_s() - cpu
    rows = sum(part.rows for part in parts)
    print(
        json.dumps(
            {
                "reports": rows,
                "stations": scores.archive.stations,
                "observed_rules": len(book.of_kind(Kind.OBSERVED)),
                "partitions": len(parts),
                "processes": asked.processes,
                "seconds": round(ended - begun, 1),
                "processor_seconds": round(used, 1),
                "of_those_scoring_s": round(ended - counted, 1),
                "million_reports_a_second": round(rows / (ended - begun) / 1e6, 2),
                "peak_rss_mib": round(peak.mib),
                "onsets": sum(scores.onsets_seen.values()),
                "json_mib": round(len(text) / 2**20, 1),
                "polars_threads": pl.thread_pool_size(),
                "machine": machine(),
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
