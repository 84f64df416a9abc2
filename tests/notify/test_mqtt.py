"""MQTT against a real broker on this machine, heard by a client that is not ours.

The standard: OASIS, MQTT Version 5.0, 7 March 2019; sections are named beside the checks.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.notify.letters import SAMPLES
from tests.notify.mosquitto import Mosquitto, Subscriber, free_port, mosquitto, password_file, read
from tests.notify.scenes import BODY, NOW, VALID_UNTIL, a_message
from watcher.alerts.model import EventType
from watcher.errors import DeliveryError
from watcher.net import Broker, Guard, Login
from watcher.notify.message import CAUTION
from watcher.notify.model import MqttDestination
from watcher.notify.mqtt import MqttChannel, topic_of
from watcher.notify.templating import Templates
from watcher.rulebook.words import Level
from watcher.settings.people import DestinationSection

pytestmark = pytest.mark.anyio

TEMPLATES = Templates.load()
TOPIC = "hoarline/{station}/{flag}"
STAND = "hoarline/stand/{station}/{subject}"
AFTER = "over"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield running


@asynccontextmanager
async def channel_to(
    port: int,
    *,
    host: str = "127.0.0.1",
    allowed: tuple[str, ...] = ("127.0.0.0/8",),
    resolved: str | None = None,
    tls: bool = False,
    login: Login | None = None,
    stand: str | None = None,
    idle_s: float = 60.0,
    timeout_s: float = 10.0,
) -> AsyncIterator[tuple[MqttChannel, Broker]]:
    async def resolve(_host: str, _port: int) -> list[str]:
        return [resolved or host]

    broker = Broker(Guard(allowed, resolve=resolve), host, port, tls=tls, login=login, idle_s=idle_s)
    destination = MqttDestination("ops", f"mqtt://{host}:{port}", TOPIC, stand)
    try:
        yield MqttChannel(destination, broker, TEMPLATES, timeout_s=timeout_s), broker
    finally:
        await broker.aclose()


async def refusal_of(channel: MqttChannel) -> DeliveryError:
    with pytest.raises(DeliveryError) as refused:
        await channel.send(a_message(), NOW)
    assert len(str(refused.value)) <= 200
    assert str(refused.value).isprintable()
    assert "s3cret" not in str(refused.value)
    return refused.value


async def test_a_message_arrives_as_the_webhooks_body_with_its_name_and_its_time(served: Mosquitto) -> None:
    """3.3.2.3: payload format, message expiry, content type, correlation data, user properties."""
    with Subscriber(served.port, "hoarline/#") as heard:
        async with channel_to(served.port) as (channel, _):
            await channel.send(a_message(message_id="msg_7"), NOW)
        message = await asyncio.to_thread(heard.next)
    assert (message.topic, message.qos, message.retain) == ("hoarline/XNOR/freezing-precipitation", 1, False)
    assert read(message) == json.loads(TEMPLATES.webhook(a_message()))
    assert (read(message)["data"]["headline"], read(message)["data"]["caution"]) == (BODY.headline, CAUTION)
    marks = message.properties
    assert (marks.PayloadFormatIndicator, marks.ContentType) == (1, "application/json")
    assert marks.CorrelationData == b"msg_7"
    assert marks.UserProperty == [("delivery", "msg_7"), ("type", "icing.episode.raised")]
    # 3.3.2.3.3: what is left of it when the broker hands it on.
    whole = (VALID_UNTIL - NOW).total_seconds()
    assert whole - 60 <= marks.MessageExpiryInterval <= whole


@pytest.mark.parametrize("kind", [name for name, message in SAMPLES.items() if not message.several])
async def test_every_kind_of_message_is_taken(served: Mosquitto, kind: str) -> None:
    message = SAMPLES[kind]
    topic = topic_of(f"kinds/{TOPIC}", message.first)
    with Subscriber(served.port, topic) as heard:
        async with channel_to(served.port) as (channel, _):
            channel._destination = replace(channel._destination, topic=f"kinds/{TOPIC}")
            await channel.send(message, NOW)
        assert read(await asyncio.to_thread(heard.next))["type"] == message.first.told_as.value


async def test_many_messages_go_over_one_connection(served: Mosquitto) -> None:
    with Subscriber(served.port, "hoarline/#") as heard:
        async with channel_to(served.port) as (channel, broker):
            await channel.send(a_message(message_id="msg_0"), NOW)
            first = broker._client
            await asyncio.gather(*(channel.send(a_message(message_id=f"msg_{n}"), NOW) for n in range(1, 50)))
            assert broker._client is first
        names = {(await asyncio.to_thread(heard.next)).properties.CorrelationData for _ in range(50)}
    assert names == {f"msg_{n}".encode() for n in range(50)}


async def test_the_broker_keeps_how_an_alert_stands_until_it_is_over(served: Mosquitto) -> None:
    """3.3.1.3: a retained message is there for whoever comes later; an empty one takes it away."""
    topic = "hoarline/stand/XNOR/XNOR-17"
    async with channel_to(served.port, stand=STAND) as (channel, _):
        for type_, level in ((EventType.OPENED, Level.PREPARE), (EventType.RAISED, Level.TREAT)):
            await channel.send(a_message(type_, level=level), NOW)
        with Subscriber(served.port, topic) as later:
            kept = await asyncio.to_thread(later.next)
        assert kept.retain
        assert read(kept)["data"]["level"] == "treat"
        # It must not run out while the weather goes on.
        assert not hasattr(kept.properties, "MessageExpiryInterval")
        await channel.send(a_message(EventType.CLOSED), NOW)
    with Subscriber(served.port, "hoarline/stand/#") as later, Subscriber(served.port, AFTER) as _:
        assert await asyncio.to_thread(later.all_until, "hoarline/stand/over") == []


async def test_the_broker_keeps_that_a_station_is_blind_until_it_sees_again(served: Mosquitto) -> None:
    topic = "hoarline/stand/XNOR/XNOR"
    unknown = {"flag": None, "level": None, "previous_level": None, "kind": None, "phase": None}
    async with channel_to(served.port, stand=STAND) as (channel, _):
        await channel.send(a_message(EventType.BLIND, **unknown), NOW)
        with Subscriber(served.port, topic) as later:
            assert read(await asyncio.to_thread(later.next))["type"] == "icing.station.blind"
        await channel.send(a_message(EventType.SEEING, **unknown), NOW)
    with Subscriber(served.port, "hoarline/stand/#") as later:
        assert await asyncio.to_thread(later.all_until, "hoarline/stand/over") == []


@pytest.mark.parametrize(("kind", "kept"), [
    ("opened", True), ("expected", True), ("blind", True), ("taken", True), ("reminder", True),
    ("test", False), ("digest", False), ("protection lost", False),
])  # fmt: skip
async def test_only_what_has_an_end_is_kept(tmp_path: Path, kind: str, kept: bool) -> None:
    """A test or a digest that stayed at the broker would be read as news for ever."""
    with mosquitto(tmp_path) as served:
        async with channel_to(served.port, stand=STAND) as (channel, _):
            await channel.send(SAMPLES[kind], NOW)
        with Subscriber(served.port) as later:
            found = await asyncio.to_thread(later.all_until, AFTER)
    assert [message.retain for message in found] == ([True] if kept else [])


async def test_a_broker_that_does_not_let_us_publish_there_is_an_error_and_no_success(tmp_path: Path) -> None:
    """3.4.2.1: the answer to a message may refuse it. Who overlooks that counts an alert as told that nobody got."""
    rights = tmp_path / "rights"
    rights.write_text("topic read #\n")
    with mosquitto(tmp_path, "allow_anonymous true", f"acl_file {rights}") as served:
        async with channel_to(served.port) as (channel, _):
            error = await refusal_of(channel)
    assert "not authorized 0x87" in str(error)
    assert not error.permanent


async def test_a_broker_that_is_switched_off_is_tried_again_and_reached_when_it_is_back(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as served:
        async with channel_to(served.port) as (channel, broker):
            await channel.send(a_message(), NOW)
            served.stop()
            error = await refusal_of(channel)
            assert not error.permanent
            assert not broker.connected
            served.start()
            with Subscriber(served.port) as heard:
                await channel.send(a_message(), NOW)
                assert (await asyncio.to_thread(heard.next)).properties.CorrelationData == b"msg_1"


async def test_nobody_at_the_port_is_an_error_that_may_pass() -> None:
    async with channel_to(free_port()) as (channel, _):
        error = await refusal_of(channel)
    assert "no connection" in str(error)
    assert not error.permanent


async def test_a_broker_that_says_nothing_is_given_up_in_time() -> None:
    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(-1)
        writer.close()

    server = await asyncio.start_server(say_nothing, "127.0.0.1", 0)
    async with server, channel_to(server.sockets[0].getsockname()[1], timeout_s=0.3) as (channel, broker):
        error = await refusal_of(channel)
        assert not broker.connected
    assert "no answer within 0.3 s" in str(error)
    assert not error.permanent


async def test_what_is_no_broker_is_an_error_that_may_pass() -> None:
    async def speak_otherwise(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()

    server = await asyncio.start_server(speak_otherwise, "127.0.0.1", 0)
    async with server, channel_to(server.sockets[0].getsockname()[1], timeout_s=5.0) as (channel, _):
        error = await refusal_of(channel)
    assert not error.permanent


async def test_a_silent_connection_is_closed_and_opened_again_when_needed(served: Mosquitto) -> None:
    async with channel_to(served.port, idle_s=0.01) as (channel, broker):
        await channel.send(a_message(), NOW)
        async with asyncio.timeout(5):
            while broker.connected:
                await asyncio.sleep(0.005)
        await channel.send(a_message(), NOW)


@pytest.mark.parametrize(
    ("allowed", "resolved"), [((), "127.0.0.1"), (("127.0.0.0/8",), "169.254.169.254"), ((), "10.0.0.7")]
)
async def test_the_guard_judges_the_broker_too(served: Mosquitto, allowed: tuple[str, ...], resolved: str) -> None:
    async with channel_to(served.port, host="broker.example.org", allowed=allowed, resolved=resolved) as (channel, _):
        error = await refusal_of(channel)
    assert "refused to connect" in str(error)


def certificate(folder: Path, *names: x509.GeneralName) -> tuple[Path, Path]:
    """Write a certificate for these names, which is its own authority, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "a broker of the tests")])
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key()).serial_number(1)
        .not_valid_before(datetime(2020, 1, 1, tzinfo=UTC)).not_valid_after(datetime(2100, 1, 1, tzinfo=UTC))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    paths = folder / "broker.pem", folder / "broker.key"
    paths[0].write_bytes(made.public_bytes(serialization.Encoding.PEM))
    paths[1].write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return paths


