"""Wall-clock hours hold through every kind of change of the clocks.

The reference is a clock that is read minute by minute: `Walk` steps through UTC, asks zoneinfo (IANA time zone database)
what the wall clock reads, and looks up first and last readings in what it saw, without any arithmetic on local times.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from watcher.alerts.hours import edges, following, instant, latest, within
from watcher.alerts.subscribers import Hours

MINUTE = timedelta(minutes=1)
MOMENT = timedelta(microseconds=1)
DAY = timedelta(days=1)
ZONES = (
    "Europe/Oslo",
    "America/St_Johns",  # changed at one minute past midnight until 2011
    "Australia/Lord_Howe",  # half an hour
    "Asia/Kathmandu",  # no change, and a quarter of an hour off
    "Africa/Casablanca",  # four changes a year
    "Pacific/Apia",  # left out a day in 2011
    "Pacific/Chatham",
    "Antarctica/Troll",  # two hours
    "America/Nuuk",  # the evening before, from 2024
    "Asia/Gaza",  # at midnight in some years
    "Europe/Dublin",  # standard time in summer
    "America/Scoresbysund",  # at midnight; two changes at once in 2024
)
YEARS = (2010, 2011, 2012, 2023, 2024, 2025, 2026)
HOURS = (
    (time(18), time(9)),
    (time(2), time(3)),
    (time(2, 15), time(2, 45)),
    (time(23, 30), time(0, 30)),
    (time(0), time(23, 30)),
    (time(3), time(2)),
    (time(1, 30), time(2, 30)),
)


@lru_cache(maxsize=len(ZONES))
def changes(zone: str) -> tuple[datetime, ...]:
    """The instants at which the offset from UTC changes, to the minute, found by looking."""
    found = []
    for year in YEARS:
        marks = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(hours=6 * n) for n in range(366 * 4)]
        offsets = [mark.astimezone(ZoneInfo(zone)).utcoffset() for mark in marks]
        for mark, old, new in zip(marks, offsets, offsets[1:], strict=False):
            if old != new:
                minutes = (mark + n * MINUTE for n in range(1, 361))
                found.append(next(m for m in minutes if m.astimezone(ZoneInfo(zone)).utcoffset() != old))
    return tuple(found)


class Walk:
    """What the wall clock of a zone reads in every minute of the three days before and after an instant."""

    def __init__(self, zone: str, around: datetime) -> None:
        info = ZoneInfo(zone)
        self.start = around - 3 * DAY
        self.epoch = datetime(self.start.year, 1, 1)
        minutes = [self.start + n * MINUTE for n in range(6 * 1440)]
        self.reads = np.array([(m.astimezone(info).replace(tzinfo=None) - self.epoch) // MINUTE for m in minutes])
        self.last_minute = len(minutes)

    def at(self, count: int) -> datetime:
        return self.start + int(count) * MINUTE

    def first(self, day: date, wall: time) -> int:
        """The first minute that reads this or later; the end of the walk when none does."""
        reached = self.reads >= (datetime.combine(day, wall) - self.epoch) // MINUTE
        return int(reached.argmax()) if reached.any() else self.last_minute

    def last(self, day: date, wall: time) -> int:
        """The last minute that reads this; where none does, the first that reads later."""
        read = np.flatnonzero(self.reads == (datetime.combine(day, wall) - self.epoch) // MINUTE)
        return int(read[-1]) if len(read) else self.first(day, wall)

    def days(self) -> list[date]:
        """The local days that the clock reads at all."""
        return [self.epoch.date() + int(n) * DAY for n in np.unique(self.reads // 1440)]

    def inside(self, hours: Hours) -> np.ndarray:
        """Which minutes are inside the hours."""
        inside = np.zeros(self.last_minute, dtype=bool)
        lived = self.days()
        day = lived[0] - 2 * DAY
        while day <= lived[-1] + DAY:
            end_day = day if hours.begin < hours.end else day + DAY
            inside[self.first(day, hours.begin) : self.last(end_day, hours.end)] = True
            day += DAY
        return inside


@lru_cache(maxsize=len(ZONES))
def walks(zone: str) -> tuple[Walk, ...]:
    """A walk around each change of a zone; for one without any, around an ordinary night."""
    return tuple(Walk(zone, change) for change in changes(zone) or (datetime(2026, 1, 12, tzinfo=UTC),))


def test_a_wall_time_on_an_ordinary_day_is_the_instant_that_reads_it():
    assert instant(date(2026, 1, 12), time(6, 30), "Europe/Oslo") == datetime(2026, 1, 12, 5, 30, tzinfo=UTC)
    assert instant(date(2026, 1, 12), time(6, 30), "Europe/Oslo", last=True) == datetime(2026, 1, 12, 5, 30, tzinfo=UTC)
    assert instant(date(2026, 1, 12), time(6), "Asia/Kathmandu") == datetime(2026, 1, 12, 0, 15, tzinfo=UTC)


def test_the_clocks_of_the_union_change_at_0100_utc_on_the_last_sundays_of_march_and_october():
    """Source: Directive 2000/84/EC, articles 2 and 3: 1 a.m. Greenwich Mean Time on these Sundays."""
    for zone, hour in (("Europe/Oslo", 2), ("Europe/Dublin", 1), ("Europe/Athens", 3)):
        skipped = instant(date(2026, 3, 29), time(hour, 30), zone)
        assert skipped == instant(date(2026, 3, 29), time(hour, 30), zone, last=True)
        assert skipped == datetime(2026, 3, 29, 1, tzinfo=UTC)
        assert instant(date(2026, 10, 25), time(hour, 30), zone) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
        assert instant(date(2026, 10, 25), time(hour, 30), zone, last=True) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_a_time_on_a_day_that_is_left_out_has_the_instant_of_the_change():
    """Source: IANA time zone database, file australasia: Samoa left out Friday 30 December 2011."""
    change = datetime(2011, 12, 30, 10, tzinfo=UTC)
    for wall in (time(0), time(8), time(23, 59, 59)):
        assert instant(date(2011, 12, 30), wall, "Pacific/Apia") == change
        assert instant(date(2011, 12, 30), wall, "Pacific/Apia", last=True) == change
    assert instant(date(2011, 12, 29), time(23, 59), "Pacific/Apia") == change - MINUTE
    assert instant(date(2011, 12, 31), time(0), "Pacific/Apia") == change


def test_a_change_is_found_to_the_second():
    """Source: IANA time zone database, file africa: Liberia skipped 44 min 30 s at midnight of 7 January 1972."""
    change = datetime(1972, 1, 7, 0, 44, 30, tzinfo=UTC)
    for wall in (time(0), time(0, 20), time(0, 20, 30, 500_000), time(0, 44, 29, 999_999), time(0, 44, 30)):
        assert instant(date(1972, 1, 7), wall, "Africa/Monrovia") == change
    assert instant(date(1972, 1, 6), time(23, 59, 59, 999_999), "Africa/Monrovia") == change - MOMENT
    assert instant(date(1972, 1, 7), time(0, 44, 30, 1), "Africa/Monrovia") == change + MOMENT


@pytest.mark.parametrize("zone", ZONES)
def test_every_minute_around_every_change_has_the_instants_at_which_a_walked_clock_reads_it(zone):
    for walk in walks(zone):
        near = walk.reads[3 * 1440 - 240 : 3 * 1440 + 240]
        for minute in range(int(near.min()), int(near.max()) + 1, 3):
            wall = walk.epoch + minute * MINUTE
            read = np.flatnonzero(walk.reads == minute)
            expected = (read[0], read[-1]) if len(read) else [walk.first(wall.date(), wall.time())] * 2
            found = tuple(instant(wall.date(), wall.time(), zone, last=last) for last in (False, True))
            assert found == tuple(walk.at(n) for n in expected), wall


@pytest.mark.parametrize("zone", ZONES)
def test_hours_are_one_unbroken_interval_through_every_change(zone):
    for walk in walks(zone):
        for begin, end in HOURS:
            hours = Hours(begin, end, zone)
            inside = walk.inside(hours)[1440:-1440]
            turns = [walk.at(1440 + n) for n in np.flatnonzero(inside[1:] != inside[:-1]) + 1]
            assert list(edges(hours, walk.at(1440), walk.at(1440 + len(inside) - 1))) == turns
            for turn in turns:
                index = (turn - walk.at(1440)) // MINUTE
                assert within(hours, turn) == inside[index]
                assert within(hours, turn - MOMENT) == inside[index - 1]
            for index in range(0, len(inside), 97):
                assert within(hours, walk.at(1440 + index)) == inside[index]


@pytest.mark.parametrize("zone", ZONES)
def test_each_digest_time_comes_once_on_each_day_that_is_lived_through(zone):
    times = (time(23, 30), time(0), time(2, 30), time(6))
    for walk in walks(zone):
        expected = sorted({walk.at(walk.first(day, wall)) for day in walk.days()[1:-1] for wall in times})
        for before, after in pairwise(expected):
            for now in (before, before + MINUTE / 2, after - MOMENT):
                assert latest(times, zone, now) == before
                assert following(times, zone, now) == after


def test_no_digest_is_made_up_for_a_day_that_is_left_out():
    eve, change = datetime(2011, 12, 29, 18, tzinfo=UTC), datetime(2011, 12, 30, 10, tzinfo=UTC)
    assert instant(date(2011, 12, 29), time(8), "Pacific/Apia") == eve
    assert latest([time(8)], "Pacific/Apia", change) == eve
    assert following([time(8)], "Pacific/Apia", eve) == datetime(2011, 12, 30, 18, tzinfo=UTC)


def test_a_digest_time_that_is_skipped_comes_at_the_change_and_one_that_is_read_twice_comes_once():
    spring, autumn = datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert latest([time(2, 30)], "Europe/Oslo", spring) == spring
    assert latest([time(2, 30)], "Europe/Oslo", spring - MOMENT) == spring - DAY + timedelta(minutes=30)
    assert latest([time(2, 30)], "Europe/Oslo", autumn + timedelta(hours=2)) == autumn
    assert following([time(2, 30)], "Europe/Oslo", autumn) == autumn + timedelta(hours=25)


def test_nothing_is_scheduled_without_times():
    assert latest((), "Europe/Oslo", datetime(2026, 1, 12, tzinfo=UTC)) is None
    assert following((), "Europe/Oslo", datetime(2026, 1, 12, tzinfo=UTC)) is None


def test_no_hours_and_equal_begin_and_end_are_always():
    whole = Hours(time(6), time(6), "Europe/Oslo")
    for now in (datetime(2026, 1, 12, 5, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)):
        assert within(None, now)
        assert within(whole, now)
    assert edges(whole, datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC)) == ()


def test_the_beginning_belongs_to_the_hours_and_the_end_does_not():
    night = Hours(time(18), time(9), "Europe/Oslo")
    begin, end = datetime(2026, 1, 12, 17, tzinfo=UTC), datetime(2026, 1, 13, 8, tzinfo=UTC)
    assert [within(night, now) for now in (begin - MOMENT, begin, end - MOMENT, end)] == [False, True, True, False]
    assert edges(night, begin - DAY / 2, end + DAY / 4) == (begin - timedelta(hours=9), begin, end)
    assert edges(night, begin, end) == (end,), "the instant that an interval begins with is not in it"


def test_hours_from_the_half_hour_that_is_read_twice_begin_once_and_do_not_pause():
    """02:30 to 02:45 lasts from the first 02:30 to the second 02:45."""
    hours = Hours(time(2, 30), time(2, 45), "Europe/Oslo")
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert edges(hours, first - DAY / 2, first + DAY / 2) == (first, first + timedelta(minutes=75))


def test_hours_that_the_clock_skips_as_a_whole_do_not_occur_that_day():
    hours = Hours(time(2, 15), time(2, 45), "Europe/Oslo")
    assert edges(hours, datetime(2026, 3, 28, 12, tzinfo=UTC), datetime(2026, 3, 29, 12, tzinfo=UTC)) == ()
    assert not within(hours, datetime(2026, 3, 29, 1, tzinfo=UTC))


def test_hours_across_midnight_last_through_a_day_that_is_left_out():
    hours = Hours(time(18), time(9), "Pacific/Apia")
    begin, end = datetime(2011, 12, 30, 4, tzinfo=UTC), datetime(2011, 12, 30, 19, tzinfo=UTC)
    assert edges(hours, begin - DAY / 4, end + DAY / 4) == (begin, end)


def test_the_present_may_be_given_in_any_zone():
    night = Hours(time(18), time(9), "Europe/Oslo")
    for zone in ("America/St_Johns", "Pacific/Apia"):
        now = datetime(2026, 1, 12, 17, tzinfo=UTC).astimezone(ZoneInfo(zone))
        assert within(night, now)
        assert not within(night, now - MINUTE)
        assert latest([time(18)], "Europe/Oslo", now) == datetime(2026, 1, 12, 17, tzinfo=UTC)


def test_a_zone_that_is_not_known_is_refused():
    with pytest.raises(ZoneInfoNotFoundError):
        instant(date(2026, 1, 12), time(6), "Nowhere/Land")
    with pytest.raises(ValueError):
        within(Hours(time(6), time(9), "../zone"), datetime(2026, 1, 12, tzinfo=UTC))


ZONE = st.sampled_from(ZONES)
WALL = st.times().map(lambda t: t.replace(second=0, microsecond=0)) | st.times()


@st.composite
def zones_and_moments(draw):
    """A zone and an instant, mostly within two days of a change."""
    zone = draw(ZONE)
    if not changes(zone) or draw(st.integers(0, 9)) == 0:
        return zone, draw(st.datetimes(datetime(2009, 1, 1), datetime(2032, 1, 1), timezones=st.just(UTC)))
    return zone, draw(st.sampled_from(changes(zone))) + timedelta(seconds=draw(st.integers(-172_800, 172_800)))


@given(zones_and_moments(), WALL, WALL)
def test_hours_begin_once_a_day_unless_skipped_or_still_running(place, begin, end):
    zone, moment = place
    assume(begin != end)
    hours = Hours(begin, end, zone)
    week = edges(hours, moment - 4 * DAY, moment + 4 * DAY)
    beginnings = [edge for edge in week if within(hours, edge)]
    local = moment.astimezone(ZoneInfo(zone)).date()
    for day in (local + n * DAY for n in range(-2, 3)):
        opens = instant(day, begin, zone)
        closes = instant(day if begin < end else day + DAY, end, zone, last=True)
        assert beginnings.count(opens) == (opens < closes and not within(hours, opens - MOMENT))


@given(zones_and_moments(), WALL, WALL)
def test_edges_turn_and_nothing_turns_between_them(place, begin, end):
    zone, moment = place
    hours = Hours(begin, end, zone)
    turns = edges(hours, moment - 2 * DAY, moment + 2 * DAY)
    assert all(within(hours, edge) != within(hours, edge - MOMENT) for edge in turns)
    marks = (moment - 2 * DAY, *turns, moment + 2 * DAY)
    for one, two in pairwise(marks):
        for part in (0.0, 0.3, 0.7, 0.999):
            now = one + (two - one) * part
            assert now == two or within(hours, now) == within(hours, one)


@given(zones_and_moments(), WALL, WALL)
def test_hours_and_the_rest_of_the_day_leave_no_gap_and_meet_only_where_a_time_is_read_twice(place, begin, end):
    zone, moment = place
    assume(begin != end)
    here, there = within(Hours(begin, end, zone), moment), within(Hours(end, begin, zone), moment)
    assert here or there
    if here and there:
        wall = moment.astimezone(ZoneInfo(zone))
        assert instant(wall.date(), wall.time(), zone) != instant(wall.date(), wall.time(), zone, last=True)


@given(zones_and_moments(), st.integers(7, 20), WALL, WALL)
def test_far_from_a_change_hours_are_what_the_wall_clock_says(place, days, begin, end):
    zone, near = place
    moment = near + days * DAY
    assume(begin != end)
    assume(len({(moment + n * DAY).astimezone(ZoneInfo(zone)).utcoffset() for n in range(-3, 4)}) == 1)
    wall = moment.astimezone(ZoneInfo(zone)).time()
    expected = begin <= wall < end if begin < end else wall >= begin or wall < end
    assert within(Hours(begin, end, zone), moment) == expected


@given(zones_and_moments(), st.lists(WALL, min_size=1, max_size=4), st.lists(st.integers(0, 200_000), max_size=8))
def test_the_latest_digest_never_goes_back_and_the_following_one_is_next(place, times, steps):
    zone, now = place
    before = latest(times, zone, now)
    for step in steps:
        now += timedelta(seconds=step)
        newest, coming = latest(times, zone, now), following(times, zone, now)
        assert before <= newest <= now < coming
        assert latest(times, zone, coming) == coming
        assert latest(times, zone, coming - MOMENT) == newest
        assert following(times, zone, newest) == coming
        before = newest


@given(zones_and_moments(), WALL)
def test_wall_times_follow_one_another_as_their_instants_do(place, wall):
    zone, moment = place
    day = moment.astimezone(ZoneInfo(zone)).date()
    firsts = [instant(day + n * DAY, wall, zone) for n in range(-2, 3)]
    lasts = [instant(day + n * DAY, wall, zone, last=True) for n in range(-2, 3)]
    assert firsts == sorted(firsts)
    assert lasts == sorted(lasts)
    assert all(first <= last for first, last in zip(firsts, lasts, strict=True))
