"""One turn of the cycle is committed whole or not at all, and repeats do no harm."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from tempfile import TemporaryDirectory
from threading import Barrier, Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, update

from tests.chosen import database_at
from tests.store.scenes import (
    NOW,
    a_change,
    a_delivery,
    after,
    an_episode,
    an_event,
    everything,
    heard,
    is_sound,
)
from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.model import Episode, Event, EventBody, Hold, Phase, Spent, StationState, SubjectKind
from watcher.errors import StoreConflict, StoreError
from watcher.outlook.model import Expectation
from watcher.reports.model import Unreadable
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.store.database import Database
from watcher.store.store import Store
from watcher.store.tables import station_state

METAR = "METAR XNOR 120550Z 00000KT 3000 -SN OVC004 M01/M01 Q1021"


def a_full_turn(station: str = "XNOR", version: int = 0, seq: int = 1) -> Changes:
    """Return changes that touch every table of the judgement."""
    event = an_event(f"{station}-1", seq)
    change = a_change(
        station,
        version,
        reports=(heard(METAR.replace("XNOR", station)),),
        episodes=(an_episode(1, station, seq=seq),),
        events=(event,),
    )
    return Changes(NOW, (change,), (a_delivery("desk", event),), unreadable=(heard("no report at all"),))


def test_a_conflict_leaves_nothing_of_the_turn(store: Store, url: str) -> None:
    """Of several stations one was changed by another process: nothing of any of them is written."""
    store.commit(Changes(NOW, (a_change("XBAY"),)))
    before = everything(url)
    turn, stale = a_full_turn(), a_change("XBAY")
    with pytest.raises(StoreConflict, match="XBAY"):
        store.commit(Changes(NOW, (*turn.stations, stale), turn.deliveries, unreadable=turn.unreadable))
    assert everything(url) == before


@pytest.mark.parametrize("expected", [0, 1, 3])
def test_only_the_version_that_was_loaded_may_be_changed(store: Store, expected: int) -> None:
    store.commit(Changes(NOW, (a_change(version=0),)))
    store.commit(Changes(NOW, (a_change(version=1),)))
    with pytest.raises(StoreConflict):
        store.commit(Changes(NOW, (a_change(version=expected),)))
    store.commit(Changes(NOW, (a_change(version=2),)))
    assert store.load([Station("XNOR")], now=NOW)["XNOR"].state.version == 3


def test_a_station_that_the_store_does_not_know_cannot_have_been_loaded(store: Store) -> None:
    with pytest.raises(StoreConflict):
        store.commit(Changes(NOW, (a_change(version=4),)))


def test_of_two_that_judged_the_same_station_one_is_told_to_judge_again(store: Store, url: str) -> None:
    """Eight threads through two stores commit the same version: one succeeds, in every round."""
    other = Store.open(url)
    barrier, outcomes = Barrier(8), list[str]()

    def commit(through: Store, version: int) -> None:
        barrier.wait()
        try:
            through.commit(Changes(NOW, (a_change(version=version),)))
            outcomes.append("committed")
        except StoreConflict:
            outcomes.append("conflict")

    for version in range(3):
        threads = [Thread(target=commit, args=(store if n % 2 else other, version)) for n in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    other.close()
    assert sorted(outcomes) == ["committed"] * 3 + ["conflict"] * 21


def test_a_station_that_another_process_added_meanwhile_is_a_conflict(
    store: Store, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PostgreSQL lets two add the same station at once; each has seen that it is not there."""
    store.commit(Changes(NOW, (a_change(),)))
    before = everything(url)
    monkeypatch.setattr("watcher.store.states._versions", lambda *_: {})
    with pytest.raises(StoreConflict, match="XNOR"):
        store.commit(Changes(NOW, (a_change("XBAY"), a_change())))
    assert everything(url) == before


def test_repeated_reports_and_texts_and_messages_are_kept_once(store: Store, url: str) -> None:
    store.commit(a_full_turn())
    rows = {name: len(found) for name, found in everything(url).items()}
    repeat = a_full_turn()
    (change,) = repeat.stations
    again = StationChange("XNOR", 1, a_change(version=1).after, reports=change.reports, episodes=change.episodes)
    store.commit(Changes(after(5), (again,), repeat.deliveries, unreadable=repeat.unreadable))
    assert {name: len(found) for name, found in everything(url).items()} == rows
    assert is_sound(url)


