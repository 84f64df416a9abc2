"""What a station's habits say, in words; and as plain values, for JSON and for the file in which they are kept."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from watcher.alerts.habits import DAYS_NEEDED, Habits, hour_of
from watcher.units import duration_text, iso_z, parse_iso_z

_VERSION = 1
_LONGEST_MIN = 180.0


def spans_text(spans: Iterable[tuple[int, int]]) -> str:
    """Return spans of hours as people write them: 22-05Z, 12-13Z."""
    return ", ".join(f"{begin:02}-{end:02}Z" for begin, end in spans)


def silence_now(habits: Habits | None, now: datetime) -> str | None:
    """Return the hours of the usual silence that this time lies in, such as 22-05Z; None where it lies in none."""
    if habits is None or not habits.silent_at(now):
        return None
    return next(
        (spans_text([(begin, end)]) for begin, end in habits.silent_spans() if _within(now.hour, begin, end)), None
    )


def habit_sentences(habits: Habits | None) -> tuple[str, ...]:
    """Return what was learned of a station, a sentence each; one that says why where it is nothing."""
    if habits is None or not habits.known:
        days = 0 if habits is None else habits.days
        return (f"Its habits are not known yet: reports of {days} of {DAYS_NEEDED} days have been heard.",)
    said = [f"Learned from {habits.reports} reports of {habits.days} days."]
    # A longer gap is that of a station that closes; the silence is told for itself.
    every = sorted({hour.gap_min for hour in habits.hours if hour.gap_min is not None and hour.gap_min <= _LONGEST_MIN})
    usual = habits.usual_spans()
    if usual and every:
        shortest, longest = (duration_text(timedelta(minutes=minutes)) for minutes in (every[0], every[-1]))
        often = f"every {shortest}" if shortest == longest else f"every {shortest} to {longest}, by the hour of the day"
        when = "at all hours" if usual == ((0, 24),) else spans_text(usual)
        said.append(f"It usually reports {when}, {often}.")
    if silent := habits.silent_spans():
        said.append(f"It is usually silent {spans_text(silent)}: blind then, not free of ice.")
    if habits.late_p90_min is not None:
        said.append(f"Nine of ten of its reports are here {habits.late_p90_min:.0f} min after the observation.")
    automatic = habits.automatic_spans()
    if automatic:
        said.append(f"It is usually automatic {'at all hours' if automatic == ((0, 24),) else spans_text(automatic)}.")
    return tuple(said)


def habits_as_json(habits: Habits) -> dict[str, object]:
    """Return habits as plain values; `habits_from_json` reads them again."""
    return {
        "known": habits.known,
        "days": habits.days,
        "reports": habits.reports,
        "begins_at": iso_z(habits.begins_at),
        "ends_at": iso_z(habits.ends_at),
        "late_p50_min": _rounded(habits.late_p50_min, 2),
        "late_p90_min": _rounded(habits.late_p90_min, 2),
        "late_p99_min": _rounded(habits.late_p99_min, 2),
        "silent": [spans_text([span]) for span in habits.silent_spans()],
        "automatic": [spans_text([span]) for span in habits.automatic_spans()],
        "hours": [
            {"reported": hour.reported, "gap_min": _rounded(hour.gap_min, 2), "auto": _rounded(hour.auto, 4)}
            for hour in habits.hours
        ],
    }


def habits_from_json(values: object) -> Habits:
    """Return the habits that plain values hold.

    Raises
    ------
    ValueError
        They are none; the message says which value is wrong.
    """
    hours = values.get("hours") if isinstance(values, dict) else None
    if (
        not isinstance(values, dict)
        or not isinstance(hours, list)
        or len(hours) != 24
        or not all(isinstance(hour, dict) for hour in hours)
    ):
        raise ValueError("hours are 24 objects")
    days = _count(values, "days")
    return Habits(
        days=days,
        reports=_count(values, "reports"),
        begins_at=_time(values, "begins_at"),
        ends_at=_time(values, "ends_at"),
        late_p50_min=_number(values, "late_p50_min", 180),
        late_p90_min=_number(values, "late_p90_min", 180),
        late_p99_min=_number(values, "late_p99_min", 180),
        hours=tuple(
            hour_of(_count(hour, "reported", days), _number(hour, "gap_min", 1440), _number(hour, "auto", 1))
            for hour in hours
        ),
    )


def habits_file(stations: Mapping[str, Habits], made_from: str) -> str:
    """Return the text of a file that keeps habits by station; `made_from`: what they were learned from, for people."""
    # A line for each station: of thousands of them, people look for one.
    lines = (f"{json.dumps(code)}: {json.dumps(habits_as_json(habits))}" for code, habits in sorted(stations.items()))
    head = f'{{"habits": {_VERSION}, "made_from": {json.dumps(made_from)}, "stations": {{'
    return head + "\n" + ",\n".join(lines) + "\n}}\n"


def habits_in_file(text: str) -> dict[str, Habits]:
    """Return the habits that a file keeps.

    Raises
    ------
    ValueError
        It is none of these files; the message says what is wrong with it.
    """
    try:
        whole = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"it is no JSON ({error})") from error
    stations = whole.get("stations") if isinstance(whole, dict) else None
    if not isinstance(whole, dict) or whole.get("habits") != _VERSION or not isinstance(stations, dict):
        raise ValueError(f'it holds no habits: an object with "habits": {_VERSION} and "stations"')
    found = {}
    for code, values in stations.items():
        try:
            found[code] = habits_from_json(values)
        except ValueError as error:
            raise ValueError(f"station {code}: {error}") from error
    return found


def _rounded(value: float | None, digits: int) -> float | None:
    return round(value, digits) if value is not None else None


def _within(hour: int, begin: int, end: int) -> bool:
    return begin <= hour < end if begin < end else hour >= begin or hour < end


def _count(values: dict[str, object], name: str, most: int = 10**9) -> int:
    value = values.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
        raise ValueError(f"{name} is a whole number from 0 to {most}")
    return value


def _number(values: dict[str, object], name: str, most: float) -> float | None:
    value = values.get(name)
    if value is None:
        return None
    if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value <= most:
        raise ValueError(f"{name} is a number from 0 to {most:g}, or null")
    return float(value)


def _time(values: dict[str, object], name: str) -> datetime:
    value = values.get(name)
    try:
        return parse_iso_z(value if isinstance(value, str) else "")
    except ValueError as error:
        raise ValueError(f"{name} is a time such as 2026-01-12T05:50:00Z") from error
