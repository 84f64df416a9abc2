"""Taking an episode in hand: who hears of it, when it is nobody's again, and who is reminded meanwhile."""

from __future__ import annotations

from datetime import time, timedelta

from tests.alerts.desk import LADDER, Desk, everything, metar
from tests.alerts.scenes import at
from watcher.alerts.model import EventType
from watcher.alerts.subscribers import Hours
from watcher.alerts.tell import REMINDERS
from watcher.rulebook.words import Level

SNOW = "snow"
EARLY = Hours(time(5, 0), time(6, 0), "UTC")
TEN = timedelta(minutes=10)


def snowing(*subscriptions, level="SN") -> Desk:
    """Return a desk where it began to snow at 0520Z, told at 0521Z."""
    desk = Desk(*subscriptions, rules=LADDER)
    desk.hear("0521", metar(level, at("0520")))
    return desk


def test_who_took_an_episode_is_told_once_to_everyone_who_was_told_of_it_and_to_nobody_else():
    desk = snowing(everything("duty", "room"), everything("high", min_level=Level.NO_TIME))
    assert desk.hear("0530", taken=[("night duty", SNOW)]) == [("duty", "acknowledged"), ("room", "acknowledged")]
    said = desk.said(desk.deliveries[-1]).body
    assert said.headline == "XNOR treat taken in hand by night duty: snow of its kind since 0520Z"
    assert said.next_step.startswith("night duty has it in hand")
    assert desk.hear("0531") == []


def test_in_quiet_hours_nobody_is_told_who_took_it_until_they_end():
    desk = snowing(everything("duty", hours=EARLY), everything("room"))
    assert desk.hear("0610", taken=[("night duty", SNOW)]) == [("room", "acknowledged")]
    desk.subscriptions[0] = everything("duty", hours=Hours(time(6, 30), time(7, 0), "UTC"))
    assert desk.hear("0629") == []
    assert desk.hear("0630") == [("duty", "acknowledged")]
    assert desk.hear("0631") == []


