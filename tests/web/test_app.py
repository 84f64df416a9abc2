"""What holds for every answer: headers, one way to refuse, bounds, and a description that fits."""

from __future__ import annotations

import asyncio
import base64
import hashlib

import jsonschema
import pytest
from lxml import html

from tests.web.scenes import DRIZZLE, bare, put
from tests.web.test_api import episodes, refused
from tests.web.test_take import words

pytestmark = pytest.mark.anyio
PAGE = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


async def every_kind_of_answer(site):
    """Yield one answer of each kind that the application gives."""
    take, stop = site.links.take("XNOR-1", "duty-desk"), site.links.stop("duty-desk")
    headers = site.token("read", "acknowledge")
    yield await site.client.get(site.links.board)
    yield await site.client.get(take)
    yield await site.client.head(take)
    yield await site.press(take, by="Ramp lead")
    yield await site.press(take, by="")
    yield await site.client.get(stop)
    yield await site.press(stop, **{"List-Unsubscribe": "One-Click"})
    yield await site.press(stop, again="yes")
    yield await site.client.get(site.links.confirm("duty-desk", "duty@example.org"))
    yield await site.press(site.links.confirm("duty-desk", "duty@example.org"))
    yield await site.client.get(f"{site.origin}/take/x")
    yield await site.client.put(take)
    yield await site.client.post(stop, content=b"x" * 20_000)
    yield await site.client.get(f"{site.origin}/nothing", headers=PAGE)
    yield await site.client.get(f"{site.origin}/nothing")
    yield await site.client.get(episodes(site), headers=headers)
    yield await site.client.get(episodes(site))
    yield await site.client.get(episodes(site, "x"), headers=headers)
    yield await site.client.delete(episodes(site), headers=headers)
    yield await site.client.get(f"{site.origin}/api/v1/openapi.json")


async def test_every_answer_carries_the_protective_headers(site, store):
    put(store, DRIZZLE)
    answers = [answer async for answer in every_kind_of_answer(site)]
    assert {answer.status_code for answer in answers} == {200, 401, 404, 405, 410, 413, 422}
    for answer in answers:
        headers = answer.headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert policy["form-action"] == "'self'"
        assert set(policy) == {"default-src", "style-src", "form-action", "frame-ancestors", "base-uri"}
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cache-control"] == "no-store" or (headers["cache-control"], "etag" in headers) == (
            "private, no-cache",
            True,
        )
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert "set-cookie" not in headers
        assert "server" not in headers
        assert "access-control-allow-origin" not in headers


async def test_the_policy_names_the_one_stylesheet_and_pages_load_nothing(site, store):
    """CSP Level 3, section 2.3.1: the hash is over the text between the tags."""
    put(store, DRIZZLE)
    pages = [
        answer async for answer in every_kind_of_answer(site) if "text/html" in answer.headers.get("content-type", "")
    ]
    assert len(pages) >= 10
    for page in pages:
        if not page.text:
            continue
        tree = html.fromstring(page.text)
        (style,) = tree.xpath("//style/text()")
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        assert f"style-src 'sha256-{digest}'" in page.headers["content-security-policy"]
        assert not tree.xpath("//script | //link | //img | //iframe | //object | //@src | //@style | //@href")
        assert set(tree.xpath("//@action")) <= {"/enter"}
        assert "url(" not in style
        assert tree.xpath("string(//html/@lang)") == "en"
        assert tree.xpath("//meta[@name='viewport']")
        assert tree.xpath("//title/text()")


async def test_programs_get_one_shape_for_every_refusal(site):
    headers = site.token("read")
    refused(await site.client.get(f"{site.origin}/nothing"), 404)
    refused(await site.client.get(f"{site.origin}/api/v1/nothing", headers=headers | PAGE), 404)
    refused(await site.client.get(f"{site.origin}/api/v1/episodes/XNOR-1/", headers=headers), 404)
    wrong = await site.client.delete(episodes(site), headers=headers)
    refused(wrong, 405)
    assert wrong.headers["allow"] == "GET, HEAD"
    refused(await site.client.post(episodes(site), content=b"x" * 20_000, headers=headers), 413)


