"""A morning list from what somebody uploaded and reported: read, bounded, made in the weather as it is known now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from fastapi import Request

from watcher.alerts.latest import question_of
from watcher.errors import Problem, UsageError, nearest
from watcher.service.planning import plan_morning
from watcher.treatment.departure_times import TIMES, last_until
from watcher.treatment.listed import Morning
from watcher.treatment.parse_departures import Listed, Progress, parse_departures, with_report
from watcher.units import iso_z
from watcher.web.depart import view_at
from watcher.web.forms import form_values
from watcher.web.house import House
from watcher.web.morning_shelf import Key, Reported, Wanted, key_of

# As many as one person reads; more are several lists.
MOST_DEPARTURES = 600
# A delay moves a departure by less; flights of the next day have the same names. Common practice, no source.
_SAME = timedelta(hours=4)


async def wanted_of(request: Request) -> Wanted:
    """Return the form that was posted; a file goes before what stands in the field."""
    fields = await form_values(request)
    texts = [text for name in ("file", "text") for text in fields.get(name, ()) if text.strip()]
    station = " ".join(fields.get("station", [""])[0].split())[:10].upper()
    name = fields.get("list", [""])[0][:40]
    return Wanted(texts[0] if texts else "", station or None, bool(fields.get("training", [""])[0]), name)


async def list_of(house: House, wanted: Wanted) -> tuple[Wanted, Morning]:
    """Return the list, and what it is made of: with the time at which it was first read, without reports of other days.

    UsageError with all that is wrong in the departures.
    """
    now, treatments = house.clock(), house.treatments
    read_at = now if wanted.read_at is None else wanted.read_at
    only = next(iter(treatments.operations)) if len(treatments.operations) == 1 else None
    station = wanted.station or only
    listed = await house.heavy.run(lambda: _read(wanted.text, read_at, treatments.zones, station))
    reports = {key: each for key, each in wanted.reports.items() if not _moved(listed, key, each)}
    dropped = [_dropped(key, wanted.reports[key]) for key in sorted(wanted.reports.keys() - reports.keys())]
    known = [_reported(each, reports) for each in listed]
    weather = {}
    for code in sorted({each.departure.station for each in known}):
        weather[code] = question_of(await view_at(house, code, now), now, now)
    made = await house.heavy.run(lambda: plan_morning(known, weather, treatments, now, training=wanted.training))
    return replace(wanted, reports=reports, read_at=read_at), replace(made, notes=(*dropped, *made.notes))


def _read(text: str, now: datetime, zones: Mapping[str, str], station: str | None) -> tuple[Listed, ...]:
    """Return the departures of an uploaded text; UsageError with all that is wrong."""
    if not text.strip():
        raise UsageError([Problem("departures", "there are none", "choose a file, or paste the lines into the field")])
    if "\x00" in text or "\ufffd" in text:
        what = "is not readable as UTF-8 text"
        raise UsageError([Problem("departures", what, "save the table as CSV in UTF-8, not as a workbook")])
    listed = parse_departures(text, "departures", now=now, zones=zones, station=station)
    if not listed:
        raise UsageError([Problem("departures", "has a head line and no departure", "one line for each departure")])
    if len(listed) > MOST_DEPARTURES:
        what = f"has {len(listed)} of them"
        raise UsageError([Problem("departures", what, f"at most {MOST_DEPARTURES} in one list; make several")])
    return listed


def _reported(listed: Listed, reports: Mapping[Key, Reported]) -> Listed:
    found = reports.get((listed.departure.station, listed.departure.name))
    return listed if found is None else with_report(listed, found.progress, found.at)


def _moved(listed: Sequence[Listed], key: Key, reported: Reported) -> bool:
    """Return whether a departure of that name is another one now: its off-block lies too far from the one reported."""
    return any(
        (each.departure.station, each.departure.name) == key
        and abs(each.departure.off_block - reported.off_block) > _SAME
        for each in listed
    )


def _dropped(key: Key, reported: Reported) -> str:
    told = reported.progress.value if reported.at is None else f"{reported.progress.value} {iso_z(reported.at)}"
    return (
        f"{key[1]} was reported {told} for an off-block time of {iso_z(reported.off_block)}, more than four hours from "
        "the one on this list: taken for another departure, and the report no longer counts."
    )


def reports_with(
    wanted: Wanted, made: Morning, fields: Mapping[str, str], zones: Mapping[str, str], now: datetime
) -> dict[Key, Reported]:
    """Return what is reported back with what a form says: of which departure, what, and when.

    Parameters
    ----------
    wanted, made
        What the list is made of, and the list.
    fields
        `station`, `flight`, `said` (a word of `Progress`; open takes back what was reported on the page), `at` (empty:
        now).
    zones
        Of the stations.
    now
        Aware UTC.

    Raises
    ------
    UsageError
        The departure is not on the list, the word is not known, or the time is none or yet to come.
    """
    key = fields.get("station", ""), fields.get("flight", "")
    off_blocks = {key_of(line): line.listed.departure.off_block for line in made.lines}
    if key not in off_blocks:
        raise UsageError([Problem("departure", f'"{key[1]}" is not on this list')])
    rest = {name: reported for name, reported in wanted.reports.items() if name != key}
    word = fields.get("said", "")
    if word == Progress.OPEN:
        return rest
    if word not in list(Progress):
        raise UsageError([Problem("report", f'"{word}" is not known', nearest(word, Progress))])
    at = _moment(fields.get("at", "").strip(), zones.get(key[0]), now)
    return {**rest, key: Reported(Progress(word), at, off_blocks[key])}


def _moment(text: str, zone: str | None, now: datetime) -> datetime:
    if not text:
        return now
    try:
        at = last_until(text, zone, now)
    except ValueError as error:
        raise UsageError([Problem("time of the report", str(error), TIMES)]) from error
    if at > now:
        raise UsageError([Problem("time of the report", f'"{text}" is yet to come')])
    return at
