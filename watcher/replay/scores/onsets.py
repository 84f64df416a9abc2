"""Onset by onset: whether an alert was open before the weather began, how long before, and what had told it."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import polars as pl

from watcher.replay.scores.subjects import Subject

# An alert that the report of the onset opens is heard some minutes after it, or confirmed by the next one.
_WITH_REPORT_MIN = 75


class Warned(StrEnum):
    """How an onset was told."""

    AHEAD = "ahead"
    WITH_REPORT = "with-report"
    NEVER = "never"


_TIME = pl.Datetime("us", "UTC")
# fmt: off
OUTCOMES = pl.Schema({
    "station": pl.String(), "phenomenon": pl.String(), "began_at": _TIME,
    "flag": pl.String(), "at_least": pl.UInt8(),
    "warned": pl.Enum([word.value for word in Warned]),
    "lead_min": pl.Float64(),             # from the opening to the onset, minutes; negative: after it; null: never told
    "opened_by": pl.String(),             # observed, or the certainty of what was expected; null: never told
})
# fmt: on


def outcomes(onsets: pl.DataFrame, alerts: pl.DataFrame, subjects: Sequence[Subject]) -> pl.DataFrame:
    """Return how each onset was told under each subject that its weather proves, with the columns of `OUTCOMES`.

    Parameters
    ----------
    onsets
        With the columns of `truth.HAPPENINGS`; those whose beginning was not seen are left out.
    alerts
        With the columns of `scores.alerts.ALERTS`; spans of one flag and level do not overlap.
    subjects
        What is scored.

    Notes
    -----
    An alert that was open at the onset and opened before it told it ahead. One that opened with the report of the
    onset, or up to 75 minutes after it, told what everybody could read by then: lead 0, no warning.
    """
    judged = onsets.filter("onset_seen").select("station", "phenomenon", "began_at").sort("began_at")
    found = [_of(subject, judged, alerts) for subject in subjects]
    return pl.concat([pl.DataFrame(schema=OUTCOMES), *found])


def _of(subject: Subject, judged: pl.DataFrame, alerts: pl.DataFrame) -> pl.DataFrame:
    own = judged.filter(pl.col("phenomenon") == subject.phenomenon.value)
    spans = (
        alerts.filter((pl.col("flag") == subject.flag) & (pl.col("at_least") == subject.at_least))
        .select("station", "opened_at", "ended_at", "opened_by")
        .sort("opened_at")
    )
    before = own.join_asof(
        spans, left_on="began_at", right_on="opened_at", by="station", coalesce=False, check_sortedness=False
    )
    after = own.join_asof(
        spans.select("station", pl.col("opened_at").alias("later_at"), pl.col("opened_by").alias("later_by")),
        left_on="began_at", right_on="later_at", by="station", strategy="forward", coalesce=False,
        check_sortedness=False,
    )  # fmt: skip
    began = pl.col("began_at")
    stood = pl.col("ended_at").is_null() | (pl.col("ended_at") > began)
    is_open = pl.col("opened_at").is_not_null() & stood
    soon = pl.col("later_at").is_not_null() & (pl.col("later_at") - began <= pl.duration(minutes=_WITH_REPORT_MIN))
    both = before.with_columns(after.get_column("later_at"), after.get_column("later_by"))
    lead = (
        pl.when(is_open).then(began - pl.col("opened_at")).when(soon).then(began - pl.col("later_at"))
    ).dt.total_seconds() / 60
    return (
        both.with_columns(lead.alias("lead_min"))
        .select(
            "station",
            "phenomenon",
            "began_at",
            pl.lit(subject.flag).alias("flag"),
            pl.lit(int(subject.at_least), pl.UInt8).alias("at_least"),
            pl.when(pl.col("lead_min") > 0)
            .then(pl.lit(Warned.AHEAD.value))
            .when(pl.col("lead_min").is_not_null())
            .then(pl.lit(Warned.WITH_REPORT.value))
            .otherwise(pl.lit(Warned.NEVER.value))
            .alias("warned"),
            "lead_min",
            pl.when(is_open).then("opened_by").when(soon).then("later_by").alias("opened_by"),
        )
        .cast(OUTCOMES)
    )
