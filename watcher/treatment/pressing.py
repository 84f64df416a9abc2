"""What presses make of a treated aircraft. The same press counts once, whoever sends it how often.

A press that was kept while there was no connection counts from its own time, as far as that can be.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from watcher.treatment.press import Press, PressKind, not_undone
from watcher.treatment.procedures import Clock, Item, Procedure
from watcher.treatment.protection import Ending, Protection, Standing, ended, with_end_of_treatment, with_entry
from watcher.treatment.protection_steps import checklist_step, steps_behind, steps_of

# Far more than a checklist has steps; who presses more often presses for something else.
MOST = 400
# Clocks of phones are corrected by ours; what is left is the time that an answer takes.
AHEAD: Final = timedelta(seconds=5)
# Common practice, no source: no expected take-off of a treated aircraft is farther away.
FARTHEST: Final = timedelta(hours=6)
_ENDINGS = {PressKind.TOOK_OFF: Ending.TOOK_OFF, PressKind.RETURNED: Ending.RETURNED}


def is_known(protection: Protection, press: Press) -> bool:
    """Return whether this press has been heard before."""
    return any(each.id == press.id for each in protection.presses)


def pressed(protection: Protection, press: Press, procedure: Procedure | None, now: datetime) -> Protection:
    """Return a protection after a press; the same one for a press that was heard before.

    Parameters
    ----------
    protection
        As it stands.
    press
        What was pressed when.
    procedure
        Of the place of the treatment; None where that is not known: then there are no steps.
    now
        Aware UTC.

    Raises
    ------
    ValueError
        The press cannot be: of a time to come or before the final application, of a step that there is not, an undo of
        what is not the last, or after the end.
    """
    if is_known(protection, press):
        return protection
    if not protection.live:
        raise ValueError("it had ended before; nothing was changed")
    if len(protection.presses) >= MOST:
        raise ValueError(f"more than {MOST} presses are not kept for one aircraft")
    press = _named(replace(press, at=_plausible(protection, press.at, now)), procedure)
    return _made(replace(protection, presses=(*protection.presses, press)), press, now)


def last_undoable(protection: Protection) -> Press | None:
    """Return the last step or end of the treatment that was pressed and not undone; None when there is none."""
    return next(reversed(not_undone(protection.presses)), None)


@dataclass(frozen=True, slots=True)
class Row:
    """One step of a checklist. `done`: it lies behind. `at`: when it was pressed. `current`: it is the next."""

    item: Item
    done: bool
    at: datetime | None
    current: bool


def checklist(procedure: Procedure, protection: Protection, standing: Standing) -> tuple[Row, ...]:
    """Return the steps of a place as they stand.

    What comes before a clock that has started lies behind. While the holdover time is over or in doubt the step for
    that is the current one, until it was pressed.
    """
    current = checklist_step(procedure, protection, standing) if protection.live else None
    pressed_at = {press.step: press.at for press in not_undone(protection.presses)}
    behind = steps_behind(procedure, protection)
    return tuple(
        Row(item, item.id in behind, pressed_at.get(item.id), item == current)
        for item in steps_of(procedure, standing).items
    )


def _plausible(protection: Protection, at: datetime, now: datetime) -> datetime:
    if at > now + AHEAD:
        raise ValueError("it would be of a time to come; is the clock of the phone right?")
    if at < protection.started_at:
        raise ValueError("it would be before the final application began")
    return min(at, now)


def _named(press: Press, procedure: Procedure | None) -> Press:
    """Return a press as what it says: the step at which the treatment ends is the end of the treatment."""
    if press.kind is not PressKind.STEP:
        return press
    item = next((item for item in procedure.items if item.id == press.step), None) if procedure is not None else None
    if item is None:
        raise ValueError("the checklist of its place has no such step")
    return replace(press, kind=PressKind.TREATED) if Clock.TREATMENT_END in item.starts else press


def _made(protection: Protection, press: Press, now: datetime) -> Protection:
    """Return what a press makes of a protection that has it among its presses already."""
    match press.kind:
        case PressKind.STEP:
            return protection
        case PressKind.TREATED:
            # Where two say so, the later counts: a wait is never read as over before it is.
            known = protection.treatment_ended_at
            return with_end_of_treatment(protection, press.at if known is None else max(press.at, known))
        case PressKind.SEEN:
            if press.entered is None:
                raise ValueError("it does not say what is seen")
            return with_entry(protection, replace(press.entered, at=press.at))
        case PressKind.EXPECTS:
            return _expecting(protection, press.take_off_at, now)
        case PressKind.UNDO:
            return _undone(protection, press)
        case PressKind.TOOK_OFF | PressKind.RETURNED:
            return ended(protection, _ENDINGS[press.kind], press.at)


def _expecting(protection: Protection, take_off_at: datetime | None, now: datetime) -> Protection:
    if take_off_at is not None and not protection.started_at <= take_off_at <= now + FARTHEST:
        raise ValueError("the take-off would be before the final application, or more than 6 hours ahead")
    return replace(protection, take_off_at=take_off_at)


def _undone(protection: Protection, press: Press) -> Protection:
    last = next(reversed(not_undone(protection.presses[:-1])), None)
    if last is None or last.id != press.of:
        raise ValueError("somebody has pressed something else since, or undone it already; look again")
    if last.kind is PressKind.STEP:
        return protection
    ends = [each.at for each in not_undone(protection.presses) if each.kind is PressKind.TREATED]
    return replace(protection, treatment_ended_at=max(ends, default=None))
