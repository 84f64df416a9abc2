"""The facts about the past hours, from what a station's history would have held when each report was heard.

The rules are those of `rulebook.observed`; a window of the history is a range of places, counted with running sums.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.replay.columns.hearing import Flags, Ints, microseconds, station_numbers
from watcher.rulebook.observed import fell, leaves_water

Ints32 = npt.NDArray[np.int32]

PAST = ("precipitation_last_h", "wet_since_freezing", "hours_below_zero")
# What they need of a report beside its present weather.
REPORTED = ("temp_c", "recent_weather")

_US = timedelta(microseconds=1)
_KEPT = timedelta(hours=12) // _US
_HOUR = timedelta(hours=1) // _US
_PAST_HOUR = timedelta(minutes=75) // _US
_WET_FOR = timedelta(hours=3) // _US


@dataclass(frozen=True, slots=True)
class _Windows:
    """Where in the history each report looks. `ends`: the place after the last moment before it."""

    line: Ints
    at: Ints
    kept_from: Ints
    ends: Ints

    def begin(self, length_us: int) -> Ints:
        """Return the first place that is at most this long before each report, and still kept."""
        return np.maximum(np.searchsorted(self.line, self.at - length_us), self.kept_from)

    def reaches_back(self, length_us: int) -> Flags:
        """Return whether the last moment before each report is kept, and at most this long before it."""
        last = np.append(self.line, np.iinfo(np.int64).min)[self.ends - 1]
        covered: Flags = (self.kept_from < self.ends) & (last >= self.at - length_us)
        return covered


def past_facts(frame: pl.DataFrame, precipitation: pl.Series, wet: pl.Series) -> pl.DataFrame:
    """Return the columns PAST for reports in the order of hearing.

    Parameters
    ----------
    frame
        `with_hearing`, with REPORTED.
    precipitation, wet
        Of each report by its present weather, as `rulebook.observed.moment_of` has them.
    """
    at, heard_at, scale = _on_one_line(frame)
    kept = _moments(at, frame["heard"].to_numpy())
    windows = _Windows(
        line=at[kept],
        at=at,
        kept_from=np.searchsorted(at[kept], heard_at - _KEPT // scale),
        ends=np.searchsorted(at[kept], at),
    )
    lately = _lately(frame)
    columns = pl.DataFrame(
        {
            "precipitation": precipitation,
            "wet": wet | lately["wet"],
            "temp_c": frame["temp_c"],
            "fell_lately": lately["fell"],
        }
    )
    own, moments = columns, columns[kept]
    return pl.DataFrame(
        {
            "precipitation_last_h": _precipitation_last_h(own, moments, windows, scale),
            "wet_since_freezing": _wet_since_freezing(own, moments, windows, scale),
            "hours_below_zero": _hours_below_zero(own, moments, windows, scale),
        }
    )


def _on_one_line(frame: pl.DataFrame) -> tuple[Ints, Ints, int]:
    """Return observation and hearing times with the stations laid end to end, so that one search serves all of them.

    Between two stations lies more than any window is long. A time is counted in microseconds, in milliseconds where a
    number could not hold so many stations and years.
    """
    station = station_numbers(frame)
    at, heard_at = microseconds(frame["observed_at"]), microseconds(frame["heard_at"])
    first, last = int(at.min()), int(at.max())
    room = 2 * _KEPT
    scale = 1 if (int(station[-1]) + 1) * (last - first + room) < 2**62 else 1000
    base = station * ((last - first + room) // scale)
    # Heard long after it was made: its station's history is empty, and the next station's is not its own.
    heard_at = np.minimum(heard_at, last + _KEPT + _HOUR)
    return base + (at - first) // scale, base + (heard_at - first) // scale, scale


def _moments(at: Ints, heard: Flags) -> Ints:
    """Return the places of the reports that stay in the history: of one time the one that was heard last."""
    places = np.flatnonzero(heard)
    stays = np.ones(len(places), dtype=np.bool_)
    stays[:-1] = at[places[1:]] != at[places[:-1]]
    return places[stays]


def _counted(flags: pl.Series) -> Ints32:
    """Return how many are true before each place."""
    counted = np.zeros(len(flags) + 1, dtype=np.int32)
    np.cumsum(_true(flags), out=counted[1:])
    return counted


def _any(counted: Ints32, begin: Ints, end: Ints) -> Flags:
    return counted[end] > counted[begin]


def _precipitation_last_h(own: pl.DataFrame, moments: pl.DataFrame, windows: _Windows, scale: int) -> pl.Series:
    recent = windows.begin(_PAST_HOUR // scale)
    before = _any(_counted(moments["precipitation"]), recent, windows.ends)
    unknown = _any(_counted(moments["precipitation"].is_null()), recent, windows.ends)
    covered = windows.reaches_back(_PAST_HOUR // scale)
    falls = own["precipitation"]
    return _known(
        before | _true(falls) | _true(own["fell_lately"]), covered & ~unknown & falls.is_not_null().to_numpy()
    )


def _lately(frame: pl.DataFrame) -> pl.DataFrame:
    """Return for each report whether by its recent weather something `fell`, and whether it left water (`wet`)."""
    found = {name: np.zeros(frame.height, dtype=np.bool_) for name in ("fell", "wet")}
    rows = np.flatnonzero(_true(frame["recent_weather"] != ""))
    if len(rows):
        cases = frame.select(text="recent_weather", warm=(pl.col("temp_c") > 0).fill_null(value=False))[rows]
        distinct = cases.unique()
        said = [(fell(text.split()), leaves_water(text.split(), warm=warm)) for text, warm in distinct.iter_rows()]
        answered = distinct.with_columns(pl.DataFrame(said, schema=dict.fromkeys(found, pl.Boolean), orient="row"))
        answers = cases.join(answered, on=cases.columns, how="left", maintain_order="left")
        for name, flags in found.items():
            flags[rows] = answers[name].to_numpy()
    return pl.DataFrame(found)


def _wet_since_freezing(own: pl.DataFrame, moments: pl.DataFrame, windows: _Windows, scale: int) -> pl.Series:
    recent = windows.begin(_WET_FOR // scale)
    was_wet = _any(_counted(moments["wet"]), recent, windows.ends)
    unknown = _any(_counted(moments["wet"].is_null()), recent, windows.ends)
    wet, temp = own["wet"], own["temp_c"]
    frozen, thawed = _true(temp <= 0), _true(temp > 0)
    known_dry = (recent < windows.ends) & ~unknown & wet.is_not_null().to_numpy()
    return _known(frozen & (was_wet | _true(wet)), thawed | (frozen & known_dry))


def _hours_below_zero(own: pl.DataFrame, moments: pl.DataFrame, windows: _Windows, scale: int) -> pl.Series:
    above = ~_true(moments["temp_c"] <= 0)
    places = np.arange(len(above))
    last_above = np.concatenate([[-1], np.maximum.accumulate(np.where(above, places, -1))])
    since = np.maximum(windows.kept_from, last_above[windows.ends] + 1)
    frozen = _true(own["temp_c"] <= 0) & (since < windows.ends)
    began = windows.at.copy()
    began[frozen] = windows.line[since[frozen]]
    hours = (windows.at - began) * scale / 1e6 / 3600
    return pl.select(pl.when(own["temp_c"].is_not_null()).then(pl.Series(hours))).to_series()


def _true(flags: pl.Series) -> Flags:
    return flags.fill_null(value=False).to_numpy()


def _known(yes: Flags, no: Flags) -> pl.Series:
    """Return true, false, or null where neither is known."""
    return pl.select(pl.when(pl.Series(yes)).then(statement=True).when(pl.Series(no)).then(statement=False)).to_series()
