"""Whether there is anything to treat: what lies on the aircraft, and what it must be protected from."""

from __future__ import annotations

import numpy as np

from watcher.reports.weather import parse_weather
from watcher.treatment.case import Case
from watcher.treatment.falling import Falling, Mask
from watcher.treatment.kinds import Contamination
from watcher.treatment.planned import Need
from watcher.treatment.weather_ahead import LYING

# Of what falls up to this long after off-block the aircraft must be protected. [min] Common practice, no source.
_ON_THE_WAY_MIN = 40.0
# More members than this in which nothing is known of what falls: no chance is given. Common practice, no source.
_UNTOLD_SHARE = 0.1
_WORTH_SAYING = 0.05


def needs_of(case: Case) -> Mask | None:
    """Return in which members there is anything to treat at off-block; None where it cannot be told."""
    exposed = _exposed(case)
    return None if exposed is None else (case.lies_at(case.off_block) > 0) | exposed


def need_of(case: Case) -> Need | None:
    """Return whether there is anything to treat at off-block; None where it cannot be told.

    Parameters
    ----------
    case
        The departure.
    """
    lies, exposed = case.lies_at(case.off_block), _exposed(case)
    if exposed is None:
        return None
    kinds = {each: float((lies == LYING.index(each)).mean()) for each in Contamination}
    likeliest = max(kinds, key=lambda each: (kinds[each], list(Contamination).index(each)))
    return Need(
        p_any=float(((lies > 0) | exposed).mean()),
        p_protection=float(exposed.mean()),
        kinds=kinds,
        likeliest=likeliest if kinds[likeliest] >= _WORTH_SAYING else None,
    )


def _exposed(case: Case) -> Mask | None:
    """Return in which members frost forms, or something frozen or freezing falls, up to the take-off."""
    ahead = case.ahead
    first, last = ahead.step_of(np.array([case.off_block, case.off_block + _ON_THE_WAY_MIN]))
    falls, verdicts = ahead.falls[first : last + 1], [_icy(each) for each in ahead.falling]
    icy = np.array([verdict is True for verdict in verdicts])[falls].any(axis=0)
    untold = np.array([verdict is None for verdict in verdicts])[falls].any(axis=0) & ~icy
    if untold.mean() > _UNTOLD_SHARE:
        return None
    return np.asarray(icy | ahead.frost[first : last + 1].any(axis=0))


def _icy(falling: Falling) -> bool | None:
    """Return whether it is frozen or freezing; None where something may fall unseen or cannot be read."""
    if falling.weather is None:
        return None
    groups = [parse_weather(text) for text in falling.weather]
    if any(group is not None and group.freezes for group in groups):
        return True
    return None if None in groups else False