def test_the_next_thing_told_says_who_has_it_and_spares_a_message():
    desk = snowing(everything("duty", hours=EARLY, no_time_ignores_hours=False), level="+SN")
    assert desk.hear("0610", taken=[("night duty", SNOW)]) == []
    desk.hear("0621", metar("SN", at("0620")))
    desk.subscriptions = [everything("duty")]
    assert desk.hear("0622") == [("duty", "lowered")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"
    assert desk.hear("0623") == []


def test_whoever_hears_of_it_first_when_it_is_taken_already_is_told_who_has_it_with_the_opening():
    desk = snowing(everything("duty"))
    desk.hear("0530", taken=[("night duty", SNOW)])
    desk.subscriptions.append(everything("late"))
    assert desk.hear("0531") == [("late", "opened")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"
    assert desk.hear("0532") == []


def test_taken_at_treat_and_raised_to_no_time_is_nobodys_again_until_it_comes_down():
    desk = snowing(everything("duty", remind_every=TEN))
    desk.hear("0530", taken=[("night duty", SNOW)])
    assert desk.hear("0545") == [], "taken: no reminder"
    assert desk.hear("0551", metar("+SN", at("0550"))) == [("duty", "raised")]
    assert desk.open[SNOW].in_hand is None
    assert desk.said(desk.deliveries[-1]).body.by is None, "and nobody is named for it"
    assert desk.hear("0601") == [("duty", "reminder")]
    assert desk.hear("0611", metar("SN", at("0610"))) == [("duty", "lowered")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"
    assert desk.hear("0630") == []


def test_raised_beyond_what_was_taken_it_may_be_taken_by_somebody_else():
    desk = snowing(everything("duty"))
    desk.hear("0530", taken=[("night duty", SNOW)])
    assert desk.hear("0535", taken=[("the ramp", SNOW)]) == [], "the first has it"
    desk.hear("0551", metar("+SN", at("0550")))
    assert desk.hear("0552", taken=[("the ramp", SNOW)]) == [("duty", "acknowledged")]
    assert desk.said(desk.deliveries[-1]).body.by == "the ramp"


def test_what_rose_beyond_its_taker_in_quiet_hours_is_not_told_as_taken_afterwards():
    desk = snowing(everything("duty", hours=EARLY, no_time_ignores_hours=False))
    desk.hear("0611", metar("-SN", at("0610")))
    desk.hear("0612", taken=[("night duty", SNOW)])
    desk.hear("0621", metar("SN", at("0620")))
    desk.subscriptions = [everything("duty")]
    assert desk.hear("0622") == [], "it is at treat, as told, and nobody's"
    assert desk.hear("0641", metar("-SN", at("0640"))) == [("duty", "lowered")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"


def test_of_two_who_take_it_in_one_turn_the_first_has_it():
    desk = snowing(everything("duty"))
    assert desk.hear("0530", taken=[("night duty", SNOW), ("the ramp", SNOW)]) == [("duty", "acknowledged")]
    assert desk.open[SNOW].taken is not None
    assert desk.open[SNOW].taken.by == "night duty"


def test_taken_and_raised_in_the_same_turn_is_told_as_raised_and_is_nobodys():
    desk = snowing(everything("duty", remind_every=TEN))
    assert desk.hear("0551", metar("+SN", at("0550")), taken=[("night duty", SNOW)]) == [("duty", "raised")]
    assert desk.said(desk.deliveries[-1]).body.by is None
    assert desk.hear("0601") == [("duty", "reminder")]


def test_taken_and_lowered_in_the_same_turn_is_told_as_lowered_with_who_has_it():
    desk = snowing(everything("duty"))
    assert desk.hear("0551", metar("-SN", at("0550")), taken=[("night duty", SNOW)]) == [("duty", "lowered")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty"
    assert desk.hear("0552") == []


def test_taken_and_ended_in_the_same_turn_is_told_as_ended():
    desk = snowing(everything("duty"))
    assert desk.hear("0551", metar("", at("0550")), taken=[("night duty", SNOW)]) == [("duty", "closed")]


def test_taking_what_is_over_or_unknown_or_not_yet_open_changes_nothing():
    desk = Desk(everything("duty"))
    assert desk.hear("0521", "XNOR 120520Z 00000KT 9999 OVC010 02/00 Q1010") == []
    forming = desk.open["deicing-likely"].id
    before = dict(desk.views)
    assert desk.hear("0522", taken=[("a", forming), ("b", "XNOR-99"), ("c", "XZZZ-1"), ("d", "nonsense")]) == []
    assert desk.views == before
    desk.hear("0551", "XNOR 120550Z 00000KT 3000 +SN OVC006 06/M06 Q1010")
    assert desk.hear("0552", taken=[("a", forming)]) == []
    assert not [event for event in desk.events.values() if event.type is EventType.TAKEN]


def test_taking_what_has_ended_meanwhile_changes_nothing_also_when_the_same_begins_anew():
    desk = snowing(everything("duty"))
    over = desk.open[SNOW].id
    assert desk.hear("0551", metar("", at("0550"))) == [("duty", "closed")]
    before = dict(desk.views)
    assert desk.hear("0552", taken=[("night duty", over)]) == []
    assert desk.views == before
    assert desk.hear("0621", metar("SN", at("0620")), taken=[("night duty", over)]) == [("duty", "opened")]
    assert desk.open[SNOW].taken is None


def test_reminders_come_every_so_often_and_stop_at_their_number():
    desk = snowing(everything("duty", remind_every=TEN))
    told = desk.night(at("0530"), at("0830"), "SN", every_min=1)
    assert [clock for clock, *_ in told] == ["0531", "0541", "0551", "0601", "0611"]
    assert {what for *_, what in told} == {"reminder"}
    assert len(told) == REMINDERS
    assert [item.repeat for item in desk.deliveries[1:]] == [1, 2, 3, 4, 5]
    assert desk.hear("0841", metar("+SN", at("0840"))) == [("duty", "raised")]
    assert desk.hear("0851") == [("duty", "reminder")], "another event has its own reminders"
    assert desk.deliveries[-1].repeat == 1


def test_another_event_that_was_not_told_begins_the_reminders_anew():
    desk = snowing(everything("duty", hours=Hours(time(5, 0), time(6, 30), "UTC"), remind_every=TEN))
    assert len(desk.night(at("0530"), at("0630"), "SN", every_min=1)) == REMINDERS
    desk.hear("0641", metar("-SN", at("0640")))
    desk.hear("0651", metar("SN", at("0650")))
    desk.subscriptions = [everything("duty", remind_every=TEN)]
    assert desk.hear("0652") == [("duty", "reminder")]
    assert desk.deliveries[-1].repeat == 1


def test_the_shortest_wish_to_be_reminded_holds_and_only_at_levels_that_are_wanted():
    desk = snowing(
        everything("duty", remind_every=timedelta(minutes=30)),
        everything("duty", min_level=Level.NO_TIME, remind_every=TEN),
        everything("duty", stations=frozenset({"XBAY"}), remind_every=timedelta(minutes=1)),
    )
    assert desk.hear("0540") == []
    assert desk.hear("0551", metar("+SN", at("0550"))) == [("duty", "raised")]
    assert desk.hear("0600") == []
    assert desk.hear("0601") == [("duty", "reminder")]


def test_reminders_stop_when_it_is_taken_and_when_it_ends():
    desk = snowing(everything("duty", remind_every=TEN))
    assert desk.hear("0531") == [("duty", "reminder")]
    desk.hear("0535", taken=[("night duty", SNOW)])
    assert desk.hear("0551", metar("SN", at("0550"))) == []
    assert desk.hear("0620", metar("", at("0620"))) == [("duty", "closed")]
    assert desk.hear("0640", metar("", at("0640"))) == []


def test_reminders_keep_to_the_hours_but_those_of_no_time_do_not():
    desk = snowing(everything("duty", hours=EARLY, remind_every=TEN))
    assert desk.hear("0559") == [("duty", "reminder")]
    assert desk.hear("0610") == []
    assert desk.hear("0621", metar("+SN", at("0620"))) == [("duty", "raised")]
    assert desk.hear("0631") == [("duty", "reminder")]


def test_nobody_is_reminded_of_a_blind_station_or_of_what_lies_below_their_level():
    desk = snowing(everything("duty", min_level=Level.NO_TIME, remind_every=TEN), level="+SN")
    assert desk.hear("0551", metar("SN", at("0550"))) == [("duty", "lowered")]
    assert desk.hear("0610") == []
    assert desk.hear("0800") == [("duty", "blind")]
    assert desk.hear("0830") == []


def test_what_is_only_expected_is_reminded_of_as_well():
    desk = Desk(everything("duty", remind_every=timedelta(hours=1)))
    taf = "TAF XNOR 120500Z 1206/1218 00000KT 9999 SCT030 TEMPO 1208/1210 3000 -FZDZ OVC006"
    assert desk.hear("0505", taf) == [("duty", "opened")]
    assert desk.hear("0605", metar("", at("0600"))) == [("duty", "reminder")]
    assert desk.hear("0610", taken=[("night duty", "freezing-precipitation")]) == [("duty", "acknowledged")]
    said = desk.said(desk.deliveries[-1]).body.headline
    assert said.startswith("XNOR treat taken in hand by night duty: ")
    assert said.endswith("expected 0800Z-1000Z")
    assert desk.hear("0821", metar("FZDZ", at("0820"))) == [("duty", "confirmed")]
    assert desk.said(desk.deliveries[-1]).body.by == "night duty", "come true, it is still in the same hands"
    assert desk.hear("0930", metar("FZDZ", at("0920"))) == []
