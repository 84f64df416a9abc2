"""The recorder itself: every kind of fault is planted once, and found."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.faults.recorder import WANTED, Arrival, Asked, Kept, Published, Recorder, findings, silent_and_not_blind

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
ROOM = ("room",)


def an_event(seq: int, kind: str, level: int = 3, at: datetime = NOW) -> dict[str, Any]:
    return {
        "id": f"XNOR-1.{seq}", "subject_id": "XNOR-1", "seq": seq, "type": f"icing.episode.{kind}", "at": at,
        "body": {"station": "XNOR", "level": level},
    }  # fmt: skip


def a_line(seq: int, kind: str, level: int = 3, **other: Any) -> dict[str, Any]:
    return {
        "number": seq, "event_id": f"XNOR-1.{seq}", "destination": "room", "subject_id": "XNOR-1", "seq": seq,
        "told_as": f"icing.episode.{kind}", "level": level, "repeat": 0, "again": 0, "id": f"m{seq}", "state": "sent",
        "last_error": None, "made_at": NOW, "valid_until": NOW + timedelta(hours=6), "settled_at": NOW, "meant_for": None,
    } | other  # fmt: skip


def arrived(seq: int, kind: str, level: int = 3) -> Arrival:
    return Arrival("room", f"m{seq}", True, f"XNOR-1.{seq}", f"icing.episode.{kind}", level)


def reported(minutes: int, weather: str) -> Published:
    at = NOW + timedelta(minutes=minutes)
    return Published(at, "XNOR", at, f"XNOR {at:%d%H%M}Z 00000KT 3000 {weather} OVC006 M02/M03 Q1010")


@pytest.fixture
def kept() -> Kept:
    later = NOW + timedelta(hours=1)
    return Kept(
        (an_event(1, "opened"), an_event(2, "raised", 4), an_event(3, "closed", 4, later)),
        (a_line(1, "opened"), a_line(2, "raised", 4), a_line(3, "closed", 4)),
        ({"id": "XNOR-1", "station": "XNOR", "flag": WANTED, "opened_at": NOW, "ended_at": later},),
        ({"station": "XNOR", "blind_since": None},),
    )


@pytest.fixture
def seen() -> Recorder:
    arrivals = [arrived(1, "opened"), arrived(2, "raised", 4), arrived(3, "closed", 4)]
    return Recorder(lambda: NOW, [reported(-5, "FZRA"), reported(30, "BR")], arrivals)


def asked(by: int, *minutes: int) -> list[Asked]:
    return [Asked(NOW + timedelta(minutes=at), by) for at in minutes]


def a_blind_one(minutes: int, by: int) -> dict[str, Any]:
    at = NOW + timedelta(minutes=minutes, microseconds=by)
    return {
        "id": "XNOR.1", "subject_id": "XNOR", "seq": 1, "type": "icing.station.blind", "at": at,
        "body": {"station": "XNOR", "level": None},
    }  # fmt: skip


def ended_by(kept: Kept, by: int) -> Kept:
    """Return the same with its last event said by this process."""
    *events, last = kept.events
    return replace(kept, events=(*events, last | {"at": last["at"] + timedelta(microseconds=by)}))


def changed(lines: tuple[dict[str, Any], ...], seq: int, **new: Any) -> tuple[dict[str, Any], ...]:
    return tuple(line | new if line["seq"] == seq else line for line in lines)


def test_a_sound_night_has_no_findings(kept: Kept, seen: Recorder) -> None:
    assert findings(kept, seen, ROOM) == []


def test_an_event_that_is_missing_is_found(kept: Kept, seen: Recorder) -> None:
    lost = replace(kept, events=(kept.events[0], kept.events[2]))
    assert any("are not 1, 2, 3" in line for line in findings(lost, seen, ROOM))


def test_what_was_owed_to_nobody_is_found(kept: Kept, seen: Recorder) -> None:
    assert "desk was never told of XNOR-1" in findings(kept, seen, ("room", "desk"))
    no_end = replace(kept, lines=kept.lines[:2])
    assert "room was not told the end of XNOR-1" in findings(no_end, seen, ROOM)


def test_what_is_sent_and_never_arrived_is_found(kept: Kept, seen: Recorder) -> None:
    del seen.arrivals[1]
    assert findings(kept, seen, ROOM) == ["m2 is sent by the store's word, and never arrived at room"]


def test_two_names_for_one_event_are_found(kept: Kept, seen: Recorder) -> None:
    twice = replace(kept, lines=(*kept.lines, a_line(2, "raised", 4, id="m9", number=2)))
    assert any("under several names" in line for line in findings(twice, seen, ROOM))


def test_what_was_given_up_without_reason_is_found(kept: Kept, seen: Recorder) -> None:
    dead = replace(kept, lines=changed(kept.lines, 2, state="dead"))
    assert "m2 was given up without a reason" in findings(dead, seen, ROOM)
    early = replace(kept, lines=changed(kept.lines, 2, state="expired"))
    assert "m2 ran out before its time" in findings(early, seen, ROOM)


def test_a_wrong_order_is_found(kept: Kept, seen: Recorder) -> None:
    seen.arrivals.reverse()
    assert len(findings(kept, seen, ROOM)) == 2


def test_contradictions_are_found(kept: Kept, seen: Recorder) -> None:
    never_opened = replace(kept, lines=kept.lines[1:])
    assert any("was never opened" in line for line in findings(never_opened, seen, ROOM))
    never_stood = replace(kept, lines=changed(kept.lines, 1, level=2))
    assert any("level 2 never stood" in line for line in findings(never_stood, seen, ROOM))


def test_what_is_told_as_worse_or_less_bad_and_is_not_is_found(kept: Kept, seen: Recorder) -> None:
    def found(kind: str, first: dict[str, Any], second: dict[str, Any]) -> bool:
        opened, raised, closed = kept.events
        bodies = {"level": 4, "station": "XNOR"}
        events = (opened | {"body": bodies | first}, raised | {"body": bodies | second}, closed)
        lines = (a_line(1, "opened", 4), a_line(2, kind, 4), a_line(3, "closed", 4))
        return any(
            f": {kind} from 4 to 4" in line for line in findings(replace(kept, events=events, lines=lines), seen, ROOM)
        )

    assert found("raised", {}, {})
    assert found("lowered", {"no_time": "none"}, {"no_time": "none"})
    assert not found("raised", {"no_time": "allowance"}, {"no_time": "none"})
    assert not found("lowered", {"no_time": "none"}, {"no_time": "allowance"})
    late, soon, sooner = (
        {"kind": "expected", "begins_at": f"2026-01-12T{hour}Z"} for hour in ("18:00", "17:01", "17:00")
    )
    assert found("raised", late, soon)
    assert found("raised", sooner, late)
    assert found("lowered", late, sooner)
    assert not found("raised", late, sooner)


def test_an_end_without_a_report_that_says_so_is_found(kept: Kept, seen: Recorder) -> None:
    del seen.published[1]
    assert any("still tells of it" in line for line in findings(kept, seen, ROOM))
    seen.published.clear()
    assert any("no report of XNOR told of it" in line for line in findings(kept, seen, ROOM))


def test_a_station_called_blind_is_held_to_what_its_judge_had_been_told(kept: Kept, seen: Recorder) -> None:
    """A report comes at 30; a process calls the station blind at 40 (its number in the last digits of the time)."""
    called = replace(kept, events=(*kept.events, a_blind_one(40, by=3)), lines=(*kept.lines, a_line(4, "blind")))

    def blind(*questions: Asked) -> bool:
        seen.asked = list(questions)
        return any("XNOR.1: blind" in line for line in findings(called, seen, ROOM))

    # It asked again after it was answered with the report, or for the first time.
    assert blind(*asked(3, -10, 31, 32))
    assert blind(*asked(2, -10), *asked(3, 31))
    # It judged before it had asked, or before it had asked again since another one did.
    assert blind(*asked(2, -10))
    assert blind(*asked(3, -10), *asked(2, 20))
    # The report was on its way, or nobody had asked for it.
    assert not blind(*asked(3, -10, 20, 31))
    assert not blind(*asked(3, -10, 20))


def test_an_end_is_held_to_what_its_judge_had_been_told(kept: Kept, seen: Recorder) -> None:
    """The report of mild weather is replaced at 32 by one of freezing rain; the end is said at 60."""
    ended = ended_by(kept, 3)
    seen.published.append(reported(32, "FZRA"))

    def wrong(*questions: Asked) -> bool:
        seen.asked = list(questions)
        return any("still tells of it" in line for line in findings(ended, seen, ROOM))

    assert wrong(*asked(3, 33, 34))
    assert wrong(*asked(3, 31), *asked(2, 33))
    assert not wrong(*asked(3, 31, 33))
    assert not wrong(*asked(3, 31))


def test_freezing_rain_that_a_process_heard_of_and_passed_over_is_found(kept: Kept, seen: Recorder) -> None:
    seen.published.append(reported(70, "FZRA"))
    seen.asked = asked(2, 71)
    assert findings(kept, seen, ROOM) == []
    seen.asked = [*asked(2, 71), *asked(3, 72)]
    assert findings(kept, seen, ROOM) == [], "whoever heard of it may have been killed"
    seen.asked += asked(3, 73)
    assert [line.partition(":")[0] for line in findings(kept, seen, ROOM)] == ["XNOR"]


def test_a_silent_station_that_nobody_calls_blind_is_found(kept: Kept, seen: Recorder) -> None:
    after = timedelta(minutes=85)
    assert silent_and_not_blind(kept, seen, NOW + timedelta(hours=1), after) == []
    assert silent_and_not_blind(kept, seen, NOW + timedelta(hours=3), after) == ["XNOR"]
