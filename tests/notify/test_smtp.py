"""Handing mail to real servers on this machine: protected, refusing, silent and dropping ones."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from email.message import EmailMessage
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword

from tests.notify.scenes import BODY, NOW, a_message, tls
from watcher.demo.receivers import MailReceiver
from watcher.errors import DeliveryError
from watcher.notify.model import EmailDestination, MailServer, Security
from watcher.notify.smtp import MailChannel, SmtpSender
from watcher.notify.templating import Templates

FROM = "Hoarline <hoarline@example.org>"
MAIL = b"Subject: x\r\nMessage-ID: <1@example.org>\r\n\r\nhello\r\n.\r\n.two\r\n"

pytestmark = pytest.mark.anyio


def server_at(port: int, security: Security = "none", **login: str) -> MailServer:
    return MailServer("127.0.0.1", port, security, FROM, **login)


def sender_to(receiver: MailReceiver, security: Security = "none", **fields: Any) -> SmtpSender:
    login = {name: fields.pop(name) for name in ("username", "password") if name in fields}
    context: ssl.SSLContext | None = tls().client if security != "none" else None
    return SmtpSender(
        server_at(receiver.port, security, **login), tls_context=fields.pop("tls_context", context), **fields
    )


async def refusal_of(sender: SmtpSender, recipient: str = "duty@example.org") -> DeliveryError:
    with pytest.raises(DeliveryError) as refused:
        await sender.send(recipient, MAIL)
    return refused.value


async def test_a_message_arrives_whole_with_the_envelope_of_the_destination() -> None:
    async with MailReceiver() as receiver, sender_to(receiver) as sender:
        channel = MailChannel(
            EmailDestination("duty-desk", "duty@example.org"), sender, Templates.load(), contact="ops@example.org"
        )
        await channel.send(a_message(), NOW)
    (mail,) = receiver.mails
    assert mail["Subject"] == BODY.headline
    assert mail["To"] == "duty@example.org"
    assert mail.get_body(("html",)) is not None


async def test_lines_of_one_dot_do_not_end_a_mail() -> None:
    async with MailReceiver() as receiver, sender_to(receiver) as sender:
        await sender.send("duty@example.org", MAIL)
    content = receiver.mails[0].get_content()
    assert content.splitlines() == ["hello", ".", ".two"]


async def test_many_mails_share_a_few_kept_connections() -> None:
    async with MailReceiver() as receiver, sender_to(receiver, connections=3) as sender:
        await asyncio.gather(*(sender.send("duty@example.org", MAIL) for _ in range(40)))
    assert len(receiver.mails) == 40
    assert receiver.connections == 3


async def test_starttls_protects_mail_and_login() -> None:
    options = {"tls_context": tls().server, "require_starttls": True, "auth_required": True, "authenticator": login}
    async with (
        MailReceiver(smtp_options=options) as receiver,
        sender_to(receiver, "starttls", username="hoarline", password="open") as sender,
    ):
        await sender.send("duty@example.org", MAIL)
    assert len(receiver.mails) == 1


async def test_tls_from_the_first_byte() -> None:
    async with MailReceiver(tls=tls().server) as receiver, sender_to(receiver, "tls") as sender:
        await sender.send("duty@example.org", MAIL)
    assert len(receiver.mails) == 1


async def test_a_server_without_starttls_gets_no_mail_in_the_clear() -> None:
    async with MailReceiver() as receiver, sender_to(receiver, "starttls") as sender:
        error = await refusal_of(sender)
    assert not error.permanent
    assert receiver.mails == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_certificate_is_that_of_the_name_not_of_its_address(security: Security) -> None:
    """The receiver's own is good for 127.0.0.1, where this name leads, and for no name."""
    receiver = MailReceiver(tls=tls().server) if security == "tls" else MailReceiver(
        smtp_options={"tls_context": tls().server}
    )  # fmt: skip
    known = tls().client
    async with (
        receiver,
        SmtpSender(MailServer("localhost", receiver.port, security, FROM), tls_context=known) as sender,
    ):
        error = await refusal_of(sender)
    assert "localhost" in str(error)
    assert "certificate" in str(error).lower()
    assert receiver.mails == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_certificate_that_nobody_vouches_for_is_refused(security: Security) -> None:
    receiver = MailReceiver(tls=tls().server) if security == "tls" else MailReceiver(
        smtp_options={"tls_context": tls().server}
    )  # fmt: skip
    async with receiver, sender_to(receiver, security, tls_context=ssl.create_default_context()) as sender:
        error = await refusal_of(sender)
    assert "certificate" in str(error).lower()
    assert receiver.mails == []


