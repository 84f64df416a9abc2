"""From a partition back to reports, in the order in which a service would have heard them."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import datetime, timedelta

import polars as pl

from watcher.replay.gathering.model import Partition
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report

_FEED = "archive"
_STEP = timedelta(microseconds=1)
_TEXTS = ("station", "order", "raw", "source", "received_at")


def stored_reports(
    partition: Partition, stations: Collection[str] | None = None, *, second_reader: bool = True
) -> Iterator[Report]:
    """Yield the observations and forecasts of a partition, decoded again, by the time they were heard.

    Where the archive does not say when a report was received, it counts as received when it was made. Those of one
    station that were heard together follow the archive's order, a microsecond apart, so that of two texts of the same
    time the later one is the latest received.

    Parameters
    ----------
    partition
        What `gather` made.
    stations
        Only of these; None: all of the partition.
    second_reader
        As `decode_report` has it; the live path compares.
    """
    heard = _heard(partition, stations)
    before: dict[str, datetime] = {}
    for station, kind, made_at, heard_at, raw, source in heard.iter_rows():
        received_at = max(heard_at, before[station] + _STEP) if station in before else heard_at
        before[station] = received_at
        text = raw if source is None else source
        decoded = decode_report(
            text, received_at=received_at, kind=kind, observed_at=made_at, second_reader=second_reader
        )
        yield Report(decoded, text_hash(raw), _FEED, received_at)


def _heard(partition: Partition, stations: Collection[str] | None) -> pl.DataFrame:
    scans = [
        pl.scan_parquet(partition.reports).select(*_TEXTS, made_at="observed_at", kind=pl.col("kind").cast(pl.String))
    ]
    if partition.forecasts is not None:
        scans.append(pl.scan_parquet(partition.forecasts).select(*_TEXTS, made_at="issued_at", kind=pl.lit("TAF")))
    every = pl.concat(scans, how="diagonal")
    if stations is not None:
        every = every.filter(pl.col("station").is_in(list(stations)))
    heard_at = pl.coalesce("received_at", "made_at")
    wanted = ("station", "kind", "made_at", heard_at.alias("heard_at"), "raw", "source")
    return every.sort(heard_at, "order").select(wanted).collect()
