"""Caretakers are told that the service itself is not well: once when it has begun, once when it is over."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime, timedelta
from random import Random
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.service.night_watch import Surroundings, surroundings
from tests.service.test_service import taf, text, until
from watcher.alerts.model import Event, EventType, SubjectKind
from watcher.alerts.outbox import Detour, Instead
from watcher.clock import utc_now
from watcher.errors import SettingsError, StoreError
from watcher.feeds.health import FeedHealth
from watcher.notify.message import part_of
from watcher.notify.mqtt import topic_of
from watcher.service.directory import Directory, KnownDestination
from watcher.service.heartbeat import Heartbeat
from watcher.service.self_watch import Seen, by_matter, look
from watcher.service.service import Service
from watcher.service.status_words import Finding, Matter, late, lost, off, out_of_season
from watcher.settings import load_settings
from watcher.settings.people import DestinationSection
from watcher.store.model import Backlog, Disabled
from watcher.telemetry import Metrics
from watcher.web.live_lines import alert_frame, frame

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
SETTLE = timedelta(minutes=2)
FAILED = FeedHealth()
STEP = timedelta(seconds=15)
CARETAKER = """
[caretaker]
to = ["desk", "room"]
settle = "0s"
"""


def wrong(matter: Matter, what: str = "Something is wrong.") -> dict[Matter, Finding]:
    return {matter: Finding(what, "Do something.", None, matter)}


def told_by(looks: list[dict[Matter, Finding]]) -> list[tuple[int, Event]]:
    """Return what is told in looks every 15 seconds, each with the number of its look."""
    seen, told, found = Seen(), {}, []
    for number, item in enumerate(looks):
        seen, events = look(seen, item, told, now=NOW + number * STEP, settle=SETTLE)
        for event in events:
            told[next(matter for matter in Matter if event.subject_id == f"service-{matter}")] = event
            found.append((number, event))
    return found


@given(st.lists(st.booleans(), max_size=120))
def test_nothing_flaps_and_nothing_that_lasts_is_kept_back(states: list[bool]) -> None:
    """Against a plain statement of the rule: a change counts when it has stood for all looks of the settling time."""
    looks = SETTLE // STEP
    stands, expected = False, []
    for number in range(len(states)):
        lately = states[max(0, number - looks) : number + 1]
        if len(lately) == looks + 1 and set(lately) == {not stands}:
            stands = not stands
            expected.append((number, EventType.UNWELL if stands else EventType.WELL))
    told = told_by([wrong(Matter.FEEDS) if state else {} for state in states])
    assert [(number, event.type) for number, event in told] == expected
    assert len({event.id for _, event in told}) == len(told), "a receiver can tell every event from every other"
    assert sorted(event.seq for _, event in told) == [event.seq for _, event in told]


@pytest.mark.parametrize("states", [[True], [True, False]])
def test_a_clock_that_was_ahead_puts_nothing_off(states: list[bool]) -> None:
    """It is two hours ahead when a thing begins, and right from the next look on."""
    seen, told = Seen(), {}
    for state in states:
        item = wrong(Matter.FEEDS) if state else {}
        seen, events = look(seen, item, told, now=NOW + timedelta(hours=2), settle=SETTLE)
        for number in range(SETTLE // STEP + 1):
            assert events == ()
            seen, events = look(seen, item, told, now=NOW + number * STEP, settle=SETTLE)
        (told[Matter.FEEDS],) = events
    assert told[Matter.FEEDS].type is (EventType.UNWELL if states[-1] else EventType.WELL)


@pytest.mark.anyio
async def test_a_clock_that_was_ahead_does_not_silence_the_heartbeat() -> None:
    now, calls = [NOW + timedelta(hours=2)], []

    async def get(url: str, *, timeout: float) -> SimpleNamespace:  # noqa: ASYNC109 - as the client has it
        calls.append((url, timeout))
        return SimpleNamespace(status=200)

    every = timedelta(minutes=1)
    beating = Heartbeat(
        SimpleNamespace(get=get), "https://example.org/", every, clock=lambda: now[0], metrics=Metrics()
    )
    await beating.beat()
    for minute in range(4):
        now[0] = NOW + timedelta(minutes=minute)
        await beating.beat()
    assert len(calls) == 4, "once while it was ahead, and each minute after the first look at the right one"


def test_who_is_switched_off_is_told_anew_when_it_is_somebody_else() -> None:
    first, both = wrong(Matter.OFF, "Switched off: desk."), wrong(Matter.OFF, "Switched off: desk, room.")
    told = told_by([first] * 20 + [both] * 20)
    assert [event.body.why for _, event in told] == ["Switched off: desk.", "Switched off: desk, room."]
    counted = told_by([wrong(Matter.LATE, f"late by {number} min") for number in range(40)])
    assert len(counted) == 1, "that it goes on is no news"


def test_the_words_name_the_fallback_that_took_over() -> None:
    backlog = Backlog(
        late={"room": NOW - timedelta(minutes=20)}, untried_since=None, lost={"desk": 2}, stood_in={"room": "backup"}
    )
    (is_late,) = late(backlog, NOW)
    assert is_late.what.endswith("to: room. The fallback backup is told for room.")
    assert is_late.do.endswith("Make sure that somebody reads what the fallback gets.")
    (is_lost,) = lost(backlog)
    assert is_lost.what.endswith("to: desk.")
    assert is_lost.do.endswith("Tell the readers by other means.")

    def known(name: str, off: bool, fallback: str | None = None, *, by_receiver: bool = True) -> KnownDestination:
        section = DestinationSection(name=name, kind="email", address="x@example.org", fallback=fallback)
        return KnownDestination(section, "settings", off=Disabled(name, "410", NOW, by_receiver) if off else None)

    people = [known("room", True, "backup"), known("hall", True, "backup", by_receiver=False), known("backup", False)]
    directory = Directory({}, {item.name: item for item in people})
    (is_off,) = off(directory)
    assert is_off.what == "Switched off: hall, room. The fallback backup is told for room.", "a pause calls nobody"
    told = directory.told_for(["room", "hall"])
    assert [(recipient.name, instead) for recipient, instead in told] == [("backup", Instead("room", Detour.OFF))]
    assert directory.told_for(["room", "backup"])[0][1] is None, "for itself, and once"


def test_several_of_one_matter_are_one_message() -> None:
    found = by_matter(
        [
            Finding("One.", "Do one.", None, Matter.PEOPLE),
            Finding("Two.", "Do two.", None, Matter.PEOPLE),
            Finding("For the page only.", "Look."),
        ]
    )
    assert {matter: item.what for matter, item in found.items()} == {Matter.PEOPLE: "One. Two."}


def test_tables_are_out_of_season_only_where_there_were_some_for_use() -> None:
    def a_set(use: str, until_: date) -> SimpleNamespace:
        return SimpleNamespace(use=use, valid_until=until_, in_force=lambda day: use == "operation" and day <= until_)

    today = date(2026, 1, 12)
    over, training = a_set("operation", date(2025, 5, 1)), a_set("training", date(2020, 5, 1))
    assert not list(out_of_season([training], today)), "who never had any is not told every day"
    assert not list(out_of_season([over, a_set("operation", date(2026, 5, 1))], today))
    (found,) = out_of_season([over, training], today)
    assert "01 May 2025" in found.what
    assert found.matter is Matter.TABLES


def settings_with(folder, lines: str):
    path = folder / "hoarline.toml"
    path.write_text(f"""