async def test_a_wrong_password_may_be_put_right_and_is_not_final() -> None:
    options = {"tls_context": tls().server, "auth_required": True, "authenticator": login}
    async with (
        MailReceiver(smtp_options=options) as receiver,
        sender_to(receiver, "starttls", username="hoarline", password="wrong!") as sender,
    ):
        error = await refusal_of(sender)
    assert not error.permanent
    assert "wrong!" not in str(error)


async def test_a_server_that_wants_a_login_is_not_final_either() -> None:
    class Private(MailReceiver):
        async def handle_MAIL(self, *_: object) -> str:  # noqa: N802 - aiosmtpd's name
            return "530 5.7.0 Authentication required"

    async with Private() as receiver, sender_to(receiver) as sender:
        error = await refusal_of(sender)
    assert "530" in str(error)
    assert not error.permanent


@pytest.mark.parametrize(("answer", "permanent"), [("451 4.3.0 later", False), ("554 5.7.1 not this", True)])
async def test_a_refused_mail_is_final_only_with_a_5xx(answer: str, permanent: bool) -> None:
    async with MailReceiver(answer=answer) as receiver, sender_to(receiver) as sender:
        error = await refusal_of(sender)
        assert error.permanent is permanent
        assert answer[4:] in str(error)
        receiver.answer = None
        await sender.send("duty@example.org", MAIL)
    assert receiver.connections == 1
    assert len(receiver.mails) == 1


@pytest.mark.parametrize(("answer", "permanent"), [("450 4.2.1 busy", False), ("550 5.1.1 no such mailbox", True)])
async def test_a_refused_mailbox_does_not_spoil_the_next_mail(answer: str, permanent: bool) -> None:
    class Choosy(MailReceiver):
        async def handle_RCPT(self, _s: SMTP, _x: object, envelope: Envelope, address: str, _o: Sequence[str]) -> str:  # noqa: N802 - aiosmtpd's name
            if address.startswith("nobody@"):
                return answer
            envelope.rcpt_tos.append(address)
            return "250 OK"

    async with Choosy() as receiver, sender_to(receiver) as sender:
        assert (await refusal_of(sender, "nobody@example.org")).permanent is permanent
        await sender.send("duty@example.org", MAIL)
    assert receiver.connections == 1
    assert len(receiver.mails) == 1


async def test_a_dropped_kept_connection_is_opened_anew_without_a_failure() -> None:
    async with MailReceiver() as receiver, sender_to(receiver) as sender:
        await sender.send("duty@example.org", MAIL)
        receiver.hang_up()
        await sender.send("duty@example.org", MAIL)
    assert receiver.connections == 2
    assert len(receiver.mails) == 2


async def test_a_kept_connection_that_has_had_its_number_of_mails_is_opened_anew() -> None:
    class Tired(MailReceiver):
        async def handle_MAIL(self, server: SMTP, *asked: Any) -> str:  # noqa: N802 - aiosmtpd's name
            if getattr(server, "had_one", False):
                return "421 4.7.0 too many mails on this connection"
            server.had_one = True
            envelope, address, _ = asked[-3:]
            envelope.mail_from = address
            return "250 OK"

    async with Tired() as receiver, sender_to(receiver) as sender:
        for _ in range(3):
            await sender.send("duty@example.org", MAIL)
    assert receiver.connections == 3
    assert len(receiver.mails) == 3


async def test_a_refusal_counts_though_the_server_hangs_up_after_it() -> None:
    class Rude(MailReceiver):
        async def handle_RSET(self, server: SMTP, *_: object) -> str:  # noqa: N802 - aiosmtpd's name
            server.transport.close()
            return "250 never heard"

    async with Rude(answer="554 5.7.1 not this") as receiver, sender_to(receiver) as sender:
        assert (await refusal_of(sender)).permanent
        receiver.answer = None
        await sender.send("duty@example.org", MAIL)
    assert receiver.connections == 2
    assert len(receiver.mails) == 1


async def test_a_kept_connection_that_falls_silent_is_given_up_in_bounded_time() -> None:
    class Sleepy(MailReceiver):
        asleep = False

        async def handle_MAIL(self, _server: SMTP, *asked: Any) -> str:  # noqa: N802 - aiosmtpd's name
            if self.asleep:
                await asyncio.Event().wait()
            envelope, address, _ = asked[-3:]
            envelope.mail_from = address
            return "250 OK"

    async with Sleepy() as receiver, sender_to(receiver, timeout_s=0.2) as sender:
        await sender.send("duty@example.org", MAIL)
        receiver.asleep = True
        assert "0.2 s" in str(await refusal_of(sender))
        receiver.asleep = False
        await sender.send("duty@example.org", MAIL)
    assert len(receiver.mails) == 2