def test_the_same_report_from_two_feeds_is_one_report(store: Store, url: str) -> None:
    one, two = heard(METAR), heard(f"  {METAR.removeprefix('METAR ').lower()} =", after(1), feed="second")
    assert one.text_hash == two.text_hash
    store.commit(Changes(NOW, (a_change(reports=(one, two)),)))
    assert len(everything(url)["report"]) == 1


def test_events_are_followed_in_their_order_without_gap_or_repeat(store: Store) -> None:
    for version in range(3):
        events = tuple(an_event(f"XNOR-{version}", seq) for seq in (1, 2))
        store.commit(Changes(NOW, (a_change(version=version, events=events),)))
    seen: list[Event] = []
    last = 0
    while page := store.events_after(last, 4):
        seen.extend(event for _, event in page)
        last = page[-1][0]
    assert [event.id for event in seen] == ["XNOR-0.1", "XNOR-0.2", "XNOR-1.1", "XNOR-1.2", "XNOR-2.1", "XNOR-2.2"]
    assert store.events_after(last, 4) == ()


def test_events_are_found_by_their_time_both_ends_included(store: Store) -> None:
    events = tuple(an_event("XNOR-1", seq, at=after(seq)) for seq in range(1, 6))
    store.commit(Changes(NOW, (a_change(events=events),)))
    assert store.events_between(after(2), after(4)) == events[1:4]
    assert store.events_between(after(6), after(9)) == ()


def test_an_episode_is_found_by_its_name_open_or_over(store: Store) -> None:
    over = an_episode(2, phase=Phase.ENDED, ended_at=after(5))
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(1), over)),)))
    assert store.episode("XNOR-1") == an_episode(1)
    assert store.episode("XNOR-2") == over
    assert store.episode("XNOR-3") is None


def test_unreadable_texts_are_shown_newest_first(store: Store) -> None:
    store.commit(Changes(NOW, unreadable=(heard("one"), heard("two"))))
    store.commit(Changes(after(1), unreadable=(heard("three", after(1)), heard("one", after(1)))))
    found = store.unreadable(2)
    assert [item.decoded.raw for item in found] == ["three", "two"]
    assert found[0] == heard("three", after(1))


@pytest.mark.parametrize("text", ["nul \0 byte", "half a pair \ud83d", "snö ❄", "'; DROP TABLE report; --"])
def test_whatever_a_feed_sends_can_be_kept(store: Store, url: str, text: str) -> None:
    store.commit(Changes(NOW, unreadable=(heard(text),)))
    (kept,) = store.unreadable(10)
    assert isinstance(kept.decoded, Unreadable)
    assert kept.decoded.raw == text.replace("\0", "�").replace("\ud83d", "�")
    assert is_sound(url)


def test_a_time_without_zone_is_refused_and_nothing_kept(store: Store, url: str) -> None:
    before = everything(url)
    with pytest.raises(StoreError, match="time zone"):
        store.commit(Changes(NOW, (a_change(episodes=(an_episode(began_at=datetime(2026, 1, 12)),)),)))
    assert everything(url) == before


def test_a_message_about_an_event_that_does_not_exist_is_refused(store: Store, url: str) -> None:
    before = everything(url)
    with pytest.raises(StoreError, match=r"(?i)foreign key"):
        store.commit(Changes(NOW, deliveries=(a_delivery("desk", an_event("XNOR-1")),)))
    assert everything(url) == before


