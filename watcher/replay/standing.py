"""Which reports of a station stand: each text once, which is in force, and which the live path stores without heeding.

The rule is that of `alerts.hearing`, with the archive's order where it does not say when a report was received.
"""

from __future__ import annotations

import polars as pl

from watcher.alerts.hearing import AHEAD
from watcher.reports.identity import FROM_IWXXM, ROUNDED

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

    Of equal ones the first received stays, and of those received together the first in the archive.

    Parameters
    ----------
    frame
        With the columns station, `time`, received_at, order and raw.
    time
        The column that says when the reports were made.
    """
    keys = _keys(frame, time).with_columns(passed_over=pl.lit(value=False))
    return frame[_first_of_each(keys, frame["raw"]).sort("station", "at", "order")["row"]]


def with_standing(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the reports each once, sorted by station, time and order, with `in_force` and `passed_over`.

    Of equal texts one that was passed over, as long before its time, stays only where all were.
    """
    # Only keys are sorted, with where their rows stand; the whole rows are put in order once, at the end.
    is_text = ~(frame["raw"].str.ends_with(FROM_IWXXM) | frame["raw"].str.ends_with(ROUNDED))
    keys = _keys(frame, "observed_at").with_columns(
        frame["nil"], correction=frame["correction"].is_not_null(), is_text=is_text
    )
    keys = _first_of_each(_with_passed_over(keys), frame["raw"])
    # Of one time the best stands last: one that was heeded, a correction, a text before one made from XML, the latest
    # received, the last in the archive.
    keys = keys.sort("station", "at", ~pl.col("passed_over"), "correction", "is_text", "heard", "order")
    next_is_other = [(pl.col(name) != pl.col(name).shift(-1)).fill_null(value=True) for name in ("station", "at")]
    keys = keys.with_columns(in_force=pl.any_horizontal(next_is_other)).sort("station", "at", "order")
    return frame[keys["row"]].with_columns(keys["in_force"], keys["passed_over"])


def _keys(frame: pl.DataFrame, time: str) -> pl.DataFrame:
    """Return what orders the rows: the station as its place among the codes, the times, and the row."""
    codes = pl.Enum(frame["station"].unique().sort())
    station = frame["station"].cast(codes).to_physical()
    said = frame["received_at"]
    keys = pl.DataFrame({"station": station, "at": frame[time], "order": frame["order"]})
    heard = pl.coalesce(pl.lit(said), "at") if said.null_count() < said.len() else pl.col("at")
    return keys.with_columns(heard=heard, received=pl.lit(said.is_not_null().any())).with_row_index("row")


def _first_of_each(keys: pl.DataFrame, raw: pl.Series) -> pl.DataFrame:
    """Return the keys without those whose text stands before them for the same station and time."""
    keys = keys.sort("station", "at", "passed_over", "heard", "order")
    beside = [
        pl.col("station").eq(pl.col("station").shift(n)) & pl.col("at").eq(pl.col("at").shift(n)) for n in (1, -1)
    ]
    several = keys.filter(pl.any_horizontal(beside).fill_null(value=False))
    if not several.height:
        return keys
    texts = several.select("row", "station", "at", raw=raw[several["row"]]).with_columns(text=_TEXT)
    again = texts.filter(~pl.struct("station", "at", "text").is_first_distinct())
    return keys.join(again.select("row"), on="row", how="anti", maintain_order="left")


def _with_passed_over(keys: pl.DataFrame) -> pl.DataFrame:
    unheeded = pl.col("nil") | (pl.col("at") > pl.col("heard") + AHEAD)
    keys = keys.with_columns(passed_over=unheeded)
    if not keys.height or not keys["received"][0]:
        return keys
    newest = (
        keys.filter(~pl.col("passed_over"))
        .group_by("station", "heard")
        .agg(newest=pl.col("at").max())
        .sort("station", "heard")
        .select("station", "heard", newest_before=pl.col("newest").cum_max().shift(1).over("station"))
    )
    keys = keys.join(newest, on=["station", "heard"], how="left")
    late = (pl.col("at") < pl.col("newest_before")).fill_null(value=False)
    return keys.with_columns(passed_over=pl.col("passed_over") | late).drop("newest_before")
