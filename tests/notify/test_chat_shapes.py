"""The shapes in which chat rooms take a message: a text, a text with Markdown's signs, a card.

The oracle for Markdown is markdown-it-py, which implements CommonMark 0.31. What a card may hold is from memory of the
open schema of adaptive cards, version 1.4.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from tests.net.loopback import loopback, ok
from tests.notify.letters import SAMPLES
from tests.notify.test_chat import PATH, refusal_of
from watcher.demo.receivers import WebhookReceiver
from watcher.errors import SettingsError
from watcher.net import Guard, HttpClients
from watcher.notify.chat import ChatChannel
from watcher.notify.escaping import for_chat, for_markdown
from watcher.notify.message import CAUTION, Message
from watcher.notify.model import ChatDestination
from watcher.notify.samples import NOW, READER, digest_part
from watcher.notify.templating import LONGEST_CARD_BYTES, LONGEST_CHAT, Templates
from watcher.settings.people import ChatShape

TEMPLATES = Templates.load()
BLOCKS = {"TextBlock", "Container", "FactSet"}


async def posted(message: Message, shape: ChatShape, text_field: str = "text") -> dict[str, Any]:
    async with (
        WebhookReceiver("whsec_" + "QUJD" * 8, clock=lambda: NOW) as room,
        HttpClients(Guard(("127.0.0.0/8",))) as http,
    ):
        await ChatChannel(ChatDestination("ramp", room.url(PATH), text_field, shape), http, TEMPLATES).send(
            message, NOW
        )
    (post,) = room.posts
    return dict(post.payload)


class Words(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.text = ""
        self.tags: set[str] = set()
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def shown(text: str) -> Words:
    """Return what a reader of Markdown sees."""
    return Words(MarkdownIt("commonmark").enable("strikethrough").renderInline(text))


@given(st.text(alphabet=st.sampled_from("*_`~[]()\\#|<>@&!-+.:/ abZ0\n"), max_size=60))
def test_whoever_reads_markdown_sees_what_was_written(text: str) -> None:
    seen = shown(for_markdown(text))
    assert not seen.tags & {"em", "strong", "a", "code", "s", "img"}
    assert " ".join(seen.text.split()) == " ".join(for_chat(text).split())


def test_groups_of_a_report_stay_as_they_are_in_markdown() -> None:
    report = "SPECI XNOR 120550Z 15006KT 3000 -FZDZ +SN R22/0600U BR OVC006 M01/M02 Q1011"
    assert for_markdown(report) == report


@pytest.mark.anyio
@pytest.mark.parametrize("kind", SAMPLES)
async def test_a_room_that_reads_markdown_gets_the_same_words(kind: str) -> None:
    said = await posted(SAMPLES[kind], "markdown", "content")
    assert list(said) == ["content"]
    assert len(said["content"]) <= LONGEST_CHAT
    lines = said["content"].splitlines()
    assert lines[-1] == CAUTION
    plainly = (await posted(SAMPLES[kind], "text"))["text"].splitlines()
    assert shown(lines[0]).text == plainly[0]


def texts_of(block: dict[str, Any]) -> Iterator[str]:
    assert block["type"] in BLOCKS
    if block["type"] == "TextBlock":
        assert block["wrap"] is True, "a line that is cut off hides what to do"
        yield block["text"]
    for item in block.get("items", ()):
        yield from texts_of(item)
    for fact in block.get("facts", ()):
        yield from (fact["title"], fact["value"])


@pytest.mark.anyio
@pytest.mark.parametrize("kind", SAMPLES)
async def test_every_kind_of_message_is_a_card(kind: str) -> None:
    message = SAMPLES[kind]
    said = await posted(message, "card")
    assert said["type"] == "message"
    (attached,) = said["attachments"]
    card = attached["content"]
    assert (card["type"], card["version"]) == ("AdaptiveCard", "1.4")
    texts = [text for block in card["body"] for text in texts_of(block)]
    assert all(isinstance(text, str) and text for text in texts)
    assert shown(texts[0]).text == for_chat(message.headline)
    assert texts[-1] == CAUTION
    # A digest says it station by station.
    (step, *_) = (item.next_step for item in (*message.first.body.lines, message.first.body))
    assert any(shown(text).text == for_chat(step) for text in texts)
    addresses = [action["url"] for action in card["actions"]]
    links = message.links
    takes = [message.first.take] if message.first.take is not None and not message.several else []
    assert addresses == [*takes, *(url for url in (links.board, links.stop) if url is not None)]
    assert not any(shown(text).tags & {"a", "img", "em", "strong", "code"} for text in texts)


def test_a_card_of_the_world_is_no_longer_than_a_room_takes_and_says_what_is_left_out() -> None:
    part = digest_part()
    many = replace(part, body=replace(part.body, lines=part.body.lines * 200))
    card = TEMPLATES.card(replace(SAMPLES["digest"], parts=(many,)), READER)
    assert len(card) <= LONGEST_CARD_BYTES
    told = card.count(b'"Container"') - 4
    assert f"And {len(many.body.lines) - told} more stations: see the board." in card.decode()


def test_a_card_of_ones_own_is_tried_before_it_is_used() -> None:
    own = Templates.load(
        {
            "card.json": '{"title": {{ headline }}, "sections": [{% for part in parts %}{"text": {{ part.next_step }}}{% if not loop.last %},{% endif %}{% endfor %}]}'
        }
    )
    said = json.loads(own.card(SAMPLES["several"], READER))
    assert said["title"] == for_markdown(SAMPLES["several"].headline)
    assert len(said["sections"]) == len(SAMPLES["several"].parts)
    for wrong in ('{"title": "{{ headline }}"}', "[{{ headline }}]", '{"title": {{ headlin }}}'):
        with pytest.raises(SettingsError, match=r"card\.json"):
            Templates.load({"card.json": wrong})


@pytest.mark.anyio
@pytest.mark.parametrize("shape", ["markdown", "card"])
async def test_a_busy_room_of_any_shape_is_left_alone_as_long_as_it_asks(shape: ChatShape) -> None:
    """RFC 6585, 4."""
    answer = ok(b"slow down", "Retry-After: 31", status="429 Too Many Requests")
    async with loopback(answer, keep=True) as served, HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = ChatChannel(ChatDestination("ramp", served.url(path=PATH), shape=shape), http, TEMPLATES)
        error = await refusal_of(channel)
    assert error.retry_after_s == 31.0
