"""Which reports of a station stand: each text once, which is in force, and which the live path stores without heeding.

The rule is that of `alerts.hearing`, with the archive's order where it does not say when a report was received.
"""

from __future__ import annotations

import polars as pl

from watcher.alerts.hearing import AHEAD
from watcher.replay.table import OBSERVED
from watcher.reports.identity import FROM_IWXXM

_HEARD = pl.coalesce("received_at", "observed_at")
# As `reports.identity.normalise` and `text_hash` have it: blanks, letter case, end marks and type words do not count.
_TEXT = (
    pl.col("raw")
    .str.replace_all(r"[^\x21-\x7e]+", " ")
    .str.strip_chars(" =$")
    .str.to_uppercase()
    .str.replace(f" {FROM_IWXXM}$", "")
    .str.replace(" RMK$", "")
    .str.replace(r"^(?:METAR )?(?:SPECI )?(?:TAF )?", "")
)


def each_once(frame: pl.DataFrame, time: str = "observed_at") -> pl.DataFrame:
    """Return the reports without those whose text the station had already sent for the same time, sorted.

    Of equal ones the first received stays, and of those received together the first in the archive; one that was
    passed over, as long before its time, only where all were.

    Parameters
    ----------
    frame
        With the columns station, `time`, received_at, order and raw, perhaps passed_over.
    time
        The column that says when the reports were made.
    """
    heeded_first = ["passed_over"] if "passed_over" in frame.columns else []
    frame = frame.sort("station", time, *heeded_first, pl.coalesce("received_at", time), "order")
    alone = ~pl.struct("station", time).is_duplicated()
    if frame.select(alone.all()).item():
        return frame
    place = pl.struct("station", time, pl.when(~alone).then(_TEXT))
    return frame.filter(alone | place.is_first_distinct())


def with_standing(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the reports each once, sorted by station, time and order, with `in_force` and `passed_over`."""
    frame = each_once(_with_passed_over(frame))
    # Of one time the best stands last: one that was heeded, a correction, the latest received, the last in the archive.
    best = (~pl.col("passed_over"), pl.col("correction").is_not_null(), _HEARD, pl.col("order"))
    frame = frame.sort("station", "observed_at", *best)
    next_is_other = [
        (pl.col(name) != pl.col(name).shift(-1)).fill_null(value=True) for name in ("station", "observed_at")
    ]
    frame = frame.with_columns(in_force=pl.any_horizontal(next_is_other))
    return frame.select(OBSERVED.keys()).sort("station", "observed_at", "order")


def _with_passed_over(frame: pl.DataFrame) -> pl.DataFrame:
    unheeded = pl.col("nil") | (pl.col("observed_at") > _HEARD + AHEAD)
    frame = frame.with_columns(passed_over=unheeded)
    if frame["received_at"].null_count() == frame.height:
        return frame
    newest = (
        frame.filter(~pl.col("passed_over"))
        .group_by("station", heard=_HEARD)
        .agg(newest=pl.col("observed_at").max())
        .sort("station", "heard")
        .select("station", "heard", newest_before=pl.col("newest").cum_max().shift(1).over("station"))
    )
    frame = frame.with_columns(heard=_HEARD).join(newest, on=["station", "heard"], how="left")
    late = (pl.col("observed_at") < pl.col("newest_before")).fill_null(value=False)
    return frame.with_columns(passed_over=pl.col("passed_over") | late).drop("heard", "newest_before")
