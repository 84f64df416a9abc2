"""Signed links: what they allow, that nobody else can make one, and that they fit on a line of a mail."""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from urllib.parse import urlsplit

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.hmac import HMAC
from hypothesis import given
from hypothesis import strategies as st

from watcher.links import (
    ALL,
    Confirm,
    Feed,
    LinkMaker,
    Protect,
    Stop,
    Take,
    authority,
    confirmation_code,
    read_confirm,
    read_feed,
    read_protection,
    read_stop,
    read_take,
)

KEY = bytes(range(32))
OTHER_KEY = bytes(range(1, 33))
READERS = {"take": read_take, "stop": read_stop, "confirm": read_confirm, "feed": read_feed, "protect": read_protection}
LINKS = LinkMaker("https://ice.example.org", KEY)
names = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)), max_size=80)


def token_of(url: str) -> str:
    return urlsplit(url).path.rpartition("/")[2]


def reference_mac(content: bytes) -> bytes:
    """HMAC-SHA256 by another library (cryptography)."""
    mac = HMAC(KEY, hashes.SHA256())
    mac.update(content)
    return mac.finalize()


@given(names, names)
def test_a_link_is_read_as_what_it_was_made_for(one, other):
    assert read_take(KEY, token_of(LINKS.take(one, other))) == Take(one, other)
    assert read_stop(KEY, token_of(LINKS.stop(one))) == Stop(one)
    assert read_confirm(KEY, token_of(LINKS.confirm(one, other))) == Confirm(one, other)
    assert read_feed(KEY, feed_token(one)) == Feed(one)
    assert read_protection(KEY, token_of(LINKS.protection(one))) == Protect(one)


def feed_token(station: str) -> str:
    return urlsplit(LINKS.feed(station).alerts).path.split("/")[2]


def test_a_feed_and_a_calendar_have_one_permission():
    links = LINKS.feed(ALL)
    assert links.alerts == f"https://ice.example.org/feed/{feed_token(ALL)}/alerts.atom"
    assert links.expected == f"https://ice.example.org/feed/{feed_token(ALL)}/expected.ics"


@pytest.mark.parametrize(
    ("public_url", "host"),
    [
        ("https://Ice.Example.org:8443/board/", "ice.example.org"),
        ("http://127.0.0.1:8321", "127.0.0.1"),
        ("http://[::1]:8321", "localhost"),
        ("https://eis.exämple.org", "localhost"),
        (None, "localhost"),
    ],
)
def test_lasting_names_begin_with_the_host_of_the_public_address(public_url, host):
    """RFC 4151, section 2.1: a DNS name in letters, digits, hyphens and dots."""
    assert authority(public_url) == host


def made(purpose: str) -> str:
    if purpose == "feed":
        return feed_token("d")
    return token_of(
        {
            "take": LINKS.take("XNOR-17", "d"),
            "stop": LINKS.stop("d"),
            "confirm": LINKS.confirm("XNOR-17", "d"),
            "protect": LINKS.protection("d"),
        }[purpose]
    )


@pytest.mark.parametrize("purpose", READERS)
@pytest.mark.parametrize("reader", READERS)
def test_a_link_serves_one_purpose_only(purpose, reader):
    """The take and the confirm link hold the very same two fields."""
    assert (READERS[reader](KEY, made(purpose)) is not None) is (reader == purpose)


@pytest.mark.parametrize("purpose", READERS)
def test_another_key_reads_nothing(purpose):
    assert READERS[purpose](OTHER_KEY, made(purpose)) is None


@pytest.mark.parametrize("purpose", READERS)
def test_no_bit_can_be_changed(purpose):
    sealed = urlsafe_b64decode(made(purpose) + "=" * (-len(made(purpose)) % 4))
    for bit in range(len(sealed) * 8):
        forged = bytearray(sealed)
        forged[bit // 8] ^= 1 << bit % 8
        assert READERS[purpose](KEY, urlsafe_b64encode(forged).decode().rstrip("=")) is None


def test_a_link_has_one_spelling():
    """base64url (RFC 4648, section 3.5) leaves bits that nobody reads; the spelling handed out is the only one."""
    token = made("stop")
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    others = [token[:-1] + letter for letter in alphabet if letter != token[-1]]
    assert [read_stop(KEY, other) for other in [*others, token + "=", token + "A", f" {token}", token + "\n"]] == [
        None
    ] * (len(others) + 4)


@given(st.text(max_size=100))
def test_whatever_is_typed_is_no_link_and_no_error(text):
    assert read_take(KEY, text) is None
    assert read_stop(KEY, text) is None
    assert read_confirm(KEY, text) is None
    assert read_feed(KEY, text) is None
    assert read_protection(KEY, text) is None


def test_an_endless_text_is_no_link():
    assert read_stop(KEY, token_of(LinkMaker("https://ice.example.org", KEY).stop("x" * 5000))) is None


def test_the_seal_is_hmac_sha256_cut_to_128_bits():
    """RFC 2104, section 5: not less than half the hash; computed here by another library."""
    sealed = urlsafe_b64decode(made("stop") + "=" * (-len(made("stop")) % 4))
    assert sealed == reference_mac(b"stop\0d")[:16] + b"d"
    digits = int.from_bytes(reference_mac(b"code\0desk\0duty@example.org")) % 10**8
    assert confirmation_code(KEY, "desk", "duty@example.org") == f"{digits:08d}"


def test_a_link_fits_on_a_line_of_a_mail():
    """RFC 5322, section 2.1.1: lines should have no more than 78 characters."""
    assert len(LINKS.take("XNOR-17", "duty-desk")) <= 78


@pytest.mark.parametrize(
    ("public_url", "board"),
    [
        ("https://ice.example.org", "https://ice.example.org/"),
        ("https://ice.example.org/", "https://ice.example.org/"),
        ("https://example.org/ice", "https://example.org/ice/"),
        ("http://127.0.0.1:8321/ice/", "http://127.0.0.1:8321/ice/"),
    ],
)
def test_links_begin_with_the_public_address(public_url, board):
    links = LinkMaker(public_url, KEY)
    assert links.board == board
    assert links.take("XNOR-17", "desk").startswith(f"{board}take/")
    assert links.stop("desk").startswith(f"{board}stop/")
    assert links.confirm("desk", "duty@example.org").startswith(f"{board}confirm/")


@given(names)
def test_a_link_needs_no_escaping(name):
    assert set(token_of(LINKS.stop(name))) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")


def test_fields_cannot_run_into_each_other():
    with pytest.raises(ValueError, match="NUL"):
        LINKS.take("XNOR-17\0desk", "x")
    assert made("take") != token_of(LINKS.take("XNOR-1", "7d"))


def test_the_code_is_bound_to_destination_and_address():
    code = confirmation_code(KEY, "desk", "duty@example.org")
    assert len(code) == 8
    assert code.isdigit()
    others = [("desk", "other@example.org"), ("desk2", "duty@example.org"), ("des", "kduty@example.org")]
    assert code not in {confirmation_code(KEY, *other) for other in others}
    assert code != confirmation_code(OTHER_KEY, "desk", "duty@example.org")


@pytest.mark.parametrize("key", [b"", b"short", bytes(31), bytes(33)])
def test_a_key_of_another_length_is_refused(key):
    with pytest.raises(ValueError, match="32"):
        LinkMaker("https://ice.example.org", key)
    with pytest.raises(ValueError, match="32"):
        confirmation_code(key, "desk", "duty@example.org")
