"""Digests: once at each set local time, worst first, with the reasons of that moment, and never silence."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from tests.alerts.desk import LADDER, Desk, everything, ladder_step, metar
from tests.alerts.scenes import RULES, XNOR, at
from watcher.alerts.digests import digest_subject
from watcher.alerts.model import DigestLine, EventBody, EventType, SubjectKind
from watcher.alerts.subscribers import Subscription
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level

XBAY, XFEL, XMOR, XTAR = (Station(code) for code in ("XBAY", "XFEL", "XMOR", "XTAR"))
ALL = (XBAY, XFEL, XMOR, XNOR, XTAR)
OSLO = "Europe/Oslo"


def listing(*times: str, zone: str = "UTC", to: str = "duty", **changes) -> Subscription:
    """Return a subscription that wants digests and nothing else."""
    at_times = tuple(time.fromisoformat(clock) for clock in times)
    return everything(to, only_digest=True, digest_at=at_times, zone=zone, **changes)


def digests(desk: Desk, destination: str = "duty") -> list[EventBody]:
    """Return the digests that a destination was given, in their order."""
    given = [item for item in desk.deliveries if item.destination == destination]
    return [desk.said(item).body for item in given if item.told_as is EventType.DIGEST]


def clocks(desk: Desk, destination: str = "duty") -> list[str]:
    """Return when a destination was given digests."""
    given = [item for item in desk.deliveries if item.destination == destination]
    return [f"{item.made_at:%d%H%M}" for item in given if item.told_as is EventType.DIGEST]


def minutes(desk: Desk, begin: datetime, end: datetime, step: int = 1) -> None:
    """Let time pass, minute by minute."""
    while begin <= end:
        desk.turn(begin)
        begin += timedelta(minutes=step)


def lines(desk: Desk) -> list[DigestLine]:
    """Return the lines of the last digest."""
    return list(digests(desk)[-1].lines)


# Europe/Oslo changes its clocks at 0100Z on 29 March and 25 October 2026 (Directive 2000/84/EC: the last Sundays).
@pytest.mark.parametrize(
    ("begin", "expected"),
    [
        (datetime(2026, 3, 28, 0, tzinfo=UTC), ["280130", "280330", "290100", "290230", "300030", "300230"]),
        (datetime(2026, 10, 24, 0, tzinfo=UTC), ["240030", "240230", "250030", "250330", "260130", "260330"]),
    ],
    ids=["to summer time, when 02:30 is skipped", "to winter time, when 02:30 is read twice"],
)
def test_a_digest_comes_at_its_local_time_once_a_day_over_both_changes_of_the_clocks(begin, expected):
    desk = Desk(listing("02:30", "04:30", zone=OSLO))
    minutes(desk, begin, begin + timedelta(days=3) - timedelta(minutes=1))
    assert clocks(desk) == expected


def test_a_digest_is_an_event_of_its_destination_with_the_minute_of_its_time_as_number():
    desk = Desk(listing("06:00"))
    desk.hear("0559")
    assert desk.hear("0600") == [("duty", "digest")]
    delivery, event = desk.deliveries[-1], desk.said(desk.deliveries[-1])
    assert event.subject_kind is SubjectKind.DIGEST
    assert event.subject_id == delivery.subject_id == digest_subject("duty")
    assert event.seq == at("0600").timestamp() / 60
    assert delivery.group_within is None, "it shares its message with nothing"
    assert delivery.valid_until == at("0600") + desk.policy.valid_for
    assert desk.hear("0601") == []


def test_a_restart_just_before_and_just_after_neither_loses_nor_doubles_a_digest():
    desk = Desk(listing("06:00"))
    desk.hear("0559")
    before = dict(desk.told)
    desk.told = before
    assert desk.hear("0600") == [("duty", "digest")]
    desk.told = dict(desk.told)
    assert desk.hear("0600") == desk.hear("0601") == []
    first = desk.deliveries[-1]
    desk.told = before
    desk.hear("0601")
    assert desk.deliveries[-1].event_id == first.event_id, "the outbox owes an event once"


def test_a_digest_is_made_up_to_an_hour_late_and_then_left_out():
    late, later = Desk(listing("06:00")), Desk(listing("06:00"))
    late.hear("0500")
    assert late.hear("0700") == [("duty", "digest")]
    assert digests(late)[-1].headline.startswith("Digest 0600Z (06:00 UTC)"), "it is the one of six o'clock"
    later.hear("0500")
    assert later.turn(at("0700") + timedelta(seconds=1)) == []
    assert later.turn(at("0600") + timedelta(days=1)) == [("duty", "digest")]


def test_two_subscriptions_of_one_destination_with_the_same_time_make_one_digest_of_both():
    desk = Desk(
        listing("06:00", stations=frozenset({"XNOR"})),
        listing("06:00", stations=frozenset({"XBAY"})),
        stations=ALL,
        rules=LADDER,
    )
    desk.hear("0550", *(metar("SN", at("0550"), station.code) for station in ALL))
    assert desk.hear("0600") == [("duty", "digest")]
    assert [line.station for line in lines(desk)] == ["XBAY", "XNOR"]
    assert "2 of 2 stations with alerts" in digests(desk)[-1].headline


def test_two_subscriptions_of_one_destination_with_different_times_each_have_their_own():
    desk = Desk(
        listing("06:00", "18:00", stations=frozenset({"XNOR"})),
        listing("06:30", stations=frozenset({"XBAY"})),
        stations=ALL,
        rules=LADDER,
    )
    desk.hear("0550", *(metar("SN", at("0550"), station.code) for station in ALL))
    assert desk.hear("0600") == [("duty", "digest")]
    assert [line.station for line in lines(desk)] == ["XNOR"]
    assert digests(desk)[-1].next_step.endswith("The next digest comes at 0630Z (06:30 UTC).")
    assert desk.hear("0630") == [("duty", "digest")]
    assert [line.station for line in lines(desk)] == ["XBAY"]
    assert digests(desk)[-1].next_step.endswith("The next digest comes at 1800Z (18:00 UTC).")
    assert desk.hear("0650") == []


def test_two_times_that_pass_while_nothing_runs_make_one_digest_of_the_later_time():
    desk = Desk(
        listing("06:00", stations=frozenset({"XNOR"})),
        listing("07:30", zone=OSLO, stations=frozenset({"XBAY"})),
        stations=ALL,
    )
    desk.hear("0550")
    assert desk.hear("0640") == [("duty", "digest")]
    assert digests(desk)[-1].headline.startswith("Digest 0630Z (07:30 Europe/Oslo): ")
    assert "2 stations" in digests(desk)[-1].headline
    assert desk.hear("0641") == []


def test_the_same_minute_for_two_destinations_makes_a_digest_for_each():
    desk = Desk(listing("06:00"), listing("06:00", to="room", min_level=Level.NO_TIME), rules=LADDER)
    desk.hear("0550", metar("SN", at("0550")))
    assert desk.hear("0600") == [("duty", "digest"), ("room", "digest")]
    assert len({item.event_id for item in desk.deliveries}) == 2
    assert [line.station for line in digests(desk, "duty")[-1].lines] == ["XNOR"]
    assert digests(desk, "room")[-1].lines == ()


def test_the_worst_station_is_first_observed_before_expected_and_blind_before_a_mere_note():
    rules = LADDER + ladder_step("note", '{ field = "weather", op = "has", value = "-RA" }')
    desk = Desk(listing("06:00", min_level=Level.NOTE), stations=[*ALL, Station("XUND")], rules=rules)
    desk.hear("0400", metar("", at("0400"), "XFEL"))
    desk.hear(
        "0545",
        "TAF XBAY 120500Z 1206/1218 00000KT 9999 SCT030 TEMPO 1208/1210 3000 SN OVC006",
        metar("", at("0545"), "XBAY"),
        metar("SN", at("0540"), "XTAR"),
        metar("+SN", at("0545"), "XMOR"),
        metar("-RA", at("0545"), "XNOR"),
        metar("", at("0545"), "XUND"),
    )
    desk.hear("0600")
    assert [(line.station, line.level, line.kind) for line in lines(desk)] == [
        ("XMOR", Level.NO_TIME, Kind.OBSERVED),
        ("XTAR", Level.TREAT, Kind.OBSERVED),
        ("XBAY", Level.TREAT, Kind.EXPECTED),
        ("XFEL", None, None),
        ("XNOR", Level.NOTE, Kind.OBSERVED),
    ]
    said = digests(desk)[-1]
    assert said.headline == "Digest 0600Z (06:00 UTC): 4 of 6 stations with alerts, worst XMOR no-time, 1 blind"
    assert said.level is Level.NO_TIME
    assert said.next_step.startswith("XMOR first: ")
    assert said.why == "6 stations looked at; newest reports 15 min to 2 h old; 1 blind."


def test_several_alerts_of_a_station_are_one_line_with_the_others_behind_it():
    desk = Desk(listing("06:00"))
    desk.hear("0520", metar("-FZRA", at("0520"), temperatures="01/M01"))
    desk.hear("0550", metar("-FZRA", at("0550"), temperatures="01/M01"))
    desk.hear("0600")
    (line,) = lines(desk)
    assert line.headline.startswith("XNOR treat: freezing drizzle or light freezing rain since 0520Z")
    assert line.also == ("XNOR prepare: near freezing with a small spread since 0520Z, 1/-1, not ended",)


def test_a_blind_station_is_listed_and_one_with_open_alerts_says_so_behind_them():
    desk = Desk(listing("09:00"), stations=[XNOR, XBAY])
    desk.hear("0550", metar("-FZRA", at("0550")), metar("", at("0550"), "XBAY"))
    desk.hear("0730")
    desk.hear("0900")
    alert, silent = lines(desk)
    assert (alert.station, alert.level) == ("XNOR", Level.TREAT)
    assert alert.also == ("XNOR blind: no usable report since 0550Z; last level treat",)
    assert (silent.station, silent.level) == ("XBAY", None)
    assert silent.headline == "XBAY blind: no usable report since 0550Z"
    assert digests(desk)[-1].headline == (
        "Digest 0900Z (09:00 UTC): 1 of 2 stations with alerts, worst XNOR treat, 2 blind"
    )


def test_only_blind_stations_are_no_alerts_but_are_not_hidden_either():
    desk = Desk(listing("09:00"), stations=[XNOR, XBAY])
    desk.hear("0550", metar("", at("0850")), metar("", at("0550"), "XBAY"))
    desk.hear("0849", metar("", at("0840")))
    desk.hear("0900")
    said = digests(desk)[-1]
    assert said.headline == "Digest 0900Z (09:00 UTC): nothing at prepare or above, 2 stations, 1 blind"
    assert said.next_step.startswith("Check the station by other means")
    assert said.level is None


def test_nothing_to_say_is_said_in_one_line():
    desk = Desk(listing("06:00"))
    desk.hear("0550", metar("", at("0540")))
    assert desk.hear("0600") == [("duty", "digest")]
    said = digests(desk)[-1]
    assert said.headline == "Digest 0600Z (06:00 UTC): nothing at prepare or above, 1 station"
    assert said.why == "1 station looked at; newest reports 20 min old."
    assert said.next_step == ("Nothing to arrange for these stations now. The next digest comes at 0600Z (06:00 UTC).")
    assert said.lines == ()


def test_nothing_is_not_said_of_flags_and_levels_that_were_not_asked_for():
    desk = Desk(
        listing("06:00", flags=frozenset({Flag.FREEZING_FOG})),
        listing("06:00", to="room", min_level=Level.NO_TIME),
        listing("06:00", to="room", min_level=Level.PREPARE, stations=frozenset({"XBAY"})),
        stations=[XNOR, XBAY],
        rules=LADDER,
    )
    desk.hear("0550", metar("SN", at("0550")))
    desk.hear("0600")
    assert digests(desk)[-1].headline == (
        "Digest 0600Z (06:00 UTC): nothing of freezing-fog at prepare or above, 2 stations"
    )
    assert digests(desk, "room")[-1].headline == "Digest 0600Z (06:00 UTC): nothing of what was asked for, 2 stations"


def test_a_subscription_to_stations_that_nobody_watches_says_so():
    desk = Desk(listing("06:00", stations=frozenset({"XZZZ"})))
    desk.hear("0600")
    assert digests(desk)[-1].why == "None of the stations asked for is watched."


def test_flags_and_levels_of_each_subscription_count_for_its_own_stations_only():
    desk = Desk(
        listing("06:00", stations=frozenset({"XNOR", "XMOR"}), min_level=Level.NO_TIME),
        listing("06:00", stations=frozenset({"XBAY"}), min_level=Level.PREPARE),
        listing("06:00", stations=frozenset({"XFEL"}), flags=frozenset({Flag.FREEZING_FOG})),
        listing("06:00", stations=frozenset({"XTAR"}), flags=frozenset({Flag.NO_HOLDOVER})),
        stations=ALL,
        rules=LADDER,
    )
    desk.hear("0550", *(metar("SN", at("0550"), station.code) for station in (XNOR, XBAY, XFEL, XTAR)))
    desk.hear("0551", metar("+SN", at("0551"), "XMOR"))
    desk.hear("0600")
    assert [line.station for line in lines(desk)] == ["XMOR", "XBAY"]


def test_the_reasons_are_those_of_the_latest_report_with_its_margins_not_those_of_the_opening():
    desk = Desk(listing("08:00"))
    desk.hear("0520", metar("", at("0520"), temperatures="02/00"))
    desk.hear("0550", metar("", at("0550"), temperatures="02/00"))
    desk.hear("0750", metar("", at("0750"), temperatures="01/00"))
    desk.hear("0800")
    (line,) = lines(desk)
    opening = next(event.body for event in desk.events.values() if event.type is EventType.OPENED)
    assert line.why == "Temperature 1 °C (3.0 K from release at 4 °C) and spread 1 K (2.5 K from release at 3.5 K)."
    assert opening.why.startswith("Temperature 2 °C (")
    assert line.headline == "XNOR prepare: near freezing with a small spread since 0520Z, 1/0, not ended"
    assert (line.observed_at, line.raw) == (at("0750"), metar("", at("0750"), temperatures="01/00"))
    assert line.next_step.startswith("Have the aircraft checked by hand")


def test_what_is_expected_says_when_and_why_the_taf_says_so():
    desk = Desk(listing("06:00"))
    desk.hear("0505", "TAF XNOR 120500Z 1206/1218 00000KT 9999 SCT030 TEMPO 1208/1210 3000 -FZDZ OVC006")
    desk.hear("0600")
    (line,) = lines(desk)
    assert line.headline.endswith("0800Z-1000Z, temporary")
    assert (line.begins_at, line.until) == (at("0800"), at("1000"))
    assert digests(desk)[-1].headline.endswith("worst XNOR treat expected")


def test_what_somebody_has_in_hand_says_who():
    desk = Desk(listing("06:00"), rules=LADDER)
    desk.hear("0550", metar("SN", at("0550")))
    desk.hear("0555", taken=[("night duty", "snow")])
    desk.hear("0600")
    (line,) = lines(desk)
    assert line.headline == "XNOR treat taken in hand by night duty: snow of its kind since 0550Z"
    assert line.next_step.startswith("night duty has it in hand")


def test_what_is_only_forming_is_not_listed():
    desk = Desk(listing("06:00"))
    desk.hear("0550", metar("", at("0550"), temperatures="02/00"))
    assert desk.open
    desk.hear("0600")
    assert lines(desk) == []


def test_a_paused_subscription_and_a_closed_destination_have_no_digest():
    desk = Desk(listing("06:00", paused=True), listing("06:00", to="room"))
    desk.closed = {"room"}
    desk.hear("0550")
    assert desk.hear("0600") == []
    desk.closed = set()
    assert desk.hear("0615") == [("room", "digest")], "open again within the hour it still comes"


def test_alerts_and_digests_of_one_subscription_stand_side_by_side():
    desk = Desk(replace(listing("06:00"), only_digest=False), rules=RULES)
    assert desk.hear("0550", metar("-FZRA", at("0550"))) == [("duty", "opened")]
    assert desk.hear("0600", metar("FZRA", at("0600"))) == [("duty", "raised"), ("duty", "digest")]
    assert lines(desk)[0].level is Level.NO_TIME
    assert desk.hear("0601") == []
