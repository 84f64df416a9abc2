"""What stations usually do, learned by the running service from the reports that it keeps, and remembered in the store.

A restart begins with what was learned before, so that nothing flickers: a station that is blind by its habits stays so.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta

import structlog

from watcher.alerts.habits import DAYS_NEEDED, Habits, learn
from watcher.store.store import Store

# Four of each weekday; more would mix the seasons. Where fewer are kept, those teach.
LEARNED_FROM = timedelta(days=28)
_AT_ONCE = 200
_log = structlog.get_logger()


class Learning:
    """Keeps the habits that the judgement uses.

    Parameters
    ----------
    store
        Where reports are, and where habits are kept.
    set_habits
        Those of the settings' file; they count where the reports that are kept do not teach a whole week.
    clock
        The present.
    leads
        Whether this process judges: it learns, the others read what was learned.

    Attributes
    ----------
    habits
        By station. The judgement holds this mapping; it is changed in place.
    """

    def __init__(
        self, store: Store, habits: dict[str, Habits], clock: Callable[[], datetime], leads: Callable[[], bool]
    ) -> None:
        self._store = store
        self._set = dict(habits)
        self._clock = clock
        self._leads = leads
        self.habits = habits

    async def look(self) -> None:
        """Learn from the reports that are kept, or read what the process that leads has learned."""
        if self._leads():
            self._take(await asyncio.to_thread(self.learn))
        else:
            await self.recall()

    async def recall(self) -> None:
        """Take what was learned before."""
        self._take(await asyncio.to_thread(kept_habits, self._store))

    def learn(self) -> dict[str, Habits]:
        """Return what the kept reports teach, and keep it; StoreError when the store does not answer. Blocks."""
        until = self._clock().replace(minute=0, second=0, microsecond=0)
        found: dict[str, Habits] = {}
        codes = sorted(self._store.station_codes())
        for begin in range(0, len(codes), _AT_ONCE):
            rows = self._store.heard(codes[begin : begin + _AT_ONCE], until - LEARNED_FROM)
            learned = ((code, learn(heard, until)) for code, heard in rows.items())
            found.update({code: habits for code, habits in learned if habits is not None})
        self._store.keep_habits(found, f"the reports of this store until {until:%Y-%m-%d %H%MZ}")
        known = sum(habits.known for habits in found.values())
        _log.info("habits learned", stations=len(found), known=known, days_needed=DAYS_NEEDED)
        return found

    def _take(self, found: Mapping[str, Habits]) -> None:
        """What a station does now counts more than what it did in an archive, once a whole week of it is known."""
        self.habits.update(merged(self._set, found))


def kept_habits(store: Store) -> dict[str, Habits]:
    """Return what was learned before; nothing where it cannot be read. StoreError when the store does not answer."""
    try:
        return store.habits()
    except ValueError as error:
        # It is learned anew within a day; what is wrong in it must not keep anybody from judging.
        _log.warning("habits that were kept cannot be read", error=str(error))
        return {}


def merged(from_file: Mapping[str, Habits], learned: Mapping[str, Habits]) -> dict[str, Habits]:
    """Return habits by station: what was learned lately where that is enough, else what a file says."""
    codes: Iterable[str] = {**from_file, **learned}
    return {code: learned[code] if _counts(code, from_file, learned) else from_file[code] for code in codes}


def _counts(code: str, from_file: Mapping[str, Habits], learned: Mapping[str, Habits]) -> bool:
    return code in learned and (learned[code].known or code not in from_file)
