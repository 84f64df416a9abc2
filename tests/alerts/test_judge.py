"""The judgement, played as a dispatcher would follow it. The transitions are those of the table in episodes.py."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.alerts.scenes import RULES, Play, at, report, small_book
from watcher.alerts.judge import withdraw_station
from watcher.alerts.model import EventType, Phase
from watcher.rulebook.words import Kind, Level

DRY = "XNOR 12{}Z 00000KT 9999 SCT030 06/M02 Q1010"
DRIZZLE = "XNOR 12{}Z 00000KT 3000 FZDZ OVC006 M02/M06 Q1010"


def test_a_speci_with_freezing_drizzle_opens_at_once_and_says_so_in_one_line():
    play = Play()
    play.hear("0525", "XNOR 120520Z 00000KT 9999 OVC010 M02/M06 Q1010")
    assert play.hear("0552", "SPECI XNOR 120550Z 00000KT 3000 FZDZ OVC006 M02/M06 Q1010") == ["opened"]
    headline = play.events[-1].body.headline
    assert headline == "XNOR treat: freezing drizzle or light freezing rain since 0550Z, -2/-6, not ended"


def test_a_rule_that_wants_two_reports_forms_silently_and_opens_with_the_second():
    play = Play()
    assert play.hear("0525", "XNOR 120520Z 00000KT 9999 OVC010 02/00 Q1010") == []
    assert play.open["deicing-likely"].phase is Phase.FORMING
    assert play.hear("0555", "XNOR 120550Z 00000KT 9999 OVC010 02/00 Q1010") == ["opened"]
    assert play.open["deicing-likely"].began_at == at("0520")


def test_a_forming_episode_that_does_not_last_is_never_told():
    play = Play()
    play.hear("0525", "XNOR 120520Z 00000KT 9999 OVC010 02/00 Q1010")
    assert play.hear("0555", DRY.format("0550")) == []
    assert play.open == {}
    assert [episode.opened_at for episode in play.ended] == [None]


def test_rising_severity_does_not_wait_for_its_own_confirmation():
    play = Play()
    play.hear("0525", "XNOR 120520Z 00000KT 9999 OVC010 02/00 Q1010")
    assert play.hear("0555", "XNOR 120550Z 00000KT 9999 OVC010 M01/M01 Q1010") == ["opened"]
    assert play.open["deicing-likely"].level is Level.TREAT


def test_a_higher_level_is_told_at_once_and_a_lower_one_after_settling():
    play = Play()
    play.hear("0521", "XNOR 120520Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010")
    assert play.hear("0551", "XNOR 120550Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010") == ["raised"]
    assert play.open["freezing-precipitation"].level is Level.NO_TIME
    assert play.hear("0621", "XNOR 120620Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010") == ["lowered"]
    assert play.events[-1].body.previous_level is Level.NO_TIME


def test_easing_and_kept_again_makes_no_event():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    assert play.hear("0551", DRY.format("0550")) == []
    assert play.open["freezing-precipitation"].phase is Phase.EASING
    assert play.hear("0621", DRIZZLE.format("0620")) == []
    assert play.open["freezing-precipitation"].phase is Phase.PRESENT


def test_settling_wants_both_the_reports_and_the_minutes():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    assert play.hear("0526", DRY.format("0525")) == []
    assert play.hear("0531", DRY.format("0530")) == [], "two reports, but five minutes"
    assert play.hear("0556", DRY.format("0555")) == ["closed"]
    play.hear("0621", DRIZZLE.format("0620"))
    assert play.hear("0651", DRY.format("0650")) == []
    assert play.hear("0740") == [], "fifty minutes, but one report; time alone ends nothing observed"


def test_what_is_unknown_neither_begins_nor_ends_anything():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    for clock in ("0550", "0620", "0650"):
        assert play.hear(clock, f"XNOR AUTO 12{clock}Z 00000KT //// // ////// M02/M06 Q1010") == []
        assert play.hear(clock, f"XNOR 12{clock}Z AUTO 00000KT //// // ////// M02/M06 Q1010") == []
    assert play.open["freezing-precipitation"].phase is Phase.PRESENT


def test_a_correction_goes_on_with_the_same_episode_and_is_not_counted_twice():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    play.hear("0551", DRY.format("0550"))
    assert play.hear("0557", "XNOR 120550Z COR 00000KT 9999 SCT031 06/M02 Q1010") == []
    hold = play.open["freezing-precipitation"].holds[0]
    assert hold.missed_reports == 1
    assert play.hear("0558", "XNOR 120550Z COR 00000KT 3000 FZDZ OVC006 M02/M06 Q1010") == []
    assert play.open["freezing-precipitation"].phase is Phase.PRESENT


def test_a_correction_that_is_received_before_its_report_still_wins():
    play = Play()
    play.hear("0551", "XNOR 120550Z COR 00000KT 3000 FZDZ OVC006 M02/M06 Q1010")
    assert play.hear("0558", DRY.format("0550")) == []
    assert play.open["freezing-precipitation"].phase is Phase.PRESENT


def test_a_repeated_report_changes_nothing_at_all():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    before = play.view
    assert play.hear("0530", DRIZZLE.format("0520") + "=") == []
    assert play.view is before


def test_a_late_report_is_kept_and_moves_nothing():
    play = Play()
    play.hear("0551", DRY.format("0550"))
    assert play.hear("0556", DRIZZLE.format("0520")) == []
    assert play.open == {}


def test_a_report_already_stale_when_first_seen_opens_nothing():
    play = Play()
    assert "opened" not in play.hear("0800", DRIZZLE.format("0520"))
    assert play.open == {}


def test_a_report_from_far_ahead_does_not_hide_the_true_ones_after_it():
    play = Play()
    assert play.hear("0521", DRIZZLE.format("0950")) == []
    assert play.hear("0551", DRIZZLE.format("0550")) == ["opened"]


def test_a_station_is_blind_after_its_own_cadence_and_sees_again_with_the_next_report():
    play = Play()
    for clock in ("0320", "0350", "0420", "0450"):
        play.hear(clock, DRIZZLE.format(clock))
    assert play.view.state.cadence_min == pytest.approx(30)
    assert play.hear("0545") == []
    assert play.hear("0546") == ["blind"]
    assert play.events[-1].body.headline == (
        "XNOR blind: no usable report since 0450Z (usual every 30 min); last level treat"
    )
    assert play.hear("0900") == [], "blind is told once and nothing ends because of it"
    assert play.open["freezing-precipitation"].phase is Phase.PRESENT
    assert play.hear("0921", DRIZZLE.format("0920")) == ["seeing"]


def test_a_station_that_never_reports_is_said_to_be_blind():
    play = Play()
    assert play.hear("0500") == []
    assert play.hear("0626") == ["blind"]
    assert "at all yet" in play.events[-1].body.headline


def test_nobody_is_blind_before_the_feeds_were_asked_but_who_is_may_see_again():
    play = Play(may_call_blind=False)
    for clock in ("0320", "0350", "0420", "0450"):
        play.hear(clock, DRIZZLE.format(clock))
    assert play.hear("0650") == []
    assert play.view.state.blind_since is None
    play.may_call_blind = True
    assert play.hear("0651") == ["blind"]
    play.may_call_blind = False
    assert play.hear("0700") == [], "nor does anybody see for it"
    assert play.hear("0721", DRIZZLE.format("0720")) == ["seeing"]


def test_a_nil_report_is_no_sight():
    play = Play()
    play.hear("0500")
    assert play.hear("0626", "XNOR 120620Z NIL") == ["blind"]


def test_a_station_whose_reports_hold_nothing_becomes_blind():
    play = Play()
    heard = [
        name
        for hour in range(5, 11)
        for name in play.hear(f"{hour:02d}51", f"XNOR 12{hour:02d}50Z AUTO ///// //// // ////// ///// Q////")
    ]
    assert heard == ["blind"]
    assert play.view.latest is not None, "the reports are kept"
    assert play.hear("1051", "XNOR 121050Z AUTO 00000KT //// // ////// M02/M06 Q1010") == ["seeing"]


def test_what_a_blind_stations_reports_leave_open_counts_from_its_last_usable_one():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    play.hear("0551", "XNOR 120550Z AUTO 00000KT //// // ////// ///// Q1010")
    play.hear("0621", "XNOR 120620Z AUTO 00000KT //// ////// ///// Q1010")
    assert play.view.state.last_report_at == at("0520")
    assert play.hear("0650") == ["blind"]
    assert "no usable report since 0520Z" in play.events[-1].body.headline


@pytest.mark.parametrize(
    "said",
    ["00000KT 9999 NSC ///// Q1010", "00000KT //// // ////// M02/M06 Q1010", "00000KT //// -SN ////// ///// Q1010"],
)
def test_a_report_that_says_something_of_temperature_or_weather_is_sight(said: str):
    play = Play()
    play.hear("0551", f"XNOR 120550Z AUTO {said}")
    assert play.view.state.last_report_at == at("0550")


TAF = "TAF XNOR 120500Z 1206/1218 00000KT 9999 SCT030 {}"


def test_what_the_taf_expects_opens_and_the_report_confirms_the_same_episode():
    play = Play()
    assert play.hear("0505", TAF.format("TEMPO 1208/1210 3000 -FZDZ OVC006")) == ["opened"]
    episode = play.open["freezing-precipitation"]
    assert episode.kind is Kind.EXPECTED
    assert (episode.began_at, episode.until) == (at("0800"), at("1000"))
    assert play.events[-1].body.headline == (
        "XNOR treat expected: freezing drizzle or light freezing rain 0800Z-1000Z, temporary"
    )
    assert play.hear("0821", DRIZZLE.format("0820")) == ["confirmed"]
    assert play.open["freezing-precipitation"].id == episode.id


def test_what_is_observed_does_not_hide_that_worse_is_expected():
    play = Play()
    play.hear("0521", "XNOR 120520Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010")
    assert play.hear("0605", TAF.format("TEMPO 1208/1210 3000 FZRA OVC004")) == ["opened"]
    assert "XNOR no-time expected" in play.events[-1].body.headline
    assert {(episode.kind, episode.level) for episode in play.view.episodes} == {
        (Kind.OBSERVED, Level.TREAT),
        (Kind.EXPECTED, Level.NO_TIME),
    }
    assert play.hear("0821", "XNOR 120820Z 00000KT 3000 FZRA OVC004 M02/M06 Q1010") == ["raised", "closed"]
    assert "is observed now" in play.events[-1].body.headline


def test_less_than_what_is_expected_does_not_confirm_it():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1208/1210 3000 FZRA OVC004"))
    assert play.hear("0751", "XNOR 120750Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010") == ["opened"]
    assert play.hear("0821", "XNOR 120820Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010") == []
    play.hear("0951", "XNOR 120950Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010")
    assert play.hear("1000") == ["closed"]
    assert play.open["freezing-precipitation"].kind is Kind.OBSERVED


def test_what_should_prevail_already_is_told_where_the_reports_cannot_say_it():
    play = Play()
    play.hear("0551", "XNOR 120550Z AUTO 00000KT 9999 // OVC040 M03/M09 Q1010")
    taf = "TAF AMD XNOR 120620Z 1206/1218 00000KT 3000 -FZRA OVC004"
    assert play.hear("0625", taf) == ["opened"]
    assert play.events[-1].body.headline == (
        "XNOR treat expected: freezing drizzle or light freezing rain 0625Z-1800Z, prevailing"
    )
    assert play.hear("0651", "XNOR 120650Z AUTO 00000KT 9999 // OVC040 M03/M09 Q1010") == []


def test_what_should_prevail_already_is_for_a_report_that_sees_to_say():
    play = Play()
    play.hear("0551", "XNOR 120550Z 00000KT 9999 OVC040 M03/M09 Q1010")
    assert play.hear("0625", "TAF AMD XNOR 120620Z 1206/1218 00000KT 3000 -FZRA OVC004") == []


def test_what_should_prevail_where_nothing_was_heard_waits_until_the_feeds_were_asked():
    play = Play(may_call_blind=False)
    assert play.hear("0625", "TAF XNOR 120520Z 1206/1218 00000KT 3000 -FZRA OVC004") == []
    play.may_call_blind = True
    assert play.hear("0626") == ["opened"]


def test_an_expected_period_that_passes_unseen_is_closed():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1208/1210 3000 -FZDZ OVC006"))
    play.hear("0921", DRY.format("0920"))
    assert play.hear("0959") == []
    assert play.hear("1000") == ["closed"]


def test_a_new_taf_without_it_closes_what_was_expected():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1208/1210 3000 -FZDZ OVC006"))
    assert play.hear("0605", "TAF AMD XNOR 120600Z 1206/1218 00000KT 9999 SCT030") == ["closed"]
    assert "no longer expected" in play.events[-1].body.headline


BEFORE = "TAF XNOR 112300Z 1200/1206 00000KT 9999 SCT030 TEMPO 1203/1206 3000 -FZDZ OVC006"
NEXT = "TAF XNOR 120500Z 1206/1306 00000KT 9999 SCT030 {}"


def shortly_before_the_next_taf() -> Play:
    play = Play()
    play.hear("0001", DRY.format("0000"), BEFORE)
    play.hear("0451", DRY.format("0450"))
    return play


def test_what_a_taf_gives_stands_until_the_validity_of_the_next_begins():
    play = Play()
    assert play.hear("0001", DRY.format("0000"), BEFORE) == ["opened"]
    play.hear("0451", DRY.format("0450"))
    assert play.hear("0501", NEXT.format("")) == []
    assert play.hear("0551", DRY.format("0550")) == []
    assert play.open["freezing-precipitation"].until == at("0600")
    assert play.hear("0600") == ["closed"]
    assert play.events[-1].body.why == "The expected period has passed without being reported."


def test_what_the_next_taf_goes_on_with_is_the_same_episode():
    play = shortly_before_the_next_taf()
    assert play.hear("0501", NEXT.format("TEMPO 1206/1209 3000 -FZDZ OVC006")) == []
    episode = play.open["freezing-precipitation"]
    assert (episode.began_at, episode.until) == (at("0300"), at("0900"))
    play.hear("0551", DRY.format("0550"))
    play.view = replace(play.view, expectations=None)
    assert play.hear("0559") == []
    assert play.open["freezing-precipitation"].until == at("0900"), "also after a restart"
    assert play.hear("0600") == []


@pytest.mark.parametrize("word", ["AMD", "COR"])
def test_an_amendment_of_a_validity_that_runs_takes_its_place_at_once(word: str):
    play = shortly_before_the_next_taf()
    assert play.hear("0501", f"TAF {word} XNOR 120458Z 1205/1206 00000KT 9999 SCT030") == ["closed"]
    assert "no longer expected" in play.events[-1].body.headline


@pytest.mark.parametrize("word", ["AMD", "COR"])
def test_an_amendment_of_the_next_taf_leaves_what_the_one_in_force_gives(word: str):
    play = shortly_before_the_next_taf()
    assert play.hear("0501", NEXT.format("")) == []
    assert play.hear("0531", f"TAF {word} XNOR 120525Z 1206/1306 00000KT 9999 BKN020") == []
    assert play.open["freezing-precipitation"].until == at("0600")
    assert play.hear("0551", DRY.format("0550")) == []
    assert play.hear("0600") == ["closed"]
    assert play.events[-1].body.why == "The expected period has passed without being reported."


def test_an_amendment_of_the_next_taf_takes_back_what_that_gave():
    play = shortly_before_the_next_taf()
    play.hear("0501", NEXT.format("TEMPO 1206/1209 3000 -FZDZ OVC006"))
    assert play.open["freezing-precipitation"].until == at("0900")
    assert play.hear("0531", "TAF AMD XNOR 120525Z 1206/1306 00000KT 9999 BKN020") == []
    assert play.open["freezing-precipitation"].until == at("0600")


def test_the_cancellation_of_the_next_taf_withdraws_only_what_lies_in_it():
    play = shortly_before_the_next_taf()
    play.hear("0501", NEXT.format("TEMPO 1206/1209 3000 -FZDZ OVC006"))
    assert play.hear("0515", "TAF AMD XNOR 120510Z 1206/1306 CNL") == []
    assert play.open["freezing-precipitation"].until == at("0600")
    assert play.hear("0551", DRY.format("0550")) == []
    assert play.hear("0600") == ["closed"]


def test_the_cancellation_of_a_taf_that_lies_ahead_withdraws_what_only_that_gave():
    play = Play()
    play.hear("0451", DRY.format("0450"))
    assert play.hear("0501", NEXT.format("TEMPO 1206/1209 3000 -FZDZ OVC006")) == ["opened"]
    assert play.hear("0515", "TAF AMD XNOR 120510Z 1206/1306 CNL") == ["withdrawn"]


def test_a_cancelled_forecast_is_withdrawn_and_no_all_clear():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1208/1210 3000 -FZDZ OVC006"))
    assert play.hear("0621", "TAF AMD XNOR 120620Z 1206/1218 CNL") == ["withdrawn"]
    body = play.events[-1].body
    assert body.headline == (
        "XNOR forecast cancelled, no all-clear: freezing drizzle or light freezing rain was expected 0800Z-1000Z"
    )
    assert body.why == "The TAF was cancelled at 0620Z: no forecast says any more whether it comes or not."
    assert "Keep what was arranged" in body.next_step
    assert play.open == {}


def test_the_silence_of_a_taf_ends_nothing_observed():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    assert play.hear("0605", "TAF XNOR 120600Z 1206/1218 00000KT 9999 SCT030") == []
    assert play.open["freezing-precipitation"].kind is Kind.OBSERVED


def test_what_came_true_and_ended_does_not_open_again_inside_its_period_but_a_later_one_does():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1208/1212 3000 -FZDZ OVC006 TEMPO 1215/1217 3000 -FZDZ OVC006"))
    play.hear("0821", DRIZZLE.format("0820"))
    play.hear("0851", DRY.format("0850"))
    assert play.hear("0921", DRY.format("0920")) == ["closed", "opened"]
    later = play.open["freezing-precipitation"]
    assert (later.kind, later.began_at) == (Kind.EXPECTED, at("1500"))
    assert play.hear("0951", DRY.format("0950")) == []


def test_less_that_ends_leaves_open_what_is_still_expected_to_be_worse():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1206/1218 3000 FZRA OVC004"))
    worse = play.open["freezing-precipitation"]
    assert play.hear("0621", "XNOR 120620Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010") == ["opened"]
    play.hear("0651", DRY.format("0650"))
    assert play.hear("0721", DRY.format("0720")) == ["closed"]
    assert play.events[-1].body.kind is Kind.OBSERVED
    left = play.open["freezing-precipitation"]
    assert (left.id, left.kind, left.level) == (worse.id, Kind.EXPECTED, Level.NO_TIME)
    assert play.hear("0821", "XNOR 120820Z 00000KT 3000 FZRA OVC004 M02/M06 Q1010") == ["confirmed"]


def test_what_came_true_and_eased_before_it_ended_has_still_come_true():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1206/1218 3000 FZRA OVC004"))
    assert play.hear("0621", "XNOR 120620Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010") == ["confirmed"]
    assert play.hear("0651", "XNOR 120650Z 00000KT 3000 -FZRA OVC006 M02/M06 Q1010")[0] == "lowered"
    assert play.open["freezing-precipitation"].worst is Level.NO_TIME
    play.hear("0721", DRY.format("0720"))
    play.hear("0751", DRY.format("0750"))
    assert "freezing-precipitation" not in play.open
    assert play.hear("0821", DRY.format("0820")) == []


def test_less_that_comes_and_goes_after_the_worst_does_not_bring_it_back():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1206/1218 3000 FZRA OVC004"))
    play.hear("0621", "XNOR 120620Z 00000KT 3000 FZRA OVC006 M02/M06 Q1010")
    assert play.hear("0651", DRY.format("0650")) == ["closed"]
    assert play.hear("0721", DRIZZLE.format("0720")) == ["opened"]
    play.hear("0751", DRY.format("0750"))
    assert play.hear("0821", DRY.format("0820")) == ["closed"]
    assert play.open == {}


def test_a_taf_that_was_issued_after_the_end_opens_what_it_expects_again():
    play = Play()
    play.hear("0505", TAF.format("TEMPO 1206/1212 3000 -FZDZ OVC006"))
    play.hear("0821", DRIZZLE.format("0820"))
    play.hear("0851", DRY.format("0850"))
    assert play.hear("0921", DRY.format("0920")) == ["closed"]
    again = "TAF AMD XNOR 120940Z 1209/1218 00000KT 9999 SCT030 TEMPO 1209/1215 3000 -FZDZ OVC006"
    assert play.hear("0941", again) == ["opened"]
    assert (play.open["freezing-precipitation"].kind, play.events[-1].body.until) == (Kind.EXPECTED, at("1500"))


def test_a_rule_taken_out_of_the_book_withdraws_its_episode():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    kept = RULES[RULES.index('[[rule]]\nname = "cold-and-moist"') :]
    play.book = small_book(kept)
    assert play.hear("0530") == ["withdrawn"]
    assert play.open == {}


def test_a_station_no_longer_watched_withdraws_its_episodes():
    play = Play()
    play.hear("0521", DRIZZLE.format("0520"))
    change = withdraw_station(play.view, rulebook=play.book, now=at("0600"))
    assert change is not None
    assert [event.type for event in change.events] == [EventType.WITHDRAWN]
    assert withdraw_station(change.after, rulebook=play.book, now=at("0601")) is None


def test_an_end_says_from_which_report_on_the_rule_was_not_met():
    play = Play()
    play.hear("0550", DRIZZLE.format("0550"))
    play.hear("0620", DRY.format("0620"))
    play.hear("0655", DRY.format("0655"))
    assert play.events[-1].type is EventType.CLOSED
    assert play.events[-1].body.why == "No report from 0620Z on has met the rule: after 35 min it counts as over."


def test_an_end_without_a_wait_names_no_time():
    play = Play(
        book=small_book(
            RULES.replace("settle = { reports = 2, minutes = 30 }", "settle = { reports = 1, minutes = 0 }")
        )
    )
    play.hear("0550", DRIZZLE.format("0550"))
    play.hear("0620", DRY.format("0620"))
    assert play.events[-1].type is EventType.CLOSED
    assert play.events[-1].body.why == "No rule that it rested on holds any more: it counts as over."


def test_the_same_inputs_after_a_restart_give_the_same_events():
    plays = [Play(), Play()]
    texts = ["0520", "0550", "0620", "0650", "0720"]
    for play in plays:
        for clock in texts:
            text = DRIZZLE if clock < "0600" else DRY
            play.hear(clock, text.format(clock))
            if play is plays[1]:
                play.view = replace(play.view, expectations=None)
    assert plays[0].events == plays[1].events
    assert [event.type for event in plays[0].events] == [EventType.OPENED, EventType.CLOSED]


def test_a_report_of_another_station_is_left_out():
    play = Play()
    assert play.judge(at("0521"), [report("XBAY 120520Z 00000KT 3000 FZDZ OVC006 M02/M03 Q1010", at("0521"))]) == []


def test_the_margin_before_blindness_is_a_setting():
    play = Play()
    play.policy = replace(play.policy, blind_margin=timedelta(minutes=5))
    play.hear("0521", DRY.format("0520"))
    assert play.hear("0626") == ["blind"]
