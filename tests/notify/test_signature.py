"""Signatures against the standard's own example and its reference library, both ways."""

from __future__ import annotations

from base64 import b64encode
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from tests.notify.scenes import NOW, SECRET
from watcher.notify.signature import check_secret, sign, verify

OTHER = "whsec_" + b64encode(b"another secret of 32 bytes, old.").decode()
secrets = st.binary(min_size=24, max_size=64).map(lambda key: "whsec_" + b64encode(key).decode())
ids = st.text("abcdefghijklmnopqrstuvwxyz0123456789_", min_size=1, max_size=40).map(lambda text: f"msg_{text}")
bodies = st.text(max_size=200)


def headers(message_id: str, now: datetime, signature: str) -> dict[str, str]:
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": signature,
    }


def test_the_standards_example() -> None:
    # Source: the reference implementations' shared test vector (standardwebhooks, test_webhook.py, "test_sign_function").
    key = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    now = datetime.fromtimestamp(1614265330, UTC)
    body = b'{"test": 2432232314}'
    signed = sign("msg_p5jXN8AQM9LWM0D4loKWxJek", now, body, [key])
    assert signed == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@given(ids, bodies, secrets)
def test_the_reference_library_accepts_what_we_sign(message_id: str, body: str, secret: str) -> None:
    text = f'{{"text": "{body.encode().hex()}"}}'
    signed = sign(message_id, NOW, text.encode(), [secret])
    with time_machine.travel(NOW, tick=False):
        Webhook(secret).verify(text.encode(), headers(message_id, NOW, signed))


@given(ids, bodies, secrets)
def test_we_accept_what_the_reference_library_signs(message_id: str, body: str, secret: str) -> None:
    signed = Webhook(secret).sign(message_id, NOW, body)
    assert verify(message_id, str(int(NOW.timestamp())), signed, body.encode(), [secret], now=NOW)


def test_while_a_secret_is_changed_the_old_and_the_new_one_both_verify() -> None:
    signed = sign("msg_1", NOW, b"{}", [SECRET, OTHER])
    with time_machine.travel(NOW, tick=False):
        for secret in (SECRET, OTHER):
            Webhook(secret).verify(b"{}", headers("msg_1", NOW, signed))
    assert verify(
        "msg_1", str(int(NOW.timestamp())), sign("msg_1", NOW, b"{}", [OTHER]), b"{}", [SECRET, OTHER], now=NOW
    )


@pytest.mark.parametrize(("message_id", "body", "secret", "late"), [
    ("msg_2", b"{}", SECRET, 0), ("msg_1", b"{ }", SECRET, 0), ("msg_1", b"{}", OTHER, 0),
    ("msg_1", b"{}", SECRET, 301), ("msg_1", b"{}", SECRET, -301),
])  # fmt: skip
def test_anything_changed_or_late_is_refused_as_the_reference_does(
    message_id: str, body: bytes, secret: str, late: int
) -> None:
    signed = sign("msg_1", NOW, b"{}", [SECRET])
    present = NOW + timedelta(seconds=late)
    assert not verify(message_id, str(int(NOW.timestamp())), signed, body, [secret], now=present)
    with time_machine.travel(present, tick=False), pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body, headers(message_id, NOW, signed))


@given(st.text(), st.text(), st.text(), st.binary())
def test_nonsense_is_no_signature_and_no_crash(message_id: str, timestamp: str, signatures: str, body: bytes) -> None:
    assert not verify(message_id, timestamp, signatures, body, [SECRET], now=NOW)


@pytest.mark.parametrize("secret", [SECRET, OTHER, SECRET.removeprefix("whsec_")])
def test_secrets_that_sign(secret: str) -> None:
    assert check_secret(secret) is None