async def test_the_address_of_the_service_leads_to_the_entrance(site):
    front = await site.client.get(site.links.board)
    assert front.status_code == 401
    assert "Sign in to the board" in words(front)


async def test_people_get_a_page_for_every_refusal(site):
    for address in ("/nothing", "/take", "/take/", "/stop/x/y"):
        answer = await site.client.get(f"{site.origin}{address}", headers=PAGE)
        assert answer.status_code == 404
        assert "There is nothing at this address." in words(answer)
    wrong = await site.client.put(site.links.stop("duty-desk"), headers=PAGE)
    assert wrong.status_code == 405
    assert "other methods" in words(wrong)


@pytest.mark.parametrize("address", ["/docs", "/redoc", "/openapi.json", "/api/v1/docs"])
async def test_no_page_of_the_framework_is_served(site, address):
    refused(await site.client.get(f"{site.origin}{address}"), 404)


async def test_the_description_is_openapi_and_fits_what_is_answered(site, store):
    """Checked with the jsonschema library against the schemas that the description itself gives (OpenAPI 3.1)."""
    put(store, DRIZZLE)
    description = (await site.client.get(f"{site.origin}/api/v1/openapi.json")).json()
    assert description["openapi"].startswith("3.1")
    assert all(path.startswith("/api/v1/") for path in description["paths"])
    headers = site.token("read", "acknowledge")
    read = description["paths"]["/api/v1/episodes/{episode}"]["get"]["responses"]
    take = description["paths"]["/api/v1/episodes/{episode}/acknowledgement"]["post"]["responses"]
    asked = [
        (read["200"], await site.client.get(episodes(site), headers=headers)),
        (read["401"], await site.client.get(episodes(site))),
        (read["404"], await site.client.get(episodes(site, "XNOR-9"), headers=headers)),
        (read["422"], await site.client.get(episodes(site, "x"), headers=headers)),
        (take["201"], await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": "x"}, headers=headers)),
        (take["200"], await site.client.post(f"{episodes(site)}/acknowledgement", json={"by": "y"}, headers=headers)),
    ]
    for described, answer in asked:
        ((media_type, content),) = described["content"].items()
        assert answer.headers["content-type"] == media_type
        schema = content["schema"] | {"components": description["components"], "additionalProperties": True}
        jsonschema.Draft202012Validator(schema).validate(answer.json())
        required = description["components"]["schemas"][content["schema"]["$ref"].rpartition("/")[2]]["properties"]
        assert set(answer.json()) == set(required)
    assert "HTTPValidationError" not in description["components"]["schemas"]


async def test_a_body_may_come_in_pieces_but_not_be_endless(site, store):
    put(store, DRIZZLE)

    async def pieces(count: int, size: int):
        yield b'{"by": "Ramp lead", "note": "'
        for _ in range(count):
            await asyncio.sleep(0)
            yield b"n" * size
        yield b'"}'

    headers = site.token("acknowledge") | {"Content-Type": "application/json"}
    link = f"{episodes(site)}/acknowledgement"
    refused(await site.client.post(link, content=pieces(40, 1000), headers=headers), 413)
    assert store.unnoticed_acknowledgements() == ()
    assert (await site.client.post(link, content=pieces(10, 10), headers=headers)).status_code == 201


async def test_a_size_that_is_only_claimed_is_not_waited_for(site):
    """A connection that says it will send much and sends too much is answered before it is done."""
    reader, writer = await asyncio.open_connection("127.0.0.1", int(site.origin.rpartition(":")[2]))
    path = f"/stop/{bare(site.links.stop('duty-desk'))}"
    writer.write(f"POST {path} HTTP/1.1\r\nHost: x\r\nContent-Length: 100000000\r\n\r\n".encode() + b"x" * 17_000)
    await writer.drain()
    head = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), 5)
    assert head.startswith(b"HTTP/1.1 413")
    writer.close()
