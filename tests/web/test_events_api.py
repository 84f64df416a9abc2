"""Events as programs read them: in a list, and in a stream that goes on where it was left."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.web.listening import listening, long_open
from tests.web.scenes import DRIZZLE, DRIZZLE_BODY, NOW, put, served
from tests.web.test_api import refused
from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.model import Event, EventBody, EventType, StationState, StationView, SubjectKind
from watcher.notify.message import CAUTION, Links, Message, part_of
from watcher.notify.payload import webhook_body
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.web.events_contract import EventData, EventLineBody, EventListBody

pytestmark = pytest.mark.anyio
HOSTILE = "XNOR\r\n\r\nevent: icing.test\ndata: {}\n\nid: 9999\u2028\x00\u202e"


@pytest.fixture(scope="module")
async def long_site():
    async with long_open() as opened:
        yield opened


@pytest.fixture
async def site(store, long_site):
    return await long_site.over(store)


def event(number: int, station: str = "XNOR", type_: EventType = EventType.OPENED, **said) -> Event:
    body = replace(DRIZZLE_BODY, station=station, **said)
    return Event(SubjectKind.EPISODE, f"{station}-{number}", 1, type_, NOW, body)


def blind(station: str = "XMOR") -> Event:
    body = EventBody(station, "Moorland", None, f"{station} blind", "No report.", "Look for yourself.")
    return Event(SubjectKind.STATION, station, 1, EventType.BLIND, NOW, body)


def tell(store, *events: Event) -> None:
    """Commit events, as a turn does."""
    version = store.load([Station("XZZZ")], now=NOW)["XZZZ"].state.version
    view = StationView(Station("XZZZ"), StationState("XZZZ", version=version + 1))
    store.commit(Changes(NOW, (StationChange("XZZZ", version, view, events=events),)))


async def listed(site, headers, **asked) -> dict:
    answer = await site.client.get(f"{site.origin}/api/v1/events", headers=headers, params=asked)
    assert answer.status_code == 200, answer.text
    body = answer.json()
    EventListBody.model_validate(body)
    return body


def names(body: dict) -> list[str]:
    return [item["data"]["event"] for item in body["items"]]


async def test_an_event_reads_as_its_webhook_does_with_its_number(site, store):
    put(store, DRIZZLE)
    (item,) = (await listed(site, site.token("read")))["items"]
    ((number, said),) = store.events_after(0, 9)
    # The sent message is written later, so its age is another; here ages are those of the event's own time.
    written = Message("msg", (part_of(said, said.at),), said.at, said.at + timedelta(hours=12), Links())
    assert item == {"number": number, **json.loads(json.dumps(webhook_body(written)))}
    assert item["data"]["caution"] == CAUTION
    assert set(item["data"]) == {one.alias or name for name, one in EventData.model_fields.items()}


async def test_the_list_goes_on_by_number_until_there_is_no_more(site, store):
    tell(store, *(event(number) for number in range(1, 6)))
    headers = site.token("read")
    first = await listed(site, headers, limit=2)
    second = await listed(site, headers, limit=2, after=first["next"])
    third = await listed(site, headers, limit=2, after=second["next"])
    assert [names(piece) for piece in (first, second, third)] == [
        ["XNOR-1.1", "XNOR-2.1"],
        ["XNOR-3.1", "XNOR-4.1"],
        ["XNOR-5.1"],
    ]
    assert [piece["more"] for piece in (first, second, third)] == [True, True, False]
    again = await listed(site, headers, after=third["next"])
    assert (again["items"], again["more"], again["next"]) == ([], False, third["next"])
    tell(store, event(6))
    assert names(await listed(site, headers, after=third["next"])) == ["XNOR-6.1"]


async def test_a_piece_that_ends_with_the_last_event_says_that_there_is_no_more(site, store):
    tell(store, event(1), event(2))
    assert (await listed(site, site.token("read"), limit=2))["more"] is False


async def test_events_are_chosen_by_station_flag_type_and_level(site, store):
    snow = event(1, "XBAY", flag=Flag.SNOW, level=Level.PREPARE)
    lowered = event(2, "XBAY", EventType.LOWERED, level=Level.NOTE, previous_level=Level.TREAT)
    tell(store, event(1), snow, lowered, blind())
    headers = site.token("read")
    assert names(await listed(site, headers, station="XBAY")) == ["XBAY-1.1", "XBAY-2.1"]
    assert names(await listed(site, headers, station=["XBAY", "XMOR"])) == ["XBAY-1.1", "XBAY-2.1", "XMOR.1"]
    assert names(await listed(site, headers, type="icing.episode.lowered")) == ["XBAY-2.1"]
    # Blindness has no flag and no level, and must never be missed for that.
    assert names(await listed(site, headers, flag="snow")) == ["XBAY-1.1", "XMOR.1"]
    # Whoever heard of the level before hears that it is over.
    assert names(await listed(site, headers, min_level="treat")) == ["XNOR-1.1", "XBAY-2.1", "XMOR.1"]


@pytest.mark.parametrize(
    "asked",
    [
        {"after": -1},
        {"after": "x"},
        {"limit": 0},
        {"limit": 501},
        {"station": "x"},
        {"min_level": "high"},
        {"stations": "XNOR"},
    ],
)
async def test_what_cannot_be_asked_is_refused_with_the_field(site, store, asked):
    answer = await site.client.get(f"{site.origin}/api/v1/events", headers=site.token("read"), params=asked)
    assert next(iter(asked)) in refused(answer, 422)["errors"][0]["field"]


async def test_the_list_says_that_older_events_are_gone(site, store):
    tell(store, event(1), event(2))
    store.thin(NOW + timedelta(days=1))
    tell(store, event(3))
    headers = site.token("read")
    assert (await listed(site, headers))["removed_to"] == 2
    assert (await listed(site, headers, after=1))["removed_to"] == 2
    assert (await listed(site, headers, after=2))["removed_to"] is None


@pytest.mark.parametrize("path", ["/api/v1/events", "/api/v1/events/stream"])
async def test_only_who_may_read_gets_events(site, store, path):
    refused(await site.client.get(site.origin + path), 401)
    refused(await site.client.get(site.origin + path, headers=site.token("acknowledge")), 403)


async def test_the_stream_tells_what_happens_from_now_on(site, store):
    tell(store, event(1))
    async with stream(site) as heard:
        # WHATWG HTML, section 9.2.5: the media type of an event stream; caches must leave it alone.
        assert heard.answer.headers["content-type"].startswith("text/event-stream")
        assert heard.answer.headers["cache-control"] == "no-store"
        await heard.until(lambda: heard.parser.mark == "1")
        tell(store, event(2), blind())
        opened, seen = await heard.next(2)
        assert [(one.type, one.mark) for one in (opened, seen)] == [
            ("icing.episode.opened", "2"),
            ("icing.station.blind", "3"),
        ]
        EventLineBody.model_validate_json(opened.data)
        listed_items = (await listed(site, site.token("read", name="other"), after=1))["items"]
        assert [json.loads(one.data) for one in (opened, seen)] == listed_items


async def test_a_reader_that_comes_back_gets_what_it_missed_each_once(site, store):
    tell(store, *(event(number) for number in range(1, 451)))
    async with stream(site, mark="3") as heard:
        missed = await heard.next(447)
        tell(store, event(451))
        (last,) = await heard.next()
        assert [int(one.mark) for one in (*missed, last)] == list(range(4, 452))
        assert heard.nothing_more()


async def test_the_last_event_may_be_named_in_the_address(site, store):
    tell(store, event(1), event(2), event(3))
    async with stream(site, params={"last_event_id": "1"}) as heard:
        assert [one.mark for one in await heard.next(2)] == ["2", "3"]


async def test_what_happens_while_a_server_is_down_is_told_by_the_next(store):
    """Two servers, one store: the reader comes back with the id of what it had last."""
    tell(store, event(1))
    async with served(store) as first:
        token = first.token("read")
        async with stream(first, token) as heard:
            tell(store, event(2))
            (one,) = await heard.next()
            mark = heard.parser.mark
    assert (one.mark, mark) == ("2", "2")
    tell(store, event(3))
    async with served(store) as second, stream(second, token, mark=mark) as heard:
        tell(store, event(4))
        assert [one.mark for one in await heard.next(2)] == ["3", "4"]


async def test_two_servers_on_one_store_tell_the_same(store):
    """The second learns of what the first wrote by looking; nobody wakes it."""
    async with served(store) as one, served(store) as other:
        token = one.token("read")
        async with stream(one, token) as here, stream(other, token) as there:
            await here.until(lambda: here.parser.mark)
            await there.until(lambda: there.parser.mark)
            tell(store, event(1))
            assert await here.next() == await there.next()


async def test_a_reader_whose_place_is_removed_is_told_so_and_goes_on(site, store):
    tell(store, event(1), event(2), event(3))
    store.thin(NOW + timedelta(days=1))
    tell(store, event(4))
    async with stream(site, mark="1") as heard:
        gap, rest = await heard.next(2)
        assert (gap.type, rest.type, rest.mark) == ("icing.stream.gap", "icing.episode.opened", "4")
        said = json.loads(gap.data)
        assert (said["type"], said["data"]["after"], said["data"]["removed_to"]) == ("icing.stream.gap", "1", 3)
        assert "removed" in said["data"]["why"]


@pytest.mark.parametrize("mark", ["7", "x", "-1", "1.5", "٣", "9" * 400, "<script>"])
async def test_a_place_that_never_was_is_told_so_and_the_stream_begins_now(site, store, mark):
    tell(store, event(1))
    async with stream(site, params={"last_event_id": mark}) as heard:
        (gap,) = await heard.next()
        assert (gap.type, gap.mark) == ("icing.stream.gap", "1")
        said = json.loads(gap.data)
        assert said["data"]["removed_to"] is None
        assert len(said["data"]["after"]) <= 40
        tell(store, event(2))
        assert [one.mark for one in await heard.next()] == ["2"]


async def test_the_stream_is_chosen_as_the_list_is(site, store):
    asked = {"station": ["XNOR", "XMOR"], "min_level": "treat", "flag": "freezing-precipitation"}
    async with stream(site, params=asked) as heard:
        await heard.until(lambda: heard.parser.mark)
        tell(store, event(1, "XBAY"), event(1, level=Level.NOTE), event(2, flag=Flag.SNOW), blind(), event(3))
        assert [json.loads(one.data)["data"]["event"] for one in await heard.next(2)] == ["XMOR.1", "XNOR-3.1"]


async def test_no_text_breaks_out_of_its_event(site, store):
    said = dict.fromkeys(("headline", "why", "next_step", "raw", "name", "forecast_raw"), HOSTILE)
    async with stream(site, mark="0") as heard:
        tell(store, event(1, **said), event(2))
        one, two = await heard.next(2)
        assert heard.nothing_more()
        assert [each.type for each in (one, two)] == ["icing.episode.opened"] * 2
        assert [each.mark for each in (one, two)] == ["1", "2"]
        assert "\n" not in one.data
        assert json.loads(one.data)["data"]["headline"].startswith("XNOR event: icing.test data: {}")


async def test_a_stream_is_not_packed(site, store):
    """A packer would hold events back until it has enough of them."""
    async with stream(site, headers=site.token("read") | {"Accept-Encoding": "gzip"}) as heard:
        assert "content-encoding" not in heard.answer.headers
        tell(store, event(1))
        await heard.next()


async def test_whoever_loses_the_token_loses_the_stream(site, store, monkeypatch):
    monkeypatch.setattr("watcher.web.live_stream.LOOK_AT_PASS_S", 0.05)
    monkeypatch.setattr("watcher.web.live_stream.BEAT_S", 0.05)
    token = site.token("read", name="leaver")
    async with stream(site, token) as heard, stream(site, site.token("read", name="stayer")) as other:
        await heard.until(lambda: heard.parser.comments or heard.parser.mark)
        store.remove_token("leaver")
        await heard.until(heard.over.is_set)
        assert not other.over.is_set()
    refused(await site.client.get(f"{site.origin}/api/v1/events/stream", headers=token), 401)


def stream(site, headers: dict | None = None, **how):
    headers = headers if headers is not None else site.token("read")
    return listening(site.client, f"{site.origin}/api/v1/events/stream", headers=headers, **how)
