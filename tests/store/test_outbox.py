"""The outbox: who may send what now, and what becomes of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import Update, event, select, update
from sqlalchemy.dialects import postgresql

from tests.store.scenes import (
    HOUR,
    LEASE,
    MINUTE,
    NOW,
    Owing,
    a_change,
    a_delivery,
    after,
    an_event,
    claim,
    raw_connection,
)
from watcher.alerts.changes import Changes
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Item, Settled
from watcher.rulebook.words import Kind, Level
from watcher.store.due import _FIRST_OF_ALL_ON_SERVER
from watcher.store.model import ToldLine
from watcher.store.store import Store
from watcher.store.tables import delivery, delivery_event
from watcher.store.tables import event as event_table


@pytest.fixture
def owing(store: Store) -> Owing:
    return Owing(store)


def states(store: Store) -> dict[str, str]:
    return {item.id: item.state.value for item in store.deliveries(1000)}


def test_a_claim_carries_all_that_a_message_needs(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    (claimed,) = store.claim(NOW, limit=10, lease=LEASE, per_destination=4)
    assert claimed.id == name
    assert claimed.destination == "desk"
    assert claimed.attempts == 1
    assert claimed.valid_until == NOW + 6 * HOUR
    assert claimed.items == (Item(an_event("XNOR-1"), EventType.OPENED, Level.TREAT, "XNOR-1"),)


@pytest.mark.parametrize("strange", ["line", "event"])
def test_what_a_newer_program_wrote_costs_the_other_messages_nothing(store: Store, owing: Owing, strange: str) -> None:
    (odd,) = owing.owe("XNOR-1", "desk")
    (plain,) = owing.owe("XBAY-1", "desk")
    with store._database.write() as connection:
        change = update(delivery_event).values(told_as="icing.episode.newer")
        if strange == "event":
            change = update(event_table).values(type="icing.episode.newer")
        connection.execute(change.where(change.table.c.subject_id == "XNOR-1"))
    assert claim(store) == [plain]
    store.settle([Settled(plain, "sent")], NOW)
    for attempt in range(1, 4):
        assert claim(store, after(minutes=attempt) - timedelta(seconds=1)) == [], "not before a minute"
        assert states_in_the_table(store)[odd] == ("pending", attempt)
        assert claim(store, after(minutes=attempt)) == []
    assert states_in_the_table(store) == {odd: ("dead", 4), plain: ("sent", 1)}
    with store._database.read() as connection:
        why = connection.execute(select(delivery.c.last_error).where(delivery.c.id == odd)).scalar_one()
    assert "this program cannot read the message" in why
    assert "icing.episode.newer" in why


def test_what_could_not_be_read_at_first_is_sent_under_its_name_by_whoever_can(store: Store, owing: Owing) -> None:
    first, second = (owing.owe("XNOR-1", "desk")[0] for _ in range(2))
    known = select(delivery_event.c.told_as).where(delivery_event.c.delivery_id == first)
    with store._database.write() as connection:
        before = connection.execute(known).scalar_one()
        connection.execute(_told_as(first, "icing.episode.newer"))
    assert claim(store) == []
    with store._database.write() as connection:
        connection.execute(_told_as(first, before))
    assert claim(store) == [], "the later one waits for it"
    assert claim(store, after(minutes=1)) == [first]
    store.settle([Settled(first, "sent")], after(minutes=1))
    assert claim(store, after(minutes=1)) == [second]


def _told_as(message: str, word: str) -> Update:
    return update(delivery_event).where(delivery_event.c.delivery_id == message).values(told_as=word)


def states_in_the_table(store: Store) -> dict[str, tuple[str, int]]:
    """Return state and attempts by message, without reading what it tells."""
    with store._database.read() as connection:
        rows = connection.execute(select(delivery.c.id, delivery.c.state, delivery.c.attempts)).all()
    return {name: (state, attempts) for name, state, attempts in rows}


def test_a_claimed_delivery_is_nobody_elses_until_its_lease_runs_out(store: Store, owing: Owing, url: str) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [name]
    other = Store.open(url)
    assert claim(other, NOW + LEASE - MINUTE / 60) == []
    (again,) = other.claim(NOW + LEASE, limit=10, lease=LEASE, per_destination=4)
    assert (again.id, again.attempts) == (name, 2)
    other.close()


def test_nothing_is_sent_before_it_is_due(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", made_at=after(10))
    assert claim(store, after(9)) == []
    assert claim(store, after(10)) == [name]


def test_a_later_message_about_a_subject_waits_for_the_earlier_one(store: Store, owing: Owing) -> None:
    (first,) = owing.owe("XNOR-1", "desk")
    (second,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [first]
    assert claim(store) == [], "while the first is in flight"
    store.settle([Settled(first, "retry", after(10), "no answer")], after(1))
    assert claim(store, after(5)) == [], "while the first waits for its next try"
    assert claim(store, after(10)) == [first]
    store.settle([Settled(first, "sent")], after(10))
    assert claim(store, after(10)) == [second]


def test_other_subjects_and_other_destinations_do_not_wait(store: Store, owing: Owing) -> None:
    (first,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [first]
    others = [*owing.owe("XNOR-2", "desk"), *owing.owe("XNOR-1", "room")]
    assert sorted(claim(store)) == sorted(others)


@pytest.mark.parametrize("end", ["dead", "expired"])
def test_a_message_that_will_never_arrive_holds_nobody_up(store: Store, owing: Owing, end: str) -> None:
    (first,) = owing.owe("XNOR-1", "desk", valid_until=after(30))
    (second,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [first]
    if end == "dead":
        store.settle([Settled(first, "dead", error="no such mailbox")], after(1))
    assert claim(store, after(31)) == [second]
    assert states(store)[first] == end


def test_a_message_past_its_time_expires_and_is_not_sent(store: Store, owing: Owing) -> None:
    (late,) = owing.owe("XNOR-1", "desk", valid_until=after(30))
    (kept,) = owing.owe("XNOR-2", "desk")
    assert claim(store, after(30)) == [kept]
    assert states(store) == {late: "expired", kept: "leased"}


def test_a_message_in_flight_is_not_expired_under_its_sender(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", valid_until=after(1))
    assert claim(store) == [name]
    assert claim(store, after(1.5)) == []
    assert states(store)[name] == "leased"
    store.settle([Settled(name, "sent")], after(1.5))
    assert states(store)[name] == "sent"


def test_no_destination_has_more_in_flight_than_allowed(store: Store, owing: Owing) -> None:
    for number in range(6):
        owing.owe(f"XNOR-{number}", "desk")
    first = claim(store, per=4)
    assert len(first) == 4
    assert claim(store, per=4) == []
    store.settle([Settled(first[0], "sent")], NOW)
    assert len(claim(store, per=4)) == 1


def test_everyones_first_comes_before_anyones_second(store: Store, owing: Owing) -> None:
    """A destination with a long queue, older than all others, does not push them aside."""
    for number in range(20):
        owing.owe(f"XNOR-{number}", "busy", at=after(-10))
    for name in ("a", "b", "c"):
        owing.owe("XBAY-1", name)
    claimed = store.claim(NOW, limit=5, lease=LEASE, per_destination=10)
    assert sorted(item.destination for item in claimed) == ["a", "b", "busy", "busy", "c"]
    assert [item.destination for item in claimed[:4]] == ["busy", "a", "b", "c"]
    claimed = store.claim(NOW, limit=5, lease=LEASE, per_destination=10)
    assert {item.destination for item in claimed} == {"busy"}


def test_with_many_in_flight_the_emptiest_still_come_first(store: Store, owing: Owing) -> None:
    """Two have three in flight, two have one, one has none: the emptiest are filled up to the same level."""
    for number in range(3):
        owing.owe(f"XNOR-{number}", "a", "b")
    owing.owe("XNOR-0", "c", "d")
    assert len(claim(store, limit=8, per=3)) == 8
    for number in range(10, 20):
        owing.owe(f"XNOR-{number}", "a", "b", "c", "d", "e")
    claimed = store.claim(NOW, limit=4, lease=LEASE, per_destination=9)
    assert [item.destination for item in claimed] == ["e", "c", "d", "e"]


def test_who_waits_behind_an_earlier_message_leaves_the_places_to_others(store: Store, owing: Owing) -> None:
    """Of the destinations that have something due, the first that are asked may have nothing that may be sent."""
    for name in ("a", "b", "c"):
        owing.owe("XNOR-1", name, at=after(-9))
    held = claim(store, limit=3)
    store.settle([Settled(name, "retry", after(30)) for name in held], NOW)
    for name in ("a", "b", "c"):
        owing.owe("XNOR-1", name)
    (free,) = owing.owe("XNOR-1", "d", at=after(1))
    assert claim(store, after(1), limit=1) == [free]


def test_a_destination_may_have_a_long_name(store: Store) -> None:
    """PostgreSQL's own names end after 63 letters; those of destinations do not."""
    name = "the coordinator of the pads at the northern end of the second runway, by night"
    told = an_event("XNOR-1")
    owed = replace(a_delivery(name, told), id="msg_1")
    store.commit(Changes(NOW, (a_change(events=(told,)),), (owed,)))
    assert claim(store) == ["msg_1"]


