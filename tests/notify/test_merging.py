"""Several events in one message: whoever reads only that message knows how things stand, and is told so in true words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.desk import LADDER, Desk, everything, metar
from tests.alerts.scenes import MIDNIGHT, at
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Item, NewDelivery
from watcher.alerts.subscribers import Hours
from watcher.notify.message import Links, Message, Part, message_of
from watcher.rulebook.words import Kind, Level

ENDED = {EventType.CLOSED, EventType.WITHDRAWN, EventType.SEEING}
WITHIN = timedelta(minutes=40)


def message(desk: Desk, deliveries: Sequence[NewDelivery]) -> Message:
    """Return the message that these deliveries share."""
    items = [Item(desk.said(it), it.told_as, it.level, it.subject_id, it.repeat) for it in deliveries]
    take = tuple((item.subject_id, f"https://take.example.org/{item.subject_id}") for item in items)
    last = deliveries[-1]
    return message_of("msg_1", items, now=last.made_at, valid_until=last.valid_until, links=Links(take=take))


def one(desk: Desk) -> Part:
    """Return the only part of the message of all that was told."""
    (part,) = message(desk, desk.deliveries).parts
    return part


def played(*steps: tuple[str, str], known: int = 0, **changes) -> Desk:
    """Return a desk that heard this weather at these times; the first deliveries are not in its last message."""
    desk = Desk(everything("duty", **changes), rules=LADDER)
    for clock, weather in steps:
        desk.hear(clock, metar(weather, at(clock)))
    desk.deliveries = desk.deliveries[known:]
    return desk


def test_opened_and_raised_together_is_new_at_the_level_that_it_has_now():
    part = one(played(("0520", "SN"), ("0530", "+SN")))
    assert (part.told_as, part.body.level, part.body.previous_level) == (EventType.OPENED, Level.NO_TIME, None)
    assert part.headline == "XNOR no-time: snow of its kind since 0520Z, -2/-6, not ended"


def test_opened_and_ended_together_is_told_as_ended():
    part = one(played(("0520", "SN"), ("0550", "")))
    assert part.told_as is EventType.CLOSED
    assert part.headline == "XNOR ended: snow of its kind, since 0520Z, settled 0550Z"
    assert part.take is None


def test_raised_high_and_lowered_a_little_is_raised_for_whoever_knew_less():
    part = one(played(("0520", "-SN"), ("0530", "+SN"), ("0550", "SN"), known=1))
    assert (part.told_as, part.body.level, part.body.previous_level) == (EventType.RAISED, Level.TREAT, Level.PREPARE)
    assert part.headline == "XNOR treat (was prepare): snow of its kind since 0520Z, -2/-6, not ended"


def test_lowered_far_and_raised_a_little_is_lowered_for_whoever_knew_more():
    part = one(played(("0520", "+SN"), ("0530", "-SN"), ("0550", "SN"), known=1))
    assert (part.told_as, part.body.previous_level) == (EventType.LOWERED, Level.NO_TIME)
    assert part.headline.startswith("XNOR treat (was no-time): ")


def test_raised_and_lowered_back_tells_what_happened_in_between():
    part = one(played(("0520", "SN"), ("0530", "+SN"), ("0550", "SN"), known=1))
    assert (part.told_as, part.body.previous_level) == (EventType.LOWERED, Level.NO_TIME)
    assert part.headline.startswith("XNOR treat (was no-time): ")


def test_taken_and_raised_together_is_raised_and_in_nobodys_hands():
    desk = played(("0520", "SN"), known=1)
    desk.hear("0530", taken=[("night duty", "snow")])
    desk.hear("0540", metar("+SN", at("0540")))
    part = one(desk)
    assert (part.told_as, part.body.by) == (EventType.RAISED, None)
    assert part.take is not None, "and can be taken"


def test_raised_and_taken_together_is_raised_and_says_who_has_it():
    desk = played(("0520", "SN"), ("0530", "+SN"), known=1)
    desk.hear("0540", taken=[("night duty", "snow")])
    part = one(desk)
    assert (part.told_as, part.body.by, part.body.previous_level) == (EventType.RAISED, "night duty", Level.TREAT)
    assert part.take is None


SNOW_LATER = "TAF XNOR 12{}Z 1205/1306 00000KT 9999 SCT030 TEMPO 12{} 3000 SN OVC006"


def expected_earlier(**changes) -> Desk:
    """Return a desk that told of snow from 1800Z and then, in the message at hand, that it begins at 0800Z."""
    desk = Desk(everything("duty", **changes), rules=LADDER)
    desk.hear("0500", metar("", at("0500")))
    desk.hear("0505", SNOW_LATER.format("0505", "18/1223"))
    desk.deliveries.clear()
    desk.hear("0510", SNOW_LATER.format("0510", "08/1212"))
    return desk


def test_earlier_than_it_was_told_and_taken_together_is_worse_and_says_who_has_it():
    desk = expected_earlier()
    desk.hear("0515", taken=[("night duty", "snow")])
    assert [it.told_as for it in desk.deliveries] == [EventType.RAISED, EventType.TAKEN]
    part = one(desk)
    assert (part.told_as, part.body.by, part.body.previous_level) == (EventType.RAISED, "night duty", None)
    assert part.headline.endswith("expected 0800Z-1200Z")


def test_whoever_hears_of_it_first_is_not_told_what_was_before():
    """A desk whose hours begin with the change, and one that is told of the opening and the change in one message."""
    late = expected_earlier(hours=Hours(time(5, 10), time(12, 0), "UTC"))
    assert [it.told_as for it in late.deliveries] == [EventType.OPENED]
    assert one(late).headline.startswith("XNOR treat expected: ")
    both = Desk(everything("duty"), rules=LADDER)
    both.hear("0500", metar("", at("0500")))
    both.hear("0505", SNOW_LATER.format("0505", "18/1223"))
    both.hear("0510", SNOW_LATER.format("0510", "08/1212"))
    assert [it.told_as for it in both.deliveries] == [EventType.OPENED, EventType.RAISED]
    part = one(both)
    assert part.told_as is EventType.OPENED
    assert part.headline.startswith("XNOR treat expected: ")


def test_a_reminder_is_no_news_beside_an_earlier_beginning():
    desk = expected_earlier(remind_every=timedelta(minutes=10))
    desk.hear("0521")
    assert [it.told_as for it in desk.deliveries] == [EventType.RAISED, EventType.REMINDER]
    part = one(desk)
    assert part.told_as is EventType.RAISED
    assert part.headline.startswith("XNOR treat expected (from 0800Z, was 1800Z): ")


def test_whoever_hears_of_it_first_when_it_is_taken_is_not_asked_to_take_it():
    desk = played(("0520", "SN"))
    desk.hear("0530", taken=[("night duty", "snow")])
    part = one(desk)
    assert (part.told_as, part.body.by, part.take) == (EventType.OPENED, "night duty", None)


def test_a_reminder_is_no_news_beside_a_change():
    desk = played(("0520", "SN"), ("0530", "+SN"), ("0540", "+SN"), known=1, remind_every=timedelta(minutes=10))
    assert [it.told_as for it in desk.deliveries] == [EventType.RAISED, EventType.REMINDER]
    part = one(desk)
    assert (part.told_as, part.body.previous_level) == (EventType.RAISED, Level.TREAT)


def test_expected_confirmed_and_raised_together_says_that_it_is_reported_now():
    desk = Desk(everything("duty"), rules=LADDER)
    desk.hear("0505", "TAF XNOR 120500Z 1205/1218 00000KT 9999 SCT030 TEMPO 1206/1210 3000 -SN OVC006")
    desk.deliveries.clear()
    desk.hear("0610", metar("-SN", at("0610")))
    desk.hear("0620", metar("SN", at("0620")))
    part = one(desk)
    assert (part.told_as, part.body.level, part.body.kind) == (EventType.CONFIRMED, Level.TREAT, Kind.OBSERVED)
    assert part.body.previous_level is Level.PREPARE


def test_confirmed_as_it_was_expected_names_no_level_that_was_expected_in_between():
    desk = Desk(everything("duty"), rules=LADDER)
    taf = "TAF XNOR 1205{}Z 1205/1218 00000KT 9999 SCT030 TEMPO 1206/1210 3000 {} OVC006"
    desk.hear("0505", taf.format("05", "+SN"))
    desk.deliveries.clear()
    desk.hear("0615", taf.format("10", "-SN"))
    desk.hear("0620", metar("+SN", at("0620")))
    assert [it.told_as for it in desk.deliveries] == [EventType.LOWERED, EventType.CONFIRMED]
    part = one(desk)
    assert (part.told_as, part.body.level, part.body.previous_level) == (EventType.CONFIRMED, Level.NO_TIME, None)
    assert part.headline == "XNOR no-time: snow of its kind since 0620Z as expected, -2/-6, not ended"


def test_what_rose_unheard_and_then_went_up_and_back_is_raised_for_whoever_knew_less():
    desk = played(("0520", "-SN"))
    subscriptions, desk.subscriptions = desk.subscriptions, []
    desk.hear("0530", metar("+SN", at("0530")))
    desk.hear("0540", metar("SN", at("0540")))
    desk.deliveries.clear()
    desk.subscriptions = subscriptions
    desk.hear("0541")
    desk.hear("0550", metar("+SN", at("0550")))
    desk.hear("0600", metar("SN", at("0600")))
    assert [it.told_as for it in desk.deliveries] == [EventType.RAISED, EventType.RAISED, EventType.LOWERED]
    part = one(desk)
    assert (part.told_as, part.body.level, part.body.previous_level) == (EventType.RAISED, Level.TREAT, None)
    assert part.headline.startswith("XNOR treat: ")


@pytest.mark.parametrize(
    ("clocks", "told_as"), [(["0400", "0530"], EventType.BLIND), (["0400", "0530", "0600"], EventType.SEEING)]
)
def test_blind_and_seeing_together_is_how_it_is_now(clocks, told_as):
    desk = Desk(everything("duty"))
    for clock in clocks:
        desk.hear(clock, *([] if clock == "0530" else [metar("", at(clock))]))
    assert one(desk).told_as is told_as


def test_what_changed_unheard_is_told_without_a_level_before_that_the_reader_never_knew():
    desk = played(("0520", "-SN"), ("0530", "+SN"), ("0540", "SN"))
    desk.told = {key: told for key, told in desk.told.items() if told.seq > 99}
    desk.deliveries.clear()
    desk.hear("0541")
    part = one(desk)
    assert (part.told_as, part.body.previous_level) == (EventType.OPENED, None)
    assert "(was" not in part.headline


@dataclass(frozen=True)
class Known:
    """What a reader knows of one subject that has not ended."""

    level: Level | None
    kind: Kind | None
    by: str | None


def news(before: Known | None, part: Part) -> EventType | None:
    """Return what is to be told of an open subject to whoever knows this of it; None: nothing."""
    now = known_by(part)
    if before is None:
        return EventType.BLIND if now.level is None else EventType.OPENED
    if now.level is None or before.level is None:
        return None
    if (before.kind, now.kind) == (Kind.EXPECTED, Kind.OBSERVED):
        return EventType.CONFIRMED
    if now.level != before.level:
        return EventType.RAISED if now.level > before.level else EventType.LOWERED
    return EventType.TAKEN if now.by not in {None, before.by} else None


def known_by(part: Part) -> Known:
    return Known(part.body.level, part.body.kind, part.body.by)


def shared(deliveries: Sequence[NewDelivery]) -> Iterator[list[NewDelivery]]:
    """Yield what comes up within the time of grouping from the first, as one message."""
    waiting: list[NewDelivery] = []
    for delivery in deliveries:
        if waiting and delivery.made_at >= waiting[0].made_at + WITHIN:
            yield waiting
            waiting = []
        waiting.append(delivery)
    if waiting:
        yield waiting


TAF = (
    "TAF XNOR {now:%d%H%M}Z {now:%d%H}/{end:%d%H} 00000KT 9999 SCT030 TEMPO {start:%d%H}/{end:%d%H} 3000 {snow} OVC006"
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["-SN", "SN", "+SN", "", "silence", "take", "TAF -SN", "TAF SN", "TAF +SN"]),
        st.sampled_from([1, 5, 10, 30, 30, 90]),
    ),
    min_size=2,
    max_size=25,
)


@given(steps=STEPS, remind_min=st.sampled_from([None, 7, 30]))
def test_whoever_reads_only_the_shared_messages_is_never_misled(steps, remind_min):
    remind_every = timedelta(minutes=remind_min) if remind_min is not None else None
    desk = Desk(everything("duty", remind_every=remind_every), rules=LADDER)
    now, person = MIDNIGHT, 0
    for what, minutes in steps:
        now += timedelta(minutes=minutes)
        if what == "take":
            person += 1
            desk.turn(now, taken=[(f"person {person}", "snow")])
        elif what.startswith("TAF"):
            start, end = now + timedelta(hours=1), now + timedelta(hours=3)
            desk.turn(now, TAF.format(now=now, start=start, end=end, snow=what.split()[1]))
        else:
            desk.turn(now, *([] if what == "silence" else [metar(what, now)]))
    known: dict[str, Known] = {}
    for together in shared(desk.deliveries):
        said = message(desk, together)
        assert sorted(part.subject for part in said.parts) == sorted({it.subject_id for it in together})
        assert said.several == (len(said.parts) > 1)
        for part in said.parts:
            last = next(it for it in reversed(together) if it.subject_id == part.subject)
            assert (part.body.level, part.body.kind) == (last.level, last.kind), "how it stands at the end"
            assert (part.told_as in ENDED) == (last.told_as in ENDED)
            check_words(part, known.get(part.subject))
            if part.told_as in ENDED:
                known.pop(part.subject, None)
            else:
                known[part.subject] = known_by(part)
        over = [part.told_as in ENDED for part in said.parts]
        levels = [part.body.level or Level.NOTE for part in said.parts if part.told_as not in ENDED]
        assert over == sorted(over), "what goes on before what is over"
        assert all(earlier >= later for earlier, later in pairwise(levels)), "worst first"


def check_words(part: Part, before: Known | None) -> None:
    """Check that the words of a part are true for a reader who knows this of its subject."""
    named = re.search(r"\(was ([a-z-]+)\)", part.headline)
    assert named is None or Level.of(named[1]) is part.body.previous_level
    if part.told_as in ENDED:
        return
    word = news(before, part)
    if word is EventType.TAKEN and part.told_as in {EventType.RAISED, EventType.LOWERED}:
        assert part.body.by is not None, "back at the level that was known: the way there is told, and who has it"
    elif word is not None:
        assert part.told_as is word
        told_before = before.level if word is not EventType.OPENED and before is not None else None
        assert part.body.previous_level in {told_before, None}
    else:
        assert before is None or before.level is part.body.level
        assert part.told_as not in {EventType.OPENED, EventType.CONFIRMED}
    assert (part.take is not None) == (part.body.level is not None and part.body.by is None)
    assert not (part.told_as is EventType.REMINDER and part.body.by is not None), "nobody has taken this"
