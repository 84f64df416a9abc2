"""The clocks of a protection: read from all weather that the aircraft stood in, never longer than any of it allows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from watcher.treatment.holdover import look_up
from watcher.treatment.press import PressKind, not_undone
from watcher.treatment.protection import Protection, Standing
from watcher.treatment.protection_weather import Seen, is_unmeasured_snow, snows
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.tables import Tables

# Some 10 MB of memory.
_MOST_ANSWERS = 5000
# The best first. What was certain once stays certain: no time at all outweighs figures that may not be shown.
_COURSE = (
    Outcome.UNKNOWN,
    Outcome.NOT_NEEDED,
    Outcome.TIME,
    Outcome.OUT_OF_SEASON,
    Outcome.ALLOWANCE,
    Outcome.SPECIAL,
    Outcome.NONE,
)
_RANK = {outcome: rank for rank, outcome in enumerate(_COURSE)}
_UNTOLD = frozenset({Outcome.UNKNOWN, Outcome.NOT_NEEDED})
_LOST = {Outcome.SPECIAL: Standing.SPECIAL, Outcome.NONE: Standing.NONE}


class Answers:
    """Answers of one set of tables, kept for a day: many aircraft ask the same, and ask it again."""

    def __init__(self, tables: Tables) -> None:
        self._tables = tables
        self._day: date | None = None
        self._found: dict[tuple[HoldoverQuestion, bool], Holdover] = {}

    def to(self, question: HoldoverQuestion, now: datetime, *, training: bool) -> Holdover:
        """Return the answer to a question on the day of a time."""
        if self._day != now.date() or len(self._found) >= _MOST_ANSWERS:
            self._day, self._found = now.date(), {}
        key = question, training
        found = self._found.get(key)
        if found is None:
            found = self._found[key] = look_up(question, self._tables, now, training=training)
        return found


@dataclass(frozen=True, slots=True)
class Answer:
    """What the tables say of one weather that the aircraft stood in."""

    seen: Seen
    holdover: Holdover


@dataclass(frozen=True, slots=True)
class Clocks:
    """How a protection stands at a time.

    Parameters
    ----------
    at, standing
        When, and how.
    lower_min, upper_min, allowance_min
        The shortest times of all weather since the start, in minutes; None where there is none, or none is shown.
    lower_ends_at, upper_ends_at, allowance_ends_at
        Counted from the start of the final application; None where there is no such time, or none is shown.
    engine_bleed_wait_ends, apu_bleed_wait_ends
        Counted from the end of the treatment, up to the full minute; None where that or the wait is not known. An end
        to the minute, as it is typed, is the end of that minute.
    worst
        The answer that decides; None before the first report.
    unsure
        Answers that leave the weather open, such as of a report without visibility; of now or of before.
    blind
        No usable report comes in now.
    latest_at
        When the newest report was observed.
    training
        Minutes are shown that are from tables which are not in force.
    wants_visibility
        The crew saw snow, and nobody said yet how far one sees in it: no minutes until then.
    """

    at: datetime
    standing: Standing
    lower_min: int | None
    upper_min: int | None
    allowance_min: int | None
    lower_ends_at: datetime | None
    upper_ends_at: datetime | None
    allowance_ends_at: datetime | None
    engine_bleed_wait_ends: datetime | None
    apu_bleed_wait_ends: datetime | None
    worst: Answer | None
    unsure: tuple[Answer, ...]
    blind: bool
    latest_at: datetime | None
    training: bool
    wants_visibility: bool = False

    @property
    def ends_at(self) -> datetime | None:
        """When the protection runs out: the lower end, or the end of an allowance time."""
        return self.allowance_ends_at if self.allowance_ends_at is not None else self.lower_ends_at


def whole_minutes_to(end: datetime | None, now: datetime) -> int | None:
    """Return the whole minutes that are left until a time, 0 once it is past; None without one."""
    return None if end is None else max(0, int((end - now).total_seconds() // 60))


def clocks(protection: Protection, tables: Tables | Answers, now: datetime) -> Clocks:
    """Return how a protection stands.

    Every weather since the start of the final application is looked up, and the worst counts: an outcome without a time
    before one with a time, the shortest lower and the shortest upper time. What leaves the weather open stops the
    minutes while it is the latest that is known, and there is no word of no limit where something fell of which nobody
    knows how heavily.

    Parameters
    ----------
    protection
        What was put on when, and what it stood in.
    tables
        The tables there are, or answers of them that are kept where many clocks are read.
    now
        Aware UTC.

    Returns
    -------
    Clocks
        Minutes only where every table used is in force, or the protection is for training.
    """
    answers = tables if isinstance(tables, Answers) else Answers(tables)
    found = list(_answered(protection, answers, now))
    worst = min(found, key=_badness, default=None)
    ends = _Ends.of(protection, [each.holdover for each in found], worst)
    standing = _standing(protection, found, worst, ends, now)
    shown = ends if standing in _WITH_MINUTES else _Ends()
    ended_at = _end_of_treatment(protection)
    return Clocks(
        at=now,
        standing=standing,
        lower_min=shown.lower_min,
        upper_min=shown.upper_min,
        allowance_min=shown.allowance_min,
        lower_ends_at=_after(protection.started_at, shown.lower_min),
        upper_ends_at=_after(protection.started_at, shown.upper_min),
        allowance_ends_at=_after(protection.started_at, shown.allowance_min),
        engine_bleed_wait_ends=_full_minute(_after(ended_at, protection.engine_wait_min)),
        apu_bleed_wait_ends=_full_minute(_after(ended_at, protection.apu_wait_min)),
        worst=worst,
        unsure=tuple(each for each in found if each.holdover.outcome is Outcome.UNKNOWN),
        blind=protection.blind,
        latest_at=protection.latest_at,
        training=shown.first_min is not None and any(each.holdover.training for each in found),
        wants_visibility=_wants_visibility(found),
    )


_WITH_MINUTES = frozenset({Standing.RUNNING, Standing.ALLOWANCE, Standing.OVER})


@dataclass(frozen=True, slots=True)
class _Ends:
    """The shortest times since the start, in minutes; either a holdover or an allowance time, never both."""

    lower_min: int | None = None
    upper_min: int | None = None
    allowance_min: int | None = None

    @classmethod
    def of(cls, protection: Protection, found: list[Holdover], worst: Answer | None) -> _Ends:
        if worst is None or not protection.live:
            return cls()
        lowers = [each.lower_min for each in found if each.lower_min is not None]
        uppers = [each.upper_min for each in found if each.upper_min is not None]
        allowed = [each.allowance_min for each in found if each.allowance_min is not None]
        if worst.holdover.outcome in {Outcome.TIME, Outcome.OUT_OF_SEASON}:
            return cls(min(lowers, default=None), min(uppers, default=None))
        if worst.holdover.outcome is Outcome.ALLOWANCE and allowed:
            # An allowance time never outlasts the holdover time that was running before.
            return cls(allowance_min=min((*allowed, *lowers)))
        return cls()

    @property
    def first_min(self) -> int | None:
        """Minutes after which the protection runs out."""
        return self.allowance_min if self.allowance_min is not None else self.lower_min


def _standing(
    protection: Protection, found: list[Answer], worst: Answer | None, ends: _Ends, now: datetime
) -> Standing:
    """Return how it stands: what is lost stays lost, also where nothing is known of now."""
    outcome = worst.holdover.outcome if worst is not None else Outcome.UNKNOWN
    runs_out_at = _after(protection.started_at, ends.first_min)
    if not protection.live:
        return Standing.ENDED
    if outcome in _LOST:
        return _LOST[outcome]
    if runs_out_at is not None and now >= runs_out_at:
        return Standing.OVER
    if protection.blind:
        return Standing.BLIND
    is_open = _is_open_now(protection, found) or _wants_visibility(found)
    if outcome is Outcome.UNKNOWN or protection.latest_at is None or is_open:
        return Standing.UNKNOWN
    withheld = any(each.holdover.outcome is Outcome.OUT_OF_SEASON for each in found)
    if withheld or (outcome is not Outcome.NOT_NEEDED and runs_out_at is None):
        return Standing.OUT_OF_SEASON
    if outcome is Outcome.NOT_NEEDED and _is_open_of_before(protection, found):
        return Standing.UNKNOWN
    return {
        Outcome.NOT_NEEDED: Standing.NO_LIMIT,
        Outcome.TIME: Standing.RUNNING,
        Outcome.ALLOWANCE: Standing.ALLOWANCE,
    }[outcome]


def _is_open_now(protection: Protection, found: list[Answer]) -> bool:
    """Return whether the latest report, or what the crew has seen since, leaves the weather open.

    Snow that the crew saw is another matter: see `_wants_visibility`.
    """
    latest = protection.latest_at
    return any(
        each.holdover.outcome is Outcome.UNKNOWN
        and not each.seen.recent
        and not is_unmeasured_snow(each.seen)
        and (latest is None or each.seen.last_at >= latest)
        for each in found
    )


def _wants_visibility(found: list[Answer]) -> bool:
    """Return whether the crew saw snow of which nothing since tells how heavy it is: a report without snow does not."""
    told_at = [each.seen.last_at for each in found if snows(each.seen.weather) and each.holdover.outcome not in _UNTOLD]
    return any(
        each.holdover.outcome is Outcome.UNKNOWN
        and is_unmeasured_snow(each.seen)
        and not any(at >= each.seen.last_at for at in told_at)
        for each in found
    )


def _is_open_of_before(protection: Protection, found: list[Answer]) -> bool:
    """Return whether something fell on the treated aircraft between two reports, nobody knows how heavily."""
    return any(
        each.holdover.outcome is Outcome.UNKNOWN and each.seen.recent and each.seen.last_at > protection.started_at
        for each in found
    )


def _answered(protection: Protection, answers: Answers, now: datetime) -> Iterator[Answer]:
    for seen in protection.seen:
        yield Answer(seen, answers.to(question_of(protection, seen), now, training=protection.training))


def question_of(protection: Protection, seen: Seen) -> HoldoverQuestion:
    """Return the look-up for one weather that the aircraft stood in."""
    return HoldoverQuestion(
        fluid=protection.fluid,
        mix=protection.mix,
        temp_low_c=seen.temp_low_c,
        temp_high_c=seen.temp_high_c,
        weather=seen.weather,
        visibility_m=seen.visibility_m,
        visibility_bound=seen.visibility_bound,
        night=seen.night,
        surface=protection.surface,
        flaps_set=protection.flaps_set,
        authority=protection.authority,
        active_frost=seen.active_frost,
        cold_soaked_wing=protection.cold_soaked_wing,
        automatic=seen.automatic,
        lout_c=protection.lout_c,
    )


def _badness(answer: Answer) -> tuple[int, float, float, datetime]:
    """Return what puts the worst answer first; of equal ones the earliest."""
    holdover = answer.holdover
    shortest = holdover.lower_min if holdover.lower_min is not None else holdover.allowance_min
    upper = holdover.upper_min if holdover.upper_min is not None else shortest
    return (
        -_RANK[holdover.outcome],
        float("inf") if shortest is None else shortest,
        float("inf") if upper is None else upper,
        answer.seen.first_at,
    )


def _after(begin: datetime | None, minutes: float | None) -> datetime | None:
    return None if begin is None or minutes is None else begin + timedelta(minutes=minutes)


def _end_of_treatment(protection: Protection) -> datetime | None:
    """Return from when the waits run: of a minute that was typed its last second, since nobody said when within it."""
    ended_at = protection.treatment_ended_at
    if ended_at is None or ended_at.second or ended_at.microsecond:
        return ended_at
    pressed = (each.at for each in not_undone(protection.presses) if each.kind is PressKind.TREATED)
    return ended_at if ended_at in pressed else ended_at + timedelta(seconds=59)


def _full_minute(moment: datetime | None) -> datetime | None:
    """Return the next full minute: a wait that is read as 0519Z must not last until half past it."""
    if moment is None or not (moment.second or moment.microsecond):
        return moment
    return moment.replace(second=0, microsecond=0) + timedelta(minutes=1)
