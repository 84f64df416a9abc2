"""Addresses are refused where a header or an envelope could be led astray."""

from __future__ import annotations

from email.headerregistry import Address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.notify.model import EmailDestination, MailServer, WebhookDestination
from watcher.settings.addresses import bare_address, check_address, check_sender, display_name


@pytest.mark.parametrize("text", [
    "duty@example.org", "duty+ice@ops.example.org", "o'neil_7@example.org", "duty@localhost", "a.b.c@x-y.example",
])  # fmt: skip
def test_a_single_plain_address_is_taken(text: str) -> None:
    assert check_address(text) is None


@pytest.mark.parametrize(("text", "why"), [
    ("duty@example.org\r\nBcc: x@example.org", "line break"),
    ("duty@example.org\n", "line break"),
    ("a@example.org, b@example.org", "more than one"),
    ("a@example.org;b@example.org", "more than one"),
    ("a@b@example.org", "more than one"),
    ("duty", "no @"),
    ("", "no @"),
    ("@example.org", "no mailbox"),
    ("a..b@example.org", "no mailbox"),
    (".a@example.org", "no mailbox"),
    ('"a b"@example.org', "no mailbox"),
    ("x" * 65 + "@example.org", "no mailbox"),
    ("duty@", "no domain"),
    ("duty@-example.org", "no domain"),
    ("duty@[127.0.0.1]", "no domain"),
    ("duty@example.org ", "no domain"),
    ("dütÿ@example.org", "ASCII"),
    ("duty@exämple.org", "ASCII"),
])  # fmt: skip
def test_anything_else_is_refused_with_the_reason(text: str, why: str) -> None:
    assert why in (check_address(text) or "")


@given(st.one_of(st.text(max_size=30), st.text("ab@.,;<>\r\n \"'-", max_size=20)))
def test_what_is_taken_the_standard_library_reads_as_the_same_address(text: str) -> None:
    if check_address(text) is None:
        read = Address(addr_spec=text)
        assert f"{read.username}@{read.domain}" == text


def test_a_sender_may_have_a_name() -> None:
    assert check_sender("Hoarline <hoarline@example.org>") is None
    assert check_sender("hoarline@example.org") is None
    assert bare_address("Hoarline <hoarline@example.org>") == "hoarline@example.org"
    assert display_name('"Ice, watch" <hoarline@example.org>') == "Ice, watch"
    assert display_name("hoarline@example.org") == ""


@pytest.mark.parametrize(
    "text", ["Hoar\r\nBcc: x <h@example.org>", "Hoarline <h@example.org, x@example.org>", "Hoarline"]
)
def test_a_sender_that_is_none_is_refused(text: str) -> None:
    assert check_sender(text) is not None


def test_a_destination_with_a_wrong_address_cannot_be_made() -> None:
    with pytest.raises(ValueError, match=r'destination "duty-desk": it is more than one address'):
        EmailDestination("duty-desk", "a@example.org,b@example.org")


def test_a_password_is_never_sent_in_the_clear() -> None:
    with pytest.raises(ValueError, match="in the clear"):
        MailServer("127.0.0.1", 25, "none", "h@example.org", "hoarline", "password")


@pytest.mark.parametrize(("secrets", "why"), [
    ((), "no secret"), (("whsec_%%%",), "base64"), (("whsec_QUJD",), "3 bytes"), (("whsec_" + "QUJD" * 30,), "90 bytes"),
])  # fmt: skip
def test_a_webhook_that_cannot_be_signed_cannot_be_made(secrets: tuple[str, ...], why: str) -> None:
    with pytest.raises(ValueError, match=why) as refused:
        WebhookDestination("ops-room", "https://ops.example.org/in", secrets)
    assert not any(secret in str(refused.value) for secret in secrets)


def test_secrets_do_not_show() -> None:
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    assert secret not in repr(WebhookDestination("ops-room", "https://ops.example.org/in", (secret,)))
    assert "hidden!" not in repr(
        MailServer("mail.example.org", 587, "starttls", "h@example.org", "hoarline", "hidden!")
    )
