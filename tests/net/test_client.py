"""One answer for one request: bounded, packed or not, through TLS, and every failure told apart."""

from __future__ import annotations

import asyncio
import datetime as dt
import gzip
import logging
import ssl
from inspect import ismodule
from pathlib import Path

import httpcore
import httpx
import pytest
import respx
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

import watcher.net
from tests.net.loopback import loopback, ok
from watcher.errors import GuardError, NetError
from watcher.net import Answer, Guard, HttpClients
from watcher.net.transport import GuardedBackend

pytestmark = pytest.mark.anyio

LOOPBACK = ["127.0.0.0/8"]


def clients(**more: str) -> HttpClients:
    return HttpClients(Guard(LOOPBACK), **more)


async def _to_loopback(host: str, port: int) -> tuple[str, ...]:
    return ("127.0.0.1",)


async def test_an_answer_has_status_headers_in_lower_case_and_the_body() -> None:
    async with loopback(ok(b"data", "ETag: W/1", "X-Cache: HIT")) as server, clients() as http:
        answer = await http.get(server.url())
    assert answer == Answer(200, {"content-length": "4", "etag": "W/1", "x-cache": "HIT"}, b"data")


async def test_a_request_says_who_asks_and_how_to_complain() -> None:
    async with loopback(ok(b"")) as server, clients(contact="duty@example.org") as http:
        await http.get(server.url(path="/a?b=c"), headers={"If-None-Match": 'W/"x"'})
    head = server.requests[0].decode()
    assert head.startswith("GET /a?b=c HTTP/1.1\r\n")
    assert "User-Agent: Hoarline/" in head
    assert "(duty@example.org)" in head
    assert "Accept-Encoding: gzip\r\n" in head
    assert 'If-None-Match: W/"x"' in head


async def test_a_contact_with_odd_letters_does_not_break_the_request() -> None:
    async with loopback(ok(b"")) as server, clients(contact="Åse\r\nX: y <duty@example.org>") as http:
        await http.get(server.url())
    assert b"(?se??X: y <duty@example.org>)\r\n" in server.requests[0]


async def test_a_header_that_cannot_be_sent_is_an_error_of_our_own() -> None:
    async with loopback(ok(b"")) as server, clients() as http:
        with pytest.raises(NetError):
            await http.get(server.url(), headers={"X-Name": "Åse"})


async def test_a_post_carries_its_content_and_headers() -> None:
    async with loopback(ok(b"", status="410 Gone")) as server, clients() as http:
        answer = await http.post(server.url(), content=b"{}", headers={"Content-Type": "application/json"})
    assert answer.status == 410
    assert b"POST / HTTP/1.1" in server.requests[0]
    assert b"Content-Length: 2\r\n" in server.requests[0]
    assert b"Content-Type: application/json\r\n" in server.requests[0]


async def test_a_redirect_is_an_answer_and_nobody_follows_it() -> None:
    async with loopback(ok(b"secret")) as goal, clients() as http:
        async with loopback(ok(b"", f"Location: {goal.url()}", status="302 Found")) as server:
            answer = await http.get(server.url())
        assert (answer.status, answer.headers["location"]) == (302, goal.url())
        assert goal.connections == 0


async def test_a_cookie_is_forgotten() -> None:
    async with loopback(ok(b"", "Set-Cookie: a=b; Path=/"), keep=True) as server, clients() as http:
        await http.get(server.url())
        await http.get(server.url())
    assert b"ookie" not in server.requests[1]


async def test_a_proxy_named_in_the_environment_is_ignored(monkeypatch: pytest.MonkeyPatch) -> None:
    async with loopback(ok(b"proxied")) as proxy, loopback(ok(b"direct")) as server, clients() as http:
        for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY", "all_proxy"):
            monkeypatch.setenv(name, proxy.url())
        assert (await http.get(server.url())).body == b"direct"
        assert proxy.connections == 0


async def test_one_destination_keeps_at_most_four_connections() -> None:
    async with loopback(ok(b"x"), keep=True) as server, clients() as http:
        answers = await asyncio.gather(*(http.get(server.url()) for _ in range(40)))
    assert [answer.body for answer in answers] == [b"x"] * 40
    assert 1 <= server.connections <= 4


async def test_a_packed_answer_arrives_unpacked() -> None:
    async with loopback(ok(gzip.compress(b"data" * 99), "Content-Encoding: gzip")) as server, clients() as http:
        assert (await http.get(server.url())).body == b"data" * 99


