"""An answered night as its page shows it: whether and when first, then picture, parts, hours and doubts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

from markupsafe import Markup

from watcher.alerts.parked import outlook_of
from watcher.alerts.parked_words import LIKELY, POSSIBLE, next_step_of
from watcher.notify.wording import plain, when
from watcher.outlook.night.model import NightStep, PartNight
from watcher.outlook.night.sensitivity import deposit_chance
from watcher.pictures.labels import degrees
from watcher.pictures.night_plot import PART_WORDS
from watcher.pictures.sheet import pair
from watcher.service.night_answers import Answer
from watcher.service.night_pictures import picture_of
from watcher.service.night_words import also, chance, elsewhere, headline, moved, past, spanned
from watcher.treatment.protection import FRESH
from watcher.units import duration_text
from watcher.web.stations_report import Group, groups_of_text
from watcher.web.times import Shown, shown_at

_WIDE_PX, _NARROW_PX = 960, 344


@dataclass(frozen=True, slots=True)
class PartShown:
    """One part of the wing. `worst`: the likeliest to be frosted."""

    part: str
    worst: bool
    forms: str
    deposit: str
    frozen: str
    fallen: str
    begins: str
    until: str
    gone: str


@dataclass(frozen=True, slots=True)
class StepShown:
    """One half hour of the worst part. `day`: where a day begins; `place`: where the aircraft is instead, else ""."""

    day: str
    at: Shown
    tag: str
    place: str
    forms: str
    width: int
    deposit: str
    skin: str
    air: str
    frost_point: str


@dataclass(frozen=True, slots=True)
class ChangeShown:
    """What would move the answer."""

    change: str
    forms: str
    deposit: str


@dataclass(frozen=True, slots=True)
class SourceShown:
    """A report or TAF that the answer rests on. `stale`: too old to say what the weather is now."""

    kind: str
    at: Shown
    age: str
    groups: tuple[Group, ...]
    doubts: tuple[str, ...]
    stale: bool


@dataclass(frozen=True, slots=True)
class NightShown:
    """One station's answer. `likely`: likely, possible or unlikely, for its look; `computed`: whether it could be."""

    code: str
    name: str
    departs: str
    departs_z: Shown
    computed: bool
    likely: str
    chance: str
    headline: str
    also: str
    next_step: str
    picture: Markup
    parts: tuple[PartShown, ...]
    worst_part: str
    steps: tuple[StepShown, ...]
    changes: tuple[ChangeShown, ...]
    notes: tuple[str, ...]
    sources: tuple[SourceShown, ...]
    members: int
    link: str


def night_shown(answer: Answer, given: Mapping[str, str], root: str, *, small: bool) -> NightShown:
    """Return an answer for the page.

    Parameters
    ----------
    answer
        As it was computed, with a departure.
    given
        What was asked, for the address of this station alone.
    root
        Of the addresses.
    small
        One of several: its picture is drawn for a narrow place.
    """
    night, station = answer.night, answer.question.station
    computed = night.worst is not None
    departs_at = answer.asked.until
    lying = deposit_chance(night) if computed else 0.0
    most = max(lying, night.p_any or 0.0)
    return NightShown(
        code=station.code,
        name=plain(station.name or ""),
        departs=when(departs_at, station.zone),
        departs_z=shown_at(departs_at, station.zone),
        computed=computed,
        likely="likely" if most >= LIKELY else "possible" if most >= POSSIBLE else "unlikely",
        chance=chance(lying) if computed else "-",
        headline=headline(answer) if computed else "It cannot be computed how likely frost is.",
        also=also(answer) if computed else "",
        next_step=next_step_of(outlook_of(night, answer.after), departs_at),
        picture=_picture(answer, small=small),
        parts=tuple(_parts(answer)),
        worst_part=PART_WORDS.get(night.worst_part or "", ""),
        steps=tuple(_steps(answer)),
        changes=tuple(_changes(answer)),
        notes=tuple(map(plain, night.notes)),
        sources=tuple(_sources(answer)),
        members=night.members,
        link=f"{root}/night?{urlencode({**given, 'station': station.code})}",
    )


def _picture(answer: Answer, *, small: bool) -> Markup:
    narrow = picture_of(answer, width=_NARROW_PX)
    # Drawn by ourselves; texts of others are escaped in it.
    return Markup(narrow if small else pair(picture_of(answer, width=_WIDE_PX), narrow))  # noqa: S704


def _parts(answer: Answer) -> Iterator[PartShown]:
    later = {part.part: part for part in answer.after.parts}
    for part in answer.night.parts:
        yield _part(part, later[part.part], answer)


def _part(part: PartNight, later: PartNight, answer: Answer) -> PartShown:
    night, begins, until = answer.night, "-", "-"
    if part.onset is not None and part.onset.p50 is not None:
        begins = "now" if part.onset.p50 <= night.begins_at else spanned(part.onset, night)
        until = past(later.end, answer.after)
    return PartShown(
        part=PART_WORDS[part.part],
        worst=part.part == night.worst_part,
        forms=chance(part.p_any),
        deposit=chance(part.p_deposit),
        frozen=chance(part.p_frozen_residual),
        fallen=chance(part.p_precipitation),
        begins=begins,
        until=until,
        gone=past(later.deposit_end, answer.after) if later.deposit_end is not None else "-",
    )


def _steps(answer: Answer) -> Iterator[StepShown]:
    worst, zone, day = answer.night.worst, answer.question.station.zone, ""
    for step in worst.steps if worst is not None else ():
        here = f"{step.at.astimezone(UTC):%d %b %Y}"
        yield _step(step, answer, zone, here if here != day else "")
        day = here


def _step(step: NightStep, answer: Answer, zone: str | None, day: str) -> StepShown:
    low, middle, high = (degrees(value).removesuffix(" °C") for value in step.skin_c)
    return StepShown(
        day=day,
        at=shown_at(step.at, zone),
        tag=_tag(step.at, answer),
        place=elsewhere(step.at, answer),
        forms=chance(step.p_active_frost),
        width=round(100 * step.p_active_frost),
        deposit=chance(step.p_deposit),
        skin=f"{middle} ({low} to {high})",
        air=degrees(step.temp_c.p50).removesuffix(" °C"),
        frost_point=degrees(step.frost_point_c.p50).removesuffix(" °C"),
    )


def _tag(at: datetime, answer: Answer) -> str:
    if at == answer.night.ends_at:
        return "departs"
    return "now" if at == answer.night.begins_at else ""


def _changes(answer: Answer) -> Iterator[ChangeShown]:
    night = answer.night
    for item in answer.sensitivity:
        yield ChangeShown(
            item.change, moved(night.p_any or 0.0, item.p_any), moved(deposit_chance(night), item.p_deposit)
        )


def _sources(answer: Answer) -> Iterator[SourceShown]:
    latest, forecast, now = answer.question.latest, answer.question.forecast, answer.asked.now
    zone = answer.question.station.zone
    if latest is not None:
        age = max(now - latest.observed_at, timedelta(0))
        yield SourceShown(
            latest.kind,
            shown_at(latest.observed_at, zone),
            duration_text(age),
            groups_of_text(latest.raw),
            tuple(map(plain, latest.doubts)),
            stale=age > FRESH,
        )
    if forecast is not None:
        age = max(now - forecast.issued_at, timedelta(0))
        yield SourceShown(
            "TAF",
            shown_at(forecast.issued_at, zone),
            duration_text(age),
            groups_of_text(forecast.raw),
            tuple(map(plain, forecast.doubts)),
            stale=False,
        )
