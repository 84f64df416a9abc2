"""Any sequence of messages, claims, outcomes, waits and crashes, against a plain model of the outbox."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from tempfile import TemporaryDirectory

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.store.scenes import LEASE, MINUTE, NOW, Owing
from watcher.alerts.outbox import Settled
from watcher.store.store import Store

DESTINATIONS = ("desk", "room", "pad")
SUBJECTS = ("XNOR-1", "XNOR-2", "XBAY")


@dataclass(frozen=True)
class Line:
    """What the outbox should hold of one message."""

    number: int
    destination: str
    subject: str
    due_at: datetime
    valid_until: datetime
    state: str = "pending"
    attempts: int = 0
    lease_until: datetime | None = None


class Outbox(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        self.store = self.opened()
        self.owing = Owing(self.store)
        self.now = NOW
        self.lines: dict[str, Line] = {}
        self.in_hand: list[str] = []
        self.disabled: set[str] = set()

    def opened(self) -> Store:
        return Store.open(f"sqlite:///{self.folder.name}/hoarline.db")

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    @rule(
        subject=st.sampled_from(SUBJECTS),
        destinations=st.lists(st.sampled_from(DESTINATIONS), min_size=1, max_size=3, unique=True),
        due_in=st.sampled_from([0, 0, 0, 5]),
        valid_for=st.sampled_from([3, 30, 600]),
    )
    def owe(self, subject: str, destinations: list[str], due_in: int, valid_for: int) -> None:
        due_at, valid_until = self.now + due_in * MINUTE, self.now + valid_for * MINUTE
        names = self.owing.owe(subject, *destinations, at=self.now, made_at=due_at, valid_until=valid_until)
        for name, destination in zip(names, destinations, strict=True):
            self.lines[name] = Line(len(self.lines), destination, subject, due_at, valid_until)

    @rule(minutes=st.sampled_from([1, 2, 10, 60]))
    def wait(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule(limit=st.integers(1, 5), per=st.integers(1, 3), skip=st.sets(st.sampled_from(DESTINATIONS), max_size=1))
    def claim(self, limit: int, per: int, skip: set[str]) -> None:
        self.time_passes()
        free = {name: per for name in DESTINATIONS if name not in skip | self.disabled}
        for line in self.lines.values():
            if line.state == "leased" and line.destination in free:
                free[line.destination] -= 1
        may = {name for name in self.lines if self.claimable(name) and free.get(self.lines[name].destination, 0) > 0}
        claimed = self.store.claim(self.now, limit=limit, lease=LEASE, per_destination=per, skip=skip)
        most = sum(
            min(max(room, 0), sum(self.lines[name].destination == destination for name in may))
            for destination, room in free.items()
        )
        assert len(claimed) == min(limit, most), "as many as there may be"
        for item in claimed:
            line = self.lines[item.id]
            assert item.id in may, "due, in order, and nobody else's"
            free[line.destination] -= 1
            assert free[line.destination] >= 0
            assert item.attempts == line.attempts + 1
            (told,) = item.items
            assert (item.destination, told.subject_id) == (line.destination, line.subject)
            assert told.event.subject_id == line.subject
            self.lines[item.id] = replace(line, state="leased", attempts=item.attempts, lease_until=self.now + LEASE)
            if item.id not in self.in_hand:
                self.in_hand.append(item.id)

    @precondition(lambda self: self.in_hand)
    @rule(
        pick=st.integers(0, 100),
        outcome=st.sampled_from(["sent", "sent", "retry", "dead", "release"]),
        again=st.booleans(),
    )
    def settle(self, pick: int, outcome: str, again: bool) -> None:
        name = self.in_hand.pop(pick % len(self.in_hand))
        line = self.lines[name]
        due_at = self.now + 5 * MINUTE if again else None
        self.store.settle([Settled(name, outcome, due_at, "why")], self.now)  # type: ignore[arg-type]
        if outcome == "sent":
            self.lines[name] = replace(line, state="sent", lease_until=None)
        elif line.state == "leased":
            self.lines[name] = {
                "dead": replace(line, state="dead", lease_until=None),
                "retry": replace(line, state="pending", lease_until=None, due_at=due_at or self.now),
                "release": replace(line, state="pending", lease_until=None, attempts=line.attempts - 1),
            }[outcome]

    @rule(name=st.sampled_from(DESTINATIONS), disable=st.booleans())
    def switch(self, name: str, disable: bool) -> None:
        if disable:
            self.store.disable_destination(name, "refuses everything", self.now)
            self.disabled.add(name)
            for owed, line in self.lines.items():
                if line.destination == name and line.state == "pending":
                    self.lines[owed] = replace(line, state="expired")
        else:
            self.store.enable_destination(name)
            self.disabled.discard(name)

    @rule()
    def crash(self) -> None:
        """Forget all that is in hand; another process opens the same file."""
        self.in_hand.clear()
        self.store.close()
        self.store = self.opened()
        self.owing.store = self.store

    def time_passes(self) -> None:
        """What a claim finds: leases that ran out, then messages past their time."""
        for name, line in self.lines.items():
            if line.state == "leased" and line.lease_until is not None and line.lease_until <= self.now:
                line = replace(line, state="pending", lease_until=None)  # noqa: PLW2901
            if line.state == "pending" and line.valid_until <= self.now:
                line = replace(line, state="expired")  # noqa: PLW2901
            self.lines[name] = line

    def claimable(self, name: str) -> bool:
        line = self.lines[name]
        first = all(
            other.state not in {"pending", "leased"}
            for other in self.lines.values()
            if (other.destination, other.subject) == (line.destination, line.subject) and other.number < line.number
        )
        return first and line.state == "pending" and line.due_at <= self.now

    @invariant()
    def nothing_is_lost_or_changed_by_itself(self) -> None:
        found = {item.id: item for item in self.store.deliveries(10_000)}
        assert {name: (item.state.value, item.attempts, item.lease_until) for name, item in found.items()} == {
            name: (line.state, line.attempts, line.lease_until) for name, line in self.lines.items()
        }
        assert sum(self.store.outbox_counts().values()) == len(self.lines)
        assert set(self.store.disabled_destinations()) == self.disabled


TestOutbox = Outbox.TestCase
TestOutbox.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
