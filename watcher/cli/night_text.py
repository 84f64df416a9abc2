"""The answer of `hoarline night` in words and characters, 80 columns wide: first whether and when, then why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.outlook.night.model import NightStep, PartNight
from watcher.outlook.night.sensitivity import deposit_chance
from watcher.pictures.night_plot import PART_WORDS
from watcher.service.night_words import (
    NO_MEASUREMENT,
    also,
    chance,
    elsewhere,
    headline,
    moved,
    past,
    spanned,
)
from watcher.units import clock_z, duration_text, zone_named

if TYPE_CHECKING:
    from watcher.service.night_answers import Answer

COLUMNS = 80
_BAR = 8
_EIGHTHS = " ▏▎▍▌▋▊▉█"


def text_of(answer: Answer, *, blocks: bool) -> str:
    """Return the answer for one station.

    Parameters
    ----------
    answer
        What was computed.
    blocks
        Whether the terminal has block characters and the degree sign.

    Returns
    -------
    str
        Lines of at most 80 characters.
    """
    lines = [_heading(answer)]
    if answer.night.worst is None:
        lines += _wrapped("cannot be computed: " + " ".join(answer.night.notes), "  ")
    else:
        lines += [*_wrapped(headline(answer), ""), *_wrapped(also(answer), "")]
        lines += ["", *_parts(answer), "", *_steps(answer, blocks), "", *_changes(answer), ""]
        lines += [line for note in answer.night.notes for line in _wrapped(note, "- ")]
    lines += [*_data(answer), *_wrapped(NO_MEASUREMENT, ""), *_wrapped(CAUTION, "")]
    return "\n".join(lines)


def _heading(answer: Answer) -> str:
    station, night = answer.question.station, answer.night
    zone = zone_named(station.zone)
    span = f"{night.begins_at.astimezone(UTC):%d%H%MZ}-{night.ends_at.astimezone(UTC):%d%H%MZ}"
    if zone is not None:
        span += f" ({night.begins_at.astimezone(zone):%H:%M}-{night.ends_at.astimezone(zone):%H:%M} {station.zone})"
    name = plain(station.name or "")
    room = COLUMNS - len(station.code) - len(span) - 4
    if len(name) > room:
        name = name[: max(room - 1, 0)].rstrip() + "." if room > 8 else ""
    return f"{station.code} {name}".rstrip() + f"  {span}"


def _parts(answer: Answer) -> Iterator[str]:
    night = answer.night
    at = clock_z(night.ends_at)
    yield f"{'part of the wing':<17}{'frost':>6}{'deposit':>10}  {'forms from':<20}{'forms until':<14}gone"
    yield f"{'':<17}{'forms':>6}{at:>10}"
    later = {part.part: part for part in answer.after.parts}
    for part in night.parts:
        yield _part(part, later[part.part], answer).rstrip()


def _part(part: PartNight, later: PartNight, answer: Answer) -> str:
    front = f"{PART_WORDS[part.part]:<17}{chance(part.p_any):>6}{chance(part.p_deposit):>10}  "
    gone = past(later.deposit_end, answer.after) if later.deposit_end is not None else "-"
    if part.onset is None or part.onset.p50 is None:
        return f"{front}{'-':<20}{'-':<14}{gone}"
    begins = "now" if part.onset.p50 <= answer.night.begins_at else spanned(part.onset, answer.night)
    return f"{front}{begins:<20}{past(later.end, answer.after):<14}{gone}"


def _steps(answer: Answer, blocks: bool) -> Iterator[str]:
    worst = answer.night.worst
    assert worst is not None
    zone = zone_named(answer.question.station.zone)
    local = "local " if zone is not None else ""
    yield f"by half hour: {PART_WORDS[worst.part]}, the part most likely to be frosted"
    unit = "°C" if blocks else "C"
    yield f"{'':10}{local}{'frost forms':<15}{'deposit':>7}  {f'skin {unit}':<23}{'air':>6}{'frost':>8}"
    yield f"{'':10}{' ' * len(local)}{'':<22}  {'   (10 to 90 %)':<23}{unit:>6}{'point':>8}"
    for step in worst.steps:
        yield _step(step, answer, zone, blocks).rstrip()


def _step(step: NightStep, answer: Answer, zone: ZoneInfo | None, blocks: bool) -> str:
    local = f"{step.at.astimezone(zone):%H:%M} " if zone is not None else ""
    air = f"{_degrees(step.temp_c.p50):>6}{_degrees(step.frost_point_c.p50):>8}"
    front = f"{_tag(step.at, answer):<4}{clock_z(step.at)} {local}"
    if place := elsewhere(step.at, answer):
        return f"{front} {place:<46}{air}"
    chances = f"{chance(step.p_active_frost):>5} {_bar(step.p_active_frost, blocks)} {chance(step.p_deposit):>7}"
    low, middle, high = (_degrees(value) for value in step.skin_c)
    skin = f"{middle} ({low.strip()} to {high.strip()})"
    return f"{front}{chances}  {skin:<23}{air}"


def _tag(at: datetime, answer: Answer) -> str:
    if answer.asked.departs_at is not None and at == answer.night.ends_at:
        return "dep"
    return "now" if at == answer.night.begins_at else ""


def _bar(p: float, blocks: bool) -> str:
    if not blocks:
        return ("#" * round(_BAR * p)).ljust(_BAR)
    whole, part = divmod(round(8 * _BAR * p), 8)
    return ("█" * whole + _EIGHTHS[part].strip()).ljust(_BAR)


def _degrees(value: float) -> str:
    """Return a temperature, right-aligned; a negative zero loses its sign."""
    return f"{round(value, 1) + 0.0:5.1f}"


def _changes(answer: Answer) -> Iterator[str]:
    """Return what was computed again with the same random numbers, and by how many percentage points it differs."""
    night = answer.night
    if not answer.sensitivity:
        yield "Nothing that was tried moves the answer by 5 points: a clear or overcast sky,"
        yield "calm or 10 kt of wind, a dew point 1 K lower or higher."
        return
    yield f"{'what would change the answer':<36}{'frost forms':<16}{'deposit'} {clock_z(night.ends_at)}"
    yield f"{'  as it is':<36}{chance(night.p_any or 0.0):<16}{chance(deposit_chance(night))}"
    for item in answer.sensitivity:
        frost, deposit = moved(night.p_any or 0.0, item.p_any), moved(deposit_chance(night), item.p_deposit)
        yield f"  {item.change:<34}{frost:<16}{deposit}"


def _data(answer: Answer) -> Iterator[str]:
    latest, forecast = answer.question.latest, answer.question.forecast
    now = answer.asked.now
    if latest is not None:
        yield from _wrapped(f"{_age(now - latest.observed_at)}: {plain(latest.raw)}", "report  ")
        for doubt in latest.doubts:
            yield from _wrapped(plain(doubt), "doubt   ")
    if forecast is not None:
        yield from _wrapped(f"{_age(now - forecast.issued_at)}: {plain(forecast.raw)}", "TAF     ")


def _age(age: timedelta) -> str:
    return f"{duration_text(age)} old" if age >= timedelta(minutes=1) else "new"


def _wrapped(text: str, first: str) -> Sequence[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))
