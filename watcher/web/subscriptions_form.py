"""The form of a subscription: what was written in it, and the values that the settings would have for that."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from watcher.errors import Problem, UsageError
from watcher.notify.wording import plain
from watcher.rulebook.words import Level
from watcher.settings.people import CircleSection, SubscriptionSection

FIELDS = (
    "name", "where", "stations", "countries", "circles", "flags", "min_level", "to", "hours", "quiet", "zone",
    "digest", "only_digest", "remind_every",
)  # fmt: skip
CLUES = (
    ('destination "', "to"),
    ("is not watched", "stations"),
    ("is there already", "name"),
    ("zone belongs", "zone"),
    ("only_digest needs", "digest"),
    ('hours "', "hours"),
    ('quiet "', "quiet"),
    ('digest "', "digest"),
    ("remind_every", "remind_every"),
)
# The addresses of the pages of these names lead elsewhere.
_TAKEN = frozenset({"new", "stations", ".", ".."})
_HERE = "subscription"
# More are kept as codes in the text field: a form has only so many fields.
MOST_TICKED = 60
_MOST_CIRCLES = 20
_LONGEST = 20_000
_BETWEEN = re.compile(r"[\s,;]+")
_DIGITS = re.compile(r"([01]?\d|2[0-3]):?([0-5]\d)")


@dataclass(frozen=True, slots=True)
class Ring:
    """A circle as it is written. `unit`: NM or km."""

    at: str = ""
    radius: str = ""
    unit: str = "NM"


@dataclass(frozen=True, slots=True)
class Wish:
    """A subscription as it is written. `stations`: those ticked; `codes`: those typed. The last ring is empty."""

    name: str = ""
    everywhere: bool = True
    stations: tuple[str, ...] = ()
    codes: str = ""
    countries: tuple[str, ...] = ()
    rings: tuple[Ring, ...] = (Ring(),)
    flags: tuple[str, ...] = ()
    min_level: str = Level.PREPARE.word
    to: tuple[str, ...] = ()
    hours: tuple[str, str] = ("", "")
    quiet: tuple[str, str] = ("", "")
    zone: str = ""
    digest: str = ""
    only_digest: bool = False
    no_time_ignores_hours: bool = True
    remind_min: str = ""


def wish_of(section: SubscriptionSection) -> Wish:
    """Return a subscription as its form is filled in."""
    codes = section.stations if isinstance(section.stations, tuple) else ()
    ticked = codes if len(codes) <= MOST_TICKED else ()
    remind = section.remind_every
    return Wish(
        name=section.name,
        everywhere=not (codes or section.countries or section.circles),
        stations=ticked,
        codes=" ".join(codes) if not ticked else "",
        countries=section.countries,
        rings=(*(_ring(item) for item in section.circles), Ring()),
        flags=() if "all" in section.flags else section.flags,
        min_level=section.min_level,
        to=section.to,
        hours=_span(section.hours),
        quiet=_span(section.quiet),
        zone=section.zone or "",
        digest=" ".join(section.digest),
        only_digest=section.only_digest,
        no_time_ignores_hours=section.no_time_ignores_hours,
        remind_min=f"{remind.total_seconds() / 60:g}" if remind is not None else "",
    )


def written(form: Mapping[str, Sequence[str]]) -> Wish:
    """Return what was written in a form."""

    def one(name: str) -> str:
        return plain(next(iter(form.get(name, ())), ""))[:_LONGEST]

    def each(name: str) -> tuple[str, ...]:
        return tuple(dict.fromkeys(plain(value) for value in form.get(name, ()) if value.strip()))

    rings = [
        Ring(plain(at), plain(radius), unit if unit in {"NM", "km"} else "NM")
        for at, radius, unit in zip(
            form.get("circle_at", ()), form.get("circle_radius", ()), form.get("circle_unit", ()), strict=False
        )
        if at.strip() or radius.strip()
    ]
    return Wish(
        name=one("name"),
        everywhere=one("where") != "some",
        stations=each("station"),
        codes=one("codes"),
        countries=each("country"),
        rings=(*rings[:_MOST_CIRCLES], Ring()),
        flags=each("flag"),
        min_level=one("min_level") or Level.PREPARE.word,
        to=each("to"),
        hours=(one("hours_from"), one("hours_until")),
        quiet=(one("quiet_from"), one("quiet_until")),
        zone=one("zone"),
        digest=one("digest"),
        only_digest=bool(one("only_digest")),
        no_time_ignores_hours=bool(one("no_time")),
        remind_min=one("remind_min"),
    )


def with_codes_ticked(wish: Wish, known: frozenset[str]) -> Wish:
    """Return a wish with the codes that were typed and are known among the ticked ones, as long as there is room."""
    typed = _codes(wish.codes)
    ticked = tuple(dict.fromkeys((*wish.stations, *(code for code in typed if code in known))))
    if len(ticked) > MOST_TICKED:
        return wish
    return replace(wish, stations=ticked, codes=" ".join(code for code in typed if code not in known))


def values_of(wish: Wish, *, trial: bool = False) -> dict[str, Any]:
    """Return the keys and values that the settings would have for a wish; what is left empty is left out.

    Parameters
    ----------
    wish
        What was written.
    trial
        For a preview: it needs no name and goes nowhere.

    Raises
    ------
    UsageError
        With all that is missing, or cannot be read as what it is to be.
    """
    problems: list[Problem] = []
    values: dict[str, Any] = {"min_level": wish.min_level}
    if not trial:
        values["name"] = wish.name
        problems.extend(_name_problems(wish.name))
        if not wish.to:
            problems.append(Problem(f"{_HERE}: to", "choose at least one destination"))
    if not wish.everywhere:
        values |= _places(wish, problems)
    values |= _times(wish)
    if wish.to:
        values["to"] = wish.to
    if wish.flags:
        values["flags"] = wish.flags
    if wish.remind_min:
        values["remind_every"] = _minutes(wish.remind_min, problems)
    if problems:
        raise UsageError(problems)
    return values


def left_out(values: Mapping[str, Any]) -> list[str]:
    """Return the parts of a subscription that a form has emptied."""
    return [
        key for key in SubscriptionSection.model_fields if key not in values and key not in {"name", "paused", "to"}
    ]


def _name_problems(name: str) -> list[Problem]:
    if not name:
        return [Problem(f"{_HERE}: name", "is missing")]
    return [Problem(f"{_HERE}: name", "leads to another page", "choose another name")] if name in _TAKEN else []


def _places(wish: Wish, problems: list[Problem]) -> dict[str, Any]:
    codes = tuple(dict.fromkeys((*wish.stations, *_codes(wish.codes))))
    circles = tuple(_circle(ring, problems) for ring in wish.rings if ring.at or ring.radius)
    given = {"stations": codes, "countries": wish.countries, "circles": circles}
    if not any(given.values()):
        problems.append(Problem(f"{_HERE}: where", "choose a station, a country or a circle, or every watched station"))
    return {key: value for key, value in given.items() if value}


def _circle(ring: Ring, problems: list[Problem]) -> dict[str, Any]:
    unit = "radius_km" if ring.unit == "km" else "radius_nm"
    at = ring.at if "," in ring.at else ring.at.upper()
    try:
        radius = float(ring.radius.replace(",", "."))
    except ValueError:
        radius = 0.0
    if not at or not radius > 0:
        what = f'"{ring.at} {ring.radius}" is no circle'
        problems.append(Problem(f"{_HERE}: circles", what, "a station or latitude,longitude, and a radius above 0"))
    return {"at": at, unit: radius}


def _times(wish: Wish) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for key, (begin, end) in (("hours", wish.hours), ("quiet", wish.quiet)):
        if begin or end:
            values[key] = f"{_wall(begin)}-{_wall(end)}"
    digest = tuple(_wall(text) for text in _BETWEEN.split(wish.digest) if text)
    if digest:
        values["digest"] = digest
    if wish.only_digest:
        values["only_digest"] = True
    if values.keys() & {"hours", "quiet"}:
        values["no_time_ignores_hours"] = wish.no_time_ignores_hours
    # A zone alone means nothing.
    if wish.zone and values.keys() & {"hours", "quiet", "digest"}:
        values["zone"] = wish.zone
    return values


def _minutes(text: str, problems: list[Problem]) -> str:
    if not text.isdecimal():
        problems.append(Problem(f"{_HERE}: remind_every", f'"{text}" is no number of whole minutes'))
    return f"{text}m"


def _codes(text: str) -> list[str]:
    return [word.upper() for word in _BETWEEN.split(text) if word]


def _wall(text: str) -> str:
    """Return a wall time as the settings have it, ``06:00`` for ``6:00`` and ``0600``; another text as it is."""
    match = _DIGITS.fullmatch(text)
    return f"{int(match[1]):02d}:{match[2]}" if match is not None else text


def _ring(circle: CircleSection) -> Ring:
    if circle.radius_nm is not None:
        return Ring(circle.at, f"{circle.radius_nm:g}", "NM")
    return Ring(circle.at, f"{circle.radius_km:g}", "km")


def _span(text: str | None) -> tuple[str, str]:
    begin, _, end = (text or "").partition("-")
    return begin, end
