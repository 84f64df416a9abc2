"""Any sequence of events, shared and single messages, claims, outcomes, waits and crashes, against a plain model."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.chosen import ON_POSTGRESQL, database_of_an_example
from tests.store.scenes import HOUR, LEASE, MINUTE, NOW, Owing, a_delivery, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.outbox import Settled
from watcher.store.store import Store

DESTINATIONS = ("desk", "room", "pad")
SUBJECTS = ("XNOR-1", "XNOR-2", "XBAY")
OWED = {"pending", "leased"}


@cache
def a_fresh_file() -> bytes:
    """Return an empty database, so that not every example makes its tables."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "hoarline.db"
        Store.open(f"sqlite:///{path}").close()
        return path.read_bytes()


@dataclass(frozen=True)
class Line:
    """One event that a message tells. `number`: in which order the lines were owed, over all messages."""

    number: int
    event: str
    subject: str


@dataclass(frozen=True)
class Message:
    """What the outbox should hold of one message."""

    number: int
    destination: str
    lines: tuple[Line, ...]
    shared: bool
    due_at: datetime
    valid_until: datetime
    state: str = "pending"
    attempts: int = 0
    lease_until: datetime | None = None
    waits_since: datetime = NOW

    def tells_of(self, subject: str) -> bool:
        return any(line.subject == subject for line in self.lines)