@pytest.mark.sqlite
def test_times_of_other_zones_are_the_same_times_and_sort(store: Store, url: str) -> None:
    """The order of the stored texts is the order of the times, fractions and zones whatever."""
    east = timezone(timedelta(hours=5, minutes=30))
    times = [
        NOW,
        NOW + timedelta(microseconds=1),
        NOW + timedelta(seconds=1),
        datetime(2026, 1, 12, 12, 0, tzinfo=east),
    ]
    episodes = tuple(an_episode(number, changed_at=time) for number, time in enumerate(times))
    store.commit(Changes(NOW, (a_change(episodes=episodes),)))
    assert [episode.changed_at for episode in store.episodes(open_only=True)] == times
    texts = [row[8] for row in everything(url)["episode"]]
    assert sorted(range(4), key=lambda n: texts[n]) == sorted(range(4), key=lambda n: times[n])
    assert texts[0] == "2026-01-12T06:00:00.000000Z"


_times = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))
_text = st.text(st.characters(blacklist_categories=["Cs"]), max_size=20)
_stations = st.from_regex(r"\A[A-Z][A-Z0-9]{3}\Z")
_holds = st.builds(
    Hold,
    rule=_text,
    entered_at=_times,
    counted_at=_times,
    missed_since=st.none() | _times,
    worst=st.none() | st.sampled_from(Level),
)
_expected = st.builds(Expectation, rule=_text, since=_times, begins_at=_times, ends_at=_times, why=_text)
_maybe = st.none() | _times
_episodes = st.builds(
    Episode,
    station=_stations,
    number=st.integers(1, 10**6),
    began_at=_times,
    changed_at=_times,
    opened_at=_maybe,
    ended_at=_maybe,
    until=_maybe,
    holds=st.lists(_holds, max_size=2).map(tuple),
    expected=st.lists(_expected, max_size=2).map(tuple),
    seq=st.integers(0, 1000),
    told_from=_maybe,
).map(lambda episode: episode if episode.expected else replace(episode, told_from=None))
_bodies = st.builds(
    EventBody,
    station=_stations,
    name=st.none() | _text,
    headline=_text,
    why=_text,
    next_step=_text,
    begins_at=_maybe,
    until=_maybe,
    observed_at=_maybe,
    raw=st.none() | _text,
)
_events = st.builds(
    Event,
    subject_kind=st.sampled_from(SubjectKind),
    subject_id=_stations,
    seq=st.integers(1, 99),
    at=_times,
    body=_bodies,
)
_levels = st.sampled_from(Level)
_a_spent = st.builds(Spent, flag=st.sampled_from(Flag), at=_times, until=_times, level=_levels)
_spent = st.lists(_a_spent, max_size=3).map(tuple)
_states = st.builds(
    StationState,
    station=st.just("XNOR"),
    version=st.just(1),
    cadence_min=st.none() | st.floats(0, 1e4),
    last_report_at=_maybe,
    watched_since=_maybe,
    blind_since=_maybe,
    episodes_begun=st.integers(0, 10**6),
    seq=st.integers(0, 10**6),
    spent=_spent,
)


@given(_episodes, _events, _states)
def test_what_is_committed_comes_back_equal(episode: Episode, event: Event, state: StationState) -> None:
    with TemporaryDirectory() as folder:
        store = Store.open(database_at(f"{folder}/hoarline.db"))
        try:
            store.commit(Changes(NOW, (a_change(state=state, episodes=(episode,), events=(event,)),)))
            assert store.episodes(open_only=False) == (episode,)
            assert store.episodes(open_only=True) == (() if episode.ended_at is not None else (episode,))
            assert store.events_after(0, 10) == ((1, event),)
            assert store.load([Station("XNOR")], now=NOW)["XNOR"].state == state
        finally:
            store.close()


def test_what_was_spent_before_levels_were_kept_is_spent_at_every_level(store: Store, url: str) -> None:
    state = StationState("XNOR", 1, spent=(Spent(Flag.SNOW, NOW, NOW, Level.TREAT),))
    store.commit(Changes(NOW, (a_change(state=state),)))
    database = Database(url)
    with database.write() as connection:
        written = connection.execute(select(station_state.c.spent)).scalar_one()
        older = written.replace(',"level":3', "")
        assert older != written
        connection.execute(update(station_state).values(spent=older))
    database.close()
    (spent,) = store.load([Station("XNOR")], now=NOW)["XNOR"].state.spent
    assert spent == Spent(Flag.SNOW, NOW, NOW, Level.NO_TIME)
