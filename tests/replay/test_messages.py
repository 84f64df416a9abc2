"""What would have been sent, told month by month, is what is told in one go."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import pytest

from tests.replay.winters import Winter, partitions, positions
from watcher.alerts.model import Event, Policy
from watcher.alerts.preview import preview
from watcher.alerts.subscribers import Hours, Recipient, Subscription
from watcher.replay.messages import AT_ONE_DESK, ONE_DESK, message_loads
from watcher.replay.rehearsal.model import Span
from watcher.replay.rehearsal.pool import rehearse
from watcher.rulebook.words import Flag, Level
from watcher.service.rules_folder import load_rulebook

# Two turns of the month, one of them also the end of the year; a zone whose days are not those of UTC.
WINTER = Winter(stations=2, days=35, seed=15, begins_at=datetime(2023, 11, 29, 0, 20, tzinfo=UTC))
PLACES = positions(WINTER)
BEGIN, UNTIL = WINTER.begins_at, WINTER.begins_at + timedelta(days=35)
ZONE = "America/St_Johns"
NIGHTS = Hours(time(18), time(9, 30), ZONE)
SUBSCRIPTIONS = (
    ONE_DESK,
    Subscription("nights", ("ramp",), hours=NIGHTS, digest_at=(time(18), time(4)), zone=ZONE),
    Subscription("snow", ("ops",), flags=frozenset({Flag.SNOW}), min_level=Level.NOTE, remind_every=timedelta(hours=5)),
)
RECIPIENTS = (AT_ONE_DESK, Recipient("ramp", timedelta(seconds=20)), Recipient("ops"))


@pytest.fixture(scope="module")
def events(tmp_path_factory) -> list[Event]:
    folder = tmp_path_factory.mktemp("winter")
    made = rehearse(
        partitions(WINTER, folder / "table"),
        folder / "kept",
        station_of=PLACES.__getitem__,
        rulebook=load_rulebook(),
        policy=Policy(),
        span=Span(UNTIL),
    )
    return list(made.events())


def test_month_by_month_is_told_what_is_told_in_one_go(events):
    loads = message_loads(
        events, SUBSCRIPTIONS, RECIPIENTS, station_of=PLACES.__getitem__, begin=BEGIN, until=UNTIL, policy=Policy()
    )
    whole = preview(
        SUBSCRIPTIONS,
        RECIPIENTS,
        events,
        stations=PLACES.__getitem__,
        begin=BEGIN,
        until=UNTIL + timedelta(minutes=1),
        policy=Policy(),
    )
    assert [load.destination for load in loads] == [counts.destination for counts in whole.counts]
    for load, counts in zip(loads, whole.counts, strict=True):
        own = [message for message in whole.messages if message.destination == load.destination]
        assert load.messages == counts.messages == len(own)
        assert load.zone == counts.zone
        assert load.at_night == counts.at_night
        assert load.busiest_hour == counts.busiest_hour
        assert tuple(load.by_level.items()) == counts.by_level
        assert load.by_day == {day: count for day, count in counts.by_day if count}
        assert load.days == len(counts.by_day)
        assert load.alerts == sum(len(message.items) for message in own) == sum(load.by_station.values())
        assert sum(load.by_flag.values()) == load.alerts
        assert load.digests == sum(digest.destination == load.destination for digest in whole.digests)
    assert {load.destination: load.digests for load in loads} == {"one desk": 0, "ramp": 70, "ops": 0}
    assert min(load.messages for load in loads) > 20


def test_a_destination_that_nobody_uses_and_a_time_without_events_have_no_messages():
    (load,) = message_loads(
        [], [ONE_DESK], RECIPIENTS, station_of=PLACES.__getitem__, begin=BEGIN, until=UNTIL, policy=Policy()
    )
    assert (load.messages, load.alerts, load.busiest_day, load.busiest_hour, load.a_day) == (0, 0, None, None, 0.0)
    assert load.days == 36
