"""What destinations want to be told of a subject now: all their subscriptions together are one wish."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.hours import within
from watcher.alerts.listeners import Listeners
from watcher.alerts.subjects import Subject
from watcher.alerts.subscribers import Hours, Subscription
from watcher.rulebook.words import Flag, Level


@dataclass(slots=True)
class Wish:
    """What the subscriptions of one destination want of one subject now.

    `least`: the lowest level of which they want to hear. `remind_every`: how often it is told again while nobody has
    taken it, None: never.
    """

    least: Level
    remind_every: timedelta | None = None

    def reaches(self, level: Level | None) -> bool:
        """Return whether a level is wanted; blindness, which has none, always is."""
        return level is None or level >= self.least


class Wishes:
    """The wishes at one time; hours are looked at once for each that is different."""

    def __init__(self, listeners: Listeners, now: datetime) -> None:
        self._listeners = listeners
        self._now = now
        self._in_hours: dict[int, bool] = {}
        self._within: dict[Hours, bool] = {}

    def of(self, subject: Subject) -> dict[str, Wish]:
        """Return the wishes by destination, without those that may be told nothing now."""
        found: dict[str, Wish] = {}
        for subscription in self._listeners.alerts.at(subject.station):
            least = self._least_now(subscription, subject.flag)
            if least is None:
                continue
            for destination in subscription.destinations:
                wish = found.get(destination)
                if wish is None:
                    wish = found[destination] = Wish(least)
                elif least < wish.least:
                    wish.least = least
                every = subscription.remind_every
                if every is not None and subject.level is not None and subject.level >= least:
                    wish.remind_every = every if wish.remind_every is None else min(wish.remind_every, every)
        return found

    def _least_now(self, subscription: Subscription, flag: Flag | None) -> Level | None:
        least = least_level(subscription, flag)
        if least is None or self._is_in_hours(subscription):
            return least
        return Level.NO_TIME if subscription.no_time_ignores_hours and flag is not None else None

    def _is_in_hours(self, subscription: Subscription) -> bool:
        if subscription.hours is None and subscription.quiet is None:
            return True
        # By identity: hashing hours for every subject takes an eighth of a turn in which nothing is new.
        known = self._in_hours.get(id(subscription))
        if known is None:
            quiet = subscription.quiet
            known = self._is_within(subscription.hours) and not (quiet is not None and self._is_within(quiet))
            self._in_hours[id(subscription)] = known
        return known

    def _is_within(self, hours: Hours | None) -> bool:
        if hours is None:
            return True
        known = self._within.get(hours)
        if known is None:
            known = self._within[hours] = within(hours, self._now)
        return known


def least_level(subscription: Subscription, flag: Flag | None) -> Level | None:
    """Return the lowest level at which a subscription wants to hear of a flag, hours apart; None: at no level.

    Whoever asks for no-holdover means every flag at level no-time. Flag None is blindness, which everyone who wants the
    station is told.
    """
    if flag is None:
        return Level.NOTE
    if subscription.flags is None or flag in subscription.flags:
        return subscription.min_level
    return Level.NO_TIME if Flag.NO_HOLDOVER in subscription.flags else None


def wants(subscription: Subscription, flag: Flag, level: Level) -> bool:
    """Return whether a subscription wants to hear of an episode of this flag at this level, hours apart."""
    least = least_level(subscription, flag)
    return least is not None and level >= least
