"""What destinations were last told survives a restart, and only what reached them counts."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime

import pytest
from sqlalchemy import select, update

from tests.alerts.desk import LADDER, PELLETS
from tests.alerts.scenes import RULES, XNOR, at, small_book
from tests.store.scenes import HOUR, LEASE, NOW, Owing, a_change, a_delivery, after, an_episode, an_event, heard
from watcher.alerts.changes import Changes
from watcher.alerts.judge import judge
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType, Phase, Policy, StationState, StationView
from watcher.alerts.outbox import Settled, Told
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import Telling, after_telling, tell
from watcher.outlook.model import Expectation
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime
from watcher.store.store import Store
from watcher.store.tables import episode


def open_episode(store: Store, **delivery: object) -> str:
    """Open XNOR-1 and owe it to the desk; return the id of the message."""
    event = an_event("XNOR-1")
    message = a_delivery("desk", event, **delivery)
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(),), events=(event,)),), (message,)))
    return message.id


def raise_it(store: Store) -> str:
    event = an_event("XNOR-1", 2, EventType.RAISED, after(1))
    message = a_delivery("desk", event, level=Level.NO_TIME)
    store.commit(Changes(after(1), (a_change(version=1, events=(event,)),), (message,)))
    return message.id


OPENED = {("desk", "XNOR-1"): Told("desk", "XNOR-1", EventType.OPENED, Level.TREAT, Kind.OBSERVED, 1, NOW)}
RAISED = {("desk", "XNOR-1"): Told("desk", "XNOR-1", EventType.RAISED, Level.NO_TIME, Kind.OBSERVED, 2, after(1))}


def test_the_last_message_about_an_open_episode_is_what_a_destination_knows(store: Store) -> None:
    assert store.told(NOW) == {}
    open_episode(store)
    assert store.told(NOW) == OPENED
    raise_it(store)
    assert store.told(after(1)) == RAISED


@pytest.mark.parametrize("state", ["pending", "leased", "sent"])
def test_a_message_counts_while_it_is_on_its_way_and_after(store: Store, state: str) -> None:
    name = open_episode(store)
    if state != "pending":
        store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    if state == "sent":
        store.settle([Settled(name, "sent")], NOW)
    assert store.told(after(1)) == OPENED


def test_a_dead_message_told_nothing(store: Store) -> None:
    name = open_episode(store)
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(name, "dead", error="no such mailbox")], NOW)
    assert store.told(NOW) == {}


def test_a_message_past_its_time_told_nothing(store: Store) -> None:
    open_episode(store, valid_until=after(30))
    assert store.told(after(29)) == OPENED
    assert store.told(after(30)) == {}, "though no claim has marked it yet"
    store.claim(after(30), limit=1, lease=LEASE, per_destination=1)
    assert store.told(after(30)) == {}


def test_a_dead_change_leaves_what_was_known_before(store: Store) -> None:
    first = open_episode(store)
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(first, "sent")], NOW)
    second = raise_it(store)
    store.claim(after(1), limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(second, "dead", error="refused")], after(1))
    assert store.told(after(2)) == OPENED


def test_an_ended_episode_is_forgotten(store: Store) -> None:
    open_episode(store)
    ended = an_episode(phase=Phase.ENDED, ended_at=after(5))
    store.commit(Changes(after(5), (a_change(version=1, episodes=(ended,)),)))
    assert store.told(after(5)) == {}


def test_only_the_present_blindness_counts(store: Store) -> None:
    """A station that was blind yesterday and is blind again has told nobody of it yet."""
    owing = Owing(store)
    owing.owe("XNOR", "desk", told_as=EventType.BLIND, level=None, kind=None)
    blind = StationState("XNOR", blind_since=NOW, seq=1)
    store.commit(Changes(NOW, (a_change(version=1, state=blind),)))
    assert store.told(NOW) == {("desk", "XNOR"): Told("desk", "XNOR", EventType.BLIND, None, None, 1, NOW)}
    store.commit(Changes(after(5), (a_change(version=2, state=StationState("XNOR", seq=2)),)))
    assert store.told(after(5)) == {}
    again = StationState("XNOR", blind_since=after(60), seq=3)
    store.commit(Changes(after(60), (a_change(version=3, state=again),)))
    assert store.told(after(60)) == {}


def test_after_a_restart_nobody_is_told_twice(store: Store) -> None:
    """The judgement and the telling are the real ones; memory and store agree after every turn."""
    view = StationView(XNOR, StationState("XNOR"))
    book = small_book(RULES + LADDER + PELLETS)
    listeners = Listeners(
        (
            Subscription("all", ("desk", "room"), min_level=Level.NOTE),
            Subscription("high", ("pad",), min_level=Level.NO_TIME),
        ),
        (Recipient("desk"), Recipient("room"), Recipient("pad")),
    )
    known: dict[tuple[str, str], Told] = {}
    told_in_all = 0
    night = [
        ("0455", "METAR XNOR 120450Z 00000KT 3000 BR OVC004 M01/M02 Q1021"),
        ("0525", "SPECI XNOR 120520Z 00000KT 3000 -FZDZ OVC004 M01/M02 Q1021"),
        ("0555", "METAR XNOR 120550Z 00000KT 3000 FZRA OVC004 M01/M01 Q1021"),
        ("0840", None),
        ("0855", "METAR XNOR 120850Z 00000KT 3000 PL OVC004 M01/M02 Q1021"),
        ("0925", "METAR XNOR 120920Z 00000KT 3000 +SN OVC004 M01/M02 Q1021"),
        ("0955", "METAR XNOR 120950Z 00000KT 9999 SCT040 06/M01 Q1021"),
        ("1055", "METAR XNOR 121050Z 00000KT 9999 SCT040 07/M01 Q1021"),
        ("1105", "TAF XNOR 121100Z 1211/1306 00000KT 9999 OVC040 FM122000 00000KT 3000 FZRA OVC006"),
        ("1115", "TAF AMD XNOR 121110Z 1211/1306 00000KT 9999 OVC040 FM121930 00000KT 3000 FZRA OVC006"),
        ("1125", "TAF AMD XNOR 121120Z 1211/1306 00000KT 9999 OVC040 FM121900 00000KT 3000 FZRA OVC006"),
        ("1135", "TAF AMD XNOR 121130Z 1211/1306 00000KT 9999 OVC040 FM121801 00000KT 3000 FZRA OVC006"),
    ]
    for clock, text in night:
        now = at(clock)
        reports = [heard(text, now)] if text is not None else []
        made = judge({"XNOR": view}, reports, rulebook=book, policy=Policy(), now=now)
        if now > at("1100"):
            view = store.load([XNOR], now=now)["XNOR"]
            made = judge({"XNOR": view}, reports, rulebook=book, policy=Policy(), now=now)
        view = next((change.after for change in made), view)
        policy = Policy(valid_for=24 * HOUR)
        messages = tell(made, [view], listeners, known, rulebook=book, policy=policy, now=now).deliveries
        store.commit(Changes(now, tuple(change for change in made if not change.quiet), messages))
        known = after_telling(known, messages, made)
        told_in_all += len(messages)
        assert store.told(now) == known
        loaded = store.load([XNOR], now=now)["XNOR"]
        assert tell((), [loaded], listeners, store.told(now), rulebook=book, policy=policy, now=now) == Telling()
    assert told_in_all > 8
    kinds = [event.body.no_time for _, event in store.events_after(0, 99) if event.body.flag is Flag.SNOW]
    assert kinds[:2] == [NoTime.ALLOWANCE, NoTime.NONE]
    ahead = [event for _, event in store.events_after(0, 99) if event.body.kind is Kind.EXPECTED]
    assert [(event.type, event.body.begins_at) for event in ahead] == [
        (EventType.OPENED, at("2000")),
        (EventType.RAISED, at("1900")),
    ], "also by a service that knows no more than the store"
    (standing,) = (episode for episode in view.episodes if episode.kind is Kind.EXPECTED)
    assert (standing.began_at, standing.told_from) == (at("1801"), at("1900"))


def test_the_kind_of_no_time_comes_back_with_what_was_told_and_with_what_was_not(store: Store) -> None:
    event = an_event("XNOR-1")
    event = replace(event, body=replace(event.body, level=Level.NO_TIME, no_time=NoTime.ALLOWANCE))
    change = a_change(episodes=(an_episode(level=Level.NO_TIME, no_time=NoTime.ALLOWANCE),), events=(event,))
    store.commit(Changes(NOW, (change,), (a_delivery("desk", event),)))
    assert [told.no_time for told in store.told(NOW).values()] == [NoTime.ALLOWANCE]
    lines = store.unreached({"desk": "room"}, silent=("desk",), off=(), now=NOW, before=NOW)
    assert [(line.destination, line.no_time) for line in lines] == [("desk", NoTime.ALLOWANCE)]


@pytest.mark.parametrize(("kind", "comes_back"), [(Kind.EXPECTED, after(90)), (Kind.OBSERVED, None)])
def test_from_when_it_is_expected_comes_back_with_what_was_told_and_with_what_was_not(
    store: Store, kind: Kind, comes_back: datetime | None
) -> None:
    event = an_event("XNOR-1")
    event = replace(event, body=replace(event.body, kind=kind, begins_at=after(90)))
    change = a_change(episodes=(an_episode(kind=kind, began_at=after(90)),), events=(event,))
    store.commit(Changes(NOW, (change,), (a_delivery("desk", event, kind=kind),)))
    assert [told.begins_at for told in store.told(NOW).values()] == [comes_back]
    lines = store.unreached({"desk": "room"}, silent=("desk",), off=(), now=NOW, before=NOW)
    assert [(line.destination, line.begins_at) for line in lines] == [("desk", comes_back)]


def test_a_row_of_before_has_no_beginning_that_was_told(store: Store) -> None:
    ahead = Expectation(
        "snow", Flag.SNOW, Level.TREAT, Certainty.PREVAILING, after(90), after(90), after(300), "because"
    )
    standing = an_episode(kind=Kind.EXPECTED, began_at=after(90), expected=(ahead,), told_from=after(120))
    store.commit(Changes(NOW, (a_change(episodes=(standing,)),)))
    assert store.episodes(open_only=True) == (standing,)
    with store._database.write() as connection:
        kept = json.loads(connection.execute(select(episode.c.expected)).scalar_one())
        assert [datetime.fromisoformat(item.pop("told_from")) for item in kept] == [after(120)]
        connection.execute(update(episode).values(expected=json.dumps(kept)))
    assert store.episodes(open_only=True) == (replace(standing, told_from=None),)
