"""The morning list as its page shows it: by station, the most urgent call first, then the load and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from watcher.pictures.load_chart import load_picture
from watcher.pictures.sheet import pair
from watcher.treatment.listed import HalfHour, Line, to_treat
from watcher.treatment.morning_words import DEFER, covered_of, rests_on, what_of
from watcher.treatment.parse_departures import Progress
from watcher.treatment.plan_words import is_training, span_words, verdict_words
from watcher.units import clock_z, percent
from watcher.web.depart_shown import VERDICT_CLASS
from watcher.web.departure_fields import departure_link, protection_link
from watcher.web.morning_facts import Fact, facts_of, first_call, next_step, urgency
from watcher.web.morning_shelf import Before, Kept, Key, before_of, key_of, said
from watcher.web.times import Shown, from_now, shown_at

# A call that moved by less is the same call.
_MOVED = timedelta(minutes=3)


@dataclass(frozen=True, slots=True)
class LineShown:
    """One departure to treat. Empty: not known. `changed`: since the list was made before."""

    number: int | None
    flight: str
    aircraft: str
    call: Shown | None
    call_late: bool
    call_gap: str
    off: Shown
    slot: str
    need: str
    what: str
    place: str
    site: str
    fluid: str
    commences: Shown | None
    wait: str
    take_off: Shown | None
    take_off_span: str
    late_for_slot: bool
    covered: str
    verdict: str
    verdict_class: str
    training: bool
    litres: str
    changed: str
    plan: str
    protect: str


@dataclass(frozen=True, slots=True)
class OtherShown:
    """A departure that is not to be treated, or cannot be planned."""

    flight: str
    aircraft: str
    off: Shown
    need: str
    why: str
    changed: str
    plan: str
    reported_here: bool


@dataclass(frozen=True, slots=True)
class StationShown:
    """One station. `picture`: None where nothing is treated."""

    code: str
    zone: str
    lines: tuple[LineShown, ...]
    unplanned: tuple[OtherShown, ...]
    rest: tuple[OtherShown, ...]
    picture: Markup | None
    rests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Brief:
    """A list in one line, where there are several."""

    id: str
    title: str
    beneath: str


@dataclass(frozen=True, slots=True)
class ListShown:
    """The whole list."""

    id: str
    made_at: Shown
    made_gap: str
    training: bool
    next_step: str
    facts: tuple[Fact, ...]
    stations: tuple[StationShown, ...]
    notes: tuple[str, ...]
    gone: tuple[str, ...]
    before: str
    defer: str
    members: int


_DONE = frozenset({Progress.TREATED, Progress.CANCELLED})


def brief_of(kept: Kept, now: datetime) -> Brief:
    """Return a list in one line."""
    made = kept.made
    wanted = sum(to_treat(line) for line in made.lines)
    return Brief(
        id=kept.id,
        title=f"{', '.join(data.station for data in made.data)}, made {clock_z(made.made_at)}",
        beneath=f"{from_now(made.made_at, now)} by {kept.by}; {wanted} of {len(made.lines)} may need treatment",
    )


def list_shown(kept: Kept, root: str, now: datetime) -> ListShown:
    """Return a list for its template.

    Parameters
    ----------
    kept
        The list with what it said before.
    root
        What every address begins with.
    now
        Aware UTC.
    """
    made = kept.made
    zones = {data.station: data.zone for data in made.data}
    codes = sorted(zones, key=lambda code: (first_call(made, code) or datetime.max.replace(tzinfo=now.tzinfo), code))
    first_zone = zones[codes[0]] if codes else None
    gone = sorted(name for _, name in (kept.before or {}).keys() - said(made).keys())
    return ListShown(
        id=kept.id,
        made_at=shown_at(made.made_at, first_zone if len(set(zones.values())) == 1 else None),
        made_gap=from_now(made.made_at, now),
        training=made.training,
        next_step=next_step(made, now),
        facts=tuple(facts_of(made, now)),
        stations=tuple(_station(kept, code, zones[code], root, now) for code in codes),
        notes=made.notes,
        gone=tuple(gone),
        before="" if kept.before_at is None else clock_z(kept.before_at),
        defer=DEFER,
        members=made.members,
    )


def _station(kept: Kept, code: str, zone: str, root: str, now: datetime) -> StationShown:
    made = kept.made
    lines = [line for line in made.lines if line.listed.departure.station == code]
    wanted = sorted((line for line in lines if to_treat(line)), key=urgency)
    others = [line for line in lines if not to_treat(line)]
    unplanned = [line for line in others if line.option is None and line.listed.progress not in _DONE]
    rest = [line for line in others if line not in unplanned]
    load = [half for half in made.load if half.station == code]
    return StationShown(
        code=code,
        zone=zone,
        lines=tuple(_line(line, kept, zone, root, now) for line in wanted),
        unplanned=tuple(_other(line, kept, zone, root) for line in unplanned),
        rest=tuple(_other(line, kept, zone, root) for line in rest),
        picture=_picture(load, zone, training=made.training) if load else None,
        rests=tuple(rests_on(made, code)),
    )


def _picture(load: Sequence[HalfHour], zone: str, *, training: bool) -> Markup:
    wide, narrow = (load_picture(load, zone=zone, training=training, width=width) for width in (1180, 340))
    # Drawn by ourselves; texts in it are escaped where it is drawn.
    return Markup(pair(wide, narrow))  # noqa: S704


def _line(line: Line, kept: Kept, zone: str, root: str, now: datetime) -> LineShown:
    departure, option, need = line.listed.departure, line.option, line.need
    assert option is not None
    take_off, times = option.take_off, option.times
    wait = line.wait_min.p50 if line.wait_min is not None else 0.0
    return LineShown(
        number=line.number,
        flight=departure.name,
        aircraft=departure.aircraft,
        call=None if option.call_by is None else shown_at(option.call_by, zone),
        call_late=option.call_by is not None and option.call_by <= now,
        call_gap="" if option.call_by is None else from_now(option.call_by, now),
        off=shown_at(departure.off_block, zone),
        slot="" if departure.ctot is None else clock_z(departure.ctot),
        need="not known" if need is None else percent(need.p_any),
        what=what_of(line),
        place=option.place.value,
        site=option.site,
        fluid="" if option.fluid is None else option.fluid.name,
        commences=None if times is None else shown_at(times["ECZT"].p50, zone),
        wait=f"waits {wait:.0f} min" if wait >= 1 else "",
        take_off=None if take_off is None else shown_at(take_off.p50, zone),
        take_off_span="" if take_off is None else span_words(take_off),
        late_for_slot=option.p_slot is not None and option.p_slot < 0.5,
        covered="" if option.p_within_lower is None else covered_of(line).removesuffix(" T"),
        verdict=verdict_words(option),
        verdict_class=VERDICT_CLASS[option.verdict],
        training=is_training(option),
        litres="" if line.litres is None else f"{line.litres.p50:.0f}-{line.litres.p90:.0f}",
        changed=changes_of(line, kept.before),
        plan=departure_link(root, departure, training=kept.wanted.training),
        protect=protection_link(root, departure, option),
    )


def _other(line: Line, kept: Kept, zone: str, root: str) -> OtherShown:
    departure, listed = line.listed.departure, line.listed
    why = line.why if line.option is None else what_of(line)
    if listed.progress in _DONE:
        why = f"{listed.progress.value} {'' if listed.progress_at is None else clock_z(listed.progress_at)}".strip()
    return OtherShown(
        flight=departure.name,
        aircraft=departure.aircraft,
        off=shown_at(departure.off_block, zone),
        need="" if listed.progress in _DONE else "not known" if line.need is None else percent(line.need.p_any),
        why="" if why == "-" else why,
        changed=changes_of(line, kept.before),
        plan=departure_link(root, departure, training=kept.wanted.training),
        reported_here=key_of(line) in kept.wanted.reports,
    )


def changes_of(line: Line, before: Mapping[Key, Before] | None) -> str:
    """Return what is new of a departure since its list was made before, in words; empty: nothing, or the first list."""
    if before is None:
        return ""
    old, new = before.get(key_of(line)), before_of(line)
    if old is None:
        return "new on the list"
    if old.treat != new.treat:
        return "now to treat" if new.treat else "no longer to treat"
    found = []
    if old.call_by is not None and new.call_by is not None and abs(new.call_by - old.call_by) >= _MOVED:
        found.append(f"call was {clock_z(old.call_by)}")
    if old.site != new.site and old.site is not None:
        found.append(f"was at {old.site}")
    if old.verdict != new.verdict and new.treat:
        found.append(f"was {old.verdict or 'no answer'}")
    return ", ".join(found)