[[destination]]
name = "warnings"
kind = "cap"
url = "https://cap.example.org/in"
secret_file = "cap.secret"
[caretaker]
{lines}
""")
    (folder / "cap.secret").write_text("whsec_YW4gaW52ZW50ZWQgc2VjcmV0IGZvciB0aGUgdGVzdHM=")
    return load_settings(path, {})


@pytest.mark.parametrize(("name", "said"), [("nobody", "not known"), ("warnings", "weather warnings only")])
def test_a_caretaker_that_cannot_be_told_is_refused_by_name(tmp_path, name, said):
    with pytest.raises(SettingsError, match=said) as refused:
        settings_with(tmp_path, f'to = ["{name}"]')
    assert name in str(refused.value)


def of_service(around: Surroundings, matter: str = "") -> list[str]:
    """Return the types of what was told of the service, of one matter or of all."""
    told = [post.payload for post in around.webhook.posts if ".service." in post.payload["type"]]
    return [payload["type"] for payload in told if matter in payload["data"]["event"]]


@pytest.mark.anyio
async def test_feeds_in_trouble_are_told_and_that_they_are_well_again_over_restarts(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], more=CARETAKER) as around:
        around.publish([text("XNOR", "BR", 5)], utc_now(), [taf("XNOR")])
        # A report that was judged before: what is wrong is the feed alone.
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at and all(service.poller.health.values()))
        around.feed.fault = "page"
        for _ in range(2):
            async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
                await until(lambda service=service: service.keeper.last_turn_at and service.poller.health["metar"])
                await service.schedule.run_now("caretaker")
                await until(lambda: of_service(around) and around.mail.mails)
        assert of_service(around) == ["icing.service.unwell"], "a restart tells nothing twice"
        data = around.webhook.posts[0].payload["data"]
        assert data["station"] is None
        assert data["why"].startswith("No feed brings fresh METARs")
        assert "Look after the network" in data["next_step"]
        assert data["caution"]
        assert around.mail.mails[0]["Subject"].startswith("Service not well: No feed brings fresh METARs")
        around.feed.fault = None
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            async with asyncio.timeout(60):
                while not all(health.get("world", FAILED).last_success_at for health in service.poller.health.values()):
                    await asyncio.sleep(0.1)
            await service.schedule.run_now("caretaker")
            await until(lambda: len(of_service(around)) == 2 and len(around.mail.mails) == 2)
            assert service.store.newest_event("service-feeds").subject_kind is SubjectKind.SERVICE
        assert of_service(around)[1] == "icing.service.well"
        assert around.mail.mails[1]["Subject"] == "Service well again: The feeds bring fresh reports again."


@pytest.mark.anyio
async def test_a_receiver_that_wants_no_more_is_told_to_the_other_caretaker(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], more=CARETAKER) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now(), [taf("XNOR")])
        around.webhook.status = 410
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.people.directory.destinations["room"].off is not None)
            await service.schedule.run_now("caretaker")
            await until(lambda: len(around.mail.mails) == 2)
            assert of_service(around) == [], "nothing more goes there"
        subjects = {mail["Subject"] for mail in around.mail.mails}
        assert "Service not well: Switched off: room." in subjects


@pytest.mark.anyio
async def test_a_store_that_fails_is_told_past_the_outbox_a_few_times_at_most(tmp_path, monkeypatch):
    async with surroundings(tmp_path, ["XNOR"], every="1h", more=CARETAKER) as around:
        around.publish([text("XNOR", "BR", 5)], utc_now(), [taf("XNOR")])
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at and all(service.poller.health.values()))
            await service.schedule.run_now("caretaker")
            assert of_service(around) == []

            def fails(*_: object, **__: object) -> None:
                raise StoreError("disk full")

            with monkeypatch.context() as broken:
                broken.setattr(service.store, "backlog", fails)
                broken.setattr(service.store, "commit", fails)
                for _ in range(5):
                    await service.schedule.run_now("caretaker")
                assert of_service(around) == ["icing.service.unwell"]
                assert "disk full" in around.webhook.posts[-1].payload["data"]["why"]
                assert len(around.mail.mails) == 1
            await service.schedule.run_now("caretaker")
            await until(lambda: len(of_service(around)) == 2 and len(around.mail.mails) == 2)
            assert of_service(around)[-1] == "icing.service.well"
            await service.schedule.run_now("caretaker")
            await asyncio.sleep(0.2)
            assert len(of_service(around)) == 2


@pytest.mark.anyio
async def test_caretakers_who_cannot_be_reached_either_are_not_tried_for_ever(tmp_path, monkeypatch):
    async with surroundings(tmp_path, ["XNOR"], every="1h", more=CARETAKER.replace('"desk", ', "")) as around:
        around.publish([text("XNOR", "BR", 5)], utc_now(), [taf("XNOR")])
        around.webhook.status = 500
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at and all(service.poller.health.values()))

            def fails(*_: object, **__: object) -> None:
                raise StoreError("disk full")

            monkeypatch.setattr(service.store, "backlog", fails)
            monkeypatch.setattr(service.store, "commit", fails)
            for _ in range(6):
                await service.schedule.run_now("caretaker")
            assert len(around.webhook.posts) == 3


@pytest.mark.anyio
async def test_the_heartbeat_falls_silent_while_nobody_sends(tmp_path, monkeypatch):
    shift = timedelta()
    async with surroundings(tmp_path, ["XNOR"], every="1h") as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        settings = load_settings(around.settings, {})
        async with Service(settings, clock=lambda: utc_now() + shift, random=Random(1), roles=["poller"]) as service:
            await until(lambda: service.store.outbox_counts()["pending"] == 2)
            beats = []

            async def beat() -> None:
                beats.append(service.clock())

            monkeypatch.setattr(service.heartbeat, "beat", beat)
            async with asyncio.timeout(20):
                while not beats:
                    await service.schedule.run_now("metar world")
            beats.clear()
            shift = timedelta(minutes=20)
            await service.schedule.run_now("metar world")
            assert service.keeper.last_turn_at >= utc_now() + timedelta(minutes=19), "asked, judged and committed"
            assert beats == []
            assert any(
                "nobody tries to send what is due since" in problem for problem in (await service.ready()).problems
            )


@pytest.mark.anyio
async def test_a_region_that_turns_bad_is_one_mail_with_every_station(tmp_path):
    codes = [f"X{first}{second}X" for first in "ABCDEFGHIJ" for second in "KLMNOPQRST"]
    async with surroundings(tmp_path, codes, group_within="2s") as around:
        around.publish([text(code, "-FZDZ", 5) for code in codes], utc_now())
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: around.mail.mails, seconds=60)
            # Whatever else came of it has gone out, too.
            await until(
                lambda: not {"pending", "leased"} & {k for k, n in service.store.outbox_counts().items() if n}, 90
            )
        (mail,) = around.mail.mails
        plain = mail.get_body(("plain",)).get_content()
        assert mail["Subject"].startswith("100 changes: ")
        assert [code for code in codes if code not in plain] == []


def test_the_pages_of_the_weather_do_not_show_it_and_a_topic_names_it() -> None:
    ((_, event),) = told_by([wrong(Matter.FEEDS)] * 20)
    assert alert_frame(event, "7") == frame(mark="7"), "only the place in the stream"
    assert topic_of("{station}/{flag}/{level}/{type}/{subject}", part_of(event, NOW)) == (
        "all/service/none/service.unwell/service-feeds"
    )
