"""Signed links: take an episode in hand, stop a destination, confirm an address, read a feed. No session, no table.

A token is ``mac | purpose's fields`` in base64url. The mac is HMAC-SHA256 over the purpose and the fields, cut to 128
bits, the shortest that RFC 2104 (section 5) advises for this hash, so that a link fits on one line of a mail. The
purpose itself is not in the token: a token of one purpose has no valid mac under another.
"""

from __future__ import annotations

import binascii
import hmac
import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass
from urllib.parse import urlsplit

KEY_BYTES = 32
_MAC_BYTES = 16
# Far above what names and addresses of the allowed lengths need; a longer text is nobody's token.
_LONGEST_TOKEN = 2048
_TOKEN = re.compile(r"[A-Za-z0-9_-]+")
_BETWEEN = b"\0"
_CODE_DIGITS = 8
# No code of a station is written in small letters.
ALL = "all"
_HOST = re.compile(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?")


@dataclass(frozen=True, slots=True)
class Take:
    """The reader of a destination may take this episode in hand."""

    episode: str
    destination: str


@dataclass(frozen=True, slots=True)
class Stop:
    """The reader of this destination may stop its messages."""

    destination: str


@dataclass(frozen=True, slots=True)
class Confirm:
    """Whoever reads this address may say that the destination is theirs."""

    destination: str
    address: str


@dataclass(frozen=True, slots=True)
class Feed:
    """Feed readers and calendars may read what is told of this station, or of all (`ALL`), and nothing else."""

    station: str


@dataclass(frozen=True, slots=True)
class FeedLinks:
    """What a feed reader subscribes to, and what a calendar does."""

    alerts: str
    expected: str


@dataclass(frozen=True, slots=True)
class Protect:
    """Whoever has this may look at one treated aircraft, such as ``XNOR-P3``, and press on its page."""

    protection: str


class LinkMaker:
    """Makes the links of one service.

    Parameters
    ----------
    public_url
        Where people reach the service; may have a path and a slash at its end.
    key
        32 random bytes that only the service knows.
    """

    def __init__(self, public_url: str, key: bytes) -> None:
        self._base = public_url.rstrip("/")
        self._key = _checked(key)
        self.board = f"{self._base}/"

    def take(self, episode: str, destination: str) -> str:
        """Return the page where an episode such as ``XNOR-17`` is taken in hand by the reader of a destination."""
        return f"{self._base}/take/{_sealed(self._key, 'take', episode, destination)}"

    def stop(self, destination: str) -> str:
        """Return the page where a destination is stopped; fit for one-click removal (RFC 8058)."""
        return f"{self._base}/stop/{_sealed(self._key, 'stop', destination)}"

    def confirm(self, destination: str, address: str) -> str:
        """Return the page where an address agrees to be that destination."""
        return f"{self._base}/confirm/{_sealed(self._key, 'confirm', destination, address)}"

    def feed(self, station: str) -> FeedLinks:
        """Return what feed readers and calendars read of a station, or of all (`ALL`), without a token.

        Such a link lasts as long as the key; whoever has it can read on.
        """
        feed = f"{self._base}/feed/{_sealed(self._key, 'feed', station)}"
        return FeedLinks(f"{feed}/alerts.atom", f"{feed}/expected.ics")

    def protection(self, name: str) -> str:
        """Return the page of a treated aircraft such as ``XNOR-P3``, for the phone of its crew."""
        return f"{self._base}/p/{_sealed(self._key, 'protect', name)}"


def read_feed(key: bytes, token: str) -> Feed | None:
    """Return what a token of a feed link allows; None when it was not made with this key for this purpose."""
    fields = _opened(key, "feed", token, 1)
    return Feed(*fields) if fields is not None else None


def authority(public_url: str | None) -> str:
    """Return the host that lasting names begin with: that of the public address, ``localhost`` without one.

    A host that is no name in ASCII letters, as the schemes for such names ask for (RFC 4151), is ``localhost`` too.
    """
    host = urlsplit(public_url).hostname if public_url is not None else None
    return host if host is not None and _HOST.fullmatch(host) else "localhost"


def read_take(key: bytes, token: str) -> Take | None:
    """Return what a token of a take link allows; None when it was not made with this key for this purpose."""
    fields = _opened(key, "take", token, 2)
    return Take(*fields) if fields is not None else None


def read_stop(key: bytes, token: str) -> Stop | None:
    """Return what a token of a stop link allows; None when it was not made with this key for this purpose."""
    fields = _opened(key, "stop", token, 1)
    return Stop(*fields) if fields is not None else None


def read_confirm(key: bytes, token: str) -> Confirm | None:
    """Return what a token of a confirm link allows; None when it was not made with this key for this purpose."""
    fields = _opened(key, "confirm", token, 2)
    return Confirm(*fields) if fields is not None else None


def read_protection(key: bytes, token: str) -> Protect | None:
    """Return what a token of a protection's link allows; None when it was not made with this key for this purpose."""
    fields = _opened(key, "protect", token, 1)
    return Protect(*fields) if fields is not None else None


def confirmation_code(key: bytes, destination: str, address: str) -> str:
    """Return the eight digits that stand for a confirm link where somebody types them by hand."""
    digest = hmac.digest(_checked(key), b"code" + _BETWEEN + _content((destination, address)), "sha256")
    return f"{int.from_bytes(digest) % 10**_CODE_DIGITS:0{_CODE_DIGITS}d}"


def _sealed(key: bytes, purpose: str, *fields: str) -> str:
    content = _content(fields)
    return urlsafe_b64encode(_mac(key, purpose, content) + content).decode("ascii").rstrip("=")


def _opened(key: bytes, purpose: str, token: str, count: int) -> tuple[str, ...] | None:
    if len(token) > _LONGEST_TOKEN or _TOKEN.fullmatch(token) is None:
        return None
    try:
        sealed = urlsafe_b64decode(token + "=" * (-len(token) % 4))
    except binascii.Error:
        return None
    mac, content = sealed[:_MAC_BYTES], sealed[_MAC_BYTES:]
    if not hmac.compare_digest(mac, _mac(_checked(key), purpose, content)):
        return None
    # Base64 has spellings that differ in bits nobody reads; only the one that was handed out counts.
    if urlsafe_b64encode(sealed).decode("ascii").rstrip("=") != token:
        return None
    fields = tuple(content.decode().split(_BETWEEN.decode()))
    return fields if len(fields) == count else None


def _mac(key: bytes, purpose: str, content: bytes) -> bytes:
    return hmac.digest(key, purpose.encode("ascii") + _BETWEEN + content, "sha256")[:_MAC_BYTES]


def _content(fields: tuple[str, ...]) -> bytes:
    encoded = [field.encode() for field in fields]
    if any(_BETWEEN in field for field in encoded):
        raise ValueError("a name or address in a link holds a NUL")
    return _BETWEEN.join(encoded)


def _checked(key: bytes) -> bytes:
    if len(key) != KEY_BYTES:
        raise ValueError(f"the key of links has {len(key)} bytes; it needs {KEY_BYTES}")
    return key
