"""What the reports themselves tell afterwards: when a weather began and ended at a station, and when nobody could see.

A time without a usable report is not a time without weather. It is unjudgeable: nothing that falls into it counts, for
or against anybody.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

from watcher.alerts.model import Policy
from watcher.replay.phenomena import Phenomenon, states, with_groups

# Common practice, no source: breaks of one snowfall, and the changes of a TAF that last less than an hour each (TEMPO,
# ICAO Annex 3 appendix 5), are one weather to a crew; three hours without are time enough to get an aircraft away dry.
APART_MIN = 180
# As watcher.alerts.sight learns it from routine reports.
_SHORTEST_MIN, _LONGEST_MIN, _GAPS_NEEDED = 10, 180, 3

HAPPENINGS = pl.Schema(
    {
        "station": pl.String(),
        "phenomenon": pl.String(),
        "began_at": pl.Datetime("us", "UTC"),  # the first report that tells it
        "last_at": pl.Datetime("us", "UTC"),  # the last report that tells it
        "ended_at": pl.Datetime("us", "UTC"),  # the first report without it afterwards, null: sight was lost before
        "onset_seen": pl.Boolean(),  # the station was seen without it for `apart_min` before
    }
)


# The places of stations on one axis of minutes: whole days, and further apart than any archive is long, so that the
# step from the last report of one station to the first of the next is never taken for a short one.
STATION_MIN = 1440 << 22


@dataclass(frozen=True, slots=True)
class Seen:
    """The usable reports of an archive and what they tell, sorted by station and time.

    Attributes
    ----------
    rows
        ``tick`` (minutes since 1970, UTC, plus `STATION_MIN` for each station before), a Boolean column for each
        phenomenon, ``allowed`` (minutes from one report to the next in which the station is not blind), and what was to
        be kept.
    stations
        Codes in the order of their numbers.
    """

    rows: pl.DataFrame
    stations: tuple[str, ...]


class Walk(NamedTuple):
    """Where a phenomenon and the sight of it stand at a report, as expressions over `Seen.rows`; null: nothing there.

    `sight_from`, `sight_until`: ticks between which no report is missing or could not tell. They and `next_known` are
    meant for reports that could tell it. `last_true`, `next_true`: the nearest reports before and after that tell it,
    maybe of another station, which is then far away. `next_known`: the next report that can tell, where sight lasts.
    """

    sight_from: pl.Expr
    sight_until: pl.Expr
    last_true: pl.Expr
    next_true: pl.Expr
    next_known: pl.Expr


def seen(frame: pl.LazyFrame, *, keep: Iterable[str] = (), policy: Policy | None = None) -> Seen:
    """Return the reports that count, and what each tells.

    Parameters
    ----------
    frame
        The columns of `table.OBSERVED`, whole stations, sorted by station, time and order.
    keep
        Further columns to take along.
    policy
        How long a station may be silent before it is blind, as the live judgement has it; None: as it comes.

    Notes
    -----
    A superseded report and one without content (NIL) count as not there. Of several in force at one time the last
    counts.
    """
    policy = policy or Policy()
    usable = frame.filter(pl.col("in_force") & ~pl.col("nil"))
    told = [expr.alias(phenomenon.value) for phenomenon, expr in states().items()]
    minute = (pl.col("observed_at").dt.epoch("us") // 60_000_000).alias("minute")
    rows = (
        with_groups(usable)
        .select("station", minute, (pl.col("kind") == "METAR").alias("routine"), *told, *keep)
        .collect()
    )
    stations = tuple(rows.get_column("station").rle().struct.field("value").to_list())
    number = rows.get_column("station").rle_id()
    rows = rows.select(
        (number.cast(pl.Int64) * STATION_MIN + pl.col("minute")).alias("tick"), pl.exclude("station", "minute")
    )
    rows = rows.filter((pl.col("tick") != pl.col("tick").shift(-1)).fill_null(value=True))
    return Seen(_with_allowed(rows, len(stations), policy), stations)


def walk(phenomenon: str) -> Walk:
    """Return where a phenomenon and the sight of it stand. `phenomenon`: a Boolean column of `Seen.rows`."""
    tick, state = pl.col("tick"), pl.col(phenomenon)
    known = pl.when(state.is_not_null()).then(tick)
    true = pl.when(state).then(tick)
    before, after = known.forward_fill().shift(1), known.backward_fill().shift(-1)
    goes_on_from = (tick - before <= pl.col("allowed")).fill_null(value=False)
    goes_on_to = (after - tick <= pl.col("allowed")).fill_null(value=False)
    return Walk(
        sight_from=pl.when(~goes_on_from).then(known).forward_fill(),
        sight_until=pl.when(~goes_on_to).then(known).backward_fill(),
        last_true=true.forward_fill().shift(1),
        next_true=true.backward_fill().shift(-1),
        next_known=pl.when(goes_on_to).then(after),
    )


def happenings(found: Seen, phenomenon: Phenomenon, *, apart_min: int = APART_MIN) -> pl.DataFrame:
    """Return when a weather began and ended at the stations, with the columns of `HAPPENINGS`.

    Parameters
    ----------
    found
        The reports.
    phenomenon
        What happened.
    apart_min
        Minutes without it, by what the reports tell, before a report with it is a new onset. A break that is shorter
        belongs to it, seen or unseen.
    """
    walked, tick = walk(phenomenon.value), pl.col("tick")
    rows = found.rows.select(
        tick,
        pl.col(phenomenon.value).alias("true"),
        walked.sight_from.alias("sight_from"),
        walked.last_true.alias("last_true"),
        walked.next_known.alias("next_known"),
    ).filter("true")
    begins = (tick - pl.col("last_true") >= apart_min).fill_null(value=True)
    spells = (
        rows.with_columns(begins.cum_sum().alias("spell"))
        .group_by("spell", maintain_order=True)
        .agg(
            pl.col("tick").first().alias("began"),
            pl.col("tick").last().alias("last"),
            pl.col("next_known").last().alias("ended"),
            (pl.col("tick").first() - pl.col("sight_from").first() >= apart_min).alias("onset_seen"),
        )
    )
    return spells.select(
        station_of(pl.col("began"), found.stations),
        pl.lit(phenomenon.value).alias("phenomenon"),
        time_of(pl.col("began")).alias("began_at"),
        time_of(pl.col("last")).alias("last_at"),
        time_of(pl.col("ended")).alias("ended_at"),
        "onset_seen",
    )


def onsets(found: Seen, *, apart_min: int = APART_MIN) -> pl.DataFrame:
    """Return the happenings of every phenomenon, with the columns of `HAPPENINGS`; not every beginning was seen."""
    return pl.concat([happenings(found, phenomenon, apart_min=apart_min) for phenomenon in Phenomenon])


def sights(found: Seen, phenomenon: Phenomenon) -> pl.DataFrame:
    """Return between which times each station could tell a phenomenon: ``station``, ``sight_from``, ``sight_until``."""
    walked = walk(phenomenon.value)
    rows = found.rows.select(
        "tick",
        pl.col(phenomenon.value).is_not_null().alias("known"),
        walked.sight_from.alias("from"),
        walked.sight_until.alias("until"),
    ).filter(pl.col("known") & (pl.col("tick") == pl.col("from")))
    return rows.select(
        station_of(pl.col("from"), found.stations),
        time_of(pl.col("from")).alias("sight_from"),
        time_of(pl.col("until")).alias("sight_until"),
    )


def told_at(found: Seen, phenomenon: Phenomenon) -> pl.DataFrame:
    """Return the reports that tell a phenomenon: ``station``, ``at``."""
    rows = found.rows.filter(pl.col(phenomenon.value)).select("tick")
    return rows.select(station_of(pl.col("tick"), found.stations), time_of(pl.col("tick")).alias("at"))


def station_of(tick: pl.Expr, stations: Sequence[str]) -> pl.Expr:
    """Return the code of the station that a tick belongs to, as the column ``station``."""
    codes = pl.lit(pl.Series(list(stations), dtype=pl.String))
    return codes.gather((tick // STATION_MIN).cast(pl.UInt32)).alias("station")


def time_of(tick: pl.Expr) -> pl.Expr:
    """Return the time of a tick, aware UTC."""
    return ((tick % STATION_MIN) * 60_000_000).cast(pl.Datetime("us", "UTC"))


def _with_allowed(rows: pl.DataFrame, stations: int, policy: Policy) -> pl.DataFrame:
    """Add the time that a station may be silent: its usual one between routine reports, and the margin."""
    margin = policy.blind_margin.total_seconds() / 60
    first = policy.first_cadence.total_seconds() / 60
    gap = pl.col("tick").diff()
    usual = (
        rows.lazy()
        .filter("routine")
        .select((pl.col("tick") // STATION_MIN).cast(pl.UInt32).alias("number"), gap.alias("gap"))
        # A gap of days is none that says how often reports come; from one station to the next it is years.
        .filter(pl.col("gap").is_between(_SHORTEST_MIN, 24 * 60))
        .group_by("number")
        .agg(pl.col("gap").median(), pl.len().alias("gaps"))
        .filter(pl.col("gaps") >= _GAPS_NEEDED)
    )
    every = pl.LazyFrame({"number": pl.Series(range(stations), dtype=pl.UInt32)})
    usual_gap = pl.col("gap").clip(upper_bound=_LONGEST_MIN).fill_null(first)
    allowed = (
        every.join(usual, on="number", how="left")
        .sort("number")
        .select((usual_gap + margin).cast(pl.Int32))
        .collect()
        .to_series()
    )
    number = (rows.get_column("tick") // STATION_MIN).cast(pl.UInt32)
    return rows.drop("routine").with_columns(allowed.gather(number).alias("allowed"))
