"""The holdover page: a look-up in the tables, by hand or of a station's latest report; of one fluid or of all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request, Response

from watcher.alerts.model import StationView
from watcher.errors import Gathered, Problem, UsageError, nearest
from watcher.service.holdover_asking import Asked, by_hand, of_view
from watcher.treatment.holdover import look_up
from watcher.treatment.holdover_words import basis_words, headline
from watcher.treatment.parse_asked import authority_of, fluid_type, mix_of, surface_of
from watcher.treatment.parts import fluid_words
from watcher.treatment.protection import FRESH
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.words import FluidType, Surface
from watcher.units import duration_text
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.depart import given_of, view_at
from watcher.web.doors import page_door
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.times import Shown, shown_at

WEATHER = ("temp", "weather", "visibility")
FIELDS = (
    "station",
    *WEATHER,
    "light",
    "fluid",
    "mix",
    "surface",
    "flaps",
    "frost",
    "cold_soaked",
    "authority",
    "training",
)
_LIGHT = {"day": False, "night": True}
_COLD_SOAKED = {"yes": True, "no": False}
MIXES = ("100/0", "75/25", "50/50")


@dataclass(frozen=True, slots=True)
class AnswerShown:
    """One answer. `big`: the minutes, or what there is instead; `tone`: time, none or open, for its look."""

    fluid: str
    big: str
    tone: str
    headline: str
    table: str
    basis: str
    training: bool
    why: str
    caution: str
    link: str


@dataclass(frozen=True, slots=True)
class ReportShown:
    """The report that was asked of."""

    at: Shown
    age: str
    raw: str
    stale: bool
    note: str
    by_hand: str


def holdover_pages(house: House) -> APIRouter:
    """Return the page under ``/holdover``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/holdover", methods=["GET", "HEAD"])
    async def holdover(request: Request) -> Response:
        given, now, root = given_of(request, FIELDS), house.clock(), root_of(request)
        if not any(given.get(name) for name in ("station", *WEATHER)):
            return _page(house, request, given, NOTHING)
        try:
            view = await view_at(house, given["station"], now) if _is_code(given.get("station", "")) else None
            asked, questions = _questions(house, given, view, now)
        except UsageError as error:
            return _page(house, request, given, amiss(error.problems, FIELDS), status=422)
        training, tables = bool(given.get("training")), house.treatments.tables
        answers = [
            _answer(look_up(question, tables, now, training=training), question, given, root) for question in questions
        ]
        return _page(house, request, given, NOTHING, answers=answers, report=_report(house, asked, given, root))

    return router


def _is_code(text: str) -> bool:
    return len(text) == 4 and text.isascii() and text.isalnum()


def _questions(
    house: House, given: Mapping[str, str], view: StationView | None, now: datetime
) -> tuple[Asked, list[HoldoverQuestion]]:
    """Return what is asked of the tables, of one fluid or of each; UsageError with all that is wrong."""
    read = Gathered()
    fluids = read.take(lambda: _fluids(given))
    asked = read.take(lambda: _weather(given, view, now))
    surface = read.take(lambda: surface_of(given.get("surface", Surface.UNKNOWN.value), "surface"))
    tables = house.treatments.tables
    authority = read.take(lambda: authority_of(given.get("authority"), tables.authorities, "authority"))
    cold = read.take(lambda: _word("cold_soaked", given, _COLD_SOAKED))
    read.check()
    assert fluids is not None
    assert asked is not None
    assert surface is not None
    question = replace(
        asked.question,
        surface=surface,
        flaps_set=bool(given.get("flaps")),
        active_frost=bool(given.get("frost")),
        cold_soaked_wing=cold,
        authority=authority,
    )
    return asked, [replace(question, fluid=fluid, mix=mix) for fluid, mix in fluids]


def _fluids(given: Mapping[str, str]) -> list[tuple[FluidType, str | None]]:
    """Return the fluid that is named, or all; a thickened one without its mix in each mix."""
    named = [fluid_type(given["fluid"], "fluid")] if "fluid" in given else list(FluidType)
    mix = mix_of(given.get("mix"), "mix")
    if mix is not None and "fluid" not in given:
        raise UsageError([Problem("mix", "is given without a fluid", "choose the fluid, or leave the mix out")])
    if mix is not None and not named[0].thickened:
        raise UsageError([Problem("mix", "Type I has no mix on the tables", "leave it out")])
    return [
        (fluid, each)
        for fluid in named
        for each in ((MIXES if mix is None else (mix,)) if fluid.thickened else (None,))
    ]


def _weather(given: Mapping[str, str], view: StationView | None, now: datetime) -> Asked:
    """Return the weather by hand or of the station; what the fluid is, is said later."""
    written = [name for name in WEATHER if name in given]
    night = _word("light", given, _LIGHT)
    if "station" in given and written:
        what = "the weather is given by hand and of a station"
        raise UsageError([Problem("station", what, "choose no station, or leave the fields by hand empty")])
    if "station" not in given:
        missing = [
            Problem(name, "is not given", "the weather by hand needs temperature and weather")
            for name in ("temp", "weather")
            if name not in given
        ]
        if missing:
            raise UsageError(missing)
        temp, weather, visibility = (given.get(name) for name in WEATHER)
        return by_hand(FluidType.I, None, temp, weather, visibility, night)
    if view is None:
        raise UsageError([Problem("station", f'"{given["station"]}" is no station code', "four letters")])
    try:
        return of_view(view, night, FluidType.I, None, now)
    except UsageError as error:
        raise UsageError([Problem("station", f"{view.station.code} has no report")]) from error


