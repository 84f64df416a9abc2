"""Who is told what: a destination is owed the difference between what it was told and how things stand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from tests.alerts.desk import LADDER, PELLETS, Desk, everything, metar
from tests.alerts.scenes import XNOR, at
from watcher.alerts.judge import withdraw_station
from watcher.alerts.subscribers import Circle, Hours
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level, NoTime

DRY = "XNOR 12{}Z 00000KT 9999 SCT030 06/M02 Q1010"
LIGHT = "XNOR 12{}Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010"
HEAVY = "XNOR 12{}Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010"
# User-assigned codes of ISO 3166-1: no country has them.
NORTHLAND, SOUTHLAND = "XA", "XB"
NIGHT = Hours(time(22, 0), time(7, 0), "UTC")
DAY = Hours(time(7, 0), time(22, 0), "UTC")


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


def test_the_first_story_of_a_service_that_begins_anew_has_other_names_than_the_first_of_the_old_one():
    """Receivers drop a name that they have seen; events are counted anew with a new database, and after a restore."""
    old, new = Desk(everything("duty")), Desk(everything("duty"))
    old.hear("0521", LIGHT.format("0520"))
    new.hear("0551", LIGHT.format("0550"))
    (before,), (after,) = old.deliveries, new.deliveries
    assert (before.event_id, before.told_as) == (after.event_id, after.told_as)
    assert before.id != after.id


def test_a_station_that_is_wanted_by_code_by_country_and_by_circle_is_told_once():
    here = replace(XNOR, country=NORTHLAND)
    around = Circle(60.0, 11.0, 50.0)
    desk = Desk(
        everything("duty", stations=frozenset({"XNOR"}), countries=frozenset({NORTHLAND})),
        everything("duty", circles=(around,)),
        everything("near", circles=(around, Circle(60.2, 11.1, 1.0))),
        everything("far", circles=(Circle(50.0, 11.0, 50.0),)),
        everything("abroad", countries=frozenset({SOUTHLAND})),
        stations=[here],
    )
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened"), ("near", "opened")]


def test_a_station_of_unknown_place_and_country_is_told_only_to_whom_it_is_named():
    desk = Desk(
        everything("circle", circles=(Circle(60.2, 11.1, 20_000.0),)),
        everything("country", countries=frozenset({NORTHLAND})),
        everything("named", stations=frozenset({"XNOR"})),
        stations=[Station("XNOR")],
    )
    assert desk.hear("0521", LIGHT.format("0520")) == [("named", "opened")]


def test_a_subscription_without_destination_and_a_destination_that_nobody_knows_are_told_nothing():
    desk = Desk(everything(), everything("gone"))
    desk.closed.add("gone")
    assert desk.hear("0521", LIGHT.format("0520")) == []


def test_quiet_hours_inside_the_hours_hold_back_until_they_end():
    quiet = Hours(time(5, 30), time(6, 30), "UTC")
    desk = Desk(
        everything("duty", hours=Hours(time(5, 0), time(9, 0), "UTC"), quiet=quiet, no_time_ignores_hours=False)
    )
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened")]
    assert desk.hear("0551", HEAVY.format("0550")) == []
    desk.hear("0621", HEAVY.format("0620"))
    assert desk.hear("0629") == []
    assert desk.hear("0630") == [("duty", "raised")]
    desk.hear("0851", HEAVY.format("0850"))
    assert desk.hear("0900", LIGHT.format("0858")) == [], "the hours are over"


def test_one_subscription_being_quiet_does_not_hush_another_of_the_same_name():
    desk = Desk(everything("a", hours=NIGHT), everything("b", hours=DAY))
    assert desk.hear("0521", LIGHT.format("0520")) == [("a", "opened")]


def test_everything_by_day_and_only_no_time_by_night_lets_the_night_pass_with_less():
    by_day = everything("duty", hours=DAY, no_time_ignores_hours=False)
    desk = Desk(by_day, everything("duty", min_level=Level.NO_TIME), rules=LADDER)
    assert desk.hear("2130", metar("-SN", at("2130"))) == [("duty", "opened")]
    assert desk.hear("2230", metar("SN", at("2230"))) == [], "treat is for the day"
    assert desk.hear("2300", metar("+SN", at("2300"))) == [("duty", "raised")], "no-time is for the night too"
    assert desk.hear("2330", metar("SN", at("2330"))) == [("duty", "lowered")], "and so is its end"
    assert desk.hear("2359", metar("-SN", at("2359"))) == []


def test_whoever_no_time_woke_at_night_hears_at_once_that_there_is_time_again_and_the_rest_by_day():
    desk = Desk(everything("duty", hours=DAY))
    assert desk.hear("0321", LIGHT.format("0320")) == []
    assert desk.hear("0351", HEAVY.format("0350")) == [("duty", "opened")]
    assert desk.hear("0421", LIGHT.format("0420")) == [("duty", "lowered")]
    desk.hear("0521", DRY.format("0520"))
    assert desk.hear("0621", DRY.format("0620")) == [("duty", "closed")], "the end at any hour"


def test_below_the_level_asked_for_only_the_first_step_down_and_the_end_are_told():
    desk = Desk(everything("a", min_level=Level.NO_TIME), rules=LADDER)
    assert desk.hear("0521", metar("+SN", at("0520"))) == [("a", "opened")]
    assert desk.hear("0551", metar("SN", at("0550"))) == [("a", "lowered")]
    assert desk.hear("0621", metar("-SN", at("0620"))) == []
    assert desk.hear("0651", metar("SN", at("0650"))) == []
    assert desk.hear("0721", metar("+SN", at("0720"))) == [("a", "raised")]
    assert desk.hear("0751", metar("-SN", at("0750"))) == [("a", "lowered")], "in one step, however far"
    assert desk.hear("0821", metar("", at("0820"))) == [("a", "closed")]


# Europe/Oslo changes its clocks at 0100Z, to summer on 29 March and to winter on 25 October 2026 (Directive 2000/84/EC,
# which its country follows: the last Sundays of March and October).
@pytest.mark.parametrize(
    ("evening", "begins", "ends"),
    [
        (datetime(2026, 3, 27, 12, tzinfo=UTC), "2100", "0600"),
        (datetime(2026, 3, 28, 12, tzinfo=UTC), "2100", "0500"),
        (datetime(2026, 10, 23, 12, tzinfo=UTC), "2000", "0500"),
        (datetime(2026, 10, 24, 12, tzinfo=UTC), "2000", "0600"),
    ],
    ids=["winter", "the night to summer time", "summer", "the night to winter time"],
)
def test_hours_across_midnight_begin_and_end_by_the_wall_clock_on_nights_of_clock_change(evening, begins, ends):
    by_night = Hours(time(22, 0), time(7, 0), "Europe/Oslo")
    by_day = Hours(time(7, 0), time(22, 0), "Europe/Oslo")
    desk = Desk(
        everything("night", hours=by_night), everything("day", hours=by_day), everything("quiet", quiet=by_night)
    )
    told = desk.night(evening, evening + timedelta(hours=20), "-FZRA", every_min=10)
    assert told == [("1200", "day", "opened"), ("1200", "quiet", "opened"), (begins, "night", "opened")]
    desk = Desk(everything("day", hours=by_day), everything("quiet", quiet=by_night), everything("late", quiet=by_day))
    told = desk.night(evening + timedelta(hours=10), evening + timedelta(hours=20), "-FZRA", every_min=10)
    assert told == [("2200", "late", "opened"), (ends, "day", "opened"), (ends, "quiet", "opened")]


def test_a_paused_subscription_opens_nothing_but_what_was_told_is_still_told_its_end():
    desk = Desk(everything("duty"))
    desk.hear("0521", LIGHT.format("0520"))
    desk.subscriptions = [everything("duty", paused=True)]
    assert desk.hear("0551", HEAVY.format("0550")) == []
    assert desk.hear("0621", DRY.format("0620")) == [("duty", "closed")]
    assert desk.hear("0721", LIGHT.format("0720")) == []
    desk.subscriptions = [everything("duty")]
    assert desk.hear("0722") == [("duty", "opened")], "when it goes on, what is open arrives"


def test_a_subscription_that_is_removed_still_tells_the_ends_of_what_it_told():
    desk = Desk(everything("duty"))
    desk.hear("0521", LIGHT.format("0520"))
    desk.subscriptions = [everything("duty", stations=frozenset({"XBAY"}))]
    assert desk.hear("0551", HEAVY.format("0550")) == []
    assert desk.hear("0621", DRY.format("0620")) == [("duty", "closed")]


def test_a_closed_destination_hears_nothing_and_on_coming_back_how_things_stand():
    desk = Desk(everything("duty", "room"))
    desk.hear("0521", LIGHT.format("0520"))
    desk.closed = {"duty"}
    assert desk.hear("0551", HEAVY.format("0550")) == [("room", "raised")]
    desk.closed = set()
    assert desk.hear("0552") == [("duty", "raised")]
    desk.closed = {"duty"}
    assert desk.hear("0621", DRY.format("0620")) == [("room", "closed")]
    assert desk.hear("0721", LIGHT.format("0720")) == [("room", "opened")]
    desk.closed = set()
    assert desk.hear("0722") == [("duty", "opened")]


def test_a_destination_that_is_new_hears_at_once_what_stands_open():
    desk = Desk(everything("duty"))
    desk.hear("0521", LIGHT.format("0520"))
    desk.subscriptions.append(everything("room"))
    assert desk.hear("0525") == [("room", "opened")]


def test_a_subscription_that_wants_only_digests_is_told_nothing_else():
    desk = Desk(everything("duty", only_digest=True, digest_at=(time(12, 0),), zone="UTC"))
    desk.hear("0521", LIGHT.format("0520"))
    assert desk.hear("0551", HEAVY.format("0550")) == []
    assert desk.hear("0730") == [], "not that it is blind either"


def test_blindness_waits_for_the_hours_and_is_not_told_when_it_passed_meanwhile():
    desk = Desk(everything("night", hours=NIGHT), everything("day", hours=DAY))
    desk.hear("0400", DRY.format("0400"))
    assert desk.hear("0530") == [("night", "blind")]
    assert desk.hear("0621", DRY.format("0620")) == [("night", "seeing")]
    assert desk.hear("0700") == []
    desk.hear("0631", DRY.format("0630"))
    assert desk.hear("0800") == [("day", "blind")]
    assert desk.hear("0801", DRY.format("0800")) == [("day", "seeing")]
    assert desk.hear("1000") == [("day", "blind")], "blind again is told again"


def test_a_station_that_is_removed_withdraws_what_was_told_of_it_whatever_the_hour():
    desk = Desk(everything("duty", hours=Hours(time(5, 0), time(6, 0), "UTC")), everything("late", hours=DAY))
    assert desk.hear("0521", LIGHT.format("0520")) == [("duty", "opened")]
    view = desk.views.pop("XNOR")
    change = withdraw_station(view, rulebook=desk.book, now=at("0610"))
    assert change is not None
    assert desk.commit([change], at("0610")) == [("duty", "withdrawn")]
    assert desk.hear("0700") == []
    assert desk.told == {}


def test_in_one_turn_the_end_of_the_old_comes_before_the_new():
    desk = Desk(everything("duty"))
    taf = "TAF XNOR 120500Z 1206/1218 00000KT 9999 SCT030 TEMPO 1208/1212 3000 -FZDZ OVC006 TEMPO 1215/1217 3000 -FZDZ OVC006"
    assert desk.hear("0505", taf) == [("duty", "opened")]
    assert desk.hear("0821", metar("FZDZ", at("0820"))) == [("duty", "confirmed")]
    desk.hear("0851", DRY.format("0850"))
    assert desk.hear("0921", DRY.format("0920")) == [("duty", "closed"), ("duty", "opened")]


def test_what_opened_and_ended_between_two_turns_is_not_told_at_all():
    desk = Desk(everything("duty"))
    assert desk.hear("0700", LIGHT.format("0600"), DRY.format("0620"), DRY.format("0655")) == []
    assert desk.told == {}


def test_the_same_turn_made_again_gives_the_same_messages_for_reminders_and_digests_too():
    subscription = everything("duty", remind_every=timedelta(minutes=10), digest_at=(time(5, 45),), zone="UTC")
    first, second = Desk(subscription), Desk(subscription)
    for desk in (first, second):
        desk.hear("0521", LIGHT.format("0520"))
        desk.hear("0531")
        desk.hear("0545")
    assert first.deliveries == second.deliveries
    names = [item.id for item in first.deliveries]
    assert len(set(names)) == len(names) == 4


def test_no_time_of_another_kind_is_told_at_the_same_level_and_says_what_changed():
    desk = Desk(everything("duty"), rules=LADDER + PELLETS)
    assert desk.hear("0521", metar("PL", at("0520"))) == [("duty", "opened")]
    assert desk.hear("0551", metar("+SN", at("0550"))) == [("duty", "raised")]
    body = list(desk.events.values())[-1].body
    assert (body.level, body.no_time, body.previous_level) == (Level.NO_TIME, NoTime.NONE, None)
    assert body.headline == (
        "XNOR no-time (no take-off on the tables; was: an allowance time may exist): "
        "snow of its kind since 0520Z, -2/-6, not ended"
    )
    assert desk.hear("0621", metar("+SN", at("0620"))) == []
    assert desk.hear("0651", metar("PL", at("0650"))) == [("duty", "lowered")]


def test_a_kind_of_no_time_that_turned_and_turned_back_in_quiet_hours_is_nothing_new():
    quiet = Hours(time(5, 30), time(6, 30), "UTC")
    desk = Desk(everything("duty", quiet=quiet, no_time_ignores_hours=False), rules=LADDER + PELLETS)
    assert desk.hear("0521", metar("PL", at("0520"))) == [("duty", "opened")]
    assert desk.hear("0551", metar("+SN", at("0550"))) == []
    assert desk.hear("0621", metar("PL", at("0620"))) == []
    assert desk.hear("0651", metar("PL", at("0650"))) == []
    assert desk.hear("0721", metar("+SN", at("0720"))) == [("duty", "raised")]
