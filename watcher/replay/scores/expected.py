"""What was told to be expected: whether it came, was told in vain, or nobody can say."""

from __future__ import annotations

from enum import StrEnum

import polars as pl

from watcher.replay.phenomena import PROOFS
from watcher.replay.truth import Seen, sights, told_at
from watcher.rulebook.words import Flag

# Common practice, no source: an hour around the time that was told is near enough to act on.
TOLERANCE_MIN = 60


class Came(StrEnum):
    """What became of an expected alert.

    Taken back: its TAF no longer said so before it was to begin. Not judgeable: the station was not seen all the time,
    or no report could tell it. Not reported: nothing came of a precursor, which is no proof against it.
    """

    CAME = "came"
    IN_VAIN = "in-vain"
    TAKEN_BACK = "taken-back"
    NOT_REPORTED = "not-reported"
    NOT_JUDGEABLE = "not-judgeable"


_TIME = pl.Datetime("us", "UTC")
# fmt: off
FATES = pl.Schema({
    "station": pl.String(), "flag": pl.String(), "level": pl.UInt8(), "certainty": pl.String(),
    "told_at": _TIME, "begins_at": _TIME, "until": _TIME,
    "came": pl.Enum([word.value for word in Came]),
    "first_at": _TIME,                  # the first report of it within the period and the tolerance
})
# fmt: on


def fates(expected: pl.DataFrame, found: Seen, *, tolerance_min: int = TOLERANCE_MIN) -> pl.DataFrame:
    """Return what became of each expected alert, with the columns of `FATES`.

    Parameters
    ----------
    expected
        With the columns of `scores.alerts.EXPECTED`.
    found
        The reports of those stations.
    tolerance_min
        Minutes before and after the period in which the weather still counts as what was expected; never before it
        was told.
    """
    parts = [pl.DataFrame(schema=FATES)]
    for flag in Flag:
        own = expected.filter(pl.col("flag") == flag.value)
        if len(own):
            parts.append(_fates_of(flag, own, found, tolerance_min))
    return pl.concat(parts)


def _fates_of(flag: Flag, expected: pl.DataFrame, found: Seen, tolerance_min: int) -> pl.DataFrame:
    proof = PROOFS.get(flag)
    if proof is None:
        return _shaped(
            expected.with_columns(pl.lit(Came.NOT_JUDGEABLE.value).alias("came"), pl.lit(None, _TIME).alias("first_at"))
        )
    tolerance = pl.duration(minutes=tolerance_min)
    windows = expected.with_columns(
        pl.max_horizontal(pl.col("begins_at") - tolerance, pl.col("told_at")).alias("from"),
        (pl.col("until") + tolerance).alias("to"),
    ).sort("from")
    reported = told_at(found, proof.phenomenon).rename({"at": "first_at"}).sort("first_at")
    seen = sights(found, proof.phenomenon).sort("sight_from")
    joined = windows.join_asof(
        reported, left_on="from", right_on="first_at", by="station", strategy="forward", coalesce=False,
        check_sortedness=False,
    ).join_asof(
        seen, left_on="from", right_on="sight_from", by="station", coalesce=False, check_sortedness=False
    )  # fmt: skip
    first = pl.when(pl.col("first_at") <= pl.col("to")).then(pl.col("first_at"))
    # Seen until it came, or all the time: the same is asked of both, else what came would be judged more often.
    judged = (pl.col("sight_until") >= pl.min_horizontal(first, pl.col("to"))).fill_null(value=False)
    taken_back = (pl.col("ended_at") <= pl.col("begins_at")).fill_null(value=False) & (
        first.is_null() | (pl.col("ended_at") < first)
    )
    nothing = Came.NOT_REPORTED if proof.precursor else Came.IN_VAIN
    came = (
        pl.when(taken_back)
        .then(pl.lit(Came.TAKEN_BACK.value))
        .when(~judged)
        .then(pl.lit(Came.NOT_JUDGEABLE.value))
        .when(first.is_not_null())
        .then(pl.lit(Came.CAME.value))
        .otherwise(pl.lit(nothing.value))
    )
    return _shaped(joined.with_columns(came.alias("came"), first.alias("first_at")))


def _shaped(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(list(FATES)).cast(FATES)
