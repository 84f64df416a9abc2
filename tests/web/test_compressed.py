"""Answers are packed for whoever takes gzip, and only for them; pieces packed apart make one file.

Oracle for what is packed: the gzip and zlib modules of the standard library, and httpx, which unpacks what it is sent.
"""

from __future__ import annotations

import gzip
import os
import time

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from tests.web.board_scenes import Morning
from watcher.web.compressed import Compressed, Piece, gzip_of, takes_gzip

pytestmark = pytest.mark.anyio
LONG = "freezing drizzle " * 200


@given(st.lists(st.text(max_size=400), max_size=6))
def test_pieces_packed_apart_are_one_file_of_all_their_text(texts: list[str]) -> None:
    assert gzip.decompress(gzip_of([Piece.of(text) for text in texts])).decode() == "".join(texts)


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        ("gzip", True),
        ("gzip, deflate, br, zstd", True),
        ("br;q=1.0, GZIP;q=0.5", True),
        ("*", True),
        ("gzip;q=0", False),
        ("gzip; q=0.000, br", False),
        ("identity", False),
        ("br, deflate", False),
        ("", False),
        ("notgzip", False),
        ("gzip;q=oops", False),
    ],
)
def test_only_who_takes_gzip_gets_it_by_the_rules_of_rfc_9110(accepted: str, takes: bool) -> None:
    assert takes_gzip(accepted) is takes


def test_a_header_made_to_be_slow_to_read_is_read_at_once() -> None:
    begun = time.perf_counter()
    takes_gzip("," + " \t" * 8000 + "gzip" + " " * 8000 + ";" * 8000)
    assert time.perf_counter() - begun < 1


async def _long(_request: Request) -> Response:
    return PlainTextResponse(LONG)


async def _short(_request: Request) -> Response:
    return JSONResponse({"ok": True})


async def _picture(_request: Request) -> Response:
    return Response(LONG.encode(), media_type="image/png")


async def _stream(_request: Request) -> Response:
    return StreamingResponse(iter([LONG.encode(), b"more"]), media_type="text/event-stream")


async def _pieces(_request: Request) -> Response:
    return StreamingResponse(iter([LONG.encode(), b"more"]), media_type="text/plain")


async def _packed(_request: Request) -> Response:
    return Response(gzip_of([Piece.of(LONG)]), headers={"Content-Encoding": "gzip"}, media_type="text/plain")


def asking(**headers: str) -> httpx.AsyncClient:
    paths = (_long, _short, _picture, _stream, _pieces, _packed)
    app = Starlette(routes=[Route(f"/{answer.__name__[1:]}", answer, methods=["GET", "HEAD"]) for answer in paths])
    transport = httpx.ASGITransport(Compressed(app))
    return httpx.AsyncClient(transport=transport, base_url="http://board.example", headers=headers)


async def test_a_long_text_is_packed_and_says_so() -> None:
    async with asking() as client:
        answer = await client.get("/long")
    assert answer.text == LONG
    assert answer.headers["content-encoding"] == "gzip"
    assert answer.headers["vary"] == "Accept-Encoding"
    assert int(answer.headers["content-length"]) < len(LONG) / 10


@pytest.mark.parametrize("path", ["short", "picture", "stream", "pieces"])
async def test_what_is_short_no_text_or_a_stream_goes_as_it_is(path: str) -> None:
    async with asking() as client:
        answer = await client.get(f"/{path}")
    assert "content-encoding" not in answer.headers
    assert answer.content


async def test_what_is_packed_already_is_not_packed_again() -> None:
    async with asking() as client:
        assert (await client.get("/packed")).text == LONG


async def test_who_does_not_take_gzip_reads_plain_text() -> None:
    async with asking(**{"Accept-Encoding": "identity"}) as client:
        answer = await client.get("/long")
    assert "content-encoding" not in answer.headers
    assert answer.text == LONG
    assert answer.headers["vary"] == "Accept-Encoding"


async def test_a_question_for_the_head_alone_is_answered_without_a_body() -> None:
    async with asking() as client:
        answer = await client.head("/long")
    assert answer.content == b""
    assert "content-encoding" not in answer.headers


async def test_the_board_its_script_and_its_data_go_out_packed_and_the_live_events_do_not(opened: Morning) -> None:
    await opened.sign_in()
    for path in ("/", "/static/board.js", "/api/v1/stations"):
        answer = await opened.client.get(f"{opened.origin}{path}")
        assert answer.status_code == 200
        assert answer.headers["content-encoding"] == "gzip", path
    async with opened.client.stream("GET", f"{opened.origin}/live") as live:
        assert "content-encoding" not in live.headers
        first = await anext(live.aiter_raw())
        assert first.startswith(b"retry:")


def test_bytes_that_cannot_be_packed_come_back_whole() -> None:
    noise = os.urandom(100_000)
    assert gzip.decompress(gzip_of([Piece.of_bytes(noise)])) == noise
