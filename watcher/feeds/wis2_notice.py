"""Notifications of the WMO Information System 2.0: what was published, when, how it is checked, and where it is.

Sources: WMO, Manual on the WMO Information System, volume II (WMO-No. 1060), the WIS2 Notification Message encoding 1
(conformance class `core`) and the WIS2 Topic Hierarchy; a notification is a GeoJSON Feature (RFC 7946). Older forms of
the encoding, which name no conformance class or say `operation`, are read as well.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from watcher.errors import WrongForm
from watcher.feeds.model import What
from watcher.feeds.rows import shown
from watcher.net import InflateError, gunzip

# The encoding allows 8,192 bytes for a message; some publishers exceed it a little.
LARGEST_NOTICE_BYTES = 32 << 10
# Aviation bulletins have some kilobytes; a collection in XML some hundreds.
LARGEST_CONTENT_BYTES = 1 << 20
_LONGEST_NAME = 1024
_MOST_LINKS = 8
_LONGEST_LINK = 2048
_UPDATE = "http://def.wmo.int/def/rel/wnm/-/update"
_DELETION = "http://def.wmo.int/def/rel/wnm/-/deletion"
_CENTRE_LEVEL = 3
_ENCODINGS = frozenset({"utf-8", "base64", "gzip"})
_METHODS: Mapping[str, Callable[[bytes], Any]] = {
    "sha256": hashlib.sha256,
    "sha384": hashlib.sha384,
    "sha512": hashlib.sha512,
    "sha3-256": hashlib.sha3_256,
    "sha3-384": hashlib.sha3_384,
    "sha3-512": hashlib.sha3_512,
}


@dataclass(frozen=True, slots=True)
class Notice:
    """One notification.

    `id`: of the message, the same at every broker. `data_id` and `published_at`: of the data, the same for what was
    published and for the copy in a cache. `digest`: method and value that the content is checked by, None where it
    says none, or a method that the encoding does not have. `inline`: encoding, text and size of content that came with
    it. `links`: where the content is, the preferred first. `withdrawn`: the publisher takes the data back.
    """

    id: str
    data_id: str
    published_at: datetime
    digest: tuple[str, bytes] | None = None
    inline: tuple[str, str, int | None] | None = None
    links: tuple[str, ...] = ()
    withdrawn: bool = False

    @property
    def key(self) -> tuple[str, datetime]:
        """What was published, and when: a copy has the same."""
        return self.data_id, self.published_at


def what_of(topic: str) -> What:
    """Return what a topic of aviation reports brings: its last level is metar (SPECI among them) or taf."""
    return "taf" if topic.rpartition("/")[2] == "taf" else "metar"


def is_practice(topic: str) -> bool:
    """Return whether the centre in a topic tests its node: its name ends in -test, or begins with test-."""
    levels = topic.split("/")
    centre = levels[_CENTRE_LEVEL] if len(levels) > _CENTRE_LEVEL else ""
    return centre.endswith("-test") or centre.startswith("test-")


def read_notice(payload: bytes) -> Notice:
    """Return what a message says.

    Raises
    ------
    WrongForm
        It is no notification; the message says why.
    """
    if len(payload) > LARGEST_NOTICE_BYTES:
        raise WrongForm(f"it has {len(payload)} bytes, more than {LARGEST_NOTICE_BYTES}")
    try:
        message = json.loads(payload)
    except (ValueError, RecursionError) as error:
        raise WrongForm("it is no JSON that can be read") from error
    if not isinstance(message, dict) or message.get("type") != "Feature":
        raise WrongForm("it is no GeoJSON Feature")
    properties = message.get("properties")
    if not isinstance(properties, dict):
        raise WrongForm("it has no properties")
    links = message.get("links")
    return Notice(
        id=_name(message.get("id"), "id"),
        data_id=_name(properties.get("data_id"), "data_id"),
        published_at=_time(properties.get("pubtime")),
        digest=_digest(properties.get("integrity")),
        inline=_inline(properties.get("content")),
        links=_links(links),
        withdrawn=properties.get("operation") == "delete" or _DELETION in _relations(links),
    )


def content_of(notice: Notice) -> bytes:
    """Return the content that came with a notification, unpacked and checked.

    Raises
    ------
    WrongForm
        There is none, it cannot be unpacked, or it is not what was published.
    """
    if notice.inline is None:
        raise WrongForm("it brings no content")
    encoding, text, size = notice.inline
    stages = _stages(encoding, text)
    # Publishers check the bytes as they are before or after packing; either proves that nothing was changed.
    if notice.digest is not None:
        if not any(_matches(stage, notice.digest) for stage in stages):
            raise WrongForm("its content is not what was published: the checksum differs")
    elif size is not None and size not in {len(text), *map(len, stages)}:
        raise WrongForm(f"its content is cut: {len(stages[0])} bytes instead of {size}")
    return stages[-1]


def checked_content(notice: Notice, body: bytes) -> bytes:
    """Return what a link gave, unpacked, when it is what was published; WrongForm when it is not."""
    if notice.digest is not None and not _matches(body, notice.digest):
        raise WrongForm("what its link gives is not what was published: the checksum differs")
    return _unpacked(body)


def _stages(encoding: str, text: str) -> tuple[bytes, ...]:
    """Return the content as packed and as unpacked."""
    try:
        if encoding == "utf-8":
            return (text.encode(),)
        packed = base64.b64decode("".join(text.split()), validate=True)
    except (UnicodeEncodeError, binascii.Error, ValueError) as error:
        raise WrongForm(f"its content is no {shown(encoding)}") from error
    unpacked = _unpacked(packed)
    if encoding == "gzip" and unpacked is packed:
        raise WrongForm("its content is no gzip")
    return (packed, unpacked)


def _unpacked(body: bytes) -> bytes:
    if not body.startswith(b"\x1f\x8b"):
        return body
    try:
        return gunzip(body, LARGEST_CONTENT_BYTES)
    except InflateError as error:
        raise WrongForm(f"its content cannot be unpacked: {error}") from error


def _matches(body: bytes, digest: tuple[str, bytes]) -> bool:
    method, value = digest
    found: bytes = _METHODS[method](body).digest()
    return found == value


def _name(value: object, field: str) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= _LONGEST_NAME:
        raise WrongForm(f"it has no {field}")
    return value


def _time(value: object) -> datetime:
    try:
        time = datetime.fromisoformat(value) if isinstance(value, str) else None
        if time is not None and time.tzinfo is not None:
            return time.astimezone(UTC)
    except (ValueError, OverflowError):
        pass  # a time that cannot be is none
    raise WrongForm("it has no pubtime with a zone")


def _digest(value: object) -> tuple[str, bytes] | None:
    method, text = (value.get("method"), value.get("value")) if isinstance(value, dict) else (None, None)
    if not isinstance(method, str) or method not in _METHODS:
        return None
    try:
        return method, base64.b64decode(text if isinstance(text, str) else "", validate=True)
    except (binascii.Error, ValueError) as error:
        raise WrongForm("its checksum is no base64") from error


def _inline(value: object) -> tuple[str, str, int | None] | None:
    if not isinstance(value, dict):
        return None
    encoding, text, size = value.get("encoding"), value.get("value"), value.get("size")
    if not isinstance(encoding, str) or encoding not in _ENCODINGS or not isinstance(text, str) or not text:
        return None
    return encoding, text, size if isinstance(size, int) and not isinstance(size, bool) else None


def _links(value: object) -> tuple[str, ...]:
    """Return the addresses that lead to the data: those of its update before those of what it was first."""
    found: dict[str, list[str]] = {_UPDATE: [], "canonical": []}
    for link in value[:_MOST_LINKS] if isinstance(value, list) else ():
        href = link.get("href") if isinstance(link, dict) else None
        relation = link.get("rel") if isinstance(link, dict) else None
        if not isinstance(href, str) or not isinstance(relation, str) or relation not in found:
            continue
        if len(href) <= _LONGEST_LINK and href.startswith(("https://", "http://")) and _has_host(href):
            found[relation].append(href)
    return (*found[_UPDATE], *found["canonical"])


def _has_host(href: str) -> bool:
    try:
        return bool(urlsplit(href).hostname)
    except ValueError:
        return False  # brackets that hold no address, or letters that would turn into others


def _relations(value: object) -> frozenset[str]:
    links = value[:_MOST_LINKS] if isinstance(value, list) else ()
    relations = (link.get("rel") for link in links if isinstance(link, dict))
    return frozenset(relation for relation in relations if isinstance(relation, str))
