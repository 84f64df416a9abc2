"""Several events of one subject in one message are told as one: in the words of a single look at the end of them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from watcher.alerts.model import EventType
from watcher.alerts.outbox import Item
from watcher.rulebook.words import Level

_OF_SAME_LEVEL = frozenset({EventType.TAKEN, EventType.REMINDER})
_CHANGES = frozenset({EventType.RAISED, EventType.LOWERED, EventType.CONFIRMED})
_TURNS = frozenset({EventType.RAISED, EventType.LOWERED})
_GOES_ON = _OF_SAME_LEVEL | _CHANGES
# Station, level, whether it is expected; what has changed.
_CHANGE = re.compile(r"^(\S+ \S+(?: expected)?)(?: \([^)]*\))?(?=: )")


def merged(items: Sequence[Item]) -> Iterator[Item]:
    """Yield one item for each subject, in the order of their first: how it stands after the last.

    Parameters
    ----------
    items
        What a message tells, in the order in which it came up.

    Notes
    -----
    The word is the one for the difference between what the reader knew before the message and how things stand now: new
    where it was new to them, raised where it is worse than they knew; the level before is the one that they knew. Where
    it is no other than they knew, or what they knew is not known, the last event has the word; but a reminder, and one
    that says who has it, leave the word to a change at the same level before them.
    """
    by_subject: dict[str, list[Item]] = {}
    for item in items:
        by_subject.setdefault(item.subject_id, []).append(item)
    for group in by_subject.values():
        told_as = _word(group)
        yield _with_level_before(replace(group[-1], told_as=told_as), _level_before(group, told_as))


def _word(group: Sequence[Item]) -> EventType:
    first, last = group[0], group[-1]
    if last.told_as not in _GOES_ON:
        return last.told_as
    words = {item.told_as for item in group}
    for settled in (EventType.OPENED, EventType.CONFIRMED):
        if settled in words:
            return settled
    return _move(first, last) or _turn(group) or last.told_as


def _move(first: Item, last: Item) -> EventType | None:
    """Return whether the level is higher or lower than the reader knew, None when it is neither or not known."""
    if first.level is None or last.level is None:
        return None
    known = _known_level(first)
    if known is not None:
        return _direction(known, last.level)
    # What was told of several changes at once: only the direction of that is known.
    if last.level == first.level or _direction(first.level, last.level) is first.told_as:
        return first.told_as
    return None


def _turn(group: Sequence[Item]) -> EventType | None:
    """Return how what goes on at the same level last became worse or less bad, where nothing but hands came after."""
    if group[-1].told_as not in _OF_SAME_LEVEL:
        return None
    turns = (
        item.told_as
        for item in reversed(group)
        if item.told_as in _TURNS and item.told_as is item.event.type and item.event.body.previous_level is None
    )
    return next(turns, None)


def _direction(before: Level, after: Level) -> EventType | None:
    if after == before:
        return None
    return EventType.RAISED if after > before else EventType.LOWERED


def _known_level(first: Item) -> Level | None:
    """Return the level that the reader knew before an item, None where the item does not say."""
    if first.told_as in _OF_SAME_LEVEL:
        return first.level
    if first.told_as in _CHANGES and first.told_as is first.event.type:
        return first.event.body.previous_level or first.level
    return None


def _level_before(group: Sequence[Item], told_as: EventType) -> Level | None:
    last = group[-1]
    known = _known_level(group[0])
    if told_as in _CHANGES and known is not None and known is not last.level:
        return known
    has_the_word = told_as is last.event.type and not (told_as is EventType.CONFIRMED and known is last.level)
    return last.event.body.previous_level if has_the_word else None


def _with_level_before(item: Item, before: Level | None) -> Item:
    body = item.event.body
    if body.previous_level is before and item.told_as is item.event.type:
        return item
    # A headline says in brackets what is no longer as it was at the event before, which the reader may not know.
    was = f" (was {before.word})" if before is not None else ""
    headline = _CHANGE.sub(lambda head: head[1] + was, body.headline, count=1)
    return replace(item, event=replace(item.event, body=replace(body, previous_level=before, headline=headline)))