def _word(name: str, given: Mapping[str, str], words: Mapping[str, bool]) -> bool | None:
    text = given.get(name)
    if text is None:
        return None
    if text not in words:
        raise UsageError([Problem(name, f'"{text}" is not known', nearest(text, words))])
    return words[text]


def _answer(answer: Holdover, question: HoldoverQuestion, given: Mapping[str, str], root: str) -> AnswerShown:
    only = {**given, "fluid": question.fluid.value, **({"mix": question.mix} if question.mix is not None else {})}
    big, tone = _big(answer)
    return AnswerShown(
        fluid=fluid_words(question),
        big=big,
        tone=tone,
        headline=headline(answer),
        table="" if answer.table is None else f"{answer.table}; {answer.authority}, season {answer.season}",
        basis="" if answer.table is None else basis_words(answer),
        training=answer.training,
        why=answer.why,
        caution=answer.caution,
        link=f"{root}/holdover?{urlencode(only)}",
    )


def _big(answer: Holdover) -> tuple[str, str]:
    """Return the answer in a word or two, and how it looks."""
    match answer.outcome:
        case Outcome.TIME:
            same = answer.lower_min == answer.upper_min
            return f"{answer.lower_min}{'' if same else f' to {answer.upper_min}'} min", "time"
        case Outcome.ALLOWANCE:
            return "no holdover time", "none"
        case Outcome.NONE | Outcome.SPECIAL:
            return "no holdover time", "none"
        case Outcome.OUT_OF_SEASON:
            return "no minutes", "open"
        case Outcome.UNKNOWN:
            return "no answer", "open"
        case Outcome.NOT_NEEDED:
            return "none needed", "time"


def _report(house: House, asked: Asked, given: Mapping[str, str], root: str) -> ReportShown | None:
    if asked.observed_at is None or asked.age is None or asked.raw is None:
        return None
    question = asked.question
    rest = {name: text for name, text in given.items() if name not in {"station", "light"}}
    hand = {
        "temp": _degrees(question),
        "weather": None if question.weather is None else " ".join(question.weather) or "none",
        "visibility": _metres(question),
        "light": None if question.night is None else "night" if question.night else "day",
    }
    return ReportShown(
        at=shown_at(asked.observed_at, house.watch.stations.get(given["station"]).zone),
        age=duration_text(max(asked.age, timedelta(0))),
        raw=asked.raw,
        stale=asked.age > FRESH,
        note=asked.note,
        by_hand=f"{root}/holdover?{urlencode({**rest, **{name: text for name, text in hand.items() if text}})}",
    )


def _degrees(question: HoldoverQuestion) -> str | None:
    """Return the temperature as one writes it, so that rounding leaves the same."""
    low, high = question.temp_low_c, question.temp_high_c
    if low is None or high is None:
        return None
    middle = (low + high) / 2
    if high - low <= 0.2:
        return f"{middle:.1f}"
    # A whole degree; minus zero and zero are half a degree each.
    if (low, high) == (-0.5, 0.0):
        return "M00"
    return f"{'M' if middle < 0 else ''}{abs(round(middle)):02d}"


def _metres(question: HoldoverQuestion) -> str | None:
    if question.visibility_m is None:
        return None
    return "9999" if question.visibility_bound == "at_least" else f"{question.visibility_m:.0f}"


def _page(
    house: House,
    request: Request,
    given: Mapping[str, str],
    wrong: Amiss,
    *,
    status: int = 200,
    answers: Sequence[AnswerShown] = (),
    report: ReportShown | None = None,
) -> Response:
    tables = house.treatments.tables
    today = house.clock().date()
    stations = sorted(house.views().keys() | house.treatments.operations.keys())
    return show(
        house,
        request,
        "holdover.html",
        status=status,
        given={"surface": Surface.UNKNOWN.value, **given},
        amiss=wrong,
        answers=answers,
        report=report,
        title=_title(given, answers),
        stations=stations,
        kinds=[(kind.value, kind.value) for kind in FluidType],
        mixes=[(mix, mix) for mix in MIXES],
        surfaces=[(each.value, each.value) for each in Surface if each is not Surface.ANY],
        authorities=[(each, each) for each in tables.authorities],
        in_force=[each for each in tables.sets if each.in_force(today)],
    )


def _title(given: Mapping[str, str], answers: Sequence[AnswerShown]) -> str:
    if not answers:
        return "Holdover look-up"
    where = given.get("station") or "by hand"
    return f"Holdover, {where}: {answers[0].fluid if len(answers) == 1 else 'all fluids'}"
