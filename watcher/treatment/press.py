"""One press of a button on the page of a treated aircraft: what was said, and when it was pressed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.treatment.protection_weather import Entered


class PressKind(StrEnum):
    """What a press says.

    step: a step of the checklist is done. treated: the treatment has ended. seen: what the crew sees. expects: when
    the take-off is expected. undo: the last step or end of the treatment was pressed by mistake. took-off, returned: it
    is over.
    """

    STEP = "step"
    TREATED = "treated"
    SEEN = "seen"
    EXPECTS = "expects"
    UNDO = "undo"
    TOOK_OFF = "took-off"
    RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class Press:
    """One press.

    Parameters
    ----------
    id
        Chosen where it was pressed, so that the same press sent twice counts once.
    kind, at
        What, and when it was pressed; that may be long before it was heard of.
    step
        The id of the step, of kind `step`.
    of
        The id of the press that is undone, of kind `undo`.
    entered
        What the crew sees, of kind `seen`.
    take_off_at
        The expected take-off, of kind `expects`; None: not known any more.
    """

    id: str
    kind: PressKind
    at: datetime
    step: str | None = None
    of: str | None = None
    entered: Entered | None = None
    take_off_at: datetime | None = None


_UNDOABLE = frozenset({PressKind.STEP, PressKind.TREATED})


def not_undone(presses: Iterable[Press]) -> tuple[Press, ...]:
    """Return the steps and ends of treatments among presses that nobody took back, in their order."""
    presses = tuple(presses)
    undone = {press.of for press in presses if press.kind is PressKind.UNDO}
    return tuple(press for press in presses if press.kind in _UNDOABLE and press.id not in undone)
