"""Destinations that fall silent, refuse, go and come back, against a plain account of what each reader has in hand.

Whatever happens, nobody is told the same twice, nothing is told as new that is over, and what one destination misses for
long somebody behind it is told.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

from tests.alerts.scenes import XNOR, small_book
from tests.chosen import ON_POSTGRESQL, database_of_an_example
from tests.store.scenes import LEASE, NOW, a_change, an_episode
from tests.store.test_outbox_machine import a_fresh_file
from watcher.alerts.changes import Changes
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import (
    ENDINGS,
    Episode,
    Event,
    EventBody,
    EventType,
    Phase,
    Policy,
    StationState,
    StationView,
    SubjectKind,
)
from watcher.alerts.outbox import Claimed, NewDelivery, Settled
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import tell
from watcher.rulebook.words import Level
from watcher.service.handing_on import handed_on
from watcher.store.store import Store

BOOK = small_book()
CHAIN = {"room": "desk", "desk": "pager", "pager": None}
BEHIND = {"room": ("desk", "pager"), "desk": ("pager",), "pager": ()}
LIMIT = Policy().fallback_after


@dataclass(frozen=True)
class Read:
    """What a reader got."""

    at: datetime
    event: str
    told_as: EventType
    level: Level | None
    for_another: bool


class Fallbacks(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        path = Path(self.folder.name) / "hoarline.db"
        if not ON_POSTGRESQL:
            path.write_bytes(a_fresh_file())
        self.store = Store.open(database_of_an_example(self.folder.name))
        self.now, self.version = NOW, 0
        self.episodes: dict[int, Episode] = {}
        self.state = dict.fromkeys(CHAIN, "up")
        self.read: dict[str, list[Read]] = defaultdict(list)
        self.known: set[str] = set()

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    # What happens at the station and around.

    @precondition(lambda self: sum(item.ended_at is None for item in self.episodes.values()) < 2)
    @rule(level=st.sampled_from([Level.PREPARE, Level.TREAT]))
    def opens(self, level: Level) -> None:
        number = len(self.episodes) + 1
        episode = an_episode(number, level=level, began_at=self.now, changed_at=self.now, opened_at=self.now)
        self.turn(episode, EventType.OPENED)

    @precondition(lambda self: any(item.ended_at is None for item in self.episodes.values()))
    @rule(pick=st.integers(0, 9), level=st.sampled_from([None, Level.PREPARE, Level.TREAT, Level.NO_TIME]))
    def moves(self, pick: int, level: Level | None) -> None:
        """Let an open episode change its level, or end (None)."""
        standing = [item for item in self.episodes.values() if item.ended_at is None]
        before = standing[pick % len(standing)]
        if level is None:
            after = replace(before, phase=Phase.ENDED, ended_at=self.now, changed_at=self.now, seq=before.seq + 1)
            self.turn(after, EventType.CLOSED)
        elif level != before.level:
            type_ = EventType.RAISED if level > before.level else EventType.LOWERED
            self.turn(replace(before, level=level, changed_at=self.now, seq=before.seq + 1), type_)

    @rule(minutes=st.sampled_from([1, 6, 16, 40]))
    def wait(self, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)

    @rule(
        who=st.sampled_from(["room", "room", "desk"]),
        state=st.sampled_from(["up", "down", "down", "gone", "refuses"]),
    )
    def switch(self, who: str, state: str) -> None:
        """Let a receiver fall silent, want no more, refuse each message, or be well again; resume what is well."""
        if state == "refuses" and who != "room":
            return
        self.state[who] = state
        if state != "gone" and who in self.store.disabled_destinations():
            self.store.enable_destination(who)
        self.tick()

    @rule()
    def send(self) -> None:
        """Send all that is due, and what comes due because of that."""
        while claimed := self.store.claim(self.now, limit=50, lease=LEASE, per_destination=50):
            self.store.settle([self.sent(item) for item in claimed], self.now)

    @rule()
    def tick(self) -> None:
        self.turn(None, None)

    # What the service does with it, restarted before every turn: all that it knows is read again.

    def listeners(self) -> Listeners:
        off = self.store.disabled_destinations()
        recipients = [
            Recipient(name, open=name not in off, fallback=fallback, gone=name in off and off[name].by_receiver)
            for name, fallback in CHAIN.items()
        ]
        return Listeners(
            (Subscription("room's", ("room",)), Subscription("desk's", ("desk",), min_level=Level.TREAT)), recipients
        )

    def turn(self, episode: Episode | None, type_: EventType | None) -> None:
        told, listeners = self.store.told(self.now), self.listeners()
        changes = ()
        if episode is not None and type_ is not None:
            self.episodes[episode.number] = episode
            body = EventBody(
                "XNOR", None, None, f"{episode.id} {episode.level.word}", "why", "next", level=episode.level
            )
            event = Event(SubjectKind.EPISODE, episode.id, episode.seq, type_, self.now, body)
            changes = (a_change(version=self.version, episodes=(episode,), events=(event,)),)
            self.version += 1
        standing = tuple(item for item in self.episodes.values() if item.ended_at is None)
        view = StationView(XNOR, StationState("XNOR"), episodes=standing)
        telling = tell(changes, (view,), listeners, told, rulebook=BOOK, policy=Policy(), now=self.now)
        self.store.commit(Changes(self.now, changes, telling.deliveries))
        self.made(telling.deliveries)
        handed = handed_on(self.store, listeners, self.store.told(self.now), Policy(), self.now)
        self.store.commit(Changes(self.now, deliveries=handed))
        self.made(handed)
        assert handed_on(self.store, listeners, self.store.told(self.now), Policy(), self.now) == (), "once is enough"
        self.nothing_is_missing()

    def sent(self, item: Claimed) -> Settled:
        state = self.state[item.destination]
        if state == "down":
            return Settled(item.id, "retry", self.now + timedelta(minutes=5), "no answer")
        if state == "gone":
            self.store.disable_destination(item.destination, "410 Gone", self.now, by_receiver=True)
        if state != "up":
            return Settled(item.id, "dead", error="refused")
        for told in item.items:
            line = Read(self.now, told.event.id, told.told_as, told.level, told.instead is not None)
            self.makes_sense(item.destination, told.subject_id, line)
            self.read[item.destination].append(line)
        return Settled(item.id, "sent")

    # What must hold.

    def makes_sense(self, who: str, subject: str, line: Read) -> None:
        """Whoever reads one message after the other is told nothing twice and nothing that contradicts the last."""
        before = [item for item in self.read[who] if item.event.rpartition(".")[0] == subject]
        assert line.event not in {item.event for item in before}, "told twice"
        # A message that was refused in the middle of a story leaves a gap, whoever is behind.
        if self.state["room"] == "refuses" or who == "room":
            return
        last = before[-1] if before else None
        is_open = last is not None and last.told_as not in ENDINGS
        if line.told_as in ENDINGS:
            assert is_open or line.for_another
        elif line.told_as is EventType.OPENED:
            assert not is_open
        else:
            assert is_open
            assert last is not None
            assert last.level is not None
            assert line.level is not None
            assert (line.level > last.level) is (line.told_as is EventType.RAISED)

    def made(self, deliveries: tuple[NewDelivery, ...]) -> None:
        """Nothing is told in another's place that is over, that has changed since, or that the other has in hand."""
        for item in deliveries:
            if item.instead is None:
                continue
            episode = self.episodes[int(item.subject_id.rpartition("-")[2])]
            assert item.destination in BEHIND[item.instead.meant_for], "along the chain, and never to itself"
            assert item.valid_until > self.now
            assert (item.told_as in ENDINGS) is (episode.ended_at is not None)
            assert (item.level, item.seq) == (episode.level, episode.seq)
            assert item.event_id not in {line.event for line in self.read[item.instead.meant_for]}

    def nothing_is_missing(self) -> None:
        """What the room has wanted and does not have, for long or for good, somebody behind it is told as it stands."""
        for name in ("room", "desk"):
            if not self.is_lost(name) or not any(self.hears(other) for other in BEHIND[name]):
                continue
            for episode in self.episodes.values():
                mine = [line for line in self.read[name] if line.event.startswith(f"{episode.id}.")]
                has_it = bool(mine) and mine[-1].told_as not in ENDINGS
                if episode.ended_at is None and (name == "room" or episode.level >= Level.TREAT):
                    if not has_it or mine[-1].level != episode.level:
                        assert episode.level in self.told_behind(name, episode), (
                            f"{episode.id} is told nobody behind {name}"
                        )
                elif episode.ended_at is not None and has_it and self.now - episode.ended_at < timedelta(hours=5):
                    assert "over" in self.told_behind(name, episode), (
                        f"the end of {episode.id} is told nobody behind {name}"
                    )

    def is_lost(self, name: str) -> bool:
        """Return whether a destination wants no more, or is out of reach for longer than the limit."""
        if name in self.store.disabled_destinations():
            return True
        failing = [
            item.made_at
            for item in self.store.deliveries(10_000, destination=name)
            if item.state.value in {"pending", "leased"} and item.last_error is not None
        ]
        since = min(failing, default=self.now)
        return self.now - since >= LIMIT and not any(line.at >= since for line in self.read[name])

    def hears(self, name: str) -> bool:
        return name not in self.store.disabled_destinations() and not self.is_lost(name)

    def told_behind(self, name: str, episode: Episode) -> set[object]:
        """Return what those behind a destination were told of an episode last, or are about to be."""
        found: set[object] = set()
        for other in BEHIND[name]:
            lines = [
                line
                for item in reversed(self.store.deliveries(10_000, destination=other, about=episode.id))
                if item.state.value in {"pending", "leased", "sent"}
                for line in item.told
            ]
            if lines:
                found.add("over" if lines[-1].told_as in ENDINGS else lines[-1].level)
        return found


TestFallbacks = Fallbacks.TestCase
TestFallbacks.settings = settings(max_examples=40, stateful_step_count=30, deadline=None)
