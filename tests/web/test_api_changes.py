"""What programs change: subscriptions, destinations, messages that go again, treated aircraft; and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.web.scenes import MINUTE, NOW
from tests.web.test_api import refused
from watcher.alerts.outbox import Settled
from watcher.demo.receivers import MailReceiver

pytestmark = pytest.mark.anyio

WISH = {"name": "night shift", "to": ["duty-desk"], "stations": ["XFEL"], "min_level": "treat", "remind_every": "30m"}
TREATED = {
    "station": "XNOR",
    "aircraft": "stand 12",
    "fluid": "Type IV",
    "mix": "100/0",
    "started": "0550Z",
    "place": "pad",
    "profile": "medium-jet",
    "training": True,
}


@pytest.fixture
def api(opened):
    headers = {"Authorization": f"Bearer {opened.token('read', 'acknowledge', 'manage')}"}

    async def send(method: str, path: str, body: object = None, **more):
        extra = headers | more.pop("headers", {})
        given = {"json": body} if body is not None else {}
        return await opened.client.request(method, f"{opened.origin}/api/v1{path}", headers=extra, **given, **more)

    return send


@pytest.mark.parametrize("url", ["https://[your-host]/x", "https://host.example.org:99999/hook", "https://[bad"])
async def test_a_destination_that_leads_nowhere_is_refused_with_what_is_wrong(api, opened, url):
    errors = refused(await api("POST", "/destinations", {"name": "room", "kind": "webhook", "url": url}), 422)["errors"]
    assert any("is no web address" in str(error) for error in errors)
    assert opened.store.people().destinations == ()


async def test_a_subscription_is_added_changed_paused_and_removed(api, opened):
    added = await api("POST", "/subscriptions", WISH)
    assert (added.status_code, added.json()["source"]) == (201, "store")
    assert added.json()["remind_every"] == "1800s"
    place = added.url.join(added.headers["location"])
    assert place.path == "/api/v1/subscriptions/night shift"
    assert (await api("GET", place.raw_path.decode().removeprefix("/api/v1"))).json() == added.json()
    changed = await api(
        "PATCH", "/subscriptions/night%20shift", {"stations": None, "countries": ["NO"], "paused": True}
    )
    assert changed.status_code == 200
    told = changed.json()
    assert (told["stations"], told["countries"], told["paused"]) == (None, ["NO"], True)
    assert told["min_level"] == "treat", "what is left out of a change stays (RFC 7396)"
    assert told == (await api("GET", "/subscriptions/night%20shift")).json()
    assert "night shift" in opened.house.management.directory().subscriptions
    removed = await api("DELETE", "/subscriptions/night%20shift")
    assert (removed.status_code, removed.content) == (204, b"")
    refused(await api("GET", "/subscriptions/night%20shift"), 404)


async def test_circles_go_in_and_come_out(api):
    wish = {"name": "around", "to": ["duty-desk"], "circles": [{"at": "XNOR", "radius_km": 90}]}
    assert (await api("POST", "/subscriptions", wish)).status_code == 201
    more = {"circles": [{"at": "60.20,11.10", "radius_nm": 30}, {"at": "XBAY", "radius_nm": 5}]}
    told = (await api("PATCH", "/subscriptions/around", more)).json()
    assert [circle["radius_nm"] for circle in told["circles"]] == [30, 5]
    found = (await api("GET", "/stations?subscription=around")).json()["items"]
    assert [item["station"] for item in found] == ["XBAY", "XNOR"]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "body.name"),
        (WISH | {"to": []}, "body.to"),
        (WISH | {"level": "treat"}, "body.level"),
        (WISH | {"min_level": "high"}, "body.min_level"),
        (WISH | {"hours": "8-18"}, "body.hours"),
        (WISH | {"to": ["nobody"]}, 'subscription "night shift"'),
        (WISH | {"hours": "18:00-09:00"}, 'subscription "night shift"'),
        (WISH | {"remind_every": "5s"}, 'subscription "night shift"'),
        (WISH | {"only_digest": True}, 'subscription "night shift"'),
        (WISH | {"circles": [{"at": "XNOR"}]}, 'subscription "night shift": circles.0'),
    ],
)
async def test_a_wish_that_cannot_be_is_told_at_its_place_and_not_kept(api, opened, body, field):
    errors = refused(await api("POST", "/subscriptions", body), 422)["errors"]
    assert any(error["field"].startswith(field) for error in errors), errors
    assert list(opened.house.management.directory().subscriptions) == ["northern stations"]


async def test_names_are_taken_once_and_what_stands_in_the_settings_stays(api):
    refused(await api("POST", "/subscriptions", WISH | {"name": "northern stations"}), 409)
    refused(await api("PATCH", "/subscriptions/northern%20stations", {"paused": True}), 409)
    refused(await api("DELETE", "/subscriptions/northern%20stations"), 409)
    refused(await api("DELETE", "/destinations/duty-desk"), 409)
    refused(await api("PATCH", "/destinations/duty-desk", {"address": "x@example.org"}), 409)
    refused(await api("POST", "/destinations", {"name": "duty-desk", "kind": "email", "address": "x@example.org"}), 409)
    refused(await api("PATCH", "/subscriptions/nobody", {}), 404)
    refused(await api("DELETE", "/destinations/nobody"), 404)


async def test_who_may_only_read_changes_nothing(api, opened):
    headers = {"Authorization": f"Bearer {opened.token('read', name='reader')}"}
    for method, path, body in (
        ("POST", "/subscriptions", WISH),
        ("PATCH", "/subscriptions/x", {}),
        ("DELETE", "/subscriptions/x", None),
        ("POST", "/destinations", {"name": "x", "kind": "webhook", "url": "https://example.org/"}),
        ("POST", "/destinations/duty-desk/test", None),
        ("POST", "/destinations/duty-desk/pause", {}),
        ("POST", "/deliveries/x/again", None),
        ("POST", "/protections", TREATED),
        ("POST", "/protections/XNOR-P1/presses", {"id": "abcdefgh", "kind": "treated"}),
    ):
        refused(await api(method, path, body, headers=headers), 403)
    preview = await api("POST", "/subscriptions/preview", {"stations": ["XNOR"]}, headers=headers)
    assert preview.status_code == 200, "trying changes nothing"


async def test_the_secret_of_a_webhook_is_told_once_and_its_address_to_those_who_manage(api, opened):
    body = {"name": "ops room", "kind": "webhook", "url": "https://hooks.example.org/in/quite-secret?key=k"}
    added = (await api("POST", "/destinations", body)).json()
    assert added["secret"].startswith("whsec_")
    assert added["to"] == body["url"]
    headers = {"Authorization": f"Bearer {opened.token('read', name='reader')}"}
    for path in ("/destinations", "/destinations/ops%20room"):
        seen = await api("GET", path, headers=headers)
        assert "quite-secret" not in seen.text
        assert "https://hooks.example.org/" in seen.text
        assert added["secret"] not in (await api("GET", path)).text


async def test_a_destination_is_switched_off_and_on_and_removed_when_nobody_names_it(api):
    await api("POST", "/destinations", {"name": "ops", "kind": "webhook", "url": "https://hooks.example.org/in"})
    await api("POST", "/subscriptions", WISH | {"to": ["ops"]})
    paused = await api("POST", "/destinations/ops/pause", {"reason": "moved\x07 house"})
    assert (paused.json()["state"], paused.json()["disabled"]) == ("switched off: moved house", "moved house")
    assert (await api("POST", "/destinations/ops/resume")).json()["state"] == "on"
    assert "night shift" in refused(await api("DELETE", "/destinations/ops"), 409)["detail"]
    await api("DELETE", "/subscriptions/night%20shift")
    assert (await api("DELETE", "/destinations/ops")).status_code == 204


async def test_a_test_message_says_why_it_was_not_taken(api):
    await api("POST", "/destinations", {"name": "ops", "kind": "webhook", "url": "http://127.0.0.1:9/in"})
    told = (await api("POST", "/destinations/ops/test")).json()
    assert told["taken"] is False
    assert "loopback" in told["error"], "the guard fails closed"
    refused(await api("POST", "/destinations/nobody/test"), 404)


async def test_the_owner_of_a_mailbox_is_asked_by_mail(judged_morning, tmp_path):
    """A real mail server takes the question; without one the destination is kept and the answer says why."""
    import shutil

    from tests.web.board_scenes import SETTINGS, morning
    from watcher.store.store import Store

    source, by_station = judged_morning
    shutil.copyfile(source, tmp_path / "mail.db")
    store = Store.open(f"sqlite:///{tmp_path / 'mail.db'}")
    async with MailReceiver() as mailbox:
        settings = SETTINGS.replace("port = 2525", f"port = {mailbox.port}")
        allowed = settings + '[network]\nallow_private = ["127.0.0.0/8"]\n'
        async with morning(store, by_station, allowed) as board:
            headers = {"Authorization": f"Bearer {board.token('manage')}"}
            body = {"name": "pilots", "kind": "email", "address": "crew@example.org"}
            added = await board.client.post(f"{board.origin}/api/v1/destinations", json=body, headers=headers)
            assert added.status_code == 201, added.text
            told = added.json()
            assert (told["asked"], told["confirmed"], told["not_asked_why"]) == (True, False, None)
    store.close()


async def test_a_message_that_did_not_arrive_goes_again_under_its_name(api, opened):
    _listen(opened)
    opened.report("XNOR", "34004KT 1500 FZRA BR OVC006 M02/M03 Q1008")
    listed = (await api("GET", "/deliveries?state=pending")).json()["items"]
    name = listed[0]["delivery"]
    later = opened.clock[0] + timedelta(seconds=30)
    claimed = opened.store.claim(later, limit=10, lease=MINUTE, per_destination=10)
    opened.store.settle([Settled(item.id, "dead", None, "refused\x07 for good") for item in claimed], later)
    opened.clock[0] = later
    dead = (await api("GET", f"/deliveries/{name}")).json()
    assert (dead["state"], dead["attempts"], dead["last_error"]) == ("dead", 1, "refused for good")
    again = await api("POST", f"/deliveries/{name}/again")
    assert again.status_code == 200, again.text
    told = again.json()
    assert (told["delivery"], told["state"], told["attempts"]) == (name, "pending", 1)
    [taken] = opened.store.claim(later, limit=1, lease=MINUTE, per_destination=10)
    opened.store.settle([Settled(taken.id, "sent")], later)
    refused(await api("POST", f"/deliveries/{taken.id}/again"), 409)
    refused(await api("POST", "/deliveries/msg_nothing/again"), 404)
    refused(await api("GET", "/deliveries/msg_nothing"), 404)
    only = (await api("GET", f"/deliveries?about={told['told'][0]['about']}&destination=duty-desk")).json()["items"]
    assert name in {item["delivery"] for item in only}
    assert (await api("GET", "/deliveries?destination=nobody")).json()["items"] == []


def _listen(opened) -> None:
    from watcher.service.directory import read_directory

    directory = read_directory(opened.house.settings, opened.store.people())
    opened.cycle.listen_to(directory.listeners(opened.house.watch.stations.get), opened.clock[0])


async def test_a_treated_aircraft_from_its_start_to_its_take_off(api, opened):
    begun = await api("POST", "/protections", TREATED)
    assert begun.status_code == 201, begun.text
    told = begun.json()
    name = told["protection"]
    assert (told["standing"], told["training"], told["lower_ends_at"] is not None) == ("running", True, True)
    assert begun.url.join(begun.headers["location"]).path == f"/api/v1/protections/{name}"
    opened.clock[0] = NOW + 2 * MINUTE
    press = {"id": "press-0001", "kind": "treated", "at": "2026-01-12T06:01:00Z"}
    for _ in range(2):  # sent again where no answer came
        treated = (await api("POST", f"/protections/{name}/presses", press)).json()
        assert treated["treatment_ended_at"] == "2026-01-12T06:01:00Z"
    assert treated["engine_bleed_wait_ends"] is not None
    worse = {"id": "press-0002", "kind": "seen", "weather": "FZRA"}
    assert (await api("POST", f"/protections/{name}/presses", worse)).json()["standing"] == "none"
    over = {"id": "press-0003", "kind": "took-off"}
    assert (await api("POST", f"/protections/{name}/presses", over)).json()["ending"] == "took-off"
    assert (await api("GET", "/protections")).json()["items"] == []
    assert [item["protection"] for item in (await api("GET", "/protections?ended=true")).json()["items"]] == [name]
    late = {"id": "press-0004", "kind": "returned"}
    refused(await api("POST", f"/protections/{name}/presses", late), 422)


@pytest.mark.parametrize(
    ("change", "fields"),
    [
        ({"fluid": "V", "started": "2200", "aircraft": "x", "mix": "half"}, {"fluid", "started", "mix"}),
        ({"mix": None}, {"mix"}),
        ({"started": "2026-01-11T12:00:00Z"}, {"start of the final application"}),
        ({"profile": "glider"}, {"profile"}),
        ({"station": "XTAX"}, {"station XTAX"}),
        ({"lout_c": 5}, {"body.lout_c"}),
        ({"wings": 2}, {"body.wings"}),
    ],
)
async def test_a_treatment_that_cannot_be_is_told_field_by_field(api, change, fields):
    errors = refused(await api("POST", "/protections", TREATED | change), 422)["errors"]
    assert {error["field"] for error in errors} == fields


@pytest.mark.parametrize(
    "body",
    [
        {"id": "short", "kind": "treated"},
        {"id": "press-0001", "kind": "land"},
        {"id": "press-0001", "kind": "seen"},
        {"id": "press-0001", "kind": "seen", "weather": "SUNNY", "visibility": "far"},
        {"id": "press-0001", "kind": "step", "step": "dance"},
        {"id": "press-0001", "kind": "undo", "of": "press-0000"},
        {"id": "press-0001", "kind": "treated", "at": "2026-01-12T05:00:00Z"},
        {"id": "press-0001", "kind": "treated", "at": "2026-01-12T09:00:00Z"},
        {"id": "press-0001", "kind": "treated", "at": "2026-01-12T06:00:00"},
    ],
)
async def test_a_press_that_cannot_be_changes_nothing(api, opened, body):
    await api("POST", "/protections", TREATED)
    before = opened.store.protection("XNOR-P1")
    refused(await api("POST", "/protections/XNOR-P1/presses", body), 422)
    assert opened.store.protection("XNOR-P1") == before


async def test_the_link_for_the_crew_is_for_those_who_may_press(api, opened):
    settings = opened.house.settings
    text = settings.text.model_copy(
        update={"service": settings.text.service.model_copy(update={"public_url": "https://ice.example.org"})}
    )
    from tests.web.board_scenes import WebServer, build_app

    house = replace(opened.house, settings=replace(settings, text=text))
    async with WebServer(build_app(house), "127.0.0.1:0") as server:
        address = f"http://127.0.0.1:{server.port}/api/v1/protections"
        links = []
        for scopes in (("read",), ("read", "acknowledge")):
            headers = {"Authorization": f"Bearer {opened.token(*scopes, name=scopes[-1])}"}
            if not links:
                await api("POST", "/protections", TREATED)
            links.append((await opened.client.get(f"{address}/XNOR-P1", headers=headers)).json()["link"])
    assert links[0] is None
    assert links[1].startswith("https://ice.example.org/p/")


FLIGHT = {"flight": "XA 12", "aircraft": "medium-jet", "off_block": "0730Z", "station": "XNOR"}


@pytest.mark.parametrize(
    ("change", "fields"),
    [
        ({"aircraft": "glider"}, {"aircraft"}),
        ({"station": "XTAR"}, {"station"}),
        ({"off_block": "noon", "place": "roof", "fuel_c": 99}, {"off_block"}),
        ({"place": "roof", "fuel_c": "99", "contamination": "dust"}, {"place", "fuel_c", "contamination"}),
        ({"fuel_c": [1]}, {"body.fuel_c.float", "body.fuel_c.constrained-str"}),
        ({"tsat": "0700Z"}, {"departure XA 12"}),
        ({"seats": 7}, {"body.seats"}),
        ({"others": [FLIGHT, FLIGHT | {"flight": "XA 14", "off_block": "soon"}]}, {"others.1.off_block"}),
    ],
)
async def test_a_departure_that_cannot_be_planned_is_told_field_by_field(api, change, fields):
    errors = refused(await api("POST", "/departures/plan", FLIGHT | change), 422)["errors"]
    assert {error["field"] for error in errors} == fields


@pytest.mark.parametrize(
    ("content", "kind", "status", "field"),
    [
        (b"", "text/csv", 422, "body"),
        (b"flight\nXA 1\n", "text/csv", 422, "body"),
        (b"flight,aircraft,off_block,station\n", "text/csv", 422, "body"),
        (b"\xff\xfe\x00", "text/csv", 422, "body"),
        (b"flight,aircraft,off_block,station\nXA 1,medium-jet,soon,XNOR\n", "text/csv", 422, "body: line 2: off_block"),
        (b"{", "application/json", 422, "body"),
        (b"[" * 100_000, "application/json", 422, "body"),
        (b'{"departures": []}', "application/json", 422, "body.departures"),
        (b'{"departures": [{"flight": "XA 1"}]}', "application/json", 422, "body.departures.0.aircraft"),
        (json.dumps({"departures": [FLIGHT, FLIGHT]}).encode(), "application/json", 422, "body.departures.departures"),
        (b"x", "application/vnd.ms-excel", 415, None),
        (b"x" * 600_000, "text/csv", 413, None),
    ],
)
async def test_a_list_that_cannot_be_read_is_told_where(api, content, kind, status, field):
    problem = refused(await api("POST", "/morning", content=content, headers={"Content-Type": kind}), status)
    assert field is None or field in {error["field"] for error in problem["errors"]}, problem


async def test_the_list_goes_back_as_csv_to_whoever_wants_that_and_holds_no_formula(api):
    body = {"departures": [FLIGHT | {"flight": "=1+1"}]}
    answer = await api("POST", "/morning", body, headers={"Accept": "text/csv"})
    assert answer.headers["content-type"].startswith("text/csv")
    head, line, *_ = answer.text.splitlines()
    assert head.startswith("order,station,flight")
    assert ",'=1+1," in line


async def test_no_more_departures_than_one_list_holds(api):
    rows = [FLIGHT | {"flight": f"XA {number}"} for number in range(1001)]
    body = {"departures": [{key: row[key] for key in ("flight", "aircraft", "off_block")} for row in rows]}
    refused(await api("POST", "/morning?station=XNOR", body), 422)


async def test_a_whole_morning_may_stand_in_the_way_of_one_departure(api):
    others = [FLIGHT | {"flight": f"XA {number}", "off_block": "0900Z", "place": "pad"} for number in range(100, 160)]
    body = FLIGHT | {"others": others, "training": True}
    assert len(json.dumps(body)) < 16 * 1024
    assert (await api("POST", "/departures/plan", body)).status_code == 200
    many = FLIGHT | {"others": [other | {"flight": f"{other['flight']} {day}"} for other in others for day in range(4)]}
    assert len(json.dumps(many)) > 16 * 1024
    assert (await api("POST", "/departures/plan", many)).status_code == 200


async def test_a_fallback_is_set_told_and_taken_away(api):
    hook = {"kind": "webhook", "url": "https://ops.example.org/in"}
    assert (await api("POST", "/destinations", {"name": "pager", **hook})).json()["fallback"] is None
    added = await api("POST", "/destinations", {"name": "ops room", **hook, "fallback": "pager"})
    assert added.json()["fallback"] == "pager"
    refused(await api("DELETE", "/destinations/pager"), 409)
    refused(await api("PATCH", "/destinations/pager", {"fallback": "ops room"}), 422)
    kept = await api("PATCH", "/destinations/ops%20room", {"url": "https://ops.example.org/there"})
    assert kept.json()["fallback"] == "pager"
    assert (await api("PATCH", "/destinations/ops%20room", {"fallback": None})).json()["fallback"] is None
    assert (await api("DELETE", "/destinations/pager")).status_code == 204
