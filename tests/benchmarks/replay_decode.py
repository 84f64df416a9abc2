"""Archives to Parquet: reports a second by one and by several processes, no two bodies alike. Prints one JSON object.

Each report is put together from the groups of different real ones (tests/data/SOURCES.md), so that its body occurs once
but its groups are as common as they are in nature.

    python -m tests.benchmarks.replay_decode [--reports 600000] [--processes 2] [--packed]
"""

from __future__ import annotations

import argparse
import gc
import gzip
import json
import multiprocessing
import os
import random
import resource
import shutil
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.benchmarks.machine import machine
from tests.reports.open_data import common_reports
from watcher.replay.archives.blocks import Block, blocks
from watcher.replay.archives.dates import Dated
from watcher.replay.archives.entries import Notes
from watcher.replay.archives.reading import entries
from watcher.replay.archives.sources import Source
from watcher.replay.decoding.frames import decoded_frame
from watcher.replay.decoding.parts import decoded_entry
from watcher.replay.decoding.pool import decoded_parts
from watcher.replay.gathering.gather import Progress, gather
from watcher.replay.work.files import write_frame
from watcher.reports.groups import Cloud, Pressure, Temperature, Visibility, Weather, Wind, read_token
from watcher.reports.model import Observation

SEED = 20260112
_PLACES = {Wind: 0, Visibility: 1, Weather: 2, Cloud: 3, Temperature: 4, Pressure: 5}


def bodies(count: int) -> Iterator[str]:
    """Bodies of which no two are alike, each group from another real report."""
    pools: tuple[list[str], ...] = ([], [], [], [], [], [])
    remarks: list[str] = []
    for sent in common_reports():
        main, _, remark = sent.text.partition(" RMK ")
        found: dict[int, list[str]] = {}
        for token in main.split()[2:]:
            place = _PLACES.get(type(read_token(token)))
            if place is not None:
                found.setdefault(place, []).append(token)
        for place, pool in enumerate(pools):
            pool.append(" ".join(found.get(place, ())))
        remarks.append(f" RMK {remark}" if remark else "")
    rng = random.Random(SEED)
    seen: set[int] = set()
    while len(seen) < count:
        body = " ".join(group for pool in pools if (group := rng.choice(pool))) + rng.choice(remarks)
        if hash(body) not in seen:
            seen.add(hash(body))
            yield body


def write_archive(path: Path, count: int) -> None:
    """Write an archive of 2,000 stations, hour after hour."""
    stations = sorted({sent.text.split()[0] for sent in common_reports() if len(sent.text.split()[0]) == 4})[:2000]
    at = datetime(2024, 1, 1, 0, 20, tzinfo=UTC)
    with gzip.open(path, "wt") if path.suffix == ".gz" else path.open("w") as file:
        for number, body in enumerate(bodies(count)):
            place = number % len(stations)
            if number and not place:
                at += timedelta(minutes=30)
            file.write(f"{at:%Y-%m-%dT%H:%M:%SZ}\t{stations[place]} {at:%d%H%M}Z {body}\n")


def parted(path: Path, folder: Path, processes: int) -> tuple[float, float, int]:
    """Seconds on the wall, of processors, and reports of decoding a whole archive to parts, starts included."""
    source = Source(path, path.name, path.stat().st_size)
    begun, worked = time.perf_counter(), processor_s()
    made = decoded_parts(
        blocks(source, offset=0, otherwise=Dated(), form=None), folder, processes=processes, second_reader=False
    )
    count = sum(item[1].observed for item in made if isinstance(item, tuple))
    return time.perf_counter() - begun, processor_s() - worked, count


def processor_s() -> float:
    """Processor seconds of this process and of those that it started and that have ended."""
    whose = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(used.ru_utime + used.ru_stime for used in map(resource.getrusage, whose))


def shares(path: Path) -> dict[str, float]:
    """What each step takes in one process, in microseconds of processor time a report."""
    source = Source(path, path.name, path.stat().st_size)
    block = next(iter(blocks(source, offset=0, otherwise=Dated(), form=None)))
    assert isinstance(block, Block)
    gc.disable()
    times = [time.process_time()]
    found = list(entries(block, Notes()))
    times.append(time.process_time())
    seen = [decoded_entry(entry, second_reader=False) for entry in found]
    times.append(time.process_time())
    rows = [(one, None, order) for order, one in enumerate(seen) if isinstance(one, Observation)]
    frame = decoded_frame(rows)
    times.append(time.process_time())
    frame = frame.sort("station", maintain_order=True)
    write_frame(path.with_suffix(".parquet"), frame, row_group_size=8192)
    times.append(time.process_time())
    gc.enable()
    names = ("lines_us", "decode_us", "columns_us", "parquet_us")
    return {name: round((times[i + 1] - times[i]) / len(found) * 1e6, 2) for i, name in enumerate(names)}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--reports", type=int, default=600_000)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--packed", action="store_true")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp())
    try:
        archive = folder / ("archive.txt.gz" if asked.packed else "archive.txt")
        # Elsewhere, so that the memory told below is that of the work.
        writer = multiprocessing.get_context("spawn").Process(target=write_archive, args=(archive, asked.reports))
        writer.start()
        writer.join()
        one_s, one_cpu_s, one = parted(archive, folder / "one", 1)
        many_s, many_cpu_s, many = parted(archive, folder / "many", asked.processes)
        size = sum(path.stat().st_size for path in (folder / "many").iterdir())
        told: list[tuple[float, Progress]] = []
        begun, worked = time.perf_counter(), processor_s()
        gathered = gather(
            [archive],
            folder / "work",
            processes=asked.processes,
            progress=lambda so_far: told.append((time.perf_counter(), so_far)),
        )
        whole_s, whole_cpu_s = time.perf_counter() - begun, processor_s() - worked
        partitions_s = begun + whole_s - max(at for at, so_far in told if not so_far.partitions)
        begun = time.perf_counter()
        gather([archive], folder / "work", processes=asked.processes)
        again_s = time.perf_counter() - begun
        print(
            json.dumps(
                {
                    "reports": many,
                    "processes": asked.processes,
                    "archive_mib": round(archive.stat().st_size / 2**20, 1),
                    "parquet_mib": round(size / 2**20, 1),
                    "decoded_per_s": round(many / many_s),
                    "decoded_per_processor_s": round(many / many_cpu_s),
                    "decoded_per_s_one_process": round(one / one_s),
                    "decoded_per_processor_s_one_process": round(one / one_cpu_s),
                    "gathered_per_s": round(gathered.counts.reports / whole_s),
                    "gathered_per_processor_s": round(gathered.counts.reports / whole_cpu_s),
                    "partitions": len(gathered.partitions),
                    "partitions_s": round(partitions_s, 2),
                    "second_run_s": round(again_s, 2),
                    "load_before": os.getloadavg()[0],
                    "one_process": shares(archive),
                    "resident_mib": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
                    "resident_mib_largest_process": round(
                        resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
                    ),
                    **machine(),
                }
            )
        )
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