async def test_half_a_packed_answer_is_told_to_end_early() -> None:
    body = gzip.compress(bytes(range(256)) * 9)
    async with loopback(ok(body[: len(body) // 2], "Content-Encoding: gzip")) as server, clients() as http:
        with pytest.raises(NetError, match="ends early") as caught:
            await http.get(server.url())
    assert caught.value.kind == "broken"


async def test_a_packing_that_was_not_asked_for_is_refused() -> None:
    async with loopback(ok(b"\x0b\x02\x80data\x03", "Content-Encoding: br")) as server, clients() as http:
        with pytest.raises(NetError, match="packed as br"):
            await http.get(server.url())


@pytest.mark.parametrize("answer", [
    ok(bytes(5000)),
    ok(gzip.compress(bytes(50 << 20)), "Content-Encoding: gzip"),
    b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n1388\r\n" + bytes(5000) + b"\r\n0\r\n\r\n",
    b"HTTP/1.1 200 OK\r\n\r\n" + bytes(5000),
], ids=["declared", "packed giant", "chunked", "until closed"])  # fmt: skip
async def test_a_body_larger_than_the_bound_is_refused_unpacked_size_counts(answer: bytes) -> None:
    async with loopback(answer) as server, clients() as http:
        with pytest.raises(NetError, match="larger than 4999 bytes") as caught:
            await http.get(server.url(), limit_bytes=4999)
    assert caught.value.kind == "too-large"


async def test_a_body_of_exactly_the_bound_is_whole() -> None:
    async with loopback(ok(bytes(5000))) as server, clients() as http:
        assert (await http.get(server.url(), limit_bytes=5000)).whole


@pytest.mark.parametrize("headers", [(), ("Content-Encoding: gzip",)])
async def test_the_long_answer_to_a_post_is_cut_not_refused(headers: tuple[str, ...]) -> None:
    body = gzip.compress(bytes(9000)) if headers else bytes(9000)
    async with loopback(ok(body, *headers)) as server, clients() as http:
        answer = await http.post(server.url(), content=b"", limit_bytes=100)
    assert answer.status == 200
    assert not answer.whole
    assert len(answer.body) <= 100


async def test_no_log_line_holds_a_path_or_a_query(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    async with loopback(ok(b"x")) as server, clients() as http:
        await http.post(server.url(path="/hook/token-abc?key=def"), content=b"")
    assert not [line for line in caplog.messages if "token-abc" in line or "def" in line]


async def test_destinations_that_are_idle_do_not_hold_connections_for_ever() -> None:
    async with loopback(ok(b"x"), keep=True) as server, HttpClients(Guard(LOOPBACK, resolve=_to_loopback)) as http:
        for number in range(140):
            await http.get(server.url(f"d{number}.example"))
        await server.settled(lambda: server.open_connections <= 100)
        assert server.connections == 140


async def test_a_destination_in_use_is_never_closed_to_make_room() -> None:
    async with loopback(ok(b"x"), keep=True) as server, HttpClients(Guard(LOOPBACK, resolve=_to_loopback)) as http:
        answers = await asyncio.gather(*(http.get(server.url(f"d{number}.example")) for number in range(140)))
    assert all(answer.body == b"x" for answer in answers)


async def test_nobody_listening_is_no_connection() -> None:
    async with loopback(b"") as server:
        url = server.url(path="/hook/token-abc")
    async with clients() as http:
        with pytest.raises(NetError) as caught:
            await http.post(url, content=b"")
    assert caught.value.kind == "no-connection"
    assert "token-abc" not in str(caught.value)


async def test_a_name_without_an_address_is_no_name() -> None:
    async def nobody(host: str, port: int) -> tuple[str, ...]:
        raise OSError(-2, "Name or service not known")

    async with HttpClients(Guard(resolve=nobody)) as http:
        with pytest.raises(NetError, match="could not be looked up") as caught:
            await http.get("http://feed.example/")
    assert caught.value.kind == "no-name"


@pytest.mark.parametrize("answers", [[], ()])
async def test_an_empty_look_up_is_no_name_too(answers: tuple[str, ...]) -> None:
    async def empty(host: str, port: int) -> tuple[str, ...]:
        return answers

    async with HttpClients(Guard(resolve=empty)) as http:
        with pytest.raises(NetError) as caught:
            await http.get("http://feed.example/")
    assert caught.value.kind == "no-name"


async def test_a_look_up_that_never_ends_is_a_timeout() -> None:
    async def stuck(host: str, port: int) -> tuple[str, ...]:
        await asyncio.Event().wait()
        return ()

    async with HttpClients(Guard(resolve=stuck)) as http:
        with pytest.raises(NetError) as caught:
            await http.get("http://feed.example/", timeout=0.05)
    assert caught.value.kind == "timeout"


async def test_a_body_that_trickles_is_a_timeout_as_a_whole() -> None:
    async with loopback(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nabc", keep=True) as server, clients() as http:
        with pytest.raises(NetError, match=r"within 0\.1 s") as caught:
            await http.get(server.url(), timeout=0.1)
    assert caught.value.kind == "timeout"


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nabc",
        b"220 mail.example ready\r\n",
        b"\x15\x03\x01\x00\x02\x02\x46",
    ],
    ids=["closed at once", "closed in the body", "a mail server", "a TLS server"],
)
async def test_an_exchange_that_breaks_off_is_broken(answer: bytes) -> None:
    async with loopback(answer) as server, clients() as http:
        with pytest.raises(NetError) as caught:
            await http.get(server.url())
    assert caught.value.kind == "broken"


async def test_a_header_with_a_line_break_is_never_sent() -> None:
    async with loopback(ok(b"")) as server, clients() as http:
        with pytest.raises(NetError) as caught:
            await http.get(server.url(), headers={"X-Name": "a\r\nX-Other: b"})
        assert caught.value.kind == "broken"
        assert server.requests == []


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize(
    "url",
    [
        "http://xn--/",
        "http://xn--zz--/x",
        "http://ex\u2100ample/",
        "http://[zz]/x",
        "http://\ud800/",
        "http://127.0.0.1:65536/",
        "http://[::1]:99999/x",
        "http://127.0.0.1:-1/",
        "http:///x",
    ],
)
async def test_an_address_that_can_be_none_is_refused_in_words(method: str, url: str) -> None:
    more = {"content": b""} if method == "post" else {}
    async with clients() as http:
        with pytest.raises(GuardError, match=r"no URL that can be reached|addresses are reached"):
            await getattr(http, method)(url, **more)


async def test_after_closing_the_clients_open_again_when_asked() -> None:
    async with loopback(ok(b"x")) as server:
        http = clients()
        await http.get(server.url())
        await http.aclose()
        assert (await http.get(server.url())).body == b"x"
        await http.aclose()


async def test_cancelling_the_caller_cancels_the_exchange() -> None:
    async with loopback(b"", keep=True) as server, clients() as http:
        asking = asyncio.ensure_future(http.get(server.url()))
        await server.asked.wait()
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking


def _certificate(folder: Path, name: str) -> ssl.SSLContext:
    """Return a server context with a certificate for `name`, and leave the certificate in the folder."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = dt.datetime.now(dt.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "cert.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "cert.pem", folder / "key.pem")
    return context


async def test_tls_is_verified_by_the_name_though_the_connection_goes_to_the_address(tmp_path: Path) -> None:
    server_context = _certificate(tmp_path, "feed.example")
    asked_names: list[str | None] = []
    server_context.sni_callback = lambda _socket, name, _context: asked_names.append(name)
    trusting = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    guard = Guard(LOOPBACK, resolve=_to_loopback)
    async with loopback(ok(b"data"), ssl_context=server_context) as server:
        async with HttpClients(guard, ssl_context=trusting) as http:
            assert (await http.get(f"https://feed.example:{server.port}/")).body == b"data"
            with pytest.raises(NetError, match="certificate") as wrong_name:
                await http.get(f"https://other.example:{server.port}/")
        async with HttpClients(guard) as http:
            with pytest.raises(NetError) as unknown_authority:
                await http.get(f"https://feed.example:{server.port}/")
    assert asked_names[0] == "feed.example"
    assert wrong_name.value.kind == "tls"
    assert unknown_authority.value.kind == "tls"


async def test_respx_can_stand_in_for_a_destination_in_the_tests_of_callers() -> None:
    with respx.mock:
        respx.post("http://hook.example/in").mock(return_value=httpx.Response(204))
        respx.get("http://hook.example/down").mock(side_effect=httpx.ConnectError("down"))
        async with HttpClients(Guard()) as http:
            assert (await http.post("http://hook.example/in", content=b"{}")).status == 204
            with pytest.raises(NetError):
                await http.get("http://hook.example/down")


async def test_a_socket_file_is_refused_even_below_the_client() -> None:
    with pytest.raises(GuardError):
        await GuardedBackend(Guard()).connect_unix_socket("/run/socket")


class BlackHole(httpcore.AsyncNetworkBackend):
    """A network in which one address swallows packets; the loopback has none that does."""

    def __init__(self) -> None:
        self.shares: list[float | None] = []
        self.real = httpcore.AnyIOBackend()

    async def connect_tcp(self, host: str, port: int, timeout: float | None, *more: object) -> object:  # noqa: ASYNC109
        self.shares.append(timeout)
        if host == "127.0.0.9":
            raise httpcore.ConnectTimeout
        return await self.real.connect_tcp(host, port, timeout)


async def test_an_address_that_swallows_packets_does_not_hide_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    async def two(host: str, port: int) -> tuple[str, ...]:
        return ("127.0.0.9", "127.0.0.1")

    network = BlackHole()
    backend = GuardedBackend(Guard(LOOPBACK, resolve=two))
    monkeypatch.setattr(backend, "_system", network)
    async with loopback(b"") as server:
        stream = await backend.connect_tcp("feed.example", server.port, 8.0)
        await stream.aclose()
    assert network.shares == [4.0, 4.0]


async def test_a_look_up_has_its_own_bound_within_the_whole() -> None:
    async def stuck(host: str, port: int) -> tuple[str, ...]:
        await asyncio.Event().wait()
        return ()

    with pytest.raises(httpcore.ConnectTimeout):
        await GuardedBackend(Guard(resolve=stuck)).connect_tcp("feed.example", 80, 0.01)


def test_the_room_shows_exactly_what_its_door_says() -> None:
    shown = {name for name, value in vars(watcher.net).items() if not name.startswith("_") and not ismodule(value)}
    assert shown - {"annotations"} == set(watcher.net.__all__)
