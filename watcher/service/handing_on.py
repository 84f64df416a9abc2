"""What fallbacks are told now: the store says what does not arrive, the telling what of it is worth a message."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy
from watcher.alerts.outbox import NewDelivery, Told
from watcher.alerts.standing_in import concerned, stand_ins, taken_over
from watcher.alerts.tell import ToldKey
from watcher.store.store import Store


def handed_on(
    store: Store, listeners: Listeners, told: Mapping[ToldKey, Told], policy: Policy, now: datetime
) -> tuple[NewDelivery, ...]:
    """Return the messages that fallbacks are owed because they do not reach the destinations they were meant for.

    Parameters
    ----------
    store
        What is owed, and how it goes.
    listeners, told
        The destinations in force, and what each was last told.
    policy, now
        How long a destination may be out of reach; and the present.
    """
    names, before = concerned(listeners), now - policy.fallback_after
    if not names:
        return ()
    silent = store.silent_destinations(names, before)
    readers = stand_ins(listeners, silent)
    off = {name for name in readers if not listeners.may_be_told(name)}
    lines = store.unreached(readers, silent=silent, off=off, now=now, before=before)
    return tuple(taken_over(lines, readers, listeners, told, now))
