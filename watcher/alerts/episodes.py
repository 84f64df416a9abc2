"""The transition table of an episode: from what its rules say to its next phase and the event it makes.

-> forming -> present      a rule took hold, then was confirmed         opened
present, level up or down  at once, or after settling                   raised, lowered
no-time, of another kind   worse or better at the same level             raised, lowered
expected, begins earlier   an hour or more before what was last told     raised
present -> easing          every rule is missed, none let go yet
easing -> ended            the last rule let go                         closed
forming -> ended           it did not last
expected -> observed       the same episode goes on                     confirmed
open -> open               somebody took it in hand                     acknowledged
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.alerts.model import Acknowledgement, Episode, EventType, Hold, Phase, Taken
from watcher.outlook.model import Expectation
from watcher.reports.model import Forecast
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime

# What is expected so much earlier than was told is told again. Common practice, no source.
EARLIER = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Basis:
    """What one flag of one station rests on after a report or a tick.

    `expected`: the expectations within the lead that have not passed and did not come true already.
    """

    holds: tuple[Hold, ...]
    expected: tuple[Expectation, ...]

    @property
    def confirmed(self) -> tuple[Hold, ...]:
        """The observed rules that count."""
        return tuple(hold for hold in self.holds if hold.confirmed)


@dataclass(frozen=True, slots=True)
class Transition:
    """An episode after a step, with the event that the step made, if any.

    `told_from`: from when it was expected by the last event before this step; None: it was not, or was not open.
    """

    episode: Episode
    event: EventType | None
    previous_level: Level | None = None
    previous_no_time: NoTime | None = None
    told_from: datetime | None = None


def begin(station: str, number: int, flag: Flag, basis: Basis, now: datetime) -> Transition | None:
    """Return the episode that a basis begins, None when it begins none."""
    if not basis.holds and not basis.expected:
        return None
    blank = Episode(
        station=station,
        number=number,
        flag=flag,
        kind=Kind.OBSERVED if basis.holds else Kind.EXPECTED,
        level=Level.NOTE,
        phase=Phase.FORMING,
        began_at=now,
        changed_at=now,
    )
    return advance(blank, basis, now)


def advance(before: Episode, basis: Basis, now: datetime) -> Transition:
    """Return what becomes of an episode that has not ended."""
    if basis.confirmed:
        after = _observed(before, basis, now)
    elif before.kind is Kind.EXPECTED and basis.expected:
        after = _expected(before, basis, now)
    elif basis.holds and before.opened_at is None:
        after = _forming(before, basis)
    else:
        return Transition(_ended(before, now), None if before.opened_at is None else EventType.CLOSED)
    event = _event_between(before, after, now)
    if event is not None or after.phase is not before.phase:
        after = replace(after, changed_at=now)
    if before.opened_at is None:
        return Transition(after, event)
    return Transition(after, event, before.level, before.no_time, _told_from(before))


def comes_true(ahead: Episode, basis: Basis) -> bool:
    """Return whether what is observed is as bad as an episode expected: the same episode then goes on as observed."""
    return max((hold.level for hold in basis.confirmed), default=Level.NOTE) >= ahead.level and bool(basis.confirmed)


def withdraw(before: Episode, now: datetime) -> Transition:
    """Return the end of an episode whose station or rule is no longer watched, or whose forecast was cancelled."""
    return Transition(_ended(before, now), None if before.opened_at is None else EventType.WITHDRAWN)


def is_cancelled(episode: Episode, taf: Forecast | None, now: datetime) -> bool:
    """Return whether a TAF gave what is expected and was cancelled before its time: nobody says that it will not come.

    `taf`: the newest of the station.
    """
    by_taf = episode.kind is Kind.EXPECTED and episode.certainty is not Certainty.COMPUTED
    lies_ahead = episode.until is None or episode.until > now
    return by_taf and lies_ahead and taf is not None and taf.cancelled


def take(before: Episode, acknowledgement: Acknowledgement) -> Transition | None:
    """Return an open episode in somebody's hand; None where nothing is to be taken.

    Whoever was first has it, until it rises above the level at which it was taken.
    """
    if before.opened_at is None or before.in_hand is not None:
        return None
    taken = Taken(acknowledgement.by, acknowledgement.note, acknowledgement.at, before.level, before.seq + 1)
    return Transition(replace(before, taken=taken), EventType.TAKEN, before.level)


def _observed(before: Episode, basis: Basis, now: datetime) -> Episode:
    confirmed = basis.confirmed
    level = max(hold.level for hold in confirmed)
    easing = all(hold.missed_since is not None for hold in confirmed)
    goes_on = before.opened_at is not None and before.kind is Kind.OBSERVED
    return replace(
        before,
        kind=Kind.OBSERVED,
        level=level,
        phase=Phase.EASING if easing else Phase.PRESENT,
        began_at=before.began_at if goes_on else min(hold.entered_at for hold in basis.holds),
        opened_at=before.opened_at or now,
        until=max((item.ends_at for item in basis.expected if item.begins_at <= now), default=None),
        certainty=None,
        no_time=_worst_no_time(hold.no_time for hold in confirmed if hold.level is level),
        holds=_remembering(before, basis.holds, level),
        expected=basis.expected,
    )


def _remembering(before: Episode, holds: tuple[Hold, ...], level: Level) -> tuple[Hold, ...]:
    """Return the holds with the worst level that was observed before, where it was worse than this one."""
    observed = before.opened_at is not None and before.kind is Kind.OBSERVED
    worst = before.worst if observed and before.worst > level else None
    return tuple(hold if hold.worst is worst else replace(hold, worst=worst) for hold in holds)


def _expected(before: Episode, basis: Basis, now: datetime) -> Episode:
    level = max(item.level for item in basis.expected)
    leading = sorted((item for item in basis.expected if item.level is level), key=lambda item: item.begins_at)
    begins_at, ends_at = _first_period(_whole_night(leading, basis.expected))
    has_begun = before.opened_at is not None and before.began_at <= now
    return replace(
        before,
        kind=Kind.EXPECTED,
        level=level,
        phase=Phase.PRESENT,
        began_at=min(before.began_at, begins_at) if has_begun else begins_at,
        opened_at=before.opened_at or now,
        until=ends_at,
        certainty=_strongest(item.certainty for item in leading),
        no_time=_worst_no_time(item.no_time for item in leading),
        expected=basis.expected,
    )


def _whole_night(leading: Sequence[Expectation], expected: Sequence[Expectation]) -> Sequence[Expectation]:
    """Return what the period is taken from: of a computed night all of it, from where it begins to be likely."""
    if any(item.certainty is not Certainty.COMPUTED for item in leading):
        return leading
    computed = (item for item in expected if item.certainty is Certainty.COMPUTED)
    return sorted(computed, key=lambda item: item.begins_at)


def _first_period(leading: Sequence[Expectation]) -> tuple[datetime, datetime]:
    """Return the first period without a gap."""
    begins_at, ends_at = leading[0].begins_at, leading[0].ends_at
    for item in leading[1:]:
        if item.begins_at > ends_at:
            break
        ends_at = max(ends_at, item.ends_at)
    return begins_at, ends_at


def _forming(before: Episode, basis: Basis) -> Episode:
    """Return an episode that waits for its confirmation."""
    return replace(
        before,
        level=max(hold.level for hold in basis.holds),
        began_at=min(hold.entered_at for hold in basis.holds),
        holds=basis.holds,
        expected=basis.expected,
    )


def _ended(before: Episode, now: datetime) -> Episode:
    """Return the end. What it last rested on stays written in it."""
    return replace(before, phase=Phase.ENDED, ended_at=now, changed_at=now)


def _event_between(before: Episode, after: Episode, now: datetime) -> EventType | None:
    if before.opened_at is None:
        return None if after.opened_at is None else EventType.OPENED
    if before.kind is Kind.EXPECTED and after.kind is Kind.OBSERVED:
        return EventType.CONFIRMED
    if after.level != before.level:
        return EventType.RAISED if after.level > before.level else EventType.LOWERED
    change = turned(before.no_time, after.no_time)
    if change is None and after.kind is Kind.EXPECTED and is_earlier(_told_from(before), after.began_at, now):
        return EventType.RAISED
    return change


def _told_from(before: Episode) -> datetime | None:
    """Return the beginning that was told of an expected episode; where that is not known, as it stands."""
    return before.told_from or before.began_at if before.kind is Kind.EXPECTED else None


def is_earlier(told_from: datetime | None, begins_at: datetime | None, now: datetime) -> bool:
    """Return whether what is expected begins so much earlier than was told that it is told again.

    What should have begun already counts as beginning now.
    """
    return told_from is not None and begins_at is not None and max(begins_at, now) <= told_from - EARLIER


def turned(before: NoTime | None, after: NoTime | None) -> EventType | None:
    """Return whether there is less hope of a take-off than before without a holdover time, or more; None: as before."""
    if before is None or after is None or before is after:
        return None
    return EventType.RAISED if _WORST_FIRST.index(after) < _WORST_FIRST.index(before) else EventType.LOWERED


_WORST_FIRST = (NoTime.NONE, NoTime.SPECIAL, NoTime.ALLOWANCE)


def _worst_no_time(kinds: Iterable[NoTime | None]) -> NoTime | None:
    present = set(kinds)
    return next((kind for kind in _WORST_FIRST if kind in present), None)


def _strongest(certainties: Iterable[Certainty]) -> Certainty:
    """Return the firmest of the TAF's words; the enumeration lists them in that order."""
    present = set(certainties)
    return next(certainty for certainty in Certainty if certainty in present)
