"""Deliveries as their pages show them: what each told, how it went, and whether it can go again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.alerts.model import Event, SubjectKind
from watcher.notify.wording import TOLD_AS_WORDS, instead_text, plain, when
from watcher.store.model import Again, Delivery, DeliveryState, ToldLine

STATES: dict[DeliveryState, str] = {
    DeliveryState.PENDING: "waiting",
    DeliveryState.LEASED: "being sent",
    DeliveryState.SENT: "sent",
    DeliveryState.DEAD: "given up",
    DeliveryState.EXPIRED: "ran out",
}
# What the states mean, for whoever reads the counts.
MEANINGS: dict[DeliveryState, str] = {
    DeliveryState.PENDING: "due soon, or waiting for its next try",
    DeliveryState.LEASED: "on its way just now",
    DeliveryState.SENT: "taken by the other side",
    DeliveryState.DEAD: "refused for good; nobody read it",
    DeliveryState.EXPIRED: "not worth sending any more; nobody read it",
}
AGAIN: dict[Again, str] = {
    Again.DUE: "It goes now, under its own name; whoever got it before can tell that it is the same.",
    Again.UNKNOWN: "There is no such message any more; finished ones are removed after some days.",
    Again.ARRIVED: "It was taken by the other side meanwhile and is not sent twice.",
    Again.UNDER_WAY: "It is being sent just now. Look again in a minute.",
    Again.SWITCHED_OFF: "Its destination is switched off. Resume that first; it is then told how things stand.",
    Again.TOO_OLD: "It is more than a day old and no news to anybody. Nothing was sent.",
    Again.NEWER: "A newer message about the same was made for this destination. Send that one again instead.",
    Again.OUTDATED: "What it says no longer holds, and somebody might act on it. Nothing was sent.",
}
_MAY_GO_AGAIN = frozenset({DeliveryState.DEAD, DeliveryState.EXPIRED})


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that a message told. `alert`: the episode that it is about; None: it is about something else."""

    what: str
    headline: str
    alert: str | None


@dataclass(frozen=True, slots=True)
class Row:
    """One message. `went`: how it went, in words. `next_try`: when it is tried next, None where it is not."""

    delivery: Delivery
    made: str
    told: tuple[Told, ...]
    state: str
    went: str
    error: str | None
    next_try: str | None
    may_go_again: bool
    may_go_now: bool

    def only_of(self, alert: str) -> Row:
        """Return the message with the lines of one alert alone."""
        return replace(self, told=tuple(line for line in self.told if line.alert == alert))


def row_of(delivery: Delivery, events: Mapping[str, Event]) -> Row:
    """Return a message as its pages show it; `events`: those that it told of, by name."""
    tries = f"{delivery.attempts} {'try' if delivery.attempts == 1 else 'tries'}"
    owed = delivery.state is DeliveryState.PENDING
    return Row(
        delivery=delivery,
        made=when(delivery.made_at, None),
        told=tuple(_told(line, events.get(line.event_id)) for line in delivery.told),
        state=STATES[delivery.state],
        went=_went(delivery, tries),
        error=plain(delivery.last_error) if delivery.last_error else None,
        next_try=when(delivery.due_at, None) if owed else None,
        may_go_again=delivery.state in _MAY_GO_AGAIN,
        may_go_now=owed and delivery.attempts > 0,
    )


def named_in(deliveries: Iterable[Delivery]) -> set[str]:
    """Return the names of the events that messages tell of."""
    return {line.event_id for delivery in deliveries for line in delivery.told}


def _went(delivery: Delivery, tries: str) -> str:
    settled: datetime | None = delivery.settled_at
    at = when(settled, None) if settled is not None else "a time not known"
    match delivery.state:
        case DeliveryState.PENDING:
            return f"{tries} failed" if delivery.attempts else "not tried yet"
        case DeliveryState.LEASED:
            return f"try {delivery.attempts}"
        case DeliveryState.SENT:
            return f"{at}, {'at the first try' if delivery.attempts == 1 else f'after {tries}'}"
        case DeliveryState.DEAD:
            return f"{at}, after {tries}"
        case DeliveryState.EXPIRED:
            return f"{at}, {f'after {tries}' if delivery.attempts else 'never tried'}"


def _told(line: ToldLine, event: Event | None) -> Told:
    reminder = f" {line.repeat + 1}" if line.repeat else ""
    headline = plain(event.body.headline) if event is not None else f"{line.subject_id}: no longer kept"
    about_episode = event is not None and event.subject_kind is SubjectKind.EPISODE
    what = f"{TOLD_AS_WORDS[line.told_as]}{reminder}"
    if line.instead is not None:
        what = f"{what}. {instead_text(line.instead)}"
    return Told(what, headline, line.subject_id if about_episode else None)
