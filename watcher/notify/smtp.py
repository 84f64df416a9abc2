"""Handing mail to a server over a few kept connections, and telling what helps from what does not."""

from __future__ import annotations

import asyncio
import socket
import ssl
from datetime import datetime
from types import TracebackType
from typing import Self

import aiosmtplib

from watcher.errors import DeliveryError
from watcher.net.lookups import own_name
from watcher.net.sockets import connected_socket
from watcher.notify.mail import Envelope, build_mail
from watcher.notify.mail_picture import picture_of
from watcher.notify.message import Message
from watcher.notify.model import EmailDestination, MailServer
from watcher.notify.templating import Templates
from watcher.notify.wording import short
from watcher.settings.addresses import bare_address

CONNECTIONS = 4
CONNECT_TIMEOUT_S = 10.0
COMMAND_TIMEOUT_S = 20.0
TOTAL_TIMEOUT_S = 60.0
# RFC 4954, 6: these are about our login, not about the message; somebody will put it right.
_LOGIN_REPLIES = frozenset({530, 534, 535, 538})


class SmtpSender:
    """Up to four kept connections to one mail server. Use as an async context manager, or call `aclose`.

    Parameters
    ----------
    server
        Where, how protected, and the login.
    connections
        The most that are open at once.
    tls_context
        Verifies the server's certificate. Left out: the public authorities.
    timeout_s
        Seconds for one mail, connecting included.
    """

    def __init__(
        self,
        server: MailServer,
        *,
        connections: int = CONNECTIONS,
        tls_context: ssl.SSLContext | None = None,
        timeout_s: float = TOTAL_TIMEOUT_S,
    ) -> None:
        self.server = server
        self._free = asyncio.Semaphore(connections)
        self._idle: list[aiosmtplib.SMTP] = []
        self._tls_context = tls_context
        self._timeout_s = timeout_s

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.aclose()

    async def aclose(self) -> None:
        """Say goodbye on every idle connection and close it."""
        idle, self._idle = self._idle, []
        await asyncio.gather(*(_goodbye(client) for client in idle))

    async def send(self, recipient: str, mail: bytes) -> None:
        """Hand over one mail.

        Parameters
        ----------
        recipient
            The address of the envelope.
        mail
            The whole mail with CR LF line ends.

        Raises
        ------
        DeliveryError
            `permanent` when the server said that trying again cannot help (5xx about this mail).
        """
        async with self._free:
            try:
                async with asyncio.timeout(self._timeout_s):
                    await self._send(recipient, mail)
            except aiosmtplib.SMTPException as error:
                raise DeliveryError(self._told(f"{self._place}: {error}")) from error
            except TimeoutError as error:
                raise DeliveryError(f"{self._place}: not done within {self._timeout_s:g} s") from error
            except OSError as error:
                raise DeliveryError(short(f"{self._place}: {error}")) from error

    async def _send(self, recipient: str, mail: bytes) -> None:
        client = await self._greeted()
        try:
            await client.rcpt(recipient, timeout=COMMAND_TIMEOUT_S)
            await client.data(mail, timeout=COMMAND_TIMEOUT_S)
        except aiosmtplib.SMTPResponseException as error:
            await _forget_mail(client)
            raise self._refusal(error) from error
        except BaseException:
            client.close()
            raise
        finally:
            if client.is_connected:
                self._idle.append(client)

    async def _greeted(self) -> aiosmtplib.SMTP:
        """Return a connection on which the sender was accepted: a kept one that still answers, else a new one."""
        if not self._idle:
            return await self._new_connection()
        client = self._idle.pop()
        try:
            await self._name_sender(client)
        except (aiosmtplib.SMTPException, OSError):
            # Servers drop idle connections, mostly all at once; nothing of the mail was said on them yet.
            client.close()
            self._drop_idle()
            return await self._new_connection()
        except BaseException:
            client.close()
            raise
        return client

    def _drop_idle(self) -> None:
        idle, self._idle = self._idle, []
        for client in idle:
            client.close()

    async def _new_connection(self) -> aiosmtplib.SMTP:
        name = await own_name()
        client = self._client(await connected_socket(self.server.host, self.server.port, CONNECT_TIMEOUT_S), name)
        try:
            await client.connect(timeout=CONNECT_TIMEOUT_S)
            await self._name_sender(client)
        except aiosmtplib.SMTPSenderRefused as error:
            client.close()
            raise self._refusal(error) from error
        except BaseException:
            client.close()
            raise
        return client

    async def _name_sender(self, client: aiosmtplib.SMTP) -> None:
        await client.mail(bare_address(self.server.from_address), timeout=COMMAND_TIMEOUT_S)

    def _client(self, connection: socket.socket, name: str) -> aiosmtplib.SMTP:
        """Return a client on an open connection. It greets as `name`, and has no name to look up itself."""
        server = self.server
        return aiosmtplib.SMTP(
            hostname=server.host,
            sock=connection,
            local_hostname=name,
            use_tls=server.security == "tls",
            start_tls=server.security == "starttls",
            username=server.username,
            password=server.password,
            tls_context=self._context() if server.security != "none" else None,
            timeout=COMMAND_TIMEOUT_S,
        )

    def _context(self) -> ssl.SSLContext:
        if self._tls_context is None:
            self._tls_context = ssl.create_default_context()
        return self._tls_context

    def _refusal(self, error: aiosmtplib.SMTPResponseException) -> DeliveryError:
        permanent = 500 <= error.code < 600 and error.code not in _LOGIN_REPLIES
        return DeliveryError(self._told(f"{self._place} said {error.code} {error.message}"), permanent=permanent)

    def _told(self, text: str) -> str:
        """Return what may be told of an answer: a server that repeats our password is not repeated."""
        password = self.server.password
        return short(text.replace(password, "…") if password else text)

    @property
    def _place(self) -> str:
        return f"mail server {self.server.host}:{self.server.port}"


class MailChannel:
    """Sends messages to one mailbox.

    Parameters
    ----------
    destination
        The mailbox.
    sender
        The server's connections, shared by all mailboxes.
    templates
        How mails look.
    contact
        A mail or web address of whoever runs the service; empty: the sender's.
    pictures
        Whether a mail about frost to come shows it in a picture too.
    """

    kind = "email"

    def __init__(
        self,
        destination: EmailDestination,
        sender: SmtpSender,
        templates: Templates,
        *,
        contact: str = "",
        pictures: bool = False,
    ) -> None:
        self._sender = sender
        self._templates = templates
        self._pictures = pictures
        self._envelope = Envelope(sender.server.from_address, destination.address, destination.name, contact)

    async def send(self, message: Message, now: datetime) -> None:
        """Hand one mail to the server.

        Parameters
        ----------
        message
            What to say. Its id makes the Message-ID, the same in every attempt; mails about the same subject are one
            conversation.
        now
            The Date.

        Raises
        ------
        DeliveryError
            The server did not take it; says whether trying again helps.
        """
        picture = picture_of(message) if self._pictures else None
        mail = build_mail(message, self._envelope, now=now, templates=self._templates, picture=picture)
        await self._sender.send(self._envelope.address, mail.as_bytes())


async def _forget_mail(client: aiosmtplib.SMTP) -> None:
    """Make the connection ready for the next mail, or close it."""
    try:
        await client.rset(timeout=COMMAND_TIMEOUT_S)
    except BaseException as error:
        client.close()
        if not isinstance(error, (aiosmtplib.SMTPException, OSError)):
            raise


async def _goodbye(client: aiosmtplib.SMTP) -> None:
    try:
        await client.quit(timeout=1.0)
    except (aiosmtplib.SMTPException, OSError):
        client.close()
