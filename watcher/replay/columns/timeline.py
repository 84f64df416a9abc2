"""The reports that were heard, as one line of rows: station after station, each by the time of its observations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl

from watcher.replay.columns.hearing import Flags, Ints, microseconds, station_numbers

_US = timedelta(microseconds=1)
_MS_US = 1000


@dataclass(frozen=True, slots=True)
class Timeline:
    """Times and stations by row.

    `line`: observation times with the stations laid end to end, so far apart that no wait reaches from one into the
    next; counted in units of `unit_us`. `stops`: for each station the row after its last. `again`: the rows of the same
    observation time as the row before.
    """

    station: Ints
    line: Ints
    unit_us: int
    stops: Ints
    again: Ints
    fresh: Flags

    @classmethod
    def of(cls, frame: pl.DataFrame, *, longest_wait: timedelta, stale_after: timedelta) -> Timeline:
        """Return the timeline of the reports that were heard.

        Parameters
        ----------
        frame
            `station`, `observed_at`, `heard_at`, in the order of hearing, only what was heard; not empty.
        longest_wait
            Of the rules that will be followed along it.
        stale_after
            `fresh` is false for reports that were older when heard.
        """
        station, at = station_numbers(frame), microseconds(frame["observed_at"])
        heard_at = microseconds(frame["heard_at"])
        first = int(at.min())
        room = int(at.max()) - first + 1 + longest_wait // _US
        count = int(station[-1]) + 1
        unit_us = 1 if count * room < 2**62 else _MS_US
        line = station * -(-room // unit_us) + (at - first) // unit_us
        return cls(
            station=station,
            line=line,
            unit_us=unit_us,
            stops=np.searchsorted(station, np.arange(count), side="right"),
            again=np.flatnonzero(line[1:] == line[:-1]) + 1,
            fresh=heard_at - at <= stale_after // _US,
        )

    def stop(self, rows: Ints) -> Ints:
        """Return for each row the row after the last of its station."""
        return self.stops[self.station[rows]]

    def first_at(self, rows: Ints, wait: timedelta) -> Ints:
        """Return for each row the first row so long after it, which may be another station's."""
        return np.searchsorted(self.line, self.line[rows] + -(-(wait // _US) // self.unit_us))
