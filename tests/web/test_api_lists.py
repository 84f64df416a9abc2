"""Lists as programs walk through them, answers that they keep, and methods that an address takes."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.web.board_scenes import CODES
from tests.web.scenes import MINUTE, NOW
from tests.web.test_api import refused

pytestmark = pytest.mark.anyio


@pytest.fixture
def ask(opened):
    headers = {"Authorization": f"Bearer {opened.token('read')}"}

    async def get(path: str, **more):
        extra = more.pop("headers", {})
        return await opened.client.get(f"{opened.origin}/api/v1{path}", headers=headers | extra, **more)

    return get


async def walked(opened, ask, path: str, key: str) -> list[str]:
    """Follow the header Link from piece to piece (RFC 8288); the body says the same."""
    found, address = [], path
    for _ in range(50):
        answer = await ask(address)
        assert answer.status_code == 200, answer.text
        body = answer.json()
        found += [item[key] for item in body["items"]]
        link = answer.links.get("next")
        assert (link is None) == (body["next"] is None)
        if link is None:
            return found
        address = str(answer.url.join(link["url"])).removeprefix(f"{opened.origin}/api/v1")
    raise AssertionError("the list has no end")


@pytest.mark.parametrize("limit", [1, 2, 4, 6, 500])
async def test_pieces_together_are_the_list_each_once(opened, ask, limit):
    assert await walked(opened, ask, f"/stations?limit={limit}", "station") == sorted(CODES)
    whole = [item["episode"] for item in (await ask("/episodes?state=all&limit=500")).json()["items"]]
    assert len(whole) == len(set(whole)) > 5
    assert await walked(opened, ask, f"/episodes?state=all&limit={limit}", "episode") == whole


async def test_what_is_asked_stays_the_same_from_piece_to_piece(opened, ask):
    codes = await walked(opened, ask, "/stations?country=NO&limit=1", "station")
    assert codes == ["XBAY", "XNOR"]


@pytest.mark.parametrize("word", ["x", "%00", "WyJYRkVMIl0x", "W10", "bnVsbA", "e30", "WzFd", "A" * 300])
@pytest.mark.parametrize("path", ["/stations", "/episodes", "/deliveries"])
async def test_a_place_that_was_not_made_here_is_refused(ask, path, word):
    answer = await ask(f"{path}?next={word}")
    assert refused(answer, 422)["errors"][0]["field"] == "query.next"


@pytest.mark.parametrize(
    ("question", "codes"),
    [
        ("", sorted(CODES)),
        ("?level=no-time", ["XFEL", "XLOW", "XNOR"]),
        ("?level=no-time&kind=observed", ["XFEL"]),
        ("?blind=true", ["XMOR"]),
        ("?blind=false&country=SE", ["XFEL"]),
        ("?flag=frost-likely&kind=observed", ["XBAY"]),
        ("?subscription=northern+stations", ["XBAY", "XNOR"]),
        ("?country=ZZ", []),
    ],
)
async def test_stations_are_found_by_how_they_stand(ask, question, codes):
    found = [item["station"] for item in (await ask(f"/stations{question}")).json()["items"]]
    assert found == codes


async def test_a_station_says_the_worst_first_and_what_comes_next(ask):
    told = {item["station"]: item for item in (await ask("/stations")).json()["items"]}
    fel, mor, tar = told["XFEL"], told["XMOR"], told["XTAR"]
    assert (fel["level"], fel["phase"], fel["alerts"][0]["no_time"]) == ("no-time", "present", "none")
    assert fel["next_step"] == fel["alerts"][0]["next_step"]
    assert fel["alerts"][0]["headline"].startswith("XFEL no-time")
    assert (mor["blind"], mor["blind_since"] is not None, mor["report_age_min"] > 60) == (True, True, True)
    assert "other means" in mor["next_step"]
    assert (tar["level"], tar["expected_level"], tar["next_step"], tar["alerts"]) == (None, None, None, [])


@pytest.mark.parametrize(
    ("question", "field"),
    [
        ("/stations?limit=0", "query.limit"),
        ("/stations?limit=501", "query.limit"),
        ("/stations?level=high", "query.level"),
        ("/stations?levl=treat", "query.levl"),
        ("/stations?subscription=nobody", "query.subscription"),
        ("/episodes?since=2026-01-12T06:00:00", "query.since"),
        ("/stations/XNOR/reports?since=2026-01-12T06:00:00Z&until=2026-01-12T05:00:00Z", "query.since"),
        ("/stations/XNOR/reports?since=2025-11-12T06:00:00Z", "query.since"),
        ("/stations/XNOR/night?until=0100", "until"),
        ("/stations/XNOR/night?until=0900Z&hangar_c=5", "hangar_c"),
        ("/stations/XNOR/night?members=5", "query.members"),
        ("/stations/XNOR/night?fuel_c=nan", "query.fuel_c"),
        ("/holdover?fluid=V&station=XNOR", "fluid"),
        ("/holdover?fluid=IV", "station"),
        ("/holdover?fluid=IV&station=XNOR&temp=-3", "station"),
        ("/holdover?fluid=IV&mix=100/0&temp=-3&weather=RAINY&visibility=far", "weather"),
        ("/procedures/hangar", "path.place"),
        ("/procedures/pad?aircraft=glider", "aircraft"),
        ("/procedures/pad?station=XTAR", "station"),
    ],
)
async def test_a_question_that_cannot_be_used_is_told_at_its_field(ask, question, field):
    errors = refused(await ask(question), 422)["errors"]
    assert field in {error["field"] for error in errors}


async def test_all_that_is_wrong_is_told_at_once(ask):
    answer = await ask("/stations/XNOR/night?fuel_c=-99&members=1&sky=7&wings=2")
    fields = {error["field"] for error in refused(answer, 422)["errors"]}
    assert fields == {"query.fuel_c", "query.members", "query.sky", "query.wings"}


@pytest.mark.parametrize(
    "path",
    ["/stations/XXXX", "/stations/XXXX/reports", "/stations/XXXX/night", "/episodes/XNOR-999", "/protections/XNOR-P9"],
)
async def test_what_is_not_here_is_404(ask, path):
    refused(await ask(path), 404)


async def test_an_answer_is_sent_once_while_it_stays_the_same(opened, ask):
    """RFC 9110, sections 8.8.3 and 13.1.2: weak tags, compared weakly; 304 carries the tag and no body."""
    for path in ("/stations", "/stations/XNOR", "/episodes", "/subscriptions", "/status", "/stations/XNOR/band.svg"):
        first = await ask(path)
        tag = first.headers["etag"]
        assert tag.startswith('W/"')
        assert first.headers["cache-control"] == "private, no-cache"
        for given in (tag, tag.removeprefix("W/"), f'"other", {tag}', "*"):
            again = await ask(path, headers={"If-None-Match": given})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        assert (await ask(path, headers={"If-None-Match": '"other"'})).status_code == 200
    stations = (await ask("/stations")).headers["etag"]
    opened.clock[0] = NOW + MINUTE
    # Ages are part of the answer: nobody reads old news as fresh.
    assert (await ask("/stations", headers={"If-None-Match": stations})).status_code == 200


async def test_head_says_what_get_would(opened, ask):
    headers = {"Authorization": f"Bearer {opened.token('read', name='b')}"}
    for path in ("/stations", "/stations/XFEL", "/episodes?limit=1", "/status"):
        got = await ask(path)
        head = await opened.client.head(f"{opened.origin}/api/v1{path}", headers=headers)
        assert (head.status_code, head.content) == (200, b"")
        assert (head.headers["etag"], head.headers.get("link")) == (got.headers["etag"], got.headers.get("link"))
    nobody = await opened.client.head(f"{opened.origin}/api/v1/stations")
    assert nobody.status_code == 401


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("DELETE", "/stations", "GET, HEAD"),
        ("PUT", "/subscriptions", "GET, HEAD, POST"),
        ("POST", "/subscriptions/x", "DELETE, GET, HEAD, PATCH"),
        ("GET", "/departures/plan", "POST"),
        ("PATCH", "/protections/XNOR-P1/presses", "POST"),
    ],
)
async def test_an_address_names_all_methods_that_it_takes(opened, method, path, allowed):
    """RFC 9110, section 10.2.1."""
    answer = await opened.client.request(method, f"{opened.origin}/api/v1{path}")
    refused(answer, 405)
    assert answer.headers["allow"] == allowed


async def test_a_timeband_is_a_drawing_that_runs_nothing(ask):
    answer = await ask("/stations/XBAY/band.svg?theme=dark&width_px=640")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert answer.text.startswith("<svg ")
    assert "<script" not in answer.text
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert policy.endswith("sandbox")


async def test_reports_of_a_time_say_whether_they_are_all(ask):
    all_of_it = (await ask("/stations/XNOR/reports?limit=500")).json()
    some = (await ask("/stations/XNOR/reports?limit=3")).json()
    assert (all_of_it["complete"], some["complete"]) == (True, False)
    assert some["items"] == all_of_it["items"][:3]
    lately = (await ask(f"/stations/XNOR/reports?since={(NOW - timedelta(hours=1)):%Y-%m-%dT%H:%M:%SZ}")).json()
    assert all(item["observed_at"] >= "2026-01-12T05:00:00Z" for item in lately["items"])
