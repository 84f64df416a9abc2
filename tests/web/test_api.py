"""The API as a program uses it: what it says, whom it lets in, and one shape for every refusal."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.web.scenes import DRIZZLE, DRIZZLE_BODY, MINUTE, NOW, ended, fill, put, served, taken_by
from watcher.alerts.model import EventType, Phase
from watcher.errors import Problem, RulesError, StoreConflict, StoreError, UsageError
from watcher.notify.message import CAUTION
from watcher.rulebook.words import Level

pytestmark = pytest.mark.anyio
SHAPE = {"type", "title", "status", "detail", "errors"}


def episodes(site, name: str = "XNOR-1") -> str:
    return f"{site.origin}/api/v1/episodes/{name}"


def refused(answer, status: int) -> dict:
    """Check a refusal against RFC 9457: media type, and the members of section 3.1."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert set(body) == SHAPE
    assert (body["type"], body["status"]) == ("about:blank", status)
    assert body["title"]
    assert body["detail"]
    return body


async def test_an_episode_is_told_with_the_names_of_the_contract(site, store):
    put(store, replace(DRIZZLE, taken=taken_by("Ramp lead", note="Truck 3")))
    answer = await site.client.get(episodes(site), headers=site.token("read"))
    assert answer.status_code == 200
    assert answer.json() == {
        "episode": "XNOR-1",
        "event": "XNOR-1.1",
        "station": "XNOR",
        "name": "Northby",
        "flag": "freezing-precipitation",
        "level": "treat",
        "no_time": None,
        "kind": "observed",
        "certainty": None,
        "phase": "present",
        "headline": DRIZZLE_BODY.headline,
        "why": DRIZZLE_BODY.why,
        "next_step": DRIZZLE_BODY.next_step,
        "from": "2026-01-12T05:50:00Z",
        "until": None,
        "opened_at": "2026-01-12T05:50:00Z",
        "changed_at": "2026-01-12T05:50:00Z",
        "ended_at": None,
        "observed_at": "2026-01-12T05:50:00Z",
        "report_age_min": 10,
        "raw": DRIZZLE_BODY.raw,
        "forecast_raw": None,
        "acknowledgement": {"by": "Ramp lead", "note": "Truck 3", "at": "2026-01-12T05:55:00Z", "level": "treat"},
        "caution": CAUTION,
    }


async def test_every_kind_of_episode_can_be_told(site, store):
    fill(store)
    headers = site.token("read")
    told = {
        name: (await site.client.get(episodes(site, name), headers=headers)).json()
        for name in ("XNOR-1", "XNOR-2", "XBAY-1", "XFEL-1", "XMOR-1")
    }
    assert told["XBAY-1"]["no_time"] == "none"
    assert told["XFEL-1"]["ended_at"] == "2026-01-12T06:24:00Z"
    assert told["XMOR-1"]["certainty"] == "probability 40 %, temporary"
    assert {tuple(one) for one in told.values()} == {tuple(told["XNOR-1"])}


async def test_an_episode_that_nobody_was_told_of_has_no_words_yet(site, store):
    forming = replace(DRIZZLE, phase=Phase.FORMING, opened_at=None, seq=0)
    put(store, forming, None)
    told = (await site.client.get(episodes(site), headers=site.token("read"))).json()
    assert (told["event"], told["headline"], told["report_age_min"], told["phase"]) == (None, None, None, "forming")
    refused(
        await site.client.post(
            f"{episodes(site)}/acknowledgement", json={"by": "x"}, headers=site.token("acknowledge", name="b")
        ),
        404,
    )


async def test_a_program_takes_an_episode_in_hand(site, store):
    put(store, DRIZZLE)
    headers = site.token("acknowledge")
    first = await site.client.post(
        f"{episodes(site)}/acknowledgement", json={"by": "Ramp lead", "note": "Truck 3"}, headers=headers
    )
    second = await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": "Dispatcher"}, headers=headers)
    standing = {"by": "Ramp lead", "note": "Truck 3", "at": "2026-01-12T06:00:00Z"}
    assert (first.status_code, first.json()) == (201, standing)
    assert (second.status_code, second.json()) == (200, standing)
    assert [item.by for item in store.unnoticed_acknowledgements()] == ["Ramp lead"]
    assert site.news == ["news"]


async def test_of_many_programs_at_once_one_is_first(site, store):
    put(store, DRIZZLE)
    headers = site.token("acknowledge")
    answers = await asyncio.gather(
        *(
            site.client.post(f"{episodes(site)}/acknowledgement", json={"by": f"program {number}"}, headers=headers)
            for number in range(8)
        )
    )
    assert sorted(answer.status_code for answer in answers) == [200] * 7 + [201]
    assert len({json.dumps(answer.json()) for answer in answers}) == 1


