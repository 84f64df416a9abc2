"""Whatever happens, in any order: every destination reads a true story, once, in order, from its opening to its end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

from hypothesis import note, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.alerts.desk import LADDER, PELLETS, metar
from tests.alerts.plain_telling import ENDED, Readers
from tests.alerts.scenes import RULES, XNOR, report, small_book
from watcher.alerts.changes import StationChange
from watcher.alerts.judge import judge, withdraw_station
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Acknowledgement, Event, EventType, Policy, StationState, StationView
from watcher.alerts.outbox import NewDelivery, Told
from watcher.alerts.subscribers import Circle, Hours, Recipient, Subscription
from watcher.alerts.tell import Telling, after_telling, tell
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level

OSLO = "Europe/Oslo"
# Before a change to summer time, before one to winter time, and before an ordinary night; all at 0100Z of the next day.
EVENINGS = [datetime(2026, month, day, 17, tzinfo=UTC) for month, day in ((3, 28), (10, 24), (1, 12))]
NEAR, FAR = Circle(60.0, 11.0, 60.0), Circle(50.0, 11.0, 60.0)
STATIONS = {"XNOR": replace(XNOR, country="XA"), "XBAY": Station("XBAY")}
DESTINATIONS = ("duty", "room")

BOOK = small_book(RULES + LADDER + PELLETS)
# Snow is taken out of the book: whatever rests on it is withdrawn.
WITHOUT_SNOW = small_book(RULES)

TEMPERATURES = st.sampled_from(["M02/M06", "M02/M06", "01/00"])
WEATHER = st.sampled_from(["", "-SN", "SN", "+SN", "FZDZ", "FZRA", "//"])
SNOW = st.sampled_from(["-SN", "SN", "SN", "+SN", "PL"])
TAFS = st.sampled_from(["", "TEMPO {a}/{b} 3000 SN OVC006", "PROB30 TEMPO {a}/{b} 2000 +SN OVC004"])
STEPS = st.sampled_from([1, 2, 9, 20, 29, 30, 31, 59, 60, 61, 85, 86, 180, 420])
HOURS = st.sampled_from(
    [Hours(time(18), time(9), OSLO), Hours(time(7), time(22), OSLO), Hours(time(0), time(6), "UTC")]
)
SUBSCRIPTIONS = st.builds(
    Subscription,
    name=st.just("any"),
    destinations=st.sampled_from([("duty",), ("room",), ("duty", "room")]),
    stations=st.sampled_from([None, None, frozenset({"XNOR"}), frozenset({"XBAY"})]),
    countries=st.sampled_from([frozenset(), frozenset(), frozenset({"XA"}), frozenset({"XB"})]),
    circles=st.sampled_from([(), (), (NEAR,), (FAR, NEAR), (FAR,)]),
    flags=st.sampled_from([None, None, frozenset({Flag.SNOW}), frozenset({Flag.NO_HOLDOVER})]),
    min_level=st.sampled_from([Level.PREPARE, Level.TREAT, Level.NO_TIME]),
    hours=st.none() | HOURS,
    quiet=st.none() | st.just(Hours(time(23), time(4, 30), OSLO)),
    no_time_ignores_hours=st.booleans(),
    digest_at=st.sampled_from([(), (time(6),), (time(4, 30), time(18, 0)), (time(0, 30), time(5, 30))]),
    zone=st.sampled_from([OSLO, OSLO, "UTC"]),
    only_digest=st.sampled_from([False, False, False, True]),
    remind_every=st.sampled_from([None, None, timedelta(minutes=20), timedelta(hours=1)]),
    paused=st.sampled_from([False, False, False, True]),
)


class Night(RuleBasedStateMachine):
    """Reports, silence, corrections, people and restarts; a store that keeps what was committed and nothing else."""

    @initialize(evening=st.sampled_from(EVENINGS), second=SUBSCRIPTIONS)
    def begin(self, evening, second):
        self.now = evening
        self.book = BOOK
        self.views = {code: StationView(station, StationState(code)) for code, station in STATIONS.items()}
        self.unwatched: dict[str, StationView] = {}
        self.subscriptions = [Subscription("all", DESTINATIONS, remind_every=timedelta(minutes=20)), second]
        self.closed: set[str] = set()
        self.removed: set[str] = set()
        self.told: dict[tuple[str, str], Told] = {}
        self.readers = Readers({NEAR: frozenset({"XNOR"}), FAR: frozenset()})
        self.events: dict[str, Event] = {}
        self.sent: list[NewDelivery] = []
        self.over: set[tuple[str, str]] = set()
        self.texts: list[str] = []
        self.acknowledged = 0

    @rule(minutes=STEPS)
    def time_passes(self, minutes):
        self.now += timedelta(minutes=minutes)
        self.turn()

    @rule(weather=WEATHER, temperatures=TEMPERATURES, minutes=st.sampled_from([1, 20, 30, 30]))
    def a_report_comes(self, weather, temperatures, minutes):
        self.hear(weather, minutes, temperatures=temperatures)

    @rule(weather=SNOW, minutes=st.sampled_from([5, 20, 30, 30]))
    def it_snows(self, weather, minutes):
        self.hear(weather, minutes)

    @rule(
        weather=WEATHER, minutes=STEPS, lag=st.sampled_from([0, 1, 20, 120]), station=st.sampled_from(["XNOR", "XBAY"])
    )
    def a_late_report_comes(self, weather, minutes, lag, station):
        self.hear(weather, minutes, lag, station)

    @precondition(lambda self: self.texts)
    @rule(weather=WEATHER)
    def the_last_report_is_corrected(self, weather):
        station, stamp = self.texts[-1].split()[:2]
        self.turn([f"{station} {stamp} COR 00000KT 3000 {weather} OVC006 M02/M06 Q1010".replace("  ", " ")])

    @rule(change=TAFS, lead=st.integers(0, 4), length=st.integers(1, 4))
    def a_taf_comes(self, change, lead, length):
        start = (self.now + timedelta(hours=lead)).replace(minute=0)
        groups = change.format(a=f"{start:%d%H}", b=f"{start + timedelta(hours=length):%d%H}")
        valid = f"{self.now:%d%H}/{self.now + timedelta(hours=24):%d%H}"
        self.turn([f"TAF XNOR {self.now:%d%H%M}Z {valid} 00000KT 9999 SCT030 {groups}".strip()])

    @rule(data=st.data(), weather=st.none() | SNOW)
    def people_take_episodes_in_hand(self, data, weather):
        known = [event.subject_id for event in self.events.values() if event.type is EventType.OPENED]
        wanted = data.draw(st.lists(st.sampled_from(["XNOR-999", "XOUT-1", *known[-3:]]), min_size=1, max_size=2))
        texts = [] if weather is None else [metar(weather, self.now)]
        self.turn(texts, wanted)

    @rule(data=st.data())
    def a_subscription_is_added_changed_paused_or_removed(self, data):
        item = data.draw(st.sampled_from([None, *self.subscriptions]))
        rest = [other for other in self.subscriptions if other is not item]
        changed = data.draw(st.sampled_from([None, "paused", "changed"]))
        if changed == "paused" and item is not None:
            rest.append(replace(item, paused=not item.paused))
        elif changed is not None:
            rest = [*rest[-2:], data.draw(SUBSCRIPTIONS)]
        self.subscriptions = rest
        self.turn()

    @rule(name=st.sampled_from(DESTINATIONS), removed=st.booleans())
    def a_destination_is_closed_opened_removed_or_added(self, name, removed):
        if removed:
            self.removed ^= {name}
        else:
            self.closed ^= {name}
        self.turn()

    @rule()
    def the_rules_of_snow_are_taken_out_or_put_back(self):
        self.book = WITHOUT_SNOW if self.book is BOOK else BOOK
        self.the_service_restarts()

    @rule()
    def a_station_is_no_longer_watched_or_again(self):
        if "XBAY" in self.unwatched:
            self.views["XBAY"] = self.unwatched.pop("XBAY")
            self.turn()
            return
        view = self.views.pop("XBAY")
        self.unwatched["XBAY"] = view
        known = self.told_by_the_store()
        change = withdraw_station(view, rulebook=self.book, now=self.now)
        if change is not None:
            self.unwatched["XBAY"] = change.after
        self.commit([] if change is None else [change], known)

    @rule()
    def the_service_restarts(self):
        self.told = self.told_by_the_store()
        self.views = {code: replace(view, expectations=None) for code, view in self.views.items()}
        self.turn()

    def hear(
        self, weather: str, minutes: int, lag: int = 0, station: str = "XNOR", temperatures: str = "M02/M06"
    ) -> None:
        self.now += timedelta(minutes=minutes)
        self.texts.append(metar(weather, self.now - timedelta(minutes=lag), station, temperatures))
        self.turn(self.texts[-1:])

    def turn(self, texts: Iterable[str] = (), taken: Iterable[str] = ()) -> None:
        reports = [report(text, self.now) for text in texts]
        acknowledgements = [self.acknowledgement(episode) for episode in taken]
        self.readers.take(self.views, acknowledgements)
        known = self.told_by_the_store()
        changes = judge(self.views, reports, acknowledgements, rulebook=self.book, policy=Policy(), now=self.now)
        self.views.update((change.station, change.after) for change in changes)
        self.commit(changes, known)
        again = judge(self.views, reports, rulebook=self.book, policy=Policy(), now=self.now)
        assert not [event for change in again for event in change.events], "heard again, nothing new is said"
        assert self.telling(again, self.told) == Telling(), "told again, nothing is owed"

    def acknowledgement(self, episode: str) -> Acknowledgement:
        self.acknowledged += 1
        return Acknowledgement(self.acknowledged, episode, f"person {self.acknowledged}", "", self.now)

    def telling(self, changes: Iterable[StationChange], told: dict[tuple[str, str], Told]) -> Telling:
        recipients = [
            Recipient(name, open=name not in self.closed) for name in DESTINATIONS if name not in self.removed
        ]
        listeners = Listeners(self.subscriptions, recipients)
        return tell(changes, self.views.values(), listeners, told, rulebook=self.book, policy=Policy(), now=self.now)

    def commit(self, changes: Iterable[StationChange], known: dict[tuple[str, str], Told]) -> None:
        """Tell, and take over what was told; `known`: what the store said before."""
        changes = tuple(changes)
        telling = self.telling(changes, self.told)
        assert telling == self.telling(changes, known), "a process that has just started says the same"
        events = [event for change in changes for event in change.events]
        self.events.update((event.id, event) for event in (*events, *telling.digests))
        note(f"{self.now:%d %H%MZ} {[event.id + ' ' + event.type.value for event in events]}")
        note(f"   {[(item.destination, item.event_id, item.told_as.value) for item in telling.deliveries]}")
        self.compare(telling, events)
        for item in telling.deliveries:
            self.readers.has_read(item, self.events[item.event_id])
        self.note_endings(events)
        self.readers.over(events)
        self.told = after_telling(self.told, telling.deliveries, changes)
        self.sent.extend(telling.deliveries)

    def compare(self, telling: Telling, events: list[Event]) -> None:
        """Hold what is told to the plain restatement."""
        alerts = [item for item in telling.deliveries if item.told_as is not EventType.DIGEST]
        said = [(item.destination, item.subject_id, item.told_as, item.level, item.repeat) for item in alerts]
        owed = self.readers.owed(events, self.views.values(), self.subscriptions, self.reachable, self.now)
        expected = [(item.destination, item.subject_id, item.told_as, item.level, item.repeat) for item in owed]
        assert sorted(said) == sorted(expected)
        holders = self.readers.holders(self.views.values())
        for item in alerts:
            if item.subject_id in holders:
                assert self.events[item.event_id].body.by == holders[item.subject_id], "who has it in hand now"
        digests = {item.destination: item for item in telling.deliveries if item.told_as is EventType.DIGEST}
        assert len(digests) + len(alerts) == len(telling.deliveries), "one digest for each destination"
        for name in DESTINATIONS:
            due = self.readers.digest_owed(name, self.subscriptions, self.now) if name in self.reachable else None
            assert (due is None) == (name not in digests), f"{name}: {due}"
            if due is not None:
                body = self.events[digests[name].event_id].body
                listed = {line.station: line.level for line in body.lines}
                assert (body.begins_at, listed) == (due[0], self.readers.listed(due[1], self.views.values()))

    def note_endings(self, events: list[Event]) -> None:
        ended = {event.subject_id for event in events if event.type in ENDED}
        self.over.update(key for key in self.readers.read if key[1] in ended and key[0] in self.reachable)

    @property
    def reachable(self) -> list[str]:
        return [name for name in DESTINATIONS if name not in self.closed | self.removed]

    def told_by_the_store(self) -> dict[tuple[str, str], Told]:
        """Return what is remembered after a restart: what the messages say about what still goes on."""
        watched = [*self.views.values(), *self.unwatched.values()]
        open_now = {episode.id for view in watched for episode in view.episodes}
        blind = {view.state.station: view.state.seq for view in watched if view.state.blind_since is not None}
        last: dict[tuple[str, str], Told] = {}
        for item in self.sent:
            goes_on = item.subject_id in open_now or blind.get(item.subject_id) == item.seq
            if goes_on or item.told_as is EventType.DIGEST:
                key = item.destination, item.subject_id
                body = self.events[item.event_id].body
                no_time = body.no_time if item.kind is not None else None
                last[key] = Told(
                    *key,
                    item.told_as,
                    item.level,
                    item.kind,
                    item.seq,
                    item.made_at,
                    item.repeat,
                    no_time=no_time,
                    begins_at=body.begins_at if item.kind is Kind.EXPECTED else None,
                )
        return {key: told for key, told in last.items() if told.type not in ENDED}

    @invariant()
    def what_is_remembered_is_what_the_store_says(self):
        assert self.told == self.told_by_the_store()

    @invariant()
    def no_message_has_the_name_of_another_and_no_event_is_told_twice(self):
        names = [item.id for item in self.sent]
        assert len(names) == len(set(names))
        told = [(item.destination, item.event_id, item.repeat) for item in self.sent]
        assert len(told) == len(set(told))

    @invariant()
    def every_story_opens_goes_on_in_order_and_ends_once(self):
        stories: dict[tuple[str, str], list[NewDelivery]] = {}
        for item in self.sent:
            if item.told_as is not EventType.DIGEST:
                stories.setdefault((item.destination, item.subject_id), []).append(item)
        for (_, subject), story in stories.items():
            kinds = [item.told_as for item in story]
            if subject in STATIONS:
                # Where the return was not told, the station came back while the destination was closed.
                assert kinds[0] is EventType.BLIND
                assert not any(
                    pair == (EventType.SEEING, EventType.SEEING) for pair in zip(kinds, kinds[1:], strict=False)
                )
            else:
                assert kinds[0] is EventType.OPENED
                assert kinds.count(EventType.OPENED) == 1
                assert not any(kind in ENDED for kind in kinds[:-1])
            numbers = [(item.seq, item.repeat) for item in story]
            assert numbers == sorted(numbers)

    @invariant()
    def whoever_could_be_told_the_end_was_told_it(self):
        ended = {(item.destination, item.subject_id) for item in self.sent if item.told_as in ENDED}
        assert self.over <= ended

    @invariant()
    def levels_that_were_told_are_those_of_the_event(self):
        for item in self.sent:
            body = self.events[item.event_id].body
            assert item.level is body.level
            if item.told_as is EventType.DIGEST:
                continue
            assert item.kind is body.kind


TestNight = Night.TestCase
TestNight.settings = settings(stateful_step_count=40)
