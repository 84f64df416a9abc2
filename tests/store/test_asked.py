"""What lists of programs are made of: episodes page by page, and the reports of a time."""

from __future__ import annotations

from datetime import timedelta

from tests.store.scenes import HOUR, MINUTE, NOW, a_change, an_episode, an_event, heard
from watcher.alerts.changes import Changes
from watcher.alerts.model import Phase
from watcher.reports.model import Observation
from watcher.rulebook.words import Flag, Level
from watcher.store.model import EpisodesAsked


def put(store, *episodes, station="XNOR"):
    events = tuple(an_event(item.id, item.seq) for item in episodes if item.seq)
    store.commit(Changes(NOW, (a_change(station, episodes=episodes, events=events),)))


def an_ended(number, **fields):
    return an_episode(number, phase=Phase.ENDED, ended_at=NOW + HOUR, changed_at=NOW + HOUR, **fields)


def test_episodes_come_page_by_page_the_last_to_begin_first_each_once(store):
    # Two begin at the same time: the name decides, so that no page repeats or leaves out one.
    begun = [NOW - HOUR, NOW, NOW, NOW + HOUR, NOW - 2 * HOUR]
    put(store, *(an_episode(number, began_at=at) for number, at in enumerate(begun, 1)))
    names, before = [], None
    while page := store.told_episodes(EpisodesAsked(before=before), 2):
        names += [episode.id for episode, _ in page]
        before = page[-1][0].began_at, page[-1][0].id
    assert names == ["XNOR-4", "XNOR-3", "XNOR-2", "XNOR-1", "XNOR-5"]
    assert all(event is not None for _, event in store.told_episodes(EpisodesAsked(), 10))


def test_episodes_are_found_by_what_is_asked(store):
    forming = an_episode(4, opened_at=None, phase=Phase.FORMING, seq=0)
    put(store, an_episode(1), an_ended(2, level=Level.NOTE), an_episode(3, flag=Flag.FROST_LIKELY), forming)
    put(store, an_episode(1, station="XBAY", level=Level.NO_TIME), station="XBAY")

    def found(**asked):
        return {episode.id for episode, _ in store.told_episodes(EpisodesAsked(**asked), 10)}

    assert found() == {"XNOR-1", "XNOR-2", "XNOR-3", "XBAY-1"}
    assert found(open=True) == {"XNOR-1", "XNOR-3", "XBAY-1"}
    assert found(open=False) == {"XNOR-2"}
    assert found(station="XBAY") == {"XBAY-1"}
    assert found(flag=Flag.FROST_LIKELY) == {"XNOR-3"}
    assert found(min_level=Level.NO_TIME) == {"XBAY-1"}
    assert found(changed_since=NOW + MINUTE) == {"XNOR-2"}


def test_an_episode_whose_events_were_removed_is_still_listed(store):
    put(store, an_ended(1))
    store.thin(NOW + timedelta(minutes=30))
    [(episode, event)] = store.told_episodes(EpisodesAsked(), 10)
    assert (episode.id, event) == ("XNOR-1", None)


def test_the_reports_of_a_time_come_newest_first_corrected_ones_marked(store):
    texts = [
        "METAR XNOR 120520Z 00000KT 9999 M01/M02 Q1010",
        "METAR XNOR 120550Z 00000KT 9999 M01/M02 Q1010",
        "METAR COR XNOR 120550Z 00000KT 9999 M02/M02 Q1010",
        "TAF XNOR 120500Z 1206/1306 00000KT 9999 BKN012",
        "METAR XBAY 120550Z 00000KT 9999 M01/M02 Q1010",
    ]
    items = [heard(text) for text in texts]
    reports = tuple(item for item in items if item.decoded.station == "XNOR")
    mark = (items[1].text_hash, items[2].text_hash)
    store.commit(Changes(NOW, (a_change(reports=reports, superseded=(mark,)),)))
    found = store.reports_of("XNOR", NOW - HOUR, NOW, 10)
    assert [(kept.report.decoded.raw, kept.superseded) for kept in found] == [
        (texts[2], False),
        (texts[1], True),
        (texts[0], False),
        (texts[3], False),
    ]
    assert isinstance(found[0].report.decoded, Observation)
    assert store.reports_of("XNOR", NOW - 10 * MINUTE, NOW, 1)[0].report.decoded.raw == texts[2]
    assert store.reports_of("XNOR", NOW - 30 * MINUTE, NOW - 20 * MINUTE, 9) == ()


def test_events_are_found_by_name(store):
    put(store, an_episode(1), an_episode(2))
    assert store.events_named(["XNOR-2.1", "XNOR-9.1"]) == {"XNOR-2.1": an_event("XNOR-2")}
