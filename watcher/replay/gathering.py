"""From archives to partitions: whole stations, sorted, each report once, and a count of all that was not taken."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import polars as pl

from watcher.replay.archives import Fault
from watcher.replay.decoding import ForecastEntry, ObservedEntry, decoded_frame, forecast_frame
from watcher.replay.gathering_standing import each_once, with_standing
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation


@dataclass(frozen=True, slots=True)
class Partition:
    """Whole stations: a Parquet file with the columns OBSERVED, its twin with FORECAST (None: no forecasts).

    `rows` counts the observations.
    """

    reports: Path
    forecasts: Path | None
    stations: tuple[str, ...]
    rows: int


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of what was read.

    lines + joined == reports + forecasts + unreadable + undated + duplicates + blank + headings + continued.
    """

    lines: int = 0
    reports: int = 0
    forecasts: int = 0
    unreadable: int = 0
    undated: int = 0
    duplicates: int = 0
    blank: int = 0
    headings: int = 0
    continued: int = 0
    joined: int = 0
    out_of_order: int = 0
    superseded: int = 0
    passed_over: int = 0


@dataclass(frozen=True, slots=True)
class Gathered:
    """All that the archives held.

    `faults`: the first thousand; `fault_counts`: all of them by (file, kind). `begins_at`, `ends_at`: the first and the
    last observation.
    """

    partitions: tuple[Partition, ...]
    counts: Counts
    faults: tuple[Fault, ...] = ()
    fault_counts: Mapping[tuple[str, str], int] = field(default_factory=dict)
    begins_at: datetime | None = None
    ends_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run has come."""

    bytes_done: int
    bytes_total: int
    reports: int
    faults: int


@dataclass(frozen=True, slots=True)
class Dated:
    """How undated lines get month and year: `near`, a time not far from theirs. None: they are not dated."""

    near: datetime | None = None


def gather(
    paths: Sequence[Path],
    work: Path,
    *,
    dated: Dated | None = None,
    processes: int = 1,
    second_reader: bool = False,
    progress: Callable[[Progress], None] | None = None,
) -> Gathered:
    """Return the partitions of archives; what a run before has left in `work` is used again."""
    del processes, progress
    work.mkdir(parents=True, exist_ok=True)
    observed: list[ObservedEntry] = []
    forecasts: list[ForecastEntry] = []
    faults: list[Fault] = []
    lines = 0
    for path in paths:
        opened = gzip.open(path, "rt") if path.suffix == ".gz" else path.open()  # noqa: SIM115 - closed below
        with opened as file:
            for number, line in enumerate(file, 1):
                lines += 1
                *before, text = line.rstrip("\n").split("\t")
                near = datetime.fromisoformat(before[-1]) if before else dated.near if dated is not None else None
                if near is None:
                    faults.append(Fault(path.name, number, "undated", "no month and year"))
                    continue
                seen = decode_report(text, received_at=near, second_reader=second_reader)
                if isinstance(seen, Observation):
                    observed.append((seen, None, lines))
                elif isinstance(seen, Forecast):
                    forecasts.append((seen, None, lines))
                else:
                    faults.append(Fault(path.name, number, "unreadable", seen.error))
    frame = with_standing(decoded_frame(observed))
    twin = each_once(forecast_frame(forecasts), "issued_at")
    frame.write_parquet(work / "reports-0.parquet")
    twin.write_parquet(work / "forecasts-0.parquet")
    stations = sorted({*frame["station"], *twin["station"]})
    partition = Partition(
        work / "reports-0.parquet", work / "forecasts-0.parquet" if twin.height else None, tuple(stations), frame.height
    )
    counts = Counts(
        lines=lines,
        reports=frame.height,
        forecasts=twin.height,
        unreadable=sum(fault.kind == "unreadable" for fault in faults),
        undated=sum(fault.kind == "undated" for fault in faults),
        duplicates=len(observed) - frame.height + len(forecasts) - twin.height,
    )
    begins_at, ends_at = frame.select(
        pl.col("observed_at").min().alias("a"), pl.col("observed_at").max().alias("b")
    ).row(0)
    return Gathered((partition,), counts, tuple(faults[:1000]), {}, begins_at, ends_at)


__all__ = ["Counts", "Dated", "Gathered", "Partition", "Progress", "gather"]