async def test_a_goodbye_to_a_server_that_has_left_is_no_fault() -> None:
    async with MailReceiver() as receiver:
        sender = sender_to(receiver)
        await sender.send("duty@example.org", MAIL)
        receiver.hang_up()
    await sender.aclose()
    assert len(receiver.mails) == 1


async def test_a_server_that_drops_the_mail_half_way_may_be_tried_again() -> None:
    class Dropping(MailReceiver):
        drops = True

        async def handle_DATA(self, server: SMTP, session: object, envelope: Envelope) -> str:  # noqa: N802 - aiosmtpd's name
            if self.drops:
                server.transport.close()
                return "250 never heard"
            return await super().handle_DATA(server, session, envelope)

    async with Dropping() as receiver, sender_to(receiver) as sender:
        assert not (await refusal_of(sender)).permanent
        receiver.drops = False
        await sender.send("duty@example.org", MAIL)
    assert len(receiver.mails) == 1


async def test_nobody_there() -> None:
    async with MailReceiver() as receiver:
        pass
    error = await refusal_of(sender_to(receiver))
    assert not error.permanent
    assert f"127.0.0.1:{receiver.port}" in str(error)


@asynccontextmanager
async def saying(first: bytes) -> AsyncIterator[int]:
    """Serve a mail server that says one thing and then nothing more; yield its port."""
    talks: list[asyncio.StreamWriter] = []

    async def talk(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talks.append(writer)
        writer.write(first)
        await writer.drain()

    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in talks:
            writer.close()


@pytest.mark.parametrize("first", [b"", b"220 receiver ready\r\n"])
async def test_a_silent_server_is_given_up_in_bounded_time_and_frees_its_place(first: bytes) -> None:
    async with saying(first) as port, SmtpSender(server_at(port), connections=1, timeout_s=0.1) as sender:
        for _ in range(2):
            error = await refusal_of(sender)
            assert "0.1 s" in str(error)
            assert not error.permanent


async def test_a_server_that_greets_with_a_refusal_is_not_final_for_the_mail() -> None:
    async with saying(b"554 5.3.2 no mail service here\r\n") as port, SmtpSender(server_at(port)) as sender:
        error = await refusal_of(sender)
    assert not error.permanent
    assert "no mail service" in str(error)


async def test_what_a_server_says_is_kept_to_one_short_line() -> None:
    answer = "554 " + "x" * 400
    async with MailReceiver(answer=answer) as receiver, sender_to(receiver) as sender:
        error = await refusal_of(sender)
    assert len(str(error)) <= 200
    assert str(error).isprintable()


def login(_server: SMTP, _session: object, _envelope: Envelope, _mechanism: str, data: object) -> AuthResult:
    good = isinstance(data, LoginPassword) and (data.login, data.password) == (b"hoarline", b"open")
    return AuthResult(success=good, handled=good)


async def test_the_receiver_shows_each_mail_as_it_comes() -> None:
    shown: list[EmailMessage] = []
    async with MailReceiver(on_mail=shown.append) as receiver, sender_to(receiver) as sender:
        await sender.send("duty@example.org", MAIL)
    assert shown == receiver.mails


async def test_a_name_that_hangs_holds_no_thread_that_others_need(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the server's name nor this machine's own is asked for where the store is asked."""
    asked = set()
    real = socket.getaddrinfo

    def from_(what: str, answer: Callable[..., Any]) -> Callable[..., Any]:
        def ask(*given: Any, **named: Any) -> Any:
            asked.add((what, threading.current_thread().name.partition("_")[0]))
            return answer(*given, **named)

        return ask

    monkeypatch.setattr(socket, "getaddrinfo", from_("server", real))
    monkeypatch.setattr(socket, "getfqdn", from_("own", lambda: "watch.example.org"))
    async with (
        MailReceiver() as receiver,
        SmtpSender(MailServer("localhost", receiver.port, "none", FROM)) as sender,
    ):
        await sender.send("duty@example.org", MAIL)
    assert len(receiver.mails) == 1
    assert asked == {("server", "look-up"), ("own", "look-up")}


async def test_a_server_whose_name_has_no_address_is_told_and_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def says_no(*_: object, **__: object) -> list[Any]:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", says_no)
    async with SmtpSender(MailServer("mail.example.org", 25, "none", FROM)) as sender:
        error = await refusal_of(sender)
    assert not error.permanent
    assert "mail server mail.example.org:25: " in str(error)
    assert "Name or service not known" in str(error)
