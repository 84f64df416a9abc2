"""A plan as the departure page shows it: the choice and the next step first, then the places side by side."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from markupsafe import Markup

from watcher.pictures.plan_chart import plan_picture
from watcher.pictures.sheet import pair
from watcher.treatment.kinds import Place
from watcher.treatment.plan_words import (
    DEFER,
    ages_words,
    asked_words,
    is_training,
    need_words,
    span_words,
    tables_of,
    verdict_words,
)
from watcher.treatment.planned import Option, Plan, Verdict
from watcher.web.depart_rows import Row, rows_of
from watcher.web.departure_fields import protection_link
from watcher.web.times import Shown, from_now, shown_at

# Less likely than this to need treatment: nobody is called. Common practice, no source.
_WORTH_SAYING = 0.05
_TREAT = {
    Place.STAND: "Treat at the stand",
    Place.AFTER_PUSH: "Treat after push-back",
    Place.PAD: "Treat at the pad",
}
# How a verdict looks; its word stands in it.
VERDICT_CLASS = {
    Verdict.FITS: "fits",
    Verdict.TIGHT: "tight",
    Verdict.DOES_NOT_FIT: "does-not-fit",
    None: "not-told",
}


@dataclass(frozen=True, slots=True)
class StepShown:
    """One step of the chain. `eight`: from when until when it begins in 8 of 10 members."""

    name: str
    begins: Shown
    ends: Shown
    eight: str


@dataclass(frozen=True, slots=True)
class PlaceShown:
    """One place. `protect`: where its protection is begun, None where the visitor may not."""

    name: str
    site: str
    provider: str
    verdict: str
    verdict_class: str
    chosen: bool
    steps: tuple[StepShown, ...]
    why: str
    checklist: str
    protect: str | None


@dataclass(frozen=True, slots=True)
class PlanShown:
    """The whole answer. `zone` names the local times."""

    title: str
    off_block: Shown
    made_at: Shown
    headline: str
    verdict: str
    verdict_class: str
    call: Shown | None
    call_late: bool
    call_gap: str
    why: str
    next_step: str
    asked: str
    need: str
    training: bool
    picture: Markup
    places: tuple[PlaceShown, ...]
    rows: tuple[Row, ...]
    closed: tuple[str, ...]
    tables: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    rests_on: str
    zone: str
    defer: str


def plan_shown(plan: Plan, zone: str, root: str, now: datetime, *, may_begin: bool) -> PlanShown:
    """Return a plan for its template.

    Parameters
    ----------
    plan
        What was computed.
    zone
        IANA zone of the station.
    root
        What every address begins with.
    now
        Aware UTC.
    may_begin
        The visitor may begin a protection here.
    """
    departure, choice = plan.departure, plan.choice
    offered = [option for option in plan.options if option.not_offered is None]
    called = choice if choice is not None and _expected(plan) else None
    call_by = called.call_by if called is not None else None
    return PlanShown(
        title=f"{departure.station} {departure.name}",
        off_block=shown_at(departure.off_block, zone),
        made_at=shown_at(plan.made_at, zone),
        headline=_headline(plan),
        verdict="" if called is None else verdict_words(called),
        verdict_class="" if called is None else VERDICT_CLASS[called.verdict],
        call=None if call_by is None else shown_at(call_by, zone),
        call_late=called is not None and called.call_late,
        call_gap="" if call_by is None else from_now(call_by, now),
        why=plan.why,
        next_step=next_step(plan),
        asked=asked_words(plan, zone),
        need=need_words(plan),
        training=plan.training,
        # Drawn by ourselves; texts in it are escaped where it is drawn.
        picture=Markup(  # noqa: S704
            pair(plan_picture(plan, zone=zone, width=1180), plan_picture(plan, zone=zone, width=340))
        ),
        places=tuple(_place(plan, option, root, may_begin=may_begin, zone=zone) for option in offered),
        rows=tuple(rows_of(offered, zone)),
        closed=tuple(option.why for option in plan.options if option.not_offered is not None),
        tables=tuple(
            (", ".join(dict.fromkeys(places)), table or "no table needed", why)
            for (table, why), places in tables_of(offered).items()
        ),
        notes=plan.notes,
        rests_on=ages_words(plan),
        zone=zone,
        defer=DEFER,
    )


def next_step(plan: Plan) -> str:
    """Return what to do next, in trade words."""
    choice, departure = plan.choice, plan.departure
    if choice is None:
        return _without_choice(plan)
    fluid = f" Ask for {choice.fluid.name}." if choice.fluid is not None else ""
    where = f"{choice.provider}, {choice.site}"
    if not _expected(plan):
        return f"Call nobody yet. Check {departure.name} by hand before off-block; with a deposit on it, call {where}."
    if choice.call_late:
        return f"Call {where} now: the latest sensible call is past. Tell the flight it may leave later.{fluid}"
    return f"Call {where} by then.{fluid} Check by hand first what lies on it."


def _without_choice(plan: Plan) -> str:
    offered = [option for option in plan.options if option.not_offered is None]
    if not plan.options or not offered:
        return "Choose another place, time, runway or fluid, or ask the station who can treat it."
    if all(option.verdict is None for option in offered):
        return (
            "Decide by hand with this season's official tables; the times of the chain below stand without them. "
            "Whoever runs this service installs the tables."
        )
    return (
        "Do not count on a treatment now: look for a later off-block, another place or fluid, and plan again with the "
        "next report."
    )


def _expected(plan: Plan) -> bool:
    return plan.need is None or plan.need.p_any >= _WORTH_SAYING


def _headline(plan: Plan) -> str:
    """Return the choice as the page says it first; the call stands beside it."""
    choice = plan.choice
    if choice is None:
        return "No place is recommended"
    if not _expected(plan):
        return "No treatment is expected"
    return f"{_TREAT[choice.place]} ({choice.site})"


def _place(plan: Plan, option: Option, root: str, *, may_begin: bool, zone: str) -> PlaceShown:
    departure = plan.departure
    wait = {"station": departure.station, "aircraft": departure.aircraft}
    return PlaceShown(
        name=option.place.value,
        site=option.site,
        provider=option.provider,
        verdict=verdict_words(option) + (", training" if is_training(option) else ""),
        verdict_class=VERDICT_CLASS[option.verdict],
        chosen=option is plan.choice,
        steps=tuple(
            StepShown(
                stage.name,
                shown_at(stage.begins.p50, zone),
                shown_at(stage.ends.p50, zone),
                span_words(stage.begins),
            )
            for stage in option.stages
        ),
        why=option.why,
        checklist=f"{root}/procedures/{option.place.value}?{urlencode(wait)}",
        protect=protection_link(root, departure, option) if may_begin else None,
    )
