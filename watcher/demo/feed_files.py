"""Writes the bulk cache files as the public provider does, in the forms of 2014 and of 2026.

Only what a feed itself knows is filled in: text, station, time, type. The decoded columns stay empty, which the real
files do too for what was not reported.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal, Self

from watcher.units import iso_z

Form = Literal["2014", "2026"]

_COLUMNS = (
    *("raw_text", "station_id", "observation_time", "latitude", "longitude", "temp_c", "dewpoint_c"),
    *("wind_dir_degrees", "wind_speed_kt", "wind_gust_kt", "visibility_statute_mi", "altim_in_hg"),
    *("sea_level_pressure_mb", "corrected", "auto", "auto_station", "maintenance_indicator_on", "no_signal"),
    *("lightning_sensor_off", "freezing_rain_sensor_off", "present_weather_sensor_off", "wx_string"),
    *("sky_cover", "cloud_base_ft_agl") * 4,
    *("flight_category", "three_hr_pressure_tendency_mb", "maxT_c", "minT_c", "maxT24hr_c", "minT24hr_c"),
    *("precip_in", "pcp3hr_in", "pcp6hr_in", "pcp24hr_in", "snow_in", "vert_vis_ft", "metar_type", "elevation_m"),
)
_CATEGORY = _COLUMNS.index("flight_category")
_TYPE = _COLUMNS.index("metar_type")

_METAR = re.compile(r"(?:(?P<kind>METAR|SPECI) )?(?:COR )?(?P<station>[A-Z][A-Z0-9]{3}) (?P<time>\d{6})Z\b")
_TAF = re.compile(r"(?:TAF )?(?:AMD |COR )?(?P<station>[A-Z][A-Z0-9]{3}) (?P<time>\d{6})Z\b")
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class MetarRow:
    """One row of the METAR cache. `text` without the type word."""

    text: str
    station: str
    observed_at: datetime
    kind: Literal["METAR", "SPECI"] = "METAR"

    @classmethod
    def of(cls, text: str, now: datetime) -> Self:
        """Return the row of a report, dated to the last day before `now` that its time fits; ValueError if none."""
        found = _METAR.match(text)
        if found is None:
            raise ValueError(f"no METAR or SPECI: {text}")
        kind: Literal["METAR", "SPECI"] = "SPECI" if found["kind"] == "SPECI" else "METAR"
        bare = text.removeprefix("METAR ").removeprefix("SPECI ")
        return cls(bare, found["station"], _dated(found["time"], now), kind)

    def a_day_earlier(self) -> Self:
        """Return the same report as it would have stood in yesterday's file."""
        at = self.observed_at - _DAY
        return replace(self, observed_at=at, text=_redated(self.text, self.observed_at, at))


@dataclass(frozen=True, slots=True)
class TafRow:
    """One entry of the TAF cache."""

    text: str
    station: str
    issued_at: datetime

    @classmethod
    def of(cls, text: str, now: datetime) -> Self:
        """Return the entry of a forecast, dated to the last day before `now` that its time fits; ValueError if none."""
        found = _TAF.match(text)
        if found is None:
            raise ValueError(f"no TAF: {text}")
        return cls(text, found["station"], _dated(found["time"], now))

    def a_day_earlier(self) -> Self:
        """Return the same forecast as if it had been issued a day before; its validity is left as it is."""
        at = self.issued_at - _DAY
        return replace(self, issued_at=at, text=_redated(self.text, self.issued_at, at))


def metar_csv(rows: Sequence[MetarRow], form: Form) -> bytes:
    """Return the METAR cache file, not packed."""
    lines = [",".join(_COLUMNS), *(_metar_line(row, form) for row in rows)]
    if form == "2014":
        lines = ["No errors", "No warnings", "12 ms", "data source=metars", f"{len(rows)} results", *lines]
    return ("\n".join(lines) + "\n").encode()


def taf_xml(rows: Sequence[TafRow]) -> bytes:
    """Return the TAF cache file, not packed, without its decoded parts."""
    entries = "".join(
        f"<TAF><raw_text><![CDATA[{row.text.replace(']]>', ']] >')}]]></raw_text><station_id>{row.station}</station_id>"
        f"<issue_time>{_time(row.issued_at, '2026')}</issue_time></TAF>"
        for row in rows
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?><response version="1.1"><data_source name="tafs"/>'
        f'<errors/><warnings/><data num_results="{len(rows)}">{entries}</data></response>'
    ).encode()


def _metar_line(row: MetarRow, form: Form) -> str:
    cells = [""] * len(_COLUMNS)
    text = row.text if form == "2014" else f"{row.kind} {row.text}"
    quoted = form == "2026" or "," in text or '"' in text
    cells[0] = '"' + text.replace('"', '""') + '"' if quoted else text
    cells[1] = row.station
    cells[2] = _time(row.observed_at, form)
    cells[_CATEGORY] = "null" if form == "2026" else ""
    cells[_TYPE] = row.kind
    return ",".join(cells)


def _time(moment: datetime, form: Form) -> str:
    return iso_z(moment) if form == "2014" else iso_z(moment).replace("Z", ".000Z")


def _dated(group: str, now: datetime) -> datetime:
    day, hour, minute = int(group[:2]), int(group[2:4]), int(group[4:])
    date = (now + timedelta(minutes=30)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    for _ in range(62):
        if date.day == day and date <= now + timedelta(minutes=30):
            return date
        date -= _DAY
    raise ValueError(f"{group}Z is no time")


def _redated(text: str, before: datetime, after: datetime) -> str:
    return text.replace(f"{before:%d%H%M}Z", f"{after:%d%H%M}Z", 1)