async def test_what_has_ended_cannot_be_taken(site, store):
    put(store, ended(), type_=EventType.CLOSED)
    answer = await site.client.post(
        f"{episodes(site)}/acknowledgement", json={"by": "Ramp lead"}, headers=site.token("acknowledge")
    )
    assert "ended on 12 Jan 0624Z" in refused(answer, 410)["detail"]


async def test_what_is_not_there_is_not_there(site):
    headers = site.token("read", "acknowledge")
    assert "XNOR-9" in refused(await site.client.get(episodes(site, "XNOR-9"), headers=headers), 404)["detail"]
    answer = await site.client.post(f"{episodes(site, 'XNOR-9')}/acknowledgement", json={"by": "x"}, headers=headers)
    refused(answer, 404)


@pytest.mark.parametrize(
    ("authorization", "challenge"),
    [
        (None, ""),
        (b"", ""),
        (b"Bearer", ""),
        (b"Basic aG9hcjpob2Fy", ""),
        (b"hoar_" + b"A" * 43, ""),
        (b"Bearer hoar_" + b"A" * 43, ', error="invalid_token"'),
        (b"bearer hoar_" + b"A" * 4000, ', error="invalid_token"'),
        (b"Bearer hoar_\xff\xfe", ', error="invalid_token"'),
        (b"Bearer ' OR 1=1 --", ', error="invalid_token"'),
    ],
)
async def test_without_a_known_token_nobody_reads(site, store, authorization, challenge):
    """RFC 6750, section 3.1: 401 carries WWW-Authenticate, with an error code only where a token was shown."""
    put(store, DRIZZLE)
    headers = {} if authorization is None else {"Authorization": authorization}
    answer = await site.client.get(episodes(site), headers=headers)
    refused(answer, 401)
    assert answer.headers["www-authenticate"] == f'Bearer realm="hoarline"{challenge}'


async def test_an_expired_or_removed_token_is_no_token(site, store):
    put(store, DRIZZLE)
    good = site.token("read", name="good", expires_at=NOW + timedelta(seconds=1))
    gone = site.token("read", name="gone", expires_at=NOW)
    assert (await site.client.get(episodes(site), headers=good)).status_code == 200
    refused(await site.client.get(episodes(site), headers=gone), 401)
    store.remove_token("good")
    refused(await site.client.get(episodes(site), headers=good), 401)


@pytest.mark.parametrize(
    ("scopes", "reads", "takes"),
    [
        (("read",), 200, 403),
        (("acknowledge",), 403, 201),
        (("manage",), 403, 403),
        (("read", "acknowledge"), 200, 201),
        ((), 403, 403),
    ],
)
async def test_a_token_does_what_its_scopes_say(site, store, scopes, reads, takes):
    put(store, DRIZZLE)
    headers = site.token(*scopes)
    read = await site.client.get(episodes(site), headers=headers)
    took = await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": "x"}, headers=headers)
    assert (read.status_code, took.status_code) == (reads, takes)
    for answer, scope in ((read, "read"), (took, "acknowledge")):
        if answer.status_code == 403:
            refused(answer, 403)
            assert f'error="insufficient_scope", scope="{scope}"' in answer.headers["www-authenticate"]
    assert bool(store.unnoticed_acknowledgements()) is (takes == 201)


async def test_who_may_not_take_is_not_told_what_is_wrong_with_the_body(site, store):
    put(store, DRIZZLE)
    answer = await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": 7})
    refused(answer, 401)


@pytest.mark.parametrize(
    ("content", "field"),
    [
        (b"", "body"),
        (b"{", "body"),
        (b"[]", "body"),
        (b"{}", "body.by"),
        (b'{"by": ""}', "body.by"),
        (b'{"by": " \\u200b\\n "}', "body.by"),
        (b'{"by": 7}', "body.by"),
        (b'{"by": null}', "body.by"),
        (b'{"by": "\\ud800"}', "body.by"),
        (b'{"by": "x", "note": null}', "body.note"),
        (b'{"by": "' + b"x" * 81 + b'"}', "body.by"),
        (b'{"by": "x", "note": "' + b"x" * 201 + b'"}', "body.note"),
        (b'{"by": "x", "level": "note"}', "body.level"),
    ],
)
async def test_a_body_that_cannot_be_used_is_told_field_by_field(site, store, content, field):
    put(store, DRIZZLE)
    headers = site.token("acknowledge") | {"Content-Type": "application/json"}
    answer = await site.client.post(f"{episodes(site)}/acknowledgement", content=content, headers=headers)
    errors = refused(answer, 422)["errors"]
    assert errors
    assert all(error["field"].startswith(field) and error["what"] for error in errors)
    assert store.unnoticed_acknowledgements() == ()


