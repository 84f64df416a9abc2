"""When time alone changes how a station stands: the whole minutes at which a watcher that looks every minute would act.

Between two reports the judgement depends on the time only through limits: a station grows blind, an expected period
comes within the lead, begins, or passes, what was spent is forgotten. Only those minutes are judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from watcher.alerts.changes import StationChange
from watcher.alerts.model import Episode, Phase, Policy, StationView
from watcher.alerts.sight import patience
from watcher.rulebook.words import Kind, Level

_MINUTE = timedelta(minutes=1)
_INSTANT = timedelta(microseconds=1)


def next_tick(before: StationView, change: StationChange | None, policy: Policy, now: datetime) -> datetime | None:
    """Return the next whole minute after now at which a judgement may change anything, None: at no time.

    Parameters
    ----------
    before
        The station before the turn at `now`.
    change
        What that turn made. Where it moved an episode or the station's sight, the next minute is judged too, for one
        move may allow another.
    policy
        The settings of the judgement.
    now
        The time of that turn.
    """
    if change is not None and _moves(before, change):
        return minute_after(now)
    view = change.after if change is not None else before
    limit = min((limit for limit in _limits(view, policy) if limit > now), default=None)
    return _whole_minute(limit) if limit is not None else None


def _moves(before: StationView, change: StationChange) -> bool:
    """Return whether more than the count of an episode's reports has changed."""
    if change.events:
        return True
    known = {episode.id: _stand(episode) for episode in before.episodes}
    return any(known.get(episode.id) != _stand(episode) for episode in change.episodes)


def _stand(episode: Episode) -> tuple[Phase, Kind, Level]:
    return episode.phase, episode.kind, episode.level


def minute_after(now: datetime) -> datetime:
    """Return the first whole minute after a time."""
    return now.replace(second=0, microsecond=0) + _MINUTE


def _whole_minute(moment: datetime) -> datetime:
    """Return the first whole minute at or after a time."""
    return minute_after(moment - _INSTANT)


def _limits(view: StationView, policy: Policy) -> Iterator[datetime]:
    state = view.state
    since = state.last_report_at or state.watched_since
    if state.blind_since is None and since is not None:
        # Blind is what is older than the limit, not what is as old.
        yield since + patience(state, policy) + _INSTANT
    for item in view.expectations or ():
        yield item.begins_at - policy.lead
        yield item.begins_at
        yield item.ends_at
    for spent in state.spent:
        yield spent.until
