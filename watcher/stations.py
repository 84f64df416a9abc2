"""Where stations are: a table made from open data, with overrides from the settings. Unknown ones work too.

The table is `stations.csv`, made by `deploy/make_stations.py` from the package `airportsdata` (MIT licence).
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from importlib import resources

from watcher.reports.station import Station

_LACKS = {
    "latitude_deg": "position (day and night cannot be told)",
    "elevation_m": "elevation",
    "zone": "time zone (times are given in Z only)",
}


class StationTable:
    """All stations that are known, by code.

    Parameters
    ----------
    stations
        The table.
    overrides
        Laid over it: what an override gives, replaces; what it leaves open, stays.
    """

    def __init__(self, stations: Mapping[str, Station], overrides: Iterable[Station] = ()) -> None:
        self._stations = dict(stations)
        for override in overrides:
            known = self.get(override.code)
            given = {field.name: getattr(override, field.name) for field in fields(override)}
            self._stations[override.code] = replace(known, **{k: v for k, v in given.items() if v is not None})

    @classmethod
    def load(cls, overrides: Iterable[Station] = ()) -> StationTable:
        """Read the packaged table."""
        text = resources.files("watcher").joinpath("stations.csv").read_text(encoding="utf-8")
        rows = csv.reader(text.splitlines())
        next(rows)
        return cls({row[0]: _station(row) for row in rows}, overrides)

    def __len__(self) -> int:
        return len(self._stations)

    def get(self, code: str) -> Station:
        """Return a station; one that the table does not have is known by its code alone."""
        return self._stations.get(code) or Station(code)


def missing(station: Station) -> tuple[str, ...]:
    """Return what is not known of a station and matters, in words."""
    return tuple(words for name, words in _LACKS.items() if getattr(station, name) is None)


def _station(row: list[str]) -> Station:
    code, name, country, latitude, longitude, elevation, zone = row
    return Station(
        code,
        name or None,
        country or None,
        float(latitude),
        float(longitude),
        float(elevation) if elevation else None,
        zone or None,
    )
