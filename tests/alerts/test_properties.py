"""No order of reports, gaps, repeats, corrections and restarts gives a contradictory, lost or doubled event."""

from __future__ import annotations

import pickle
from collections import defaultdict
from datetime import timedelta

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from tests.alerts.scenes import MIDNIGHT, Play, report
from watcher.alerts.judge import judge
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType, Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import after_telling, tell
from watcher.rulebook.words import Kind

WEATHER = st.sampled_from(["", "FZDZ", "-FZRA", "FZRA", "-SN", "//", "RA"])
TEMPERATURES = st.sampled_from(["06/M02", "M02/M06", "02/00", "M01/M01", "M00/M05", "///", "04/01"])
TAFS = st.sampled_from(
    ["", "TEMPO {a}/{b} 3000 -FZDZ OVC006", "PROB30 TEMPO {a}/{b} 2000 FZRA OVC004", "BECMG {a}/{b} FZDZ"]
)
ENDS = {EventType.CLOSED, EventType.WITHDRAWN}


class Night(RuleBasedStateMachine):
    """A station is heard, not heard, corrected, repeated, heard late, and the service restarted, in any order."""

    @initialize()
    def begin(self):
        self.play = Play()
        self.now = MIDNIGHT
        self.texts = []
        self.told = {}
        self.deliveries = []
        self.listeners = Listeners([Subscription("s", ("duty",))], [Recipient("duty")])

    def _hear(self, texts):
        before = self.play.view
        reports = [report(text, self.now) for text in texts]
        args = {"rulebook": self.play.book, "policy": Policy(), "now": self.now}
        changes = judge({"XNOR": before}, reports, **args)
        assert changes == judge({"XNOR": before}, reports, **args), "the same inputs give the same answer"
        for change in changes:
            self.play._take(change)
        telling = tell(changes, [self.play.view], self.listeners, self.told, **args)
        self.told = after_telling(self.told, telling.deliveries, changes)
        self.deliveries.extend(telling.deliveries)
        again = judge({"XNOR": self.play.view}, reports, **args)
        assert not [event for change in again for event in change.events], "heard again, nothing new is said"

    @rule(minutes=st.integers(1, 90))
    def time_passes(self, minutes):
        self.now += timedelta(minutes=minutes)
        self._hear([])

    @rule(weather=WEATHER, temperatures=TEMPERATURES, minutes=st.integers(1, 60), lag=st.integers(0, 120))
    def a_report_comes(self, weather, temperatures, minutes, lag):
        self.now += timedelta(minutes=minutes)
        observed = self.now - timedelta(minutes=lag)
        text = f"XNOR {observed:%d%H%M}Z 00000KT 3000 {weather} OVC006 {temperatures} Q1010"
        self.texts.append(text)
        self._hear([text])

    @precondition(lambda self: self.texts)
    @rule(weather=WEATHER, data=st.data())
    def a_correction_comes(self, weather, data):
        text = data.draw(st.sampled_from(self.texts[-3:]))
        stamp = text.split()[1]
        if stamp == "COR":
            return
        corrected = f"XNOR {stamp} COR 00000KT 3000 {weather} OVC006 M02/M04 Q1010"
        self._hear([corrected])

    @precondition(lambda self: self.texts)
    @rule(data=st.data())
    def old_ones_come_again_in_any_order(self, data):
        self._hear(data.draw(st.permutations(self.texts[-4:])))

    @rule(change=TAFS, lead=st.integers(0, 6), length=st.integers(1, 6))
    def a_taf_comes(self, change, lead, length):
        start = (self.now + timedelta(hours=lead)).replace(minute=0)
        stop = start + timedelta(hours=length)
        groups = change.format(a=f"{start:%d%H}", b=f"{stop:%d%H}")
        valid = f"{self.now:%d%H}/{self.now + timedelta(hours=24):%d%H}"
        self._hear([f"TAF XNOR {self.now:%d%H%M}Z {valid} 00000KT 9999 SCT030 {groups}".strip()])

    @rule()
    def the_service_restarts(self):
        self.play.view = pickle.loads(pickle.dumps(self.play.view))

    @invariant()
    def each_episode_is_told_as_one_story(self):
        stories = defaultdict(list)
        for event in self.play.events:
            stories[event.subject_id].append(event)
        for subject, events in stories.items():
            assert [event.seq for event in events] == list(range(1, len(events) + 1))
            kinds = [event.type for event in events]
            if subject == "XNOR":
                expected = [EventType.BLIND, EventType.SEEING] * len(kinds)
                assert kinds == expected[: len(kinds)]
                continue
            assert kinds[0] is EventType.OPENED
            assert kinds.count(EventType.OPENED) == 1
            assert sum(kind in ENDS for kind in kinds) <= 1
            assert not any(kind in ENDS for kind in kinds[:-1])
            assert kinds.count(EventType.CONFIRMED) <= 1
            for earlier, later in zip(events, events[1:], strict=False):
                if later.type is EventType.RAISED and later.body.level == earlier.body.level:
                    assert (earlier.body.kind, later.body.kind) == (Kind.EXPECTED, Kind.EXPECTED)
                    begins_at = max(later.at, later.body.begins_at)
                    assert earlier.body.begins_at - begins_at >= timedelta(hours=1)
                elif later.type is EventType.RAISED:
                    assert later.body.level > earlier.body.level
                if later.type is EventType.LOWERED:
                    assert later.body.level < earlier.body.level

    @invariant()
    def a_flag_has_one_observed_episode_at_most_and_one_for_what_is_expected_to_be_worse(self):
        slots = [(episode.flag, episode.kind) for episode in self.play.view.episodes]
        assert len(slots) == len(set(slots))
        for ahead in self.play.view.episodes:
            for seen in self.play.view.episodes:
                if ahead.kind is Kind.EXPECTED and seen.kind is Kind.OBSERVED and seen.flag is ahead.flag:
                    assert seen.opened_at is None or ahead.level > seen.level

    @invariant()
    def what_is_open_was_told_and_what_ended_was_told_too(self):
        told_open = {
            delivery.subject_id
            for delivery in self.deliveries
            if delivery.told_as in {EventType.OPENED, EventType.BLIND}
        }
        for episode in self.play.view.episodes:
            assert (episode.opened_at is None) or (episode.id in told_open) or episode.level < 2
        names = [delivery.id for delivery in self.deliveries]
        assert len(names) == len(set(names)), "nothing is told twice"
        story = defaultdict(list)
        for delivery in self.deliveries:
            story[delivery.subject_id].append(delivery.told_as)
        for subject, kinds in story.items():
            if subject != "XNOR":
                assert kinds[0] is EventType.OPENED
                assert not any(kind in ENDS for kind in kinds[:-1])


TestNight = Night.TestCase
