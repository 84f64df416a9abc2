"""Whoever stands in for another is told what that would be told, once, as it stands, and to its end."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.alerts.desk import LADDER, Desk, everything, metar
from tests.alerts.scenes import at
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Detour, Instead, Told, Unreached
from watcher.alerts.standing_in import concerned, stand_ins, taken_over
from watcher.alerts.subscribers import Recipient
from watcher.rulebook.words import Kind, Level, NoTime

ROOM, TOWER, PAGER = Recipient("room", fallback="tower"), Recipient("tower", fallback="pager"), Recipient("pager")
NOW = at("0600")


class Backed(Desk):
    """A desk whose destinations have others behind them."""

    gone: frozenset[str] = frozenset()
    paused: frozenset[str] = frozenset()

    @property
    def listeners(self) -> Listeners:
        off = self.gone | self.paused
        return Listeners(
            self.subscriptions,
            [replace(item, open=item.name not in off, gone=item.name in self.gone) for item in (ROOM, TOWER, PAGER)],
        )


@pytest.fixture
def desk() -> Backed:
    return Backed(everything("room", remind_every=timedelta(minutes=20)), rules=LADDER)


def heard(desk: Backed, clock: str, weather: str) -> list[tuple[str, str, str | None]]:
    """Let a report come; return who is told what, and in whose place."""
    before = len(desk.deliveries)
    desk.hear(clock, metar(weather, at(clock)))
    return [
        (item.destination, item.told_as.value.rpartition(".")[2], item.instead.meant_for if item.instead else None)
        for item in desk.deliveries[before:]
    ]


def test_while_a_receiver_wants_nothing_its_fallback_is_told_from_where_it_stood(desk: Backed) -> None:
    assert heard(desk, "0550", "-SN") == [("room", "opened", None)]
    desk.gone = frozenset({"room"})
    assert heard(desk, "0600", "-SN") == [], "the room has that in hand"
    assert heard(desk, "0610", "SN") == [("tower", "opened", "room")], "to the tower it is new"
    assert heard(desk, "0620", "+SN") == [("tower", "raised", "room")]
    desk.gone = frozenset()
    assert heard(desk, "0630", "+SN") == [("room", "raised", None)], "it goes on from the last that it heard"
    assert heard(desk, "0640", "SN") == [("room", "lowered", None), ("tower", "lowered", "room")]
    assert heard(desk, "0650", "BR") == [("room", "closed", None), ("tower", "closed", "room")]


def test_the_end_of_what_it_had_heard_goes_to_its_fallback(desk: Backed) -> None:
    heard(desk, "0550", "-SN")
    desk.gone = frozenset({"room", "tower"})
    assert heard(desk, "0600", "BR") == [("pager", "closed", "room")], "the nearest that may be told"


def test_whom_the_operator_paused_nobody_stands_in_for(desk: Backed) -> None:
    desk.paused = frozenset({"room"})
    assert heard(desk, "0550", "SN") == []


def test_reminders_go_to_whoever_stands_in_and_end_when_the_other_is_back(desk: Backed) -> None:
    desk.gone = frozenset({"room"})
    heard(desk, "0550", "SN")
    assert heard(desk, "0610", "SN") == [("tower", "reminder", "room")]
    desk.gone = frozenset()
    assert heard(desk, "0620", "SN") == [("room", "opened", None)]
    assert heard(desk, "0640", "SN") == [("room", "reminder", None)]


def test_what_a_fallback_is_told_for_itself_it_is_not_told_for_another(desk: Backed) -> None:
    desk.subscriptions.append(everything("tower", min_level=Level.TREAT))
    desk.gone = frozenset({"room"})
    assert heard(desk, "0550", "-SN") == [("tower", "opened", "room")]
    assert heard(desk, "0600", "SN") == [("tower", "raised", None)], "from here on it is its own"
    assert heard(desk, "0610", "BR") == [("tower", "closed", None)]


def test_the_nearest_that_hears_stands_in_and_a_round_ends() -> None:
    listeners = Listeners((), (ROOM, TOWER, PAGER))
    assert concerned(listeners) == {"room", "tower", "pager"}
    assert stand_ins(listeners, ()) == {"room": "tower", "tower": "pager"}
    assert stand_ins(listeners, {"tower"}) == {"room": "pager", "tower": "pager"}
    assert stand_ins(listeners, {"tower", "pager"}) == {}, "all goes on being owed"
    paused = Listeners((), (replace(ROOM, open=False), TOWER, PAGER))
    assert "room" not in stand_ins(paused, ())
    in_a_round = Listeners((), (ROOM, replace(TOWER, fallback="room")))
    assert list(in_a_round.behind("room")) == ["tower"]


def unreached(told_as: EventType = EventType.RAISED, **fields: object) -> Unreached:
    known: dict[str, object] = {
        "destination": "room", "subject_id": "XNOR-1", "seq": 2, "told_as": told_as, "level": Level.TREAT,
        "kind": Kind.OBSERVED, "repeat": 0, "made_at": NOW - timedelta(minutes=20),
        "valid_until": NOW + timedelta(hours=3), "why": Detour.SILENT,
    }  # fmt: skip
    return Unreached(**(known | fields))  # type: ignore[arg-type]


def knows(level: Level, seq: int = 1, repeat: int = 0) -> Told:
    at_ = NOW - timedelta(minutes=30)
    return Told(
        "tower", "XNOR-1", EventType.OPENED, level, Kind.OBSERVED, seq, at_, repeat, Instead("room", Detour.SILENT)
    )


SOON = unreached(kind=Kind.EXPECTED, begins_at=NOW + timedelta(hours=2))


def expects(hours: float) -> Told:
    return replace(knows(Level.TREAT), kind=Kind.EXPECTED, begins_at=NOW + timedelta(hours=hours))


NO_TAKE_OFF = unreached(level=Level.NO_TIME, no_time=NoTime.NONE)


@pytest.mark.parametrize(("line", "knows_already", "told_as"), [
    (unreached(), None, EventType.OPENED),
    (unreached(), knows(Level.PREPARE), EventType.RAISED),
    (unreached(), knows(Level.NO_TIME), EventType.LOWERED),
    (unreached(), knows(Level.TREAT, seq=2), None),
    (NO_TAKE_OFF, replace(knows(Level.NO_TIME), no_time=NoTime.ALLOWANCE), EventType.RAISED),
    (NO_TAKE_OFF, replace(knows(Level.NO_TIME), no_time=NoTime.NONE), None),
    (SOON, expects(hours=3), EventType.RAISED),
    (SOON, expects(hours=2.9), None),
    (SOON, expects(hours=1), None),
    (replace(SOON, begins_at=NOW - timedelta(hours=3)), expects(hours=0.9), None),
    (SOON, replace(expects(hours=0), begins_at=None), None),
    (unreached(EventType.TAKEN), knows(Level.TREAT), EventType.TAKEN),
    (unreached(EventType.REMINDER, repeat=1), knows(Level.TREAT, seq=2), EventType.REMINDER),
    (unreached(EventType.CLOSED), None, EventType.CLOSED),
    (unreached(EventType.BLIND, level=None, kind=None), None, EventType.BLIND),
    (unreached(EventType.DIGEST), None, EventType.DIGEST),
    (unreached(EventType.LOST), None, EventType.LOST),
])  # fmt: skip
def test_it_arrives_as_what_it_is_to_the_fallback(
    line: Unreached, knows_already: Told | None, told_as: EventType | None
) -> None:
    told = {("tower", "XNOR-1"): knows_already} if knows_already is not None else {}
    found = list(taken_over([line], {"room": "tower"}, Listeners((), (ROOM, TOWER, PAGER)), told, NOW))
    assert [item.told_as for item in found] == ([told_as] if told_as is not None else [])
    for item in found:
        assert (item.destination, item.instead) == ("tower", Instead("room", Detour.SILENT))
        assert (item.valid_until, item.made_at) == (line.valid_until, NOW), "worth no more than what it stands for"


def test_it_says_for_whom_it_was_meant_in_the_first_place() -> None:
    line = unreached(destination="tower", meant_for="room")
    (item,) = taken_over([line], {"tower": "pager"}, Listeners((), (ROOM, TOWER, PAGER)), {}, NOW)
    assert (item.destination, item.instead) == ("pager", Instead("room", Detour.SILENT))
