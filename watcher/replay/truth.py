"""What the reports themselves tell afterwards: when a weather began and ended at a station, and when nobody could see.

A time without a usable report is not a time without weather. It is unjudgeable: nothing that falls into it counts, for
or against anybody.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from watcher.alerts.model import Policy
from watcher.replay.archives.dates import YEARS
from watcher.replay.phenomena import Phenomenon, states, with_groups

# Common practice, no source: breaks of one snowfall, and the changes of a TAF that last less than an hour each (TEMPO,
# ICAO Annex 3 appendix 5), are one weather to a crew; three hours without are time enough to get an aircraft away dry.
APART_MIN = 180
# As watcher.alerts.sight learns it from routine reports.
_SHORTEST_MIN, _LONGEST_MIN, _GAPS_NEEDED = 10, 180, 3

# What is read of the columns of `table.OBSERVED`.
READ = (
    "station", "observed_at", "order", "kind", "in_force", "nil", "weather", "weather_observable", "freezing_or_frozen",
    "temp_c", "auto", "precipitation_sensor", "present_weather_sensor_off", "freezing_rain_sensor_off",
    "weather_unread_may_freeze",
)  # fmt: skip

HAPPENINGS = pl.Schema(
    {
        "station": pl.String(),
        "phenomenon": pl.String(),
        "began_at": pl.Datetime("us", "UTC"),  # the first report that tells it
        "last_at": pl.Datetime("us", "UTC"),  # the last report that tells it
        "ended_at": pl.Datetime("us", "UTC"),  # the first report without it afterwards, null: sight was lost before
        "onset_seen": pl.Boolean(),  # the station was seen for `apart_min` before
    }
)


# The places of stations on one axis of minutes: whole days, and further apart than any archive is long, so that the
# step from the last report of one station to the first of the next is never taken for a short one.
STATION_MIN = 1440 << 22
# Where each axis begins, in minutes since 1970: before the first report of any archive, for a tick below zero would
# belong to the station before. A year earlier, since what is dated by a time near to it may lie before that.
ORIGIN_MIN = int(datetime(YEARS.start - 1, 1, 1, tzinfo=UTC).timestamp()) // 60
# Beyond every tick.
FAR = 1 << 61
# What a report tells of a phenomenon.
TRUE, FALSE, UNKNOWN = 1, 0, 2

Ticks = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Seen:
    """The usable reports of an archive and what they tell, sorted by station and time.

    Attributes
    ----------
    rows
        ``tick`` (minutes from `ORIGIN_MIN` on, UTC, plus `STATION_MIN` for each station before), a Boolean column for
        each phenomenon, ``allowed`` (minutes from one report to the next in which the station is not blind), and what
        was to be kept.
    stations
        Codes in the order of their numbers.
    walks
        What :func:`walk` has found so far.
    """

    rows: pl.DataFrame
    stations: tuple[str, ...]
    walks: dict[Phenomenon, Walk] = field(default_factory=dict, repr=False, compare=False)


class Walk(NamedTuple):
    """Where a phenomenon and the sight of it stand at each report, ticks, shape (reports,); `FAR` or `-FAR`: nowhere.

    `told`: 1 where the report tells it, 0 where it tells its absence, 2 where it could not tell. `sight_from`,
    `sight_until`: between which no report is missing or could not tell; meant for reports that could. `last_true`,
    `next_true`: the nearest reports before and after that tell it, maybe of another station, which is then far away.
    `next_known`: the next report that can tell, `FAR` where sight is lost before.
    """

    tick: Ticks
    told: NDArray[np.int8]
    sight_from: Ticks
    sight_until: Ticks
    last_true: Ticks
    next_true: Ticks
    next_known: Ticks


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
    minute = (pl.col("observed_at").dt.epoch("us") // 60_000_000 - ORIGIN_MIN).alias("minute")
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


def walk(found: Seen, phenomenon: Phenomenon) -> Walk:
    """Return where a phenomenon and the sight of it stand at each report; walked once, and kept with the reports."""
    if phenomenon not in found.walks:
        found.walks[phenomenon] = _walk(found, phenomenon)
    return found.walks[phenomenon]


def _walk(found: Seen, phenomenon: Phenomenon) -> Walk:
    tick = found.rows.get_column("tick").to_numpy()
    allowed = found.rows.get_column("allowed").to_numpy()
    told = found.rows.get_column(phenomenon.value).cast(pl.Int8).fill_null(UNKNOWN).to_numpy()
    known, true = told != UNKNOWN, told == TRUE
    before, after = _before(tick, known), _after(tick, known)
    goes_on_to = after - tick <= allowed
    return Walk(
        tick=tick,
        told=told,
        sight_from=np.maximum.accumulate(np.where(known & (tick - before > allowed), tick, -FAR)),
        sight_until=_backwards(np.where(known & ~goes_on_to, tick, FAR)),
        last_true=_before(tick, true),
        next_true=_after(tick, true),
        next_known=np.where(goes_on_to, after, FAR),
    )


def _before(tick: Ticks, chosen: NDArray[np.bool_]) -> Ticks:
    """Return the last chosen tick before each."""
    last = np.maximum.accumulate(np.where(chosen, tick, -FAR))
    return np.concatenate([[-FAR], last[:-1]])


def _after(tick: Ticks, chosen: NDArray[np.bool_]) -> Ticks:
    """Return the first chosen tick after each."""
    return np.concatenate([_backwards(np.where(chosen, tick, FAR))[1:], [FAR]])


def _backwards(ticks: Ticks) -> Ticks:
    least: Ticks = np.minimum.accumulate(ticks[::-1])[::-1]
    return least


def happenings(found: Seen, phenomenon: Phenomenon, *, apart_min: int = APART_MIN) -> pl.DataFrame:
    """Return when a weather began and ended at the stations, with the columns of `HAPPENINGS`.

    Parameters
    ----------
    found
        The reports.
    phenomenon
        What happened.
    apart_min
        Minutes from the last report with it to the next one, after which that is a new onset. A break that is shorter
        belongs to it, seen or unseen.
    """
    walked = walk(found, phenomenon)
    true = np.flatnonzero(walked.told == TRUE)
    firsts = np.flatnonzero(walked.tick[true] - walked.last_true[true] >= apart_min)
    first, last = true[firsts], true[np.append(firsts[1:], len(true)) - 1] if len(true) else true
    frame = pl.DataFrame(
        {
            "began": walked.tick[first],
            "last": walked.tick[last],
            "ended": walked.next_known[last],
            "onset_seen": walked.tick[first] - walked.sight_from[first] >= apart_min,
        }
    )
    return frame.select(
        station_of(pl.col("began"), found.stations),
        pl.lit(phenomenon.value).alias("phenomenon"),
        time_of(pl.col("began")).alias("began_at"),
        time_of(pl.col("last")).alias("last_at"),
        pl.when(pl.col("ended") < FAR).then(time_of(pl.col("ended"))).alias("ended_at"),
        "onset_seen",
    )


def onsets(found: Seen, *, apart_min: int = APART_MIN) -> pl.DataFrame:
    """Return the happenings of every phenomenon, with the columns of `HAPPENINGS`; not every beginning was seen."""
    return pl.concat([happenings(found, phenomenon, apart_min=apart_min) for phenomenon in Phenomenon])


def sights(found: Seen, phenomenon: Phenomenon) -> pl.DataFrame:
    """Return between which times each station could tell a phenomenon: ``station``, ``sight_from``, ``sight_until``."""
    walked = walk(found, phenomenon)
    starts = (walked.told != UNKNOWN) & (walked.tick == walked.sight_from)
    rows = pl.DataFrame({"from": walked.sight_from[starts], "until": walked.sight_until[starts]})
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
    return ((tick % STATION_MIN + ORIGIN_MIN) * 60_000_000).cast(pl.Datetime("us", "UTC"))


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
