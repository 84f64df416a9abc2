"""The picture of an expected period: readable whatever an event knows, and nothing in it that the event does not say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from tests.pictures.reading import assert_readable, parsed, shapes, texts
from watcher.outlook.model import Odds
from watcher.pictures.period_plot import Period, period_picture, said
from watcher.rulebook.words import Level

NIGHT = datetime(2026, 1, 13, tzinfo=UTC)


def at(hour: float) -> datetime:
    return NIGHT + timedelta(hours=hour)


def frost(begins=1.5, until=7.75, odds=None, **rest) -> Period:
    odds = odds or Odds(0.78, (at(0.5), at(3.5)), (at(7), at(9)))
    told = {"station": "XBAY", "what": "frost likely", "level": Level.PREPARE, "zone": "Europe/Oslo"}
    return Period(**{**told, **rest}, begins_at=at(begins), until=None if until is None else at(until), odds=odds)


def test_it_says_when_how_sure_and_how_likely():
    words = texts(period_picture(frost()))
    assert words[:2] == ["XBAY 13 Jan: frost likely", "78 %"]
    assert "from 0130Z (0030Z to 0330Z)" in words
    assert "to 0745Z (0700Z to 0900Z)" in words
    assert "prepare" in words
    assert said(frost()) == (
        "XBAY, frost likely: begins about 0130Z (0030Z to 0330Z), ends about 0745Z (0700Z to 0900Z); chance 78 %."
    )


def test_where_begin_and_end_may_meet_no_hour_is_drawn_as_sure():
    wide = frost(3, 4, Odds(0.2, (at(1), at(6)), (at(2), at(8))))
    assert shapes(period_picture(wide), "core") == []
    assert len(shapes(period_picture(frost()), "core")) == 1


def test_one_that_goes_on_has_no_end():
    words = texts(period_picture(frost(odds=Odds(0.9, goes_on=True))))
    assert "goes on after 0745Z" in words
    assert "end not known" in texts(period_picture(frost(until=None, odds=Odds(0.9))))


HOURS = st.floats(0, 30)
PAIRS = st.none() | st.tuples(HOURS, HOURS).map(lambda pair: (at(min(pair)), at(max(pair))))


@given(
    HOURS,
    st.none() | HOURS,
    st.builds(Odds, st.floats(0, 1), PAIRS, PAIRS, st.booleans()),
    st.sampled_from(Level),
    st.sampled_from([None, "Europe/Oslo", "America/Argentina/Buenos_Aires", "Asia/Kolkata", "nowhere"]),
    st.text(max_size=60),
)
def test_whatever_an_event_knows_can_be_read(begins, until, odds, level, zone, what):
    picture = period_picture(frost(begins, until, odds, level=level, zone=zone, what=what))
    assert_readable(picture)
    assert parsed(picture).get("aria-label")
