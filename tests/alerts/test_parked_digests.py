"""Digests that begin with parked aircraft: whose, how many of them, and what is to be done first."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.alerts.desk import LADDER, Desk, everything
from tests.alerts.scenes import XNOR, at
from tests.alerts.test_digests import digests, listing
from tests.alerts.test_parked import CLEAR, MILD, SNOW, XBAY, XFEL, ship
from watcher.alerts.parked_words import NO_MEASUREMENT
from watcher.outlook.night import ensemble
from watcher.rulebook.words import Flag, Level

STATIONS = (XNOR, XBAY, XFEL)


def evening(desk: Desk, *texts: str) -> None:
    """Take the turns of an evening with these reports, up to the digest of nine o'clock."""
    desk.hear("2050", *(f"{text[:4]} 122050Z {text[5:]}" for text in texts))
    desk.hear("2100")


def a_desk(*subscriptions, rules: str = "", parked=None) -> Desk:
    desk = Desk(*subscriptions, stations=STATIONS, rules=rules)
    desk.parked = parked or (ship("Ship 1", "XFEL"), ship("Ship 2", "XBAY"), ship("Ship 3", "XNOR"))
    return desk


def test_a_digest_begins_with_the_parked_aircraft_the_most_likely_frosted_first():
    desk = a_desk(listing("21:00", min_level=Level.NO_TIME))
    evening(desk, f"XNOR {CLEAR}", f"XFEL {MILD}")
    (said,) = digests(desk)
    assert [line.name for line in said.parked] == ["Ship 3", "Ship 2", "Ship 1"]
    assert said.headline == (
        "Digest 2100Z (21:00 UTC): nothing at no-time or above, 3 stations, "
        "1 of 3 parked aircraft likely frosted, 1 not known"
    )
    assert said.why.endswith(NO_MEASUREMENT), "no measurement of a wing is plainly said"


def test_nothing_to_arrange_is_not_said_while_an_aircraft_is_likely_frosted_or_not_known():
    likely, unknown, clear = (a_desk(listing("21:00"), parked=(ship("Ship 1", code),)) for code in ("XNOR",) * 3)
    evening(likely, f"XNOR {CLEAR}")
    evening(unknown)
    evening(clear, f"XNOR {MILD}")
    assert digests(likely)[-1].next_step.startswith("Ship 1 at XNOR: Book frost removal ")
    assert digests(unknown)[-1].next_step.startswith("Ship 1 at XNOR: Check by hand before 0540Z")
    assert digests(clear)[-1].next_step.startswith("Nothing to arrange for these stations now.")
    assert digests(clear)[-1].headline.endswith(", none of 1 parked aircraft likely frosted")


def test_the_worst_alert_and_the_first_aircraft_both_have_their_next_step():
    desk = a_desk(listing("21:00"), rules=LADDER)
    evening(desk, f"XNOR {SNOW}", f"XFEL {MILD}")
    step = digests(desk)[-1].next_step
    assert step.startswith("XNOR first: ")
    assert "Ship 3 at XNOR: Book treatment before 0540Z" in step


def test_aircraft_stand_in_the_digests_of_those_who_follow_their_station_whatever_flags_and_levels():
    desk = a_desk(
        listing("21:00", stations=frozenset({"XNOR"}), flags=frozenset({Flag.FREEZING_FOG}), min_level=Level.NO_TIME),
        listing("21:00", to="room", stations=frozenset({"XBAY", "XFEL"})),
        listing("22:00", to="room", stations=frozenset({"XNOR"})),
    )
    evening(desk, *(f"{station.code} {CLEAR}" for station in STATIONS))
    assert [line.name for line in digests(desk)[-1].parked] == ["Ship 3"]
    assert sorted(line.name for line in digests(desk, "room")[-1].parked) == ["Ship 1", "Ship 2"]


def test_an_aircraft_at_a_station_that_never_reported_is_not_left_out():
    desk = a_desk(listing("21:00", stations=frozenset({"XZZZ"})), parked=(ship("Ship 8", "XZZZ"),))
    evening(desk)
    (line,) = digests(desk)[-1].parked
    assert (line.name, line.chance) == ("Ship 8", None)


def test_nobody_elses_message_changes_and_no_digest_without_parked_aircraft_does():
    desk = Desk(listing("21:00"), everything("room"), stations=STATIONS)
    evening(desk, f"XNOR {CLEAR}")
    (said,) = digests(desk)
    assert said.parked == ()
    assert "parked" not in said.headline + said.why + said.next_step


def test_the_ensemble_is_asked_once_for_all_who_are_told_and_only_when_a_digest_is_due(monkeypatch):
    asked = []
    real = ensemble.nights
    monkeypatch.setattr(ensemble, "nights", lambda questions: asked.append(len(questions)) or real(questions))
    alike = (ship("Ship 1", "XNOR"), ship("Ship 2", "XNOR"), ship("Ship 3", "XBAY"))
    desk = a_desk(listing("21:00"), listing("21:00", to="room"), parked=alike)
    evening(desk, f"XNOR {CLEAR}", f"XBAY {CLEAR}")
    desk.hear("2101")
    assert asked == [4], "two stations, each to the departure and past it"
    assert digests(desk)[-1].parked == digests(desk, "room")[-1].parked


def test_when_the_computation_fails_the_digest_still_comes_and_says_so(monkeypatch):
    def broken(questions):
        raise FloatingPointError("overflow")

    monkeypatch.setattr(ensemble, "nights", broken)
    desk = a_desk(listing("21:00"), rules=LADDER)
    evening(desk, f"XNOR {SNOW}", f"XFEL {MILD}")
    (said,) = digests(desk)
    assert [line.chance for line in said.parked] == [None, None, None]
    assert "the computation failed (FloatingPointError)" in said.parked[0].headline + said.parked[1].headline
    assert [line.station for line in said.lines] == ["XNOR"], "alerts do not wait for frost"


def test_a_restart_makes_the_same_digest_again():
    desk = a_desk(listing("21:00"))
    desk.hear("2050", f"XNOR 122050Z {CLEAR}")
    before = dict(desk.told)
    desk.hear("2100")
    first = digests(desk)[-1]
    desk.told = before
    desk.hear("2100")
    assert digests(desk)[-1] == first


@pytest.mark.parametrize(("departs", "expected"), [("21:00", at("2100") + timedelta(days=1)), ("21:01", at("2101"))])
def test_at_the_minute_of_the_departure_the_next_one_is_asked_about(departs, expected):
    desk = a_desk(listing("21:00"), parked=(ship("Ship 1", "XNOR", departs, "UTC"),))
    evening(desk, f"XNOR {CLEAR}")
    (line,) = digests(desk)[-1].parked
    assert line.departs_at == expected
