"""The open report sets, read once. Sources and licences: tests/data/SOURCES.md."""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "data" / "reports"


@dataclass(frozen=True)
class Sent:
    source: str
    observed_at: datetime
    text: str

    @property
    def received_at(self) -> datetime:
        return self.observed_at + timedelta(minutes=6)


@cache
def common_reports() -> tuple[Sent, ...]:
    with gzip.open(FOLDER / "reports-common.txt.gz", "rt") as file:
        rows = [line.rstrip("\n").split("\t") for line in file]
    return tuple(Sent(source, datetime.fromisoformat(time), text) for source, time, text in rows)


@cache
def cache_columns() -> tuple[dict[str, str], ...]:
    """The decoded columns of the 2014 cache; of repeated column names the first counts."""
    with gzip.open(FOLDER / "awc-metars-cache-20141218.csv.gz", "rt") as file:
        lines = list(file)[5:]
    header, *rows = list(csv.reader(lines))
    return tuple(dict(reversed(list(zip(header, row, strict=False)))) for row in rows)


@cache
def common_tafs() -> tuple[str, ...]:
    with gzip.open(FOLDER / "tafs-common.txt.gz", "rt") as file:
        return tuple(line.rstrip("\n").split("\t")[-1] for line in file)


@cache
def edge_cases() -> tuple[tuple[str, str], ...]:
    with gzip.open(FOLDER / "edge-cases.tsv.gz", "rt") as file:
        rows = [line.rstrip("\n").split("\t") for line in file]
    return tuple((row[0], row[-1]) for row in rows)
