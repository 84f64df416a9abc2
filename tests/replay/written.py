"""Archives written for tests, and what gathering makes of them."""

from __future__ import annotations

import gzip
from pathlib import Path

import polars as pl

from watcher.replay.archives.dates import Dated
from watcher.replay.gathering.gather import Gathered, gather

REPORTS = (
    "METAR XNOR 120550Z 24010KT 4000 -SN BKN012 M01/M02 Q1003",
    "METAR XBAY 120550Z 00000KT CAVOK M05/M07 Q1021",
    "SPECI XNOR 120603Z 24012KT 2000 SN OVC008 M01/M02 Q1003",
    "METAR XNOR 120620Z 24012KT 1500 SN OVC006 M01/M01 Q1002",
)
TIMES = ("2026-01-12T05:50:00Z", "2026-01-12T05:50:00Z", "2026-01-12T06:03:00Z", "2026-01-12T06:20:00Z")
TAF = "TAF XNOR 120500Z 1206/1306 24010KT 9999 BKN015 BECMG 1208/1210 3000 SN OVC008"
JANUARY = Dated(month=(2026, 1))


def packed(path: Path, text: str) -> Path:
    path.write_bytes(gzip.compress(text.encode()))
    return path


def written(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def gathered(path: Path, work: Path, dated: Dated | None = None, **more: object) -> Gathered:
    found = gather([path], work, dated=dated, **more)  # type: ignore[arg-type]
    read, became = found.counts.balance
    assert read == became, found.counts
    return found


def table(found: Gathered) -> pl.DataFrame:
    return pl.concat([pl.read_parquet(partition.reports) for partition in found.partitions])


def ahead(found: Gathered) -> pl.DataFrame:
    return pl.concat([pl.read_parquet(twin) for partition in found.partitions if (twin := partition.forecasts)])


def texts(found: Gathered) -> list[str]:
    """The observations' texts in the order of the archive."""
    return table(found).sort("order")["raw"].to_list()