class Outbox(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        self.path = Path(self.folder.name) / "hoarline.db"
        self.url = database_of_an_example(self.folder.name)
        if not ON_POSTGRESQL:
            self.path.write_bytes(a_fresh_file())
        self.store = self.opened()
        self.owing = Owing(self.store)
        self.now = NOW
        self.messages: dict[str, Message] = {}
        self.lines = 0
        self.in_hand: list[str] = []
        self.disabled: set[str] = set()

    def opened(self) -> Store:
        return Store.open(self.url)

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    @rule(
        subject=st.sampled_from(SUBJECTS),
        destinations=st.lists(st.sampled_from(DESTINATIONS), min_size=1, max_size=3, unique=True),
        window=st.sampled_from([None, None, 2, 5]),
        valid_for=st.sampled_from([10, 30, 600]),
    )
    def owe(self, subject: str, destinations: list[str], window: int | None, valid_for: int) -> None:
        """Owe a new event; each time the window of the destination may be another."""
        group_within = window * MINUTE if window is not None else None
        valid_until = self.now + valid_for * MINUTE
        names = self.owing.owe(subject, *destinations, at=self.now, group_within=group_within, valid_until=valid_until)
        event = f"{subject}.{self.owing.seqs[subject]}"
        for name, destination in zip(names, destinations, strict=True):
            self.is_owed(name, destination, event, subject, group_within, valid_until)

    @precondition(lambda self: self.messages)
    @rule(pick=st.integers(0, 1000), window=st.sampled_from([None, 5]))
    def ask_again(self, pick: int, window: int | None) -> None:
        """Owe an event that was owed before: only what never arrived is told again."""
        told = [(message.destination, line) for message in self.messages.values() for line in message.lines]
        destination, line = told[pick % len(told)]
        group_within = window * MINUTE if window is not None else None
        subject, _, seq = line.event.rpartition(".")
        item = a_delivery(
            destination,
            an_event(subject, int(seq)),
            made_at=self.now,
            valid_until=self.now + HOUR,
            group_within=group_within,
        )
        self.store.commit(Changes(self.now, deliveries=(item, item)))
        self.take_back()
        self.expire()
        before = [
            message.state
            for message in self.messages.values()
            if message.destination == destination and line.event in {each.event for each in message.lines}
        ]
        if not set(before) <= {"dead", "expired"}:
            return
        name = f"{item.id}-{len(before) + 1}"
        self.is_owed(name, destination, line.event, line.subject, group_within, self.now + HOUR)

    def is_owed(
        self,
        name: str,
        destination: str,
        event: str,
        subject: str,
        group_within: timedelta | None,
        valid_until: datetime,
    ) -> None:
        """Put a line into the model: into the newest message that is owed if that waits for company."""
        self.take_back()
        self.expire()
        line = Line(self.lines, event, subject)
        self.lines += 1
        owed = [key for key, each in self.messages.items() if each.destination == destination and each.state in OWED]
        newest = self.messages[owed[-1]] if owed else None
        if (
            group_within is not None
            and newest is not None
            and (newest.shared, newest.state, newest.attempts) == (True, "pending", 0)
            and newest.due_at > self.now
        ):
            self.messages[owed[-1]] = replace(newest, lines=(*newest.lines, line))
            return
        due_at = self.now + (group_within or timedelta())
        number = len(self.messages)
        self.messages[name] = Message(
            number, destination, (line,), group_within is not None, due_at, valid_until, waits_since=self.now
        )

    @rule(minutes=st.sampled_from([1, 2, 10, 60]))
    def wait(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule(minutes=st.sampled_from([2, 30]))
    def set_the_clock_back(self, minutes: int) -> None:
        """It was ahead, and is set right."""
        self.now -= timedelta(minutes=minutes)

    @rule(limit=st.integers(1, 5), per=st.integers(1, 3), skip=st.sets(st.sampled_from(DESTINATIONS), max_size=1))
    def claim(self, limit: int, per: int, skip: set[str]) -> None:
        self.take_back()
        self.shorten()
        self.expire()
        self.forget()
        free = {name: per for name in DESTINATIONS if name not in skip | self.disabled}
        for message in self.messages.values():
            if message.state == "leased" and message.destination in free:
                free[message.destination] -= 1
        may = {
            name for name in self.messages if self.claimable(name) and free.get(self.messages[name].destination, 0) > 0
        }
        claimed = self.store.claim(self.now, limit=limit, lease=LEASE, per_destination=per, skip=skip)
        most = sum(
            min(max(room, 0), sum(self.messages[name].destination == destination for name in may))
            for destination, room in free.items()
        )
        assert len(claimed) == min(limit, most), "as many as there may be"
        for item in claimed:
            message = self.messages[item.id]
            assert item.id in may, "due, in order, and nobody else's"
            free[message.destination] -= 1
            assert free[message.destination] >= 0
            assert (item.attempts, item.destination) == (message.attempts + 1, message.destination)
            assert [(told.event.id, told.subject_id) for told in item.items] == [
                (line.event, line.subject) for line in message.lines
            ]
            self.nothing_earlier_is_owed(message)
            self.messages[item.id] = replace(
                message, state="leased", attempts=item.attempts, lease_until=self.now + LEASE
            )
            if item.id not in self.in_hand:
                self.in_hand.append(item.id)

    def nothing_earlier_is_owed(self, claimed: Message) -> None:
        """Whatever the messages are, no event of a subject is told while an earlier one is owed in another."""
        for line in claimed.lines:
            for message in self.messages.values():
                if message is not claimed and message.destination == claimed.destination and message.state in OWED:
                    assert not any(
                        other.subject == line.subject and other.number < line.number for other in message.lines
                    )

    @precondition(lambda self: self.in_hand)
    @rule(
        pick=st.integers(0, 100),
        outcome=st.sampled_from(["sent", "sent", "retry", "dead", "release"]),
        again=st.booleans(),
    )
    def settle(self, pick: int, outcome: str, again: bool) -> None:
        name = self.in_hand.pop(pick % len(self.in_hand))
        message = self.messages[name]
        due_at = self.now + 5 * MINUTE if again else None
        self.store.settle([Settled(name, outcome, due_at, "why")], self.now)  # type: ignore[arg-type]
        if outcome == "sent":
            self.messages[name] = replace(message, state="sent", lease_until=None)
        elif message.state == "leased":
            self.messages[name] = {
                "dead": replace(message, state="dead", lease_until=None),
                "retry": replace(
                    message, state="pending", lease_until=None, due_at=due_at or self.now, waits_since=self.now
                ),
                "release": replace(message, state="pending", lease_until=None, attempts=message.attempts - 1),
            }[outcome]

    @rule(name=st.sampled_from(DESTINATIONS), disable=st.booleans())
    def switch(self, name: str, disable: bool) -> None:
        if disable:
            self.store.disable_destination(name, "refuses everything", self.now)
            self.disabled.add(name)
            self.forget({name})
        else:
            self.store.enable_destination(name)
            self.disabled.discard(name)

    @rule()
    def crash(self) -> None:
        """Forget all that is in hand; another process opens a copy of what is on the disk, or asks the same server."""
        self.in_hand.clear()
        if ON_POSTGRESQL:
            self.store.close()
            self.owing.store = self.store = self.opened()
            return
        copy = self.path.with_suffix(".copy")
        for end in ("", "-wal"):
            if Path(f"{self.path}{end}").exists():
                shutil.copyfile(f"{self.path}{end}", f"{copy}{end}")
        self.store.close()
        self.path = copy.rename(self.path)
        if (wal := Path(f"{copy}-wal")).exists():
            wal.rename(f"{self.path}-wal")
        self.store = self.opened()
        self.owing.store = self.store

    def take_back(self) -> None:
        """What claims and new messages find first: leases that ran out, and times of a clock that was ahead."""
        for name, message in self.messages.items():
            if message.state == "leased" and message.lease_until is not None and message.lease_until <= self.now:
                self.messages[name] = replace(message, state="pending", lease_until=None)
        for name, message in self.messages.items():
            if message.state == "pending" and message.waits_since > self.now + MINUTE:
                self.messages[name] = replace(message, due_at=self.now, waits_since=self.now)

    def shorten(self) -> None:
        """What a claim finds too: leases of a clock that was ahead, which go on for no longer than its own would."""
        for name, message in self.messages.items():
            if message.lease_until is not None and message.lease_until > self.now + LEASE + MINUTE:
                self.messages[name] = replace(message, lease_until=self.now + LEASE)

    def expire(self) -> None:
        """What they find then: messages past their time."""
        for name, message in self.messages.items():
            if message.state == "pending" and message.valid_until <= self.now:
                self.messages[name] = replace(message, state="expired")

    def forget(self, destinations: set[str] | None = None) -> None:
        """What a destination is owed while it is switched off."""
        for name, message in self.messages.items():
            if message.state == "pending" and message.destination in (destinations or self.disabled):
                self.messages[name] = replace(message, state="expired")

    def claimable(self, name: str) -> bool:
        message = self.messages[name]
        first = not any(
            other.state in OWED
            and other.destination == message.destination
            and other.number < message.number
            and any(other.tells_of(line.subject) for line in message.lines)
            for other in self.messages.values()
        )
        return first and message.state == "pending" and message.due_at <= self.now

    @invariant()
    def nothing_is_lost_or_changed_by_itself(self) -> None:
        found = {item.id: item for item in self.store.deliveries(10_000)}
        assert {
            name: (
                item.state.value,
                item.attempts,
                item.lease_until,
                item.due_at,
                [line.event_id for line in item.told],
            )
            for name, item in found.items()
        } == {
            name: (each.state, each.attempts, each.lease_until, each.due_at, [line.event for line in each.lines])
            for name, each in self.messages.items()
        }
        assert sum(self.store.outbox_counts().values()) == len(self.messages)
        assert set(self.store.disabled_destinations()) == self.disabled

    @invariant()
    def nothing_is_told_twice(self) -> None:
        """Of all messages that tell an event to a destination, only those that never arrived have a successor."""
        standing: dict[tuple[str, str], int] = {}
        for message in self.messages.values():
            for line in message.lines:
                if message.state in OWED:
                    key = message.destination, line.event
                    standing[key] = standing.get(key, 0) + 1
        assert all(count == 1 for count in standing.values())


TestOutbox = Outbox.TestCase
TestOutbox.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