def test_who_has_messages_in_flight_comes_after_who_has_none(store: Store, owing: Owing) -> None:
    for number in range(3):
        owing.owe(f"XNOR-{number}", "busy", at=after(-10))
    assert len(claim(store, limit=2)) == 2
    (name,) = owing.owe("XBAY-1", "idle")
    assert claim(store, limit=1) == [name]


def test_within_a_destination_the_oldest_is_first(store: Store, owing: Owing) -> None:
    (second,) = owing.owe("XNOR-1", "desk", at=after(2))
    (first,) = owing.owe("XNOR-2", "desk", at=after(1))
    assert claim(store, after(5)) == [first, second]


def test_left_out_destinations_keep_their_messages(store: Store, owing: Owing) -> None:
    (desk, room) = owing.owe("XNOR-1", "desk", "room")
    assert claim(store, skip=["desk"]) == [room]
    assert claim(store) == [desk]


def test_a_disabled_destination_gets_nothing_until_enabled(store: Store, owing: Owing) -> None:
    """What it was owed is forgotten: once it is back, it is told how things stand then."""
    (name,) = owing.owe("XNOR-1", "desk")
    store.disable_destination("desk", "410 Gone", NOW)
    (forgotten,) = store.deliveries(9)
    assert (forgotten.id, forgotten.state, forgotten.settled_at) == (name, "expired", NOW)
    (meanwhile,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == []
    assert states(store)[meanwhile] == "expired"
    (disabled,) = store.disabled_destinations().values()
    assert (disabled.name, disabled.reason, disabled.at) == ("desk", "410 Gone", NOW)
    store.enable_destination("desk")
    store.enable_destination("never heard of")
    assert store.disabled_destinations() == {}
    assert claim(store) == []
    (later,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [later]
    store.disable_destination("desk", "again", after(1))
    assert store.disabled_destinations()["desk"].reason == "again"


@pytest.mark.parametrize("outcome", ["retry", "sent"])
def test_what_was_in_hand_when_a_destination_was_disabled_is_not_tried_again(
    store: Store, owing: Owing, outcome: str
) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [name]
    store.disable_destination("desk", "410 Gone", NOW)
    assert states(store)[name] == "leased"
    store.settle([Settled(name, outcome, after(5), "no answer")], after(1))  # type: ignore[arg-type]
    assert claim(store, after(6)) == []
    assert states(store)[name] == ("expired" if outcome == "retry" else "sent")


def test_what_was_owed_while_the_clock_was_ahead_is_sent_when_it_is_right_again(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", at=after(180), group_within=20 * MINUTE)
    assert claim(store, after(0)) == [name]
    assert claim(store, after(1)) == [], "once"


def test_what_failed_while_the_clock_was_ahead_is_tried_again_when_it_is_right_again(
    store: Store, owing: Owing
) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store, after(180)) == [name]
    store.settle([Settled(name, "retry", after(195), "no answer")], after(180))
    assert claim(store, after(181)) == []
    assert claim(store, after(5)) == [name]


def test_clocks_that_differ_by_seconds_let_messages_gather(store: Store, owing: Owing) -> None:
    """Two machines share the outbox; one is 40 seconds ahead."""
    (name,) = owing.owe("XNOR-1", "desk", at=after(2 / 3), group_within=MINUTE)
    assert claim(store, NOW) == claim(store, after(1.5)) == []
    assert claim(store, after(1.7)) == [name]


def test_a_lease_of_a_clock_that_was_ahead_ends_after_its_length_once_the_clock_is_right(
    store: Store, owing: Owing, url: str
) -> None:
    """A sender whose clock is three hours ahead takes a message and dies; one with a right clock goes on."""
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store, after(180)) == [name]
    other = Store.open(url)
    assert claim(other, after(1)) == [], "whoever has it may be sending still"
    assert claim(other, after(1) + LEASE - MINUTE / 60) == []
    assert claim(other, after(1) + LEASE) == [name]
    other.settle([Settled(name, "sent")], after(1) + LEASE)
    assert states(store) == {name: "sent"}
    other.close()


def test_what_a_clock_that_was_ahead_has_leased_is_sent_once_by_whoever_lives(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store, after(180)) == [name]
    assert claim(store, after(1)) == []
    store.settle([Settled(name, "retry", after(5), "no answer")], after(1.5))
    assert claim(store, after(4)) == []
    assert claim(store, after(5)) == [name]


def test_clocks_that_differ_by_seconds_leave_leases_alone(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    ahead = after(2 / 3)
    assert claim(store, ahead) == [name]
    assert claim(store, NOW) == []
    assert store.delivery(name).lease_until == ahead + LEASE


def test_a_released_delivery_was_no_attempt(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    assert claim(store) == [name]
    store.settle([Settled(name, "release")], NOW)
    (claimed,) = store.claim(NOW, limit=10, lease=LEASE, per_destination=4)
    assert (claimed.id, claimed.attempts) == (name, 1)


def test_a_retry_without_a_time_is_due_at_once_and_keeps_its_reason(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    claim(store)
    store.settle([Settled(name, "retry", error="no answer")], after(1))
    (line,) = store.deliveries(10)
    assert (line.state, line.last_error, line.due_at, line.attempts) == ("pending", "no answer", after(1), 1)
    assert claim(store, after(1)) == [name]


def test_sent_is_sent_also_when_the_lease_had_run_out(store: Store, owing: Owing) -> None:
    """The receiver has it; whatever was concluded meanwhile, it must not be sent again."""
    (taken_back, expired) = owing.owe("XNOR-1", "desk", "room", valid_until=after(30))
    claim(store)
    assert len(claim(store, after(10))) == 2
    assert claim(store, after(40)) == []
    assert states(store)[expired] == "expired"
    store.settle([Settled(expired, "sent"), Settled(taken_back, "sent")], after(41))
    assert set(states(store).values()) == {"sent"}


def test_other_outcomes_of_a_lost_lease_change_nothing(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    claim(store)
    store.settle([Settled(name, "sent")], NOW)
    for outcome in ("retry", "dead", "release"):
        store.settle([Settled(name, outcome, after(5), "late")], after(1))
    (line,) = store.deliveries(10)
    assert (line.state, line.attempts, line.last_error, line.settled_at) == ("sent", 1, None, NOW)


def test_the_outbox_is_counted_by_state_and_listed_newest_first(store: Store, owing: Owing) -> None:
    names = [owing.owe(f"XNOR-{number}", "desk")[0] for number in range(4)]
    assert store.outbox_counts() == {"pending": 4, "leased": 0, "sent": 0, "dead": 0, "expired": 0}
    claim(store, limit=3)
    store.settle([Settled(names[0], "sent"), Settled(names[1], "dead", error="gone")], NOW)
    assert store.outbox_counts() == {"pending": 1, "leased": 1, "sent": 1, "dead": 1, "expired": 0}
    assert [item.id for item in store.deliveries(2)] == [names[3], names[2]]
    (dead,) = store.deliveries(10, state="dead")
    assert (dead.id, dead.last_error, dead.settled_at) == (names[1], "gone", NOW)
    assert dead.told == (ToldLine("XNOR-1.1", "XNOR-1", EventType.OPENED, Level.TREAT, Kind.OBSERVED, 0),)


def test_a_message_is_owed_once_for_each_event_and_destination(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk")
    claim(store)
    store.settle([Settled(name, "sent")], NOW)
    repeated = a_delivery("desk", an_event("XNOR-1"))
    new = a_delivery("room", an_event("XNOR-1"))
    store.commit(Changes(after(1), deliveries=(repeated, new, new)))
    assert states(store) == {name: "sent", new.id: "pending"}


@pytest.mark.sqlite
def test_no_step_of_a_claim_reads_the_whole_outbox(store: Store, url: str) -> None:
    """SQLite's own planner is the judge: every use of the delivery table is a search in an index."""
    database = store._database
    statements: list[tuple[str, tuple[object, ...]]] = []

    def note(_connection: object, _cursor: object, sql: str, values: tuple[object, ...], *_: object) -> None:
        statements.append((sql, values))

    Owing(store).owe("XNOR-1", "desk")
    event.listen(database._writer, "before_cursor_execute", note)
    assert len(claim(store)) == 1
    event.remove(database._writer, "before_cursor_execute", note)
    connection = raw_connection(url)
    plans = [
        row[3]
        for sql, values in statements
        if "delivery" in sql
        for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}", values)
    ]
    connection.close()
    assert len(plans) > 8
    assert [plan for plan in plans if plan.startswith("SCAN") and "delivery" in plan] == []


def test_on_postgresql_a_claim_steps_past_what_another_claimer_has_in_hand() -> None:
    """There several claim at once. The dialect's own compiler is the judge: rows that are taken are locked, not waited for."""
    statement = str(_FIRST_OF_ALL_ON_SERVER.compile(dialect=postgresql.dialect()))
    assert "FOR UPDATE SKIP LOCKED) AS each" in statement