async def test_a_login_goes_over_a_protected_connection(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pem, key = certificate(tmp_path, x509.DNSName("broker.example.org"))
    monkeypatch.setenv("SSL_CERT_FILE", str(pem))
    lines = ("allow_anonymous false", f"password_file {password_file(tmp_path, 'hoarline', 's3cret')}",
             f"certfile {pem}", f"keyfile {key}")  # fmt: skip
    with mosquitto(tmp_path, *lines) as served:
        options = {"host": "broker.example.org", "resolved": "127.0.0.1", "tls": True}
        async with channel_to(served.port, login=Login("hoarline", "s3cret"), **options) as (channel, broker):
            await channel.send(a_message(), NOW)
            assert broker.connected
        for login in (Login("hoarline", "another"), None):
            async with channel_to(served.port, login=login, **options) as (channel, _):
                error = await refusal_of(channel)
            # 3.2.2.2 has a code for each; Debian's version says the second for both.
            assert "refused the connection" in str(error)
            assert not error.permanent
    assert "s3cret" not in repr(Login("hoarline", "s3cret"))


async def test_the_certificate_is_checked_against_the_name_and_not_the_address(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection goes to the address that was judged; whoever holds only that address is not the broker."""
    pem, key = certificate(tmp_path, x509.DNSName("other.example.org"), x509.IPAddress(ip_address("127.0.0.1")))
    with mosquitto(tmp_path, "allow_anonymous true", f"certfile {pem}", f"keyfile {key}") as served:
        options = {"host": "broker.example.org", "resolved": "127.0.0.1", "tls": True}
        for trusted in (True, False):
            if trusted:
                monkeypatch.setenv("SSL_CERT_FILE", str(pem))
            else:
                monkeypatch.delenv("SSL_CERT_FILE")
            async with channel_to(served.port, **options) as (channel, _):
                error = await refusal_of(channel)
            assert ("Hostname mismatch" if trusted else "self-signed certificate") in str(error)


def test_what_is_filled_into_a_topic_stays_within_its_level() -> None:
    """4.7.1: + and # are for those who subscribe, / divides levels."""
    part = replace(a_message().first, subject="a/b+c#d\x00e")
    assert topic_of("x/{subject}/{level}/{type}", part) == "x/a-b-c-d-e/treat/episode.raised"


@given(
    pattern=st.text(alphabet="hoar/-_ é氷{}+#$", max_size=30)
    | st.permutations(["{station}", "{flag}", "{level}", "{type}", "{subject}"]).map("/".join),
    subject=st.text(max_size=40),
)
def test_whatever_is_allowed_as_a_topic_can_be_published_to(pattern: str, subject: str) -> None:
    """4.7.1 to 4.7.3: one to 65,535 bytes, no wildcard, no NUL; as many levels as the pattern has."""
    values = {"name": "x", "kind": "mqtt", "broker": "mqtt://b.example.org", "topic": pattern}
    try:
        section = DestinationSection.model_validate(values)
    except ValidationError:
        assert not pattern or set(pattern) & set("{}+#$")
        return
    assert section.topic is not None
    topic = topic_of(section.topic, replace(a_message().first, subject=subject))
    assert not set(topic) & set("+#\0")
    assert 1 <= len(topic.encode("utf-8", "surrogatepass")) <= 65_535
    assert topic.count("/") == pattern.count("/")


@pytest.mark.parametrize(("kind", "topic"), [
    ("opened", "XNOR/freezing-precipitation/treat/episode.opened/XNOR-4"),
    ("blind", "XTAR/blind/none/station.blind/XTAR"),
    ("digest", "all/digest/no-time/digest/digest-sample"),
    ("protection lost", "XNOR/protection/no-time/protection.lost/XNOR"),
    ("test", "all/test/none/test/test"),
])  # fmt: skip
def test_each_kind_of_message_has_its_topic(kind: str, topic: str) -> None:
    assert topic_of("{station}/{flag}/{level}/{type}/{subject}", SAMPLES[kind].first) == topic


async def test_a_message_whose_time_is_up_is_not_without_an_end(served: Mosquitto) -> None:
    """3.3.2.3.3: without the property, or with what an unsigned number makes of less than nothing, it never expires."""
    with Subscriber(served.port, "hoarline/#") as heard:
        async with channel_to(served.port) as (channel, _):
            await channel.send(a_message(), VALID_UNTIL + timedelta(minutes=1))
        assert (await asyncio.to_thread(heard.next)).properties.MessageExpiryInterval <= 1
