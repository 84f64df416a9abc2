"""Reading posted forms: what another library encodes is read back, and nothing that is sent breaks the reader."""

from __future__ import annotations

from contextlib import suppress
from urllib.parse import urlencode

import anyio
import httpx
import pytest
from fastapi import Request
from hypothesis import example, given
from hypothesis import strategies as st

from watcher.web.forms import form_fields
from watcher.web.problems import Refusal

texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=60)
names = st.text("abcdefghijklmnopqrstuvwxyz-", min_size=1, max_size=12)
fields = st.dictionaries(names, texts, min_size=1, max_size=6)


def read(body: bytes, content_type: str) -> dict[str, str]:
    async def receive():
        return {"type": "http.request", "body": body, "more_body": False}

    scope = {"type": "http", "method": "POST", "headers": [(b"content-type", content_type.encode("latin-1"))]}
    return anyio.run(form_fields, Request(scope, receive))


def encoded(values: dict[str, str]) -> tuple[bytes, str]:
    """Return a multipart form as httpx writes it (RFC 7578)."""
    request = httpx.Request("POST", "http://x", files={name: (None, value) for name, value in values.items()})
    return request.read(), request.headers["content-type"]


@given(fields)
def test_what_a_browser_encodes_is_read_back(values):
    assert read(urlencode(values).encode(), "application/x-www-form-urlencoded; charset=utf-8") == values


@given(fields)
@example({"a": "\r\n--x--\r\n"})
@example({"a": "one\ntwo\rthree\r\nfour\r\n"})
@example({"a": "From here\n.\n=20"})
def test_what_another_library_encodes_in_parts_is_read_back(values):
    assert read(*encoded(values)) == values


def test_of_a_name_given_twice_the_first_counts():
    assert read(b"a=1&a=2&b=", "application/x-www-form-urlencoded") == {"a": "1", "b": ""}
    part = b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n%d\r\n'
    assert read(part % 1 + part % 2 + b"--x--\r\n", "multipart/form-data; boundary=x") == {"a": "1"}


@given(st.binary(max_size=400), st.sampled_from(["x", '"x"', "", "=", "\xff", "x; charset=\xff", "x" * 300]))
def test_whatever_is_sent_is_a_form_or_is_refused(body, boundary):
    for content_type in ("application/x-www-form-urlencoded", f"multipart/form-data; boundary={boundary}"):
        for sent in (body, b"--x\r\n" + body + b"\r\n--x--\r\n"):
            with suppress(Refusal):
                assert all(isinstance(value, str) for value in read(sent, content_type).values())


@pytest.mark.parametrize("frames", [0, 400])
def test_messages_within_messages_end_somewhere(frames):
    """The largest body that is let in, nested as deep as it goes, read from shallow and from deep."""
    body = b"--x\n" + b"Content-Type:message/\n\n" * 712

    def read_below(frames: int) -> dict[str, str]:
        return read_below(frames - 1) if frames else read(body, "multipart/form-data; boundary=x")

    assert len(body) <= 16 * 1024
    with suppress(Refusal):
        assert read_below(frames) == {}


@pytest.mark.parametrize("content_type", ["", "text/plain", "application/json", "multipart/mixed; boundary=x"])
def test_what_is_no_form_is_refused(content_type):
    with pytest.raises(Refusal) as refused:
        read(b"a=1", content_type)
    assert refused.value.status == 415
