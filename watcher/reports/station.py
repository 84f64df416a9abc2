"""A station: the place that reports come from. What is not known about it is None."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Station:
    """A place that reports.

    `latitude_deg` north, `longitude_deg` east, `elevation_m` above sea level, `zone` an IANA time zone,
    `country` ISO 3166-1 alpha-2.
    """

    code: str
    name: str | None = None
    country: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    zone: str | None = None
