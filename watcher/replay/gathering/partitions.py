"""Parts sorted into partitions: ranges of whole stations, of which one at a time is in memory."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl

from watcher.replay.decoding.parts import Part, part_paths
from watcher.replay.decoding.pool import Placed
from watcher.replay.gathering.model import Partition
from watcher.replay.standing import each_once, with_standing
from watcher.replay.table import FORECAST, OBSERVED
from watcher.replay.work.files import note_use, sweep, write_frame, write_text
from watcher.replay.work.program import program_of


@dataclass(frozen=True, slots=True)
class Made:
    """A partition with its counts, by the names of Counts, and the times of its first and last observation."""

    partition: Partition
    tally: dict[str, int]
    begins_at: datetime | None
    ends_at: datetime | None


@dataclass(frozen=True, slots=True)
class _Range:
    """Stations that make one partition, in order, and the parts that have any of them."""

    stations: tuple[str, ...]
    parts: tuple[tuple[Placed, Part], ...]

    def key(self) -> str:
        digest = hashlib.blake2b(program().encode(), digest_size=16)
        for placed, part in self.parts:
            digest.update(f" {part.key} {placed.offset}".encode())
        digest.update(" ".join(("", *self.stations)).encode())
        return digest.hexdigest()


def program() -> str:
    """Return a digest of what decodes and sorts: a change of it makes all partitions anew."""
    return program_of(__name__)


def partitions_of(
    parts: Sequence[tuple[Placed, Part]], work: Path, rows_each: int, *, fresh: bool = False
) -> Iterator[tuple[Made, int]]:
    """Yield the partitions of parts, each with how many there are; one that is there is not made again.

    Parameters
    ----------
    parts
        In the order of the archive.
    work
        The folder that has the parts, and takes the partitions.
    rows_each
        The most observations in each, unless one station has more.
    fresh
        Make again what is kept already.

    Raises
    ------
    HoarlineError
        The folder does not take a partition.
    """
    folder = work / "partitions"
    folder.mkdir(parents=True, exist_ok=True)
    sweep(folder)
    ranges = list(_ranges(parts, rows_each))
    for together in ranges:
        key = together.key()
        made = None if fresh else _sealed(folder, key, together.stations)
        yield made or _make(together, work / "parts", folder, key), len(ranges)


def _ranges(parts: Sequence[tuple[Placed, Part]], rows_each: int) -> Iterator[_Range]:
    counts: Counter[str] = Counter()
    for _, part in parts:
        counts.update(part.stations)
    together: list[str] = []
    rows = 0
    for station in sorted(counts):
        if together and rows + counts[station] > rows_each:
            yield _range(together, parts)
            together, rows = [], 0
        together.append(station)
        rows += counts[station]
    if together:
        yield _range(together, parts)


def _range(stations: list[str], parts: Sequence[tuple[Placed, Part]]) -> _Range:
    wanted = frozenset(stations)
    return _Range(tuple(stations), tuple(item for item in parts if not wanted.isdisjoint(item[1].stations)))


def _make(together: _Range, parts: Path, folder: Path, key: str) -> Made:
    first, last = together.stations[0], together.stations[-1]
    observed = _rows(together.parts, parts, 0, first, last)
    read, out_of_order = observed.height, _out_of_order(observed)
    observed = with_standing(observed)
    reports, forecasts = folder / f"{key}.reports.parquet", folder / f"{key}.forecasts.parquet"
    sizes = [write_frame(reports, observed)]
    tally = {
        "reports": observed.height,
        "out_of_order": out_of_order,
        "superseded": int((~observed["in_force"]).sum()),
        "passed_over": int(observed["passed_over"].sum()),
    }
    span = _iso(observed["observed_at"].min()), _iso(observed["observed_at"].max())
    del observed
    ahead = _rows(together.parts, parts, 1, first, last)
    once = each_once(ahead, "issued_at")
    sizes.append(write_frame(forecasts, once) if once.height else 0)
    tally |= {"forecasts": once.height, "duplicates": read - tally["reports"] + ahead.height - once.height}
    write_text(folder / f"{key}.json", json.dumps({"tally": tally, "span": span, "sizes": sizes}))
    made = _sealed(folder, key, together.stations)
    assert made is not None
    return made


def _sealed(folder: Path, key: str, stations: tuple[str, ...]) -> Made | None:
    """Return a partition that is there whole, None when it is not."""
    reports, forecasts = folder / f"{key}.reports.parquet", folder / f"{key}.forecasts.parquet"
    try:
        said = json.loads((folder / f"{key}.json").read_bytes())
        tally, sizes = dict(said["tally"]), list(said["sizes"])
        begins_at, ends_at = (None if at is None else datetime.fromisoformat(at) for at in said["span"])
        if [reports.stat().st_size, forecasts.stat().st_size if sizes[1] else 0] != sizes:
            return None
        note_use(folder / f"{key}.json")
    except (OSError, ValueError, KeyError, TypeError):
        return None
    partition = Partition(reports, forecasts if tally["forecasts"] else None, stations, tally["reports"])
    return Made(partition, tally, begins_at, ends_at)


def _rows(parts: Iterable[tuple[Placed, Part]], folder: Path, which: int, first: str, last: str) -> pl.DataFrame:
    """Return the observations (0) or forecasts (1) of the stations from first to last, with their order over all."""
    scans = [
        pl.scan_parquet(part_paths(folder, part.key)[which])
        .filter(pl.col("station").is_between(pl.lit(first), pl.lit(last)))
        .with_columns(pl.col("order") + pl.lit(placed.offset, pl.UInt64))
        for placed, part in parts
        if (part.observed, part.forecasts)[which]
    ]
    if not scans:
        return pl.DataFrame(schema=(OBSERVED, FORECAST)[which])
    return pl.concat(scans).collect()


def _out_of_order(observed: pl.DataFrame) -> int:
    """Count the observations that stand in the archive after a later one of their station."""
    ordered = observed.select("station", "order", "observed_at").sort("station", "order")
    newest = pl.col("observed_at").cum_max().shift(1).over("station")
    return int(ordered.select((pl.col("observed_at") < newest).sum()).item())


def _iso(at: object) -> str | None:
    return at.isoformat() if isinstance(at, datetime) else None
