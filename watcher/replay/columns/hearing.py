"""The order in which reports are heard, and which of them the judgement takes as a station's latest word.

The rules are those of `alerts.hearing`, for reports that are heard one after the other.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.alerts.hearing import AHEAD

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_AHEAD_US = AHEAD // timedelta(microseconds=1)

# What hearing needs of a report.
HEARING = ("station", "observed_at", "received_at", "order", "correction", "nil")


def with_hearing(frame: pl.DataFrame) -> pl.DataFrame:
    """Return whole stations in the order of hearing, with `heard_at` and `heard`.

    `heard_at` is `received_at`, else `observed_at`; of a station's reports that came together each is a microsecond
    later than the one before it in the archive. `heard` is false for what the judgement only stores: NIL, reports older
    than the latest, originals that come after their correction, times too far ahead.
    """
    frame = _in_order(frame.with_columns(heard_at=pl.coalesce("received_at", "observed_at")))
    station = station_numbers(frame)
    heard_at = _one_by_one(microseconds(frame["heard_at"]), station)
    at = microseconds(frame["observed_at"])
    eligible = ~frame["nil"].to_numpy() & (at - heard_at <= _AHEAD_US)
    # A correction of the same time outranks what it corrects.
    rank = 2 * at + frame["correction"].is_not_null().to_numpy()
    newest = running_maximum(np.where(eligible, rank, np.iinfo(np.int64).min), station)
    heard = eligible & (rank >= newest)
    return frame.with_columns(
        heard_at=pl.Series(heard_at).cast(frame.schema["observed_at"]), heard=pl.Series(heard, dtype=pl.Boolean)
    )


def station_numbers(frame: pl.DataFrame) -> Ints:
    """Return 0, 1, 2 ... for the stations of a frame that holds each of them in one piece."""
    return frame["station"].rle_id().cast(pl.Int64).to_numpy()


def microseconds(times: pl.Series) -> Ints:
    """Return times as microseconds since 1970."""
    return times.dt.epoch("us").to_numpy()


def running_maximum(values: Ints, station: Ints) -> Ints:
    """Return the highest value so far within each station, itself included."""
    result = values.copy()
    edges = np.flatnonzero(np.diff(station)) + 1
    for begin, end in zip([0, *edges], [*edges, len(values)], strict=True):
        np.maximum.accumulate(values[begin:end], out=result[begin:end])
    return result


def _in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Sort by station, hearing and place in the archive, where the rows do not stand so already."""
    same = pl.col("station") == pl.col("station").shift()
    earlier = pl.col("heard_at") < pl.col("heard_at").shift()
    swapped = (pl.col("heard_at") == pl.col("heard_at").shift()) & (pl.col("order") < pl.col("order").shift())
    if not frame.select((same & (earlier | swapped)).any()).item():
        return frame
    return frame.sort("station", "heard_at", "order")


def _one_by_one(heard_at: Ints, station: Ints) -> Ints:
    """Return times that grow by a microsecond at least from report to report of a station."""
    steps = np.arange(len(heard_at))
    return running_maximum(heard_at - steps, station) + steps