async def test_a_body_that_is_no_text_is_told(site):
    headers = site.token("acknowledge") | {"Content-Type": "application/json"}
    refused(
        await site.client.post(f"{episodes(site)}/acknowledgement", content=b'{"by": "\xff"}', headers=headers), 400
    )


@pytest.mark.parametrize(
    "name", ["xnor-1", "XNOR", "XNOR-", "XNOR-1.1", "XNOR-1' OR '1", "XNOR-%00", "<b>", "XNOR-1%0A"]
)
async def test_what_is_no_name_of_an_episode_is_told(site, name):
    answer = await site.client.get(episodes(site, name), headers=site.token("read"))
    assert refused(answer, 422)["errors"][0]["field"] == "path.episode"


async def test_control_characters_are_kept_out_of_what_others_read(site, store):
    put(store, DRIZZLE)
    body = {"by": "Ramp\u202e lead\r\nX: y", "note": "\x1b[31mred\x00"}
    answer = await site.client.post(f"{episodes(site)}/acknowledgement", json=body, headers=site.token("acknowledge"))
    assert (answer.json()["by"], answer.json()["note"]) == ("Ramp lead X: y", "[31mred")


class Broken:
    """A store that does not answer."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def __getattr__(self, name):
        def ask(*_args, **_kwargs):
            raise self._error

        return ask


async def test_a_store_that_fails_is_told_without_its_words(capsys):
    async with served(Broken(StoreError("/secret/place/hoarline.db is locked"))) as site:
        headers = {"Authorization": "Bearer hoar_" + "A" * 43}
        answer = await site.client.get(episodes(site), headers=headers)
        page = await site.client.get(site.links.take("XNOR-1", "duty-desk"))
    assert "Nothing was changed" in refused(answer, 503)["detail"]
    assert answer.headers["retry-after"] == "5"
    assert (page.status_code, "Nothing was changed" in page.text) == (503, True)
    assert "secret" not in answer.text + page.text
    out = capsys.readouterr()
    assert "/secret/place/hoarline.db is locked" in out.out + out.err
    assert site.links.take("XNOR-1", "duty-desk").rpartition("/")[2] not in out.out + out.err


async def test_a_fault_of_ours_is_told_without_its_words_and_logged_with_them(capsys):
    async with served(Broken(RuntimeError("inner words"))) as site:
        link = site.links.take("XNOR-1", "duty-desk")
        answer = await site.client.get(episodes(site), headers={"Authorization": "Bearer hoar_" + "A" * 43})
        page = await site.client.get(link)
    refused(answer, 500)
    assert page.status_code == 500
    assert page.headers["content-security-policy"] == answer.headers["content-security-policy"]
    assert "inner words" not in answer.text + page.text
    out = capsys.readouterr()
    assert "inner words" in out.out + out.err
    assert link.rpartition("/")[2] not in out.out + out.err


@pytest.mark.parametrize(
    ("error", "status", "fields"),
    [
        (
            UsageError([Problem("--fuel-c", "is no number", "°C"), Problem("flight", "stands twice")]),
            422,
            ["fuel_c", "flight"],
        ),
        (StoreConflict("XNOR: changed by another process"), 409, []),
        (RulesError([Problem("/secret/place/fluids.toml", "cannot be read")]), 500, []),
    ],
)
async def test_each_kind_of_error_has_its_status_in_one_place(error, status, fields):
    """What the asker wrote is theirs (422), what another did at the same time is a conflict, what is set up wrong is ours."""
    async with served(Broken(error)) as site:
        answer = await site.client.get(episodes(site), headers={"Authorization": "Bearer hoar_" + "A" * 43})
    told = refused(answer, status)
    assert [wrong["field"] for wrong in told["errors"]] == fields
    assert "secret" not in answer.text
    if status == 422:
        assert told["errors"][0]["what"] == "is no number; °C"


async def test_the_age_is_counted_to_the_present(store):
    put(store, DRIZZLE)
    async with served(store, now=NOW + 50 * MINUTE) as site:
        told = (await site.client.get(episodes(site), headers=site.token("read"))).json()
    assert told["report_age_min"] == 60


async def test_what_rose_since_can_be_taken_again(site, store):
    put(store, replace(DRIZZLE, level=Level.NO_TIME, taken=taken_by("Ramp lead", Level.TREAT)))
    headers = site.token("read", "acknowledge")
    told = (await site.client.get(episodes(site), headers=headers)).json()
    assert (told["level"], told["acknowledgement"]["level"]) == ("no-time", "treat")
    answer = await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": "Dispatcher"}, headers=headers)
    assert (answer.status_code, answer.json()["by"]) == (201, "Dispatcher")
