"""Who is told what: a destination is owed the difference between what it was told and how things stand."""

from __future__ import annotations

from datetime import time

from tests.alerts.desk import Desk, everything
from watcher.alerts.subscribers import Hours
from watcher.rulebook.words import Flag, Level

DRY = "XNOR 12{}Z 00000KT 9999 SCT030 06/M02 Q1010"
LIGHT = "XNOR 12{}Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010"
HEAVY = "XNOR 12{}Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010"


def test_the_opening_and_the_end_go_to_everyone_who_asked():
    desk = Desk(everything("duty", "room"))
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened"), ("room", "opened")]
    desk.hear("0551", DRY.format("0550"))
    assert desk.hear("0621", DRY.format("0620")) == [("duty", "closed"), ("room", "closed")]


def test_two_overlapping_subscriptions_make_one_message():
    desk = Desk(everything("duty"), everything("duty", stations=frozenset({"XNOR"})))
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened")]


def test_other_stations_flags_and_levels_are_left_out():
    desk = Desk(
        everything("a", stations=frozenset({"XBAY"})),
        everything("b", flags=frozenset({Flag.SNOW})),
        everything("c", min_level=Level.NO_TIME),
    )
    assert desk.hear("0521", LIGHT.format("0520")) == []


def test_an_episode_that_rises_to_the_level_arrives_as_opened_and_falls_as_lowered():
    desk = Desk(everything("a", min_level=Level.NO_TIME), everything("b"))
    desk.hear("0521", LIGHT.format("0520"))
    assert desk.hear("0551", HEAVY.format("0550")) == [("a", "opened"), ("b", "raised")]
    assert desk.hear("0621", LIGHT.format("0620")) == [("a", "lowered"), ("b", "lowered")]
    desk.hear("0651", DRY.format("0650"))
    assert desk.hear("0721", DRY.format("0720")) == [("a", "closed"), ("b", "closed")]


def test_whoever_asks_for_no_holdover_means_every_weather_without_a_holdover_time():
    desk = Desk(everything("a", flags=frozenset({Flag.NO_HOLDOVER})))
    assert desk.hear("0521", LIGHT.format("0520")) == []
    assert desk.hear("0551", HEAVY.format("0550")) == [("a", "opened")]
    assert desk.hear("0621", LIGHT.format("0620")) == [("a", "lowered")], "and how it goes on"


def test_when_the_hours_begin_an_open_episode_arrives_as_opened():
    desk = Desk(everything("duty", hours=Hours(time(7, 0), time(12, 0), "UTC")))
    assert desk.hear("0521", LIGHT.format("0520")) == []
    desk.hear("0655", LIGHT.format("0650"))
    assert desk.hear("0700") == [("duty", "opened")]
    assert desk.hear("0701") == []


def test_whoever_was_told_the_opening_is_told_the_end_whatever_the_hour():
    desk = Desk(everything("duty", hours=Hours(time(5, 0), time(6, 0), "UTC")))
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened")]
    desk.hear("0605", DRY.format("0600"))
    assert desk.hear("0640", DRY.format("0635")) == [("duty", "closed")]


def test_whoever_was_not_told_the_opening_is_not_told_the_end():
    desk = Desk(everything("duty", hours=Hours(time(20, 0), time(21, 0), "UTC")))
    desk.hear("0521", LIGHT.format("0520"))
    desk.hear("0551", DRY.format("0550"))
    assert desk.hear("0621", DRY.format("0620")) == []


def test_no_time_is_told_at_any_hour_unless_asked_not_to():
    hours = Hours(time(20, 0), time(21, 0), "UTC")
    desk = Desk(everything("a", hours=hours), everything("b", hours=hours, no_time_ignores_hours=False))
    assert desk.hear("0521", HEAVY.format("0520")) == [("a", "opened")]


def test_a_blind_station_is_told_and_so_is_its_return():
    desk = Desk(everything("duty"))
    desk.hear("0521", DRY.format("0520"))
    assert desk.hear("0646") == [("duty", "blind")]
    assert desk.hear("0700") == []
    assert desk.hear("0721", DRY.format("0720")) == [("duty", "seeing")]


def test_the_same_turn_made_again_gives_deliveries_of_the_same_names():
    first, second = Desk(everything("duty", "room")), Desk(everything("duty", "room"))
    for desk in (first, second):
        desk.hear("0521", LIGHT.format("0520"))
        desk.hear("0551", HEAVY.format("0550"))
    assert [item.id for item in first.deliveries] == [item.id for item in second.deliveries]
    assert len({item.id for item in first.deliveries}) == len(first.deliveries) == 4
