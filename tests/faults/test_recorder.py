"""The recorder itself: every kind of fault is planted once, and found."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.faults.recorder import Arrival, Kept, Published, Recorder, findings, silent_and_not_blind

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
    return Published(at, "XNOR", at, f"XNOR {at:%d%H%M}Z 00000KT 3000 {weather} OVC006 M02/M03 Q1010", at)


@pytest.fixture
def kept() -> Kept:
    later = NOW + timedelta(hours=1)
    return Kept(
        (an_event(1, "opened"), an_event(2, "raised", 4), an_event(3, "closed", 4, later)),
        (a_line(1, "opened"), a_line(2, "raised", 4), a_line(3, "closed", 4)),
        ({"id": "XNOR-1", "flag": "freezing-precipitation"},),
        ({"station": "XNOR", "blind_since": None},),
    )


@pytest.fixture
def seen() -> Recorder:
    arrivals = [arrived(1, "opened"), arrived(2, "raised", 4), arrived(3, "closed", 4)]
    return Recorder(lambda: NOW, [reported(-5, "FZRA"), reported(30, "BR")], arrivals)


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


def test_an_end_without_a_report_that_says_so_is_found(kept: Kept, seen: Recorder) -> None:
    del seen.published[1]
    assert any("still tells of it" in line for line in findings(kept, seen, ROOM))
    seen.published.clear()
    assert any("no report of XNOR told of it" in line for line in findings(kept, seen, ROOM))


def test_a_silent_station_that_nobody_calls_blind_is_found(kept: Kept, seen: Recorder) -> None:
    after = timedelta(minutes=85)
    assert silent_and_not_blind(kept, seen, NOW + timedelta(hours=1), after) == []
    assert silent_and_not_blind(kept, seen, NOW + timedelta(hours=3), after) == ["XNOR"]
