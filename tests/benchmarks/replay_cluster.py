"""The shipped rules over partitions on the workers of a cluster: one worker, two, and what that lets expect of more.

What is timed is `columns.partition.run_partition` for every partition: reports read from Parquet, facts, verdicts and
episodes of all rules, the small tables sent back and put together in order; once with facts made from the reports, once
with the facts that the first run kept. The cluster is of processes of this machine (Dask), started before the clock.
The answers of each run are held to those of one process without a cluster. Prints one JSON object.

The estimate is an estimate: the rows of 2,000 stations over ten years at the rows that one worker did here in a second
of processor time, as if each worker had a processor of its own and the storage kept up. The gain of a second worker
beside it is by the wall clock, on a machine whose processors may have had other work (`load_average`).

python -m tests.benchmarks.replay_cluster [--rows 2000000] [--each 250000] [--keep FOLDER]
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from distributed import LocalCluster

from tests.benchmarks.machine import machine
from tests.benchmarks.replay_scores import Peak
from tests.replay.live import open_frame
from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import Policy
from watcher.replay.cluster import over_partitions
from watcher.replay.columns.partition import Judged, run_partition, together
from watcher.replay.gathering.model import Partition
from watcher.replay.work.files import write_frame
from watcher.reports.station import Station
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

DAYS = 151
STATIONS, YEARS = 2000, 10
A_DAY = (24, 48)
WORKERS = (1, 2)
MORE_WORKERS = (8, 32)


def same(one: Judged, other: Judged) -> bool:
    frames = [(one.spells, other.spells), (one.changes, other.changes), (one.counts, other.counts)]
    return (one.rows, one.heard) == (other.rows, other.heard) and all(a.equals(b) for a, b in frames)


@dataclass(frozen=True)
class Timed:
    """What a partition gave, and the processor time it took."""

    judged: Judged
    processor_s: float


def timed(partition: Partition, **settings: Any) -> Timed:
    begin = process_time()
    return Timed(run_partition(partition, **settings), process_time() - begin)


def on_workers(
    parts: Sequence[Partition], places: Mapping[str, Station], alone: Judged, workers: int, kept: Path
) -> dict[str, float]:
    work = partial(timed, rules=load_rulebook().of_kind(Kind.OBSERVED), positions=places, policy=Policy())
    rows = alone.rows
    figures: dict[str, float] = {}
    begin = perf_counter()
    with (
        Peak() as peak,
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            env={"POLARS_MAX_THREADS": "1"},
        ) as cluster,
    ):
        address = cluster.scheduler_address
        # The first partition loads what a worker needs, on each of them; a service keeps its workers.
        list(over_partitions(work, parts[:1] * workers, scheduler=address))
        figures["start_s"] = round(perf_counter() - begin, 1)
        for name, done in (
            ("from_reports", work),
            ("keeping_facts", partial(work, kept=kept)),
            ("from_facts", partial(work, kept=kept)),
        ):
            begin = perf_counter()
            answers = list(over_partitions(done, parts, scheduler=address))
            figures[f"{name}_rows_a_second"] = round(rows / (perf_counter() - begin))
            figures[f"{name}_rows_a_processor_second"] = round(rows / sum(answer.processor_s for answer in answers))
            assert same(together(answer.judged for answer in answers), alone), name
    figures["peak_mib"] = round(peak.mib)
    return figures


def estimate(rate: float, bytes_a_row: float) -> list[dict[str, object]]:
    """What the rate of one worker lets expect of the long archive."""
    told = []
    for a_day in A_DAY:
        rows = STATIONS * YEARS * 365 * a_day
        told.append(
            {
                "reports_a_day_and_station": a_day,
                "rows": rows,
                "parquet_gb": round(rows * bytes_a_row / 1e9, 1),
                "minutes_by_workers": {
                    str(workers): round(rows / rate / workers / 60, 1) for workers in (*WORKERS, *MORE_WORKERS)
                },
            }
        )
    return told


def measure(rows: int, each: int, folder: Path) -> dict[str, object]:
    winter = Winter(stations=max(2, rows // (DAYS * 48)), days=DAYS)
    places = positions(winter)
    parts = partitions(winter, folder / "partitions", rows_each=each, tafs=False)
    work = partial(run_partition, rules=load_rulebook().of_kind(Kind.OBSERVED), positions=places, policy=Policy())
    alone = together(over_partitions(work, parts))
    measured = {}
    for workers in WORKERS:
        kept = folder / f"facts-{workers}"
        shutil.rmtree(kept, ignore_errors=True)
        measured[workers] = on_workers(parts, places, alone, workers, kept)
    facts_bytes = sum(path.stat().st_size for path in (folder / f"facts-{WORKERS[0]}").iterdir())
    reports_bytes = sum(part.reports.stat().st_size for part in parts)
    one, two = (measured[workers]["from_reports_rows_a_second"] for workers in WORKERS)
    rate = measured[WORKERS[0]]["from_reports_rows_a_processor_second"]
    real = open_frame()
    real_bytes = write_frame(folder / "open.parquet", real) / real.height
    return {
        "rows": alone.rows,
        "partitions": len(parts),
        "spells": alone.spells.height,
        "bytes_a_row": {
            "reports": round(reports_bytes / alone.rows, 1),
            "open_reports_of_many_stations": round(real_bytes, 1),
            "kept_facts": round(facts_bytes / alone.rows, 1),
        },
        "by_workers": {str(workers): figures for workers, figures in measured.items()},
        "gain_of_a_second_worker": round(two / one, 2),
        "estimate_for_2000_stations_over_10_years": estimate(rate, real_bytes),
        "load_average": os.getloadavg(),
        "machine": machine(),
    }


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--rows", type=int, default=2_000_000)
    asked.add_argument("--each", type=int, default=250_000)
    asked.add_argument("--keep", type=Path)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(measure(given.rows, given.each, given.keep or Path(folder)), indent=2))


if __name__ == "__main__":
    main()
